"""A wall clock that is set under load, and processes that are stopped and go on: told, and taken for nothing else."""

from __future__ import annotations

import mmap
import multiprocessing
import os
import signal
import threading
import time
from pathlib import Path

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import (
    attest,
    check_on,
    convicting,
    load_on,
    losses_of,
    no_false_finding,
    verdict_of,
)
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder
from verify.ledger.frames import Kind, Records

HOUR_NS = 3600 * 10**9
BLOCK_BYTES = 512
SLOTS = 32
WRITES_A_LANE = 70
LANES = 4
STOP_SLOTS = 8
TAG = 77
STOPPED = ("all", "workers")
STALL_THRESHOLD_NS = 400_000_000
STOPPED_S = 1.2
"""Three times the stall threshold, and more than the half second without a heartbeat that is called a pause."""


class SteppingClock(MemoryVolume):
    """Sets the wall clock an hour on, and later two hours back, in the middle of a write; the monotonic one goes on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        super().__init__(SLOTS * BLOCK_BYTES, write_delay_s=0.01)
        self.offset_ns = 0
        self.versions: dict[int, list[bytes]] = {}
        self.writes = 0
        true_ns = time.time_ns
        monkeypatch.setattr(time, "time_ns", lambda: true_ns() + self.offset_ns)

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        with self.lock:
            self.writes += 1
            if self.writes == SLOTS + 60:
                self.offset_ns = HOUR_NS
            if self.writes == SLOTS + 120:
                self.offset_ns = -HOUR_NS
            self.versions.setdefault(offset_bytes, []).append(bytes(buffer))
        return super().write(offset_bytes, buffer, through)


def test_a_wall_clock_that_is_set_is_told_and_changes_no_verdict(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record, volume = tmp_path / "record", SteppingClock(monkeypatch)
    marker = threading.Thread(target=attest, args=(record, volume))
    marker.start()
    stream = StreamRequest(BLOCK_BYTES, 4, SLOTS * BLOCK_BYTES)
    load_on(volume, record, RunRequest((stream,), seed=6, operations=WRITES_A_LANE, workers=2))
    marker.join()
    assert volume.writes == SLOTS + 4 * WRITES_A_LANE
    sound = check_on(volume, record)
    no_false_finding(sound.verdict, losses_of(sound.folder))
    assert sound.verdict["verdict"] == "PASS", sound.verdict["reasons"]
    assert [takeover["seen"] for takeover in sound.verdict["takeovers"]] == ["attested"]
    told = [limit for limit in sound.verdict["not_proved"] if "wall-clock times around a step" in limit]
    assert [limit.split("a step of ")[1].split(" s;")[0] for limit in told] == ["+3600.0", "-7200.0"]
    assert not any("stood still" in limit for limit in sound.verdict["not_proved"])
    at, held = max(volume.versions.items(), key=lambda item: len(item[1]))
    volume.data[at : at + BLOCK_BYTES] = held[-2]
    lossy = check_on(volume, record)
    assert (lossy.verdict["verdict"], convicting(lossy.verdict)) == ("FAIL", {"lost": 1})
    assert lossy.verdict["lost"]["acknowledged_writes"] == 1


class SlowVolume(MemoryVolume):
    """Every write is on its way for most of the time, so every lane waits when all is stopped. Shared by processes."""

    def __init__(self) -> None:
        super().__init__(STOP_SLOTS * BLOCK_BYTES, write_delay_s=0.2)
        self.data = mmap.mmap(-1, STOP_SLOTS * BLOCK_BYTES)  # type: ignore[assignment]


def drill_on_a_slow_volume(record: Path, processes: bool) -> None:
    """The load and the check of a drill, as one process."""
    stream = StreamRequest(BLOCK_BYTES, LANES, STOP_SLOTS * BLOCK_BYTES)
    request = RunRequest((stream,), seed=6, tag=TAG, operations=16, stall_ns=STALL_THRESHOLD_NS, workers=2)
    volume = SlowVolume()
    load_on(volume, record, request, processes=processes)
    check_on(volume, record)


@pytest.fixture(scope="module")
def stopped(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The records of drills whose processes, or whose workers alone, were stopped under load for a while."""
    records = {who: tmp_path_factory.mktemp(f"stopped {who}") / "record" for who in STOPPED}
    fork = multiprocessing.get_context("fork")
    drills = {
        who: fork.Process(target=drill_on_a_slow_volume, args=(record, who == "workers"))
        for who, record in records.items()
    }
    try:
        stopping: list[int] = []
        for who, drill in drills.items():
            drill.start()
            assert drill.pid is not None
            attest(records[who])
            tasks = Path(f"/proc/{drill.pid}/task/{drill.pid}/children").read_text().split()
            assert len(tasks) == (2 if who == "workers" else 0)
            stopping += [int(task) for task in tasks] or [drill.pid]
        for process in stopping:
            os.kill(process, signal.SIGSTOP)
        time.sleep(STOPPED_S)
        for process in stopping:
            os.kill(process, signal.SIGCONT)
        for drill in drills.values():
            drill.join(60)
            assert drill.exitcode == 0
    finally:
        for drill in drills.values():
            if drill.pid is not None:
                drill.kill()
                drill.join()
    return records


@pytest.mark.parametrize("who", STOPPED)
def test_processes_that_were_stopped_are_told_and_are_no_takeover(stopped: dict[str, Path], who: str) -> None:
    """Every lane waits for longer than the threshold, but it is we who did not look."""
    record = stopped[who]
    verdict = verdict_of(record)
    no_false_finding(verdict, losses_of(record / "checks" / "001"))
    [takeover] = verdict["takeovers"]
    assert (takeover["seen"], takeover["slots"]["unexamined"]) == ("attested", 0)
    assert verdict["verdict"] == "PASS", verdict["reasons"]
    assert any("in which the writer or the guest stood still" in limit for limit in verdict["not_proved"])
    waits = [
        item.done_ns[item.kind == Kind.WRITE] - item.issued_ns[item.kind == Kind.WRITE]
        for part in (1, 2) for item in RecordFolder.open(str(record)).ledger_file(part, TAG).items()
        if isinstance(item, Records)
    ]  # fmt: skip
    assert sum(int((wait > STALL_THRESHOLD_NS).sum()) for wait in waits) >= LANES, "not every lane was waiting"
