"""A hot load goes on after a takeover that lost writes, and rewrites every slot: the evidence survives it."""

from __future__ import annotations

import random
import threading
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import attest, check_on, convicting, load_on, losses_of
from verify.drill.checking import CheckResult
from verify.drill.planning import RunRequest, StreamRequest
from verify.load.shared import Shared

BLOCK_BYTES = 512
SLOTS = 512
LANES = 8
WRITES = 1000
"""Of each lane under load, about."""

PACE = 3200.0
"""Writes per second: several to each block, and no lane far ahead of the others."""

ROLLED_BACK = 200
WRITES_BEFORE_MOMENT = SLOTS + 2000
WRITES_BEFORE_TAKEOVER = WRITES_BEFORE_MOMENT + 300
SETTLE_S_MAX = 10.0
STALL_S = 0.6
OUTAGES_MAX = LANES + 2
"""The supervisor tells of one stall, and each lane of its own wait."""

MICROSECONDS_S = 100e-6
"""What is lost between two clocks read one after the other, and in times told to the microsecond."""

STALL_THRESHOLD_NS = 500_000_000
"""Half of it is how late a lane may come to its stalled write without examining first."""


class TakenOver(MemoryVolume):
    """Stalls every call at a given write, and while it stalls puts blocks back to what they held earlier.

    What really happened is kept apart from what is served: `lost` gives for the offset of each block put back how
    many of its acknowledged writes that undid. Blocks with a write under way (`in_flight`) are left out: it hides
    the loss.

    With `one_moment` every block goes back to what it held at the moment `moment_wall_ns`; without, 200 blocks go
    back by a few writes each.
    """

    def __init__(self, seed: int, one_moment: bool = False) -> None:
        super().__init__(SLOTS * BLOCK_BYTES)
        self.lost: dict[int, int] = {}
        self.in_flight: set[int] = set()
        self.moment_wall_ns = 0
        self._random = random.Random(seed)
        self._one_moment = one_moment
        self._versions: dict[int, list[bytes]] = {}
        self._versions_at_moment: dict[int, int] = {}
        self._versions_at_takeover: dict[int, int] = {}
        self._writes = 0
        self._under_way: set[int] = set()
        self._at_gate = 0
        self._open = threading.Event()
        self._open.set()

    def _pass_gate(self) -> None:
        with self.lock:
            self._at_gate += 1
        self._open.wait()
        with self.lock:
            self._at_gate -= 1

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        self._pass_gate()
        return super().read(offset_bytes, buffer)

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        with self.lock:
            self._writes += 1
            self._under_way.add(offset_bytes)
            if self._writes == WRITES_BEFORE_MOMENT:
                self.moment_wall_ns = time.time_ns()
                self._versions_at_moment = {at: len(held) for at, held in self._versions.items()}
            if self._writes == WRITES_BEFORE_TAKEOVER:
                self._open.clear()
                threading.Thread(target=self._take_over).start()
        self._pass_gate()
        with self.lock:
            self._under_way.discard(offset_bytes)
            self._versions.setdefault(offset_bytes, []).append(bytes(buffer))
            self.data[offset_bytes : offset_bytes + len(buffer)] = buffer
        return len(buffer)

    def _take_over(self) -> None:
        try:
            every_lane_by = time.monotonic() + SETTLE_S_MAX
            while self._at_gate < LANES and time.monotonic() < every_lane_by:
                time.sleep(0.001)
            self._put_back()
            time.sleep(STALL_S)
        finally:
            self._open.set()

    def _put_back(self) -> None:
        with self.lock:
            self.in_flight = set(self._under_way)
            self._versions_at_takeover = {at: len(held) for at, held in self._versions.items()}
            for at, kept in self._survivors().items():
                held = self._versions[at]
                self.data[at : at + BLOCK_BYTES] = held[kept - 1]
                if at not in self.in_flight and kept < len(held):
                    self.lost[at] = len(held) - kept

    def _survivors(self) -> dict[int, int]:
        """How many of its writes each block keeps that is put back."""
        if self._one_moment:
            return self._versions_at_moment
        with_history = sorted(at for at, held in self._versions.items() if len(held) > 1)
        chosen = self._random.sample(with_history, ROLLED_BACK)
        return {
            at: len(self._versions[at]) - self._random.randint(1, min(3, len(self._versions[at]) - 1)) for at in chosen
        }

    def rewritten_at_least(self) -> int:
        """How often the block least rewritten since the takeover was."""
        return min(len(held) - self._versions_at_takeover[at] for at, held in self._versions.items())


def drill(folder: Path, volume: TakenOver, read_share: float = 0.0, examine: bool = True) -> CheckResult:
    pace, operations = PACE / (1 - read_share), int(WRITES / (1 - read_share))
    stream = StreamRequest(BLOCK_BYTES, LANES, SLOTS * BLOCK_BYTES, read_share=read_share, pace=pace)
    request = RunRequest((stream,), seed=5, operations=operations, stall_ns=STALL_THRESHOLD_NS)
    load_on(volume, folder / "record", request, examine=examine)
    assert volume.rewritten_at_least() >= 2, "the load was not hot enough"
    return check_on(volume, folder / "record")


def the_takeover(verdict: dict[str, Any]) -> dict[str, Any]:
    [takeover] = verdict["takeovers"]
    assert takeover["seen"] == "observed"
    assert takeover["stall_s"] >= STALL_S
    return dict(takeover)


def lost_by_examination(result: CheckResult) -> dict[int, int]:
    """Offset to lost writes of every block that an examination found lost.

    A lane that learns of one more outage between an examination and the overwrite examines once more.
    """
    rows = [row for row in losses_of(result.folder) if row["seen_by"] == "examination"]
    assert {row["kind"] for row in rows} <= {"lost"}
    found = {(int(row["offset"]), int(row["lost_writes"])) for row in rows}
    assert len(rows) <= len(found) + LANES * OUTAGES_MAX
    assert len(dict(found)) == len(found)
    return dict(found)


@pytest.mark.parametrize("seed", range(3))
def test_every_block_put_back_is_reported_with_its_lost_writes(tmp_path: Path, seed: int) -> None:
    print(f"seed {seed}")
    volume = TakenOver(seed)
    result = drill(tmp_path, volume)
    assert ROLLED_BACK - LANES <= len(volume.lost) <= ROLLED_BACK
    assert lost_by_examination(result) == volume.lost
    verdict = result.verdict
    assert verdict["verdict"] == "FAIL"
    assert convicting(verdict) == {"lost": len(volume.lost)}
    assert verdict["lost"]["blocks"] == len(volume.lost)
    assert verdict["lost"]["acknowledged_writes"] == sum(volume.lost.values())
    takeover = the_takeover(verdict)
    assert takeover["in_flight"] == len(volume.in_flight) == LANES
    assert takeover["slots"]["unexamined"] == 0
    assert takeover["slots"]["examined"] + takeover["slots"]["left_to_check"] == SLOTS


@pytest.mark.parametrize("seed", range(2))
def test_blocks_that_a_read_saw_first_are_reported_all_the_same(tmp_path: Path, seed: int) -> None:
    print(f"seed {seed}")
    volume = TakenOver(seed)
    result = drill(tmp_path, volume, read_share=0.4)
    assert lost_by_examination(result) == volume.lost
    stale = {int(row["offset"]) for row in losses_of(result.folder) if row["seen_by"] == "read"}
    assert stale
    assert stale <= volume.lost.keys()
    verdict = result.verdict
    assert convicting(verdict) == {"lost": len(volume.lost), "stale_read": len(stale)}
    assert verdict["lost"]["acknowledged_writes"] == sum(volume.lost.values())
    assert the_takeover(verdict)["slots"]["unexamined"] == 0


def test_without_examination_the_slots_are_counted_and_nothing_is_proved(tmp_path: Path) -> None:
    volume = TakenOver(seed=0)
    result = drill(tmp_path, volume, examine=False)
    assert volume.lost
    assert losses_of(result.folder) == []
    verdict = result.verdict
    assert convicting(verdict) == {}
    assert verdict["verdict"] == "INCONCLUSIVE"
    slots = the_takeover(verdict)["slots"]
    assert slots == {"examined": 0, "left_to_check": 0, "unexamined": SLOTS}
    assert any(f"{SLOTS} blocks overwritten" in reason for reason in verdict["reasons"])


def test_lanes_that_examine_before_the_mark_is_timed_lose_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The supervisor is held up between telling the lanes of a takeover and noting that all were told."""
    tell = Shared.raise_outage

    def held_up(shared: Shared, cell: int) -> None:
        tell(shared, cell)
        if cell == 0:
            time.sleep(0.1)

    monkeypatch.setattr(Shared, "raise_outage", held_up)
    record, volume = tmp_path / "record", MemoryVolume(SLOTS * BLOCK_BYTES)
    marker = threading.Thread(target=attest, args=(record, volume))
    marker.start()
    stream = StreamRequest(BLOCK_BYTES, LANES, SLOTS * BLOCK_BYTES, pace=PACE)
    load_on(volume, record, RunRequest((stream,), seed=5, operations=WRITES // 2))
    marker.join()
    [takeover] = check_on(volume, record).verdict["takeovers"]
    assert takeover["seen"] == "attested"
    assert takeover["slots"]["examined"] > SLOTS // 2
    assert takeover["slots"]["unexamined"] == 0


def test_a_volume_that_went_back_to_one_moment_is_told_so(tmp_path: Path) -> None:
    volume = TakenOver(seed=0, one_moment=True)
    result = drill(tmp_path, volume)
    assert volume.lost
    assert lost_by_examination(result) == volume.lost
    order = the_takeover(result.verdict)["order"]
    assert order["one_moment"], order
    earliest, latest = (datetime.fromisoformat(end).timestamp() for end in order["moment"])
    assert earliest - MICROSECONDS_S <= volume.moment_wall_ns / 1e9 <= latest + MICROSECONDS_S
    assert (order["set_aside"], order["overtaken"], order["witness"]) == (0, 0, None)
