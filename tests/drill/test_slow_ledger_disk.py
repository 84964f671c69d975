"""A ledger whose disk is slow: lanes hold, nothing acknowledged is missing, and no stall of the volume is told."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import attest, check_on, load_on, losses_of, no_false_finding, wait_until
from verify.drill.planning import RunRequest, StreamRequest
from verify.ledger import recorder
from verify.ledger.recorder import Recorder
from verify.load.threads import TURNS_PER_HOLD

BLOCK_BYTES = 512
SLOTS = 64
LANES = 4
WRITES_A_LANE = 700
STUCK_S = 0.5
STALL_NS = 125_000_000
PENDING_MAX = 200


class SlowOs:
    """The system as the recorder sees it: a write of the worker's ledger under load takes very long, twice.

    That is four times the stall threshold, and until so much is pending that the lanes must hold.
    """

    def __init__(self, record: Path) -> None:
        self.stuck = 0
        self.most_pending = 0
        self._ledger = record / "ledger" / "001.ledger"
        self._events = record / "events.jsonl"

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def write(self, file: int, data: memoryview) -> int:
        """Write, after a while if it is to be."""
        if self.stuck < 2 and self._loading() and os.path.samestat(os.fstat(file), os.stat(self._ledger)):
            self.stuck += 1
            time.sleep(STUCK_S)
            wait_until(lambda: self.most_pending > PENDING_MAX, "the ledger to fall behind")
        return os.write(file, data)

    def _loading(self) -> bool:
        return self._events.exists() and "load_began" in self._events.read_text()

    def fdatasync(self, file: int) -> None:
        """A flush takes as long."""
        time.sleep(STUCK_S / 2)
        os.fdatasync(file)


def test_a_slow_ledger_holds_the_lanes_and_is_no_stall_of_the_volume(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record, volume = tmp_path / "record", MemoryVolume(SLOTS * BLOCK_BYTES, write_delay_s=0.001)
    slow = SlowOs(record)
    behind = Recorder.behind.fget
    assert behind is not None

    def watched(self: Recorder) -> bool:
        slow.most_pending = max(slow.most_pending, len(self._pending))
        return bool(behind(self))

    monkeypatch.setattr(recorder, "os", slow)
    monkeypatch.setattr(recorder, "PENDING_RECORDS_MAX", PENDING_MAX)
    monkeypatch.setattr(Recorder, "behind", property(watched))
    marker = threading.Thread(target=attest, args=(record, volume))
    marker.start()
    stream = StreamRequest(BLOCK_BYTES, LANES, SLOTS * BLOCK_BYTES)
    load_on(volume, record, RunRequest((stream,), seed=4, operations=WRITES_A_LANE, stall_ns=STALL_NS, workers=1))
    marker.join()
    assert slow.stuck >= 1
    assert PENDING_MAX < slow.most_pending < PENDING_MAX + 2 * LANES * TURNS_PER_HOLD, "lanes must hold, and soon"
    result = check_on(volume, record)
    no_false_finding(result.verdict, losses_of(result.folder))
    assert [takeover["seen"] for takeover in result.verdict["takeovers"]] == ["attested"]
    assert result.verdict["writes"]["acknowledged"] == SLOTS + LANES * WRITES_A_LANE
    assert all(part["closed"] for part in result.verdict["ledger"].values())
    assert not any("stood still" in limit for limit in result.verdict["not_proved"])
