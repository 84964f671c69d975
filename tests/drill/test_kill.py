"""The writer killed at random moments, and ledgers cut short or spoilt: never a false finding, never a false PASS."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import shutil
import signal
import statistics
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.drill.runs import check_here, losses_of, no_false_finding, run_in_own_group, wait_until
from verify.drill.record import RecordFolder
from verify.ledger.frames import Kind, Records
from verify.load.run import Run

KILLS = int(os.environ.get("ACKPROOF_TEST_KILLS", "50"))
WORKERS = 2
PARTS = range(WORKERS + 1)
LAG_NS_MAX = 200_000_000
IMPORTED = multiprocessing.get_context("forkserver")
"""Writers are forked from a process that has imported the program: it is theirs to be killed, not to be started."""

IMPORTED.set_forkserver_preload(["verify.commands.main"])


@dataclass(frozen=True)
class Killed:
    """One killed writer: its verdict, and how long before the kill the file that ended first ended."""

    verdict: str
    filled: bool
    lag_ns: int


def kill_one(folder: Path, seed: int) -> Killed:
    """Start a writer, kill all its processes at a random moment, and check what it left."""
    chosen = random.Random(seed)
    folder.mkdir()
    volume, record = folder / "volume", folder / "record"
    arguments = [
        "write", volume, "--record", record, "--for", "30s", "--block", "4KiB", "--lanes", 4, "--span", "2MiB",
        "--workers", WORKERS, "--submit", chosen.choice(("auto", "threads")), "--seed", seed,
        "--read-share", chosen.choice(("0", "0.3")), "--flush-every", chosen.choice(("never", "8")),
    ]  # fmt: skip
    writer = IMPORTED.Process(target=run_in_own_group, args=(list(map(str, arguments)),))
    writer.start()
    assert writer.pid is not None
    try:
        ledgers = [record / "ledger" / f"{part:03d}.ledger" for part in PARTS]
        wait_until(
            lambda: writer.exitcode is not None or all(path.exists() and path.stat().st_size for path in ledgers),
            "the ledger",
        )
        time.sleep(chosen.uniform(0.0, chosen.choice((0.05, 0.6, 0.6))))
        assert writer.exitcode is None, "it ended by itself"
    finally:
        killed_ns = time.monotonic_ns()
        with contextlib.suppress(ProcessLookupError):
            os.killpg(writer.pid, signal.SIGKILL)
        writer.join()
    assert writer.exitcode == -signal.SIGKILL
    wait_until(lambda: not RecordFolder.open(str(record)).running(), "the end of all its processes")
    result = check_here(record, read_twice=chosen.random() < 0.3)
    no_false_finding(result.verdict, losses_of(result.folder))
    assert result.verdict["verdict"] == "INCONCLUSIVE"
    assert not any("damaged" in reason for reason in result.verdict["reasons"]), result.verdict["reasons"]
    assert any("never closed" in limit for limit in result.verdict["not_proved"])
    _, run = RecordFolder.open(str(record)).read_run()
    filled = result.verdict["writes"]["acknowledged"] >= run.slots
    lag_ns = max(killed_ns - last_moment_ns(RecordFolder.open(str(record)), run, part) for part in PARTS)
    shutil.rmtree(folder)
    return Killed(result.verdict["verdict"], filled, lag_ns)


def last_moment_ns(folder: RecordFolder, run: Run, part: int) -> int:
    """The latest moment that one file of the ledger tells of."""
    last = -1
    for item in folder.ledger_file(part, run.tag).items():
        if isinstance(item, Records):
            clock = item.kind == Kind.CLOCK
            last = max(last, int(np.where(clock, item.issued_ns, item.done_ns).max()))
        else:
            last = max(last, int(item.get("monotonic_ns", -1)))
    return last


def test_a_killed_writer_leaves_no_false_finding_and_little_untold(tmp_path: Path) -> None:
    """The ledger reaches the kernel every 50 ms and has a heartbeat every 100 ms, so 150 ms is its usual lag.

    On a machine whose processors others use as well a frame can come late; hence the median is held to 200 ms.
    """
    with ThreadPoolExecutor(2) as pool:
        killed = list(pool.map(lambda seed: kill_one(tmp_path / f"kill {seed}", seed), range(KILLS)))
    lags = sorted(k.lag_ns / 1e6 for k in killed)
    late = sum(lag > LAG_NS_MAX / 1e6 for lag in lags)
    print(f"lag median {statistics.median(lags):.0f} ms, most {lags[-1]:.0f} ms, over 200 ms {late} of {len(lags)}")
    assert statistics.median(lags) * 1e6 <= LAG_NS_MAX
    assert {k.filled for k in killed} == {False, True} or KILLS < 50, "no kill fell into the fill, or none after it"
