"""Driving a lane by a thread: errors, short transfers, a volume that vanishes and comes back."""

import errno

import pytest

from tests.load.driving import BLOCK, DrivenLane, make_run
from verify.ledger.frames import Kind
from verify.load.lane import SHORT_TRANSFER
from verify.load.schedule import Flush
from verify.load.shared import LaneState
from verify.load.threads import Reopener, drive


class MemoryVolume:
    """A volume of bytes whose next calls can be made to fail."""

    def __init__(self, size: int) -> None:
        self.data = bytearray(size)
        self.size_bytes, self.sector_bytes = size, 512
        self.fail: list[int] = []
        self.fail_flush: list[int] = []
        self.short = 0
        self.gone = self.empty = False
        self.reopened = 0
        self.held = 0

    def _trouble(self) -> None:
        if self.gone:
            raise OSError(errno.ENODEV, "gone")
        if self.fail:
            raise OSError(self.fail.pop(0), "failed")

    def read(self, offset, buffer):
        self._trouble()
        if self.empty:
            return 0
        buffer[:] = self.data[offset : offset + len(buffer)]
        return len(buffer)

    def write(self, offset, buffer, through):
        self._trouble()
        if self.short:
            self.short -= 1
            return len(buffer) // 2
        self.data[offset : offset + len(buffer)] = buffer
        return len(buffer)

    def flush(self):
        if self.fail_flush:
            raise OSError(self.fail_flush.pop(0), "failed")

    def reopen(self):
        self.reopened += 1
        self.gone = self.empty = False
        return True

    def close(self):
        pass


def run_to_end(volume, operations=6, holds=0, **stream):
    driven = DrivenLane(make_run(operations=operations, fill=False, **stream))
    driven.shared.phase = 1
    found = []
    left = [holds]

    def hold() -> bool:
        left[0] -= 1
        volume.held += left[0] >= 0
        return left[0] >= 0

    def ended() -> None:
        driven.shared.lane_state[0] = LaneState.ENDED

    drive(driven.lane, volume, Reopener(volume, lambda: found.append(1)), hold, ended)
    assert driven.shared.lane_state[0] == LaneState.ENDED
    return driven, found


def test_does_every_operation_once():
    driven, _ = run_to_end(MemoryVolume(8 * BLOCK))
    assert driven.kinds() == [Kind.WRITE] * 6


@pytest.mark.parametrize("code", [errno.EIO, errno.ETIMEDOUT, errno.ENOSPC, errno.EREMOTEIO])
def test_an_error_is_recorded_and_the_operation_issued_again(code):
    volume = MemoryVolume(8 * BLOCK)
    volume.fail = [code, code]
    driven, _ = run_to_end(volume)
    assert driven.kinds()[:3] == [Kind.ERROR, Kind.ERROR, Kind.WRITE]
    assert driven.kinds().count(Kind.WRITE) == 6
    assert driven.records().code[:2].tolist() == [code] * 2


def test_a_short_transfer_is_an_error_and_never_an_acknowledgement():
    volume = MemoryVolume(8 * BLOCK)
    volume.short = 1
    driven, _ = run_to_end(volume, operations=1)
    assert driven.kinds() == [Kind.ERROR, Kind.WRITE]
    assert driven.records().code[0] == SHORT_TRANSFER


def test_a_failed_flush_is_tried_again_and_counts_only_once_done():
    volume = MemoryVolume(8 * BLOCK)
    volume.fail_flush = [errno.EIO]
    driven, _ = run_to_end(volume, operations=1, flush=Flush.EVERY, flush_every=1)
    assert driven.kinds() == [Kind.WRITE, Kind.ERROR, Kind.FLUSH]


def test_a_vanished_volume_is_looked_for_again():
    volume = MemoryVolume(8 * BLOCK)
    volume.gone = True
    driven, found = run_to_end(volume)
    assert found == [1]
    assert driven.kinds().count(Kind.WRITE) == 6


def test_a_volume_that_gives_nothing_is_looked_for_again():
    """A disk that was deleted has no length any more under the old descriptor: every read of it ends short."""
    volume = MemoryVolume(8 * BLOCK)
    volume.empty = True
    driven, found = run_to_end(volume, read_share=1.0)
    assert found == [1]
    assert driven.kinds().count(Kind.READ) == 6
    assert set(driven.records().code[driven.records().kind == Kind.ERROR].tolist()) == {SHORT_TRANSFER}


def test_a_volume_is_looked_for_at_most_twice_a_second():
    volume = MemoryVolume(512)
    reopener = Reopener(volume, lambda: None)
    for _ in range(50):
        reopener.try_now()
    assert volume.reopened == 1


def test_nothing_is_issued_while_the_ledger_is_behind():
    volume = MemoryVolume(8 * BLOCK)
    driven, _ = run_to_end(volume, operations=40, holds=5)
    assert driven.kinds().count(Kind.WRITE) == 40
    assert volume.held == 5
