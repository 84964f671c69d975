"""The supervisor or one worker of a writer killed at a random moment: nobody is accused, and a loss is still found."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import time
from pathlib import Path

import pytest

from tests.drill.runs import check_here, convicting, losses_of, no_false_finding, start, wait_until
from verify.drill.record import RecordFolder

RUNS = int(os.environ.get("ACKPROOF_TEST_KILLS", "50")) // 50
"""Of each kind, as `tests/drill/test_kill.py` kills fifty whole writers."""

WORKERS = 2
BLOCK_BYTES = 4096


def text(path: Path) -> str:
    return path.read_text() if path.exists() else ""


@pytest.mark.parametrize("seed", range(RUNS))
@pytest.mark.parametrize(("who", "submit"), [("supervisor", "auto"), ("worker", "threads")])
def test_the_rest_ends_in_order_and_the_record_tells_what_it_can(
    tmp_path: Path, who: str, submit: str, seed: int
) -> None:
    chosen = random.Random(f"{who} {seed}")
    volume, record = tmp_path / "volume", tmp_path / "record"
    writer = start(
        "write", volume, "--record", record, "--for", "60s", "--lanes", 4, "--span", "2MiB", "--workers", WORKERS,
        "--submit", submit, "--seed", seed, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    ledgers = [record / "ledger" / f"{part:03d}.ledger" for part in range(WORKERS + 1)]
    children = Path(f"/proc/{writer.pid}/task/{writer.pid}/children")
    try:
        wait_until(lambda: all(path.exists() and path.stat().st_size for path in ledgers), "the ledger", writer)
        workers = [int(process) for process in children.read_text().split()]
        assert len(workers) == WORKERS
        time.sleep(chosen.uniform(0.0, 0.6))
        os.kill(writer.pid if who == "supervisor" else chosen.choice(workers), signal.SIGKILL)
        if who == "worker":
            wait_until(lambda: "worker_lost" in text(record / "events.jsonl"), "the loss to be told", writer)
            writer.send_signal(signal.SIGINT)
        wait_until(lambda: not RecordFolder.open(str(record)).running(), "the end of the others")
        assert writer.wait(60) == (-signal.SIGKILL if who == "supervisor" else 4)
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(writer.pid, signal.SIGKILL)
        writer.wait()
    sound = check_here(record)
    no_false_finding(sound.verdict, losses_of(sound.folder))
    assert sound.verdict["verdict"] == "INCONCLUSIVE"
    assert not any("damaged" in reason for reason in sound.verdict["reasons"]), sound.verdict["reasons"]
    assert any("lost worker" in limit for limit in sound.verdict["not_proved"]) == (who == "worker")
    _, run = RecordFolder.open(str(record)).read_run()
    if sound.verdict["writes"]["acknowledged"] < run.slots:
        return  # killed while it filled
    with open(volume, "r+b") as file:
        file.seek(chosen.randrange(run.slots) * BLOCK_BYTES)
        file.write(bytes(BLOCK_BYTES))
    assert convicting(check_here(record).verdict) == {"blank": 1}
