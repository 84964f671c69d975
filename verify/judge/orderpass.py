"""One more pass over the ledger for a takeover with a loss: the newest write of every slot before it."""

from __future__ import annotations

from typing import Any

import numpy as np

from verify.judge.arrays import BoolArray, Int64Array, filled, flags
from verify.judge.slots import SlotState, planned, schedules, touches_in
from verify.judge.takeovers import Takeover
from verify.judge.timeline import WRITE_KINDS, by_lane, kind_mask
from verify.ledger.frames import Kind, Records

_UNTOUCHED, _OBSERVED, _ODD, _OVERWRITTEN = 0, 1, 2, 3


class NewestBefore:
    """For every slot the newest write issued up to a takeover's start, and what touched it first afterwards.

    Fed the ledger like the passes before; then `finish`.

    Args:
        state: the finished second pass.
        takeover: the takeover.

    Attributes:
        issued_ns: issue of that write (where only the volume proves it, the lane's latest completion in the
            ledger), -1 for none; shape (slots,).
        sequence: its sequence number, -1 for none; shape (slots,).
    """

    def __init__(self, state: SlotState, takeover: Takeover) -> None:
        self._state = state
        self._start_ns = takeover.looks_from_ns
        self._schedules = schedules(state.run)
        self._taken: dict[int, int] = {}
        self.issued_ns = filled(state.run.slots, -1)
        self.sequence = filled(state.run.slots, -1)
        self._first_touch = np.zeros(state.run.slots, dtype=np.uint8)
        self._in_flight = flags(state.run.slots)

    def feed(self, part: int, item: Records | dict[str, Any]) -> None:
        """Take the next item of one part of the ledger."""
        taken = self._taken.get(part, 0)
        self._taken[part] = taken + 1
        accepted = self._state.timeline.accepted.get(part, 0)
        if taken >= accepted or part in self._state.mismatches or not isinstance(item, Records):
            return
        for lane, touches in by_lane(touches_in(item)):
            self._feed_lane(lane, touches)

    def _feed_lane(self, lane: int, records: Records) -> None:
        first_slot = self._state.run.stream_of_lane(lane).layout.first_slot
        slots, _ = planned(self._schedules[lane], first_slot, records.sequence)
        is_write = kind_mask(records, WRITE_KINDS)
        before = records.issued_ns <= self._start_ns
        written = is_write & before
        np.maximum.at(self.issued_ns, slots[written], records.issued_ns[written])
        np.maximum.at(self.sequence, slots[written], records.sequence[written])
        self._in_flight[slots[written & (records.done_ns > self._start_ns)]] = True
        odd = kind_mask(records, (Kind.READ_ODD, Kind.EXAMINED_ODD))
        kinds = np.where(is_write, _OVERWRITTEN, np.where(odd, _ODD, _OBSERVED))
        unique, first = np.unique(slots[~before], return_index=True)
        fresh = self._first_touch[unique] == _UNTOUCHED
        self._first_touch[unique[fresh]] = kinds[~before][first[fresh]]

    def finish(self) -> None:
        """Add what the check saw beyond the ledger: what the volume proves, and a write that was in flight."""
        tails = self._state.timeline.tails
        for lane, found in self._state.proven.items():
            not_before_ns = self._state.timeline.unknown_not_before_ns(lane)
            for slots, sequences in self._state.proven_writes(lane, tails[lane].next_sequence, found + 1):
                self._add_last(slots, sequences, not_before_ns, sequences == found)
        for slot, sequence in self._state.in_flight.items():
            in_flight = tails[self._state.lane_of_slot(slot)].in_flight
            if slot in self._state.recalled and in_flight is not None:
                self._add_last(np.array([slot]), np.array([sequence]), in_flight[1], np.array([True]))

    def _add_last(self, slots: Int64Array, sequences: Int64Array, issued_ns: int, in_flight: BoolArray) -> None:
        if issued_ns > self._start_ns:
            self._first_touch[slots[self._first_touch[slots] == _UNTOUCHED]] = _OVERWRITTEN
            return
        # One in flight may have been seen elsewhere than on its slot; only where it must stand it does.
        there = ~in_flight | (self._state.newest[slots] == sequences)
        slots, sequences, in_flight = slots[there], sequences[there], in_flight[there]
        self._in_flight[slots] = in_flight  # In order: of a slot written twice the last stays.
        np.maximum.at(self.sequence, slots, sequences)
        self.issued_ns[slots] = np.maximum(self.issued_ns[slots], issued_ns)

    def leave_out_untold(self, checked: bool) -> None:
        """Make `issued_ns` -1 also where the slot cannot tell what the takeover left.

        That is where it was overwritten before anyone looked, where nobody looked at all (`checked` says whether the
        check did), where it looked odd, and where its newest write was in
        flight when the takeover came: the controller that took over carried that write out, after the fact, so it says
        nothing of the moment that the volume went back to. (Counting it would call every rollback reordered.)
        """
        self.issued_ns[self._first_touch >= _ODD] = -1
        if not checked:
            self.issued_ns[self._first_touch == _UNTOUCHED] = -1
        self.issued_ns[self._in_flight] = -1

    def odd_slots(self) -> Int64Array:
        """The slots with a write before the takeover that looked odd afterwards."""
        return np.flatnonzero((self._first_touch == _ODD) & (self.issued_ns >= 0))
