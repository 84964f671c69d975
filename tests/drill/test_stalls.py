"""A real volume that stands still under load: a file system frozen for a while, which holds up every write to it."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.drill.conftest import Attach
from tests.drill.runs import (
    ackproof,
    check_here,
    losses_of,
    no_false_finding,
    start,
    verdict_of,
    wait_for_load,
    wait_until,
)
from verify.drill.record import RecordFolder

pytestmark = pytest.mark.skipif(
    os.geteuid() != 0 or not all(map(shutil.which, ("mkfs.ext4", "fsfreeze"))),
    reason="needs root, mkfs.ext4 and fsfreeze: mounts and freezes a file system",
)

LANES = 4
STALL_S = 1.8
LOAD = ("--for", "6s", "--lanes", LANES, "--span", "1MiB", "--read-share", "0.2")


class FileSystem:
    """A mounted file system that can be frozen; `volume` is a path on it."""

    def __init__(self, point: Path) -> None:
        self.point = point
        self.volume = point / "volume"
        self.frozen = False

    def freeze(self) -> None:
        subprocess.run(["fsfreeze", "--freeze", str(self.point)], check=True)
        self.frozen = True

    def thaw(self) -> None:
        if self.frozen:
            subprocess.run(["fsfreeze", "--unfreeze", str(self.point)], check=True)
            self.frozen = False


@pytest.fixture
def system(tmp_path: Path, attach: Attach) -> Iterator[FileSystem]:
    image, point = tmp_path / "image", tmp_path / "mounted"
    point.mkdir()
    with open(image, "wb") as file:
        os.posix_fallocate(file.fileno(), 0, 32 << 20)
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
    subprocess.run(["mount", attach(image), str(point)], check=True)
    mounted = FileSystem(point)
    yield mounted
    mounted.thaw()
    # Processes that were left to what never returned end as they are let go, and only then is the file system free.
    unmount = ["umount", str(point)]
    wait_until(lambda: not subprocess.run(unmount, capture_output=True, check=False).returncode, "the end of its users")


@pytest.fixture
def writer(system: FileSystem, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A writer under load, its output in the files `out` and `err`; killed in the end, if it still runs."""
    with open(tmp_path / "out", "w") as out, open(tmp_path / "err", "w") as err:
        process = start("write", system.volume, "--record", tmp_path / "record", *LOAD, stdout=out, stderr=err)
    try:
        wait_for_load(tmp_path / "record", process)
        yield process
    finally:
        system.thaw()
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def text(path: Path) -> str:
    return path.read_text() if path.exists() else ""


def test_a_stall_is_an_observed_takeover_and_a_sound_volume_passes(
    system: FileSystem, writer: subprocess.Popen[str], tmp_path: Path
) -> None:
    record = tmp_path / "record"
    time.sleep(0.3)
    system.freeze()
    time.sleep(STALL_S)
    system.thaw()
    assert writer.wait(timeout=60) == 0, text(tmp_path / "err")
    assert "stalled" in text(tmp_path / "err")
    checked = ackproof("check", record)
    assert checked.returncode == 0, checked.stdout
    assert "observed" in checked.stdout
    verdict = verdict_of(record)
    no_false_finding(verdict, losses_of(record / "checks" / "001"))
    [takeover] = verdict["takeovers"]
    assert (takeover["seen"], takeover["errors"], takeover["slots"]["unexamined"]) == ("observed", 0, 0)
    assert takeover["stall_s"] > 1.0
    assert takeover["longest_wait_s"] >= takeover["stall_s"]
    assert 0 < takeover["in_flight"] <= LANES
    assert takeover["end"] is not None
    assert takeover["before"]["writes_per_second"] > 0
    assert takeover["after"]["writes_per_second"] > 0


@pytest.mark.parametrize("interrupts", [1, 2])
def test_ctrl_c_does_not_wait_for_what_never_returns(
    system: FileSystem, writer: subprocess.Popen[str], tmp_path: Path, interrupts: int
) -> None:
    record = tmp_path / "record"
    system.freeze()
    wait_until(lambda: "outage_began" in text(record / "events.jsonl"), "the outage")
    for _ in range(interrupts):
        os.killpg(writer.pid, signal.SIGINT)
        time.sleep(0.2)
    assert writer.wait(timeout=60) == 0, text(tmp_path / "err")
    assert "Traceback" not in text(tmp_path / "err")
    about = json.loads((record / "run.json").read_text())
    assert about["ended_because"] == "Ctrl-C was pressed"
    assert about["workers_lost"] == []
    system.thaw()
    wait_until(lambda: not RecordFolder.open(str(record)).running(), "the workers' end")
    result = check_here(record)
    no_false_finding(result.verdict, losses_of(result.folder))
    assert 0 < result.verdict["writes"]["in_flight"] <= LANES
    assert all(part["closed"] for part in result.verdict["ledger"].values())
    [takeover] = result.verdict["takeovers"]
    assert (takeover["seen"], takeover["end"]) == ("observed", None)
    written = result.verdict["writes"]["acknowledged"] - result.verdict["coverage"]["slots"]
    assert written == about["result"]["acknowledged_writes"]
