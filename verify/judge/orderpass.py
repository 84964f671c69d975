"""One more pass over the ledger for a takeover with a loss: the newest write of every slot before it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from verify.judge.slots import TOUCH_KINDS, SlotState, planned, schedules
from verify.judge.takeovers import Takeover
from verify.judge.timeline import WRITE_KINDS, by_lane, kind_mask
from verify.ledger.frames import Records

_UNTOUCHED, _OBSERVED, _OVERWRITTEN = 0, 1, 2


class NewestBefore:
    """For every slot the newest write issued up to a takeover's start, and what touched it first afterwards.

    Args:
        state: the finished second pass.
        takeover: the takeover.

    Attributes:
        issued_ns: issue of that write, -1 for none; shape (slots,).
        sequence: its sequence number, -1 for none; shape (slots,).
    """

    def __init__(self, state: SlotState, takeover: Takeover) -> None:
        self._state = state
        self._start_ns = takeover.start_ns
        self._schedules = schedules(state.run)
        self._taken: dict[int, int] = {}
        self.issued_ns = np.full(state.run.slots, -1, dtype=np.int64)
        self.sequence = np.full(state.run.slots, -1, dtype=np.int64)
        self._first_touch = np.zeros(state.run.slots, dtype=np.uint8)
        self._in_flight = np.zeros(state.run.slots, dtype=np.bool_)

    def feed(self, part: int, item: Records | dict[str, Any]) -> None:
        """Take the next item of one part of the ledger."""
        taken = self._taken.get(part, 0)
        self._taken[part] = taken + 1
        accepted = self._state.timeline.accepted.get(part, 0)
        if taken >= accepted or part in self._state.mismatches or not isinstance(item, Records):
            return
        touches = item.take(np.flatnonzero(kind_mask(item, TOUCH_KINDS)))
        for lane, positions in by_lane(touches):
            self._feed_lane(lane, touches.take(positions))

    def _feed_lane(self, lane: int, records: Records) -> None:
        first_slot = self._state.run.stream_of_lane(lane).layout.first_slot
        slots, _ = planned(self._schedules[lane], first_slot, records.sequence)
        is_write = kind_mask(records, WRITE_KINDS)
        before = records.issued_ns <= self._start_ns
        written = is_write & before
        np.maximum.at(self.issued_ns, slots[written], records.issued_ns[written])
        np.maximum.at(self.sequence, slots[written], records.sequence[written])
        self._in_flight[slots[written & (records.done_ns > self._start_ns)]] = True
        self._note_first_touches(slots[~before], is_write[~before])

    def _note_first_touches(self, slots: npt.NDArray[np.int64], is_write: npt.NDArray[np.bool_]) -> None:
        unique, first = np.unique(slots, return_index=True)
        fresh = self._first_touch[unique] == _UNTOUCHED
        kinds = np.where(is_write[first[fresh]], _OVERWRITTEN, _OBSERVED)
        self._first_touch[unique[fresh]] = kinds

    def usable_issued_ns(self) -> npt.NDArray[np.int64]:
        """`issued_ns` with -1 also where the slot cannot tell what the takeover left.

        That is where it was overwritten before anyone looked, or where the newest write was in flight when the takeover
        came: it was carried out, perhaps for the first time, by the controller that took over.
        """
        return np.where((self._first_touch == _OVERWRITTEN) | self._in_flight, -1, self.issued_ns)
