"""A further pass over the ledger for the few slots in question: every write to them, with its times."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from verify.judge.arrays import Int64Array, filled, flags, int64
from verify.judge.flushes import FlushCover
from verify.judge.slots import SlotState, planned, schedules, touches_in
from verify.judge.takeovers import Takeover
from verify.judge.timeline import WRITE_KINDS, by_lane, kind_mask
from verify.ledger.frames import Kind, Records
from verify.load.schedule import Flush

SEQUENCE_BITS = 42
"""Slot position and sequence number share one sorted 64-bit key; this leaves 2**20 slots to a batch."""

BATCH_SLOTS_MAX = 2 ** (62 - SEQUENCE_BITS)
UNKNOWN_NS = -1
OPEN_NS = np.iinfo(np.int64).max


class History:
    """Every write to the slots in question, in order of slot and sequence number.

    Args:
        state: the finished second pass.
        slots: the slots in question (counted within the run), ascending, at most `BATCH_SLOTS_MAX`.
        lowest: for each of them the lowest sequence number that matters, shape as `slots`.
        takeovers: for each, the first touch of every slot after it is noted.

    After `finish`:
        key: slot position << SEQUENCE_BITS | sequence, ascending, shape (writes,).
        slot_position: the first half of the key.
        issued_ns, done_ns: `UNKNOWN_NS` where only the volume proves the write; done is `OPEN_NS` if it was never
            acknowledged.
        not_before_ns: the issue, or where that is unknown the lane's latest completion in the ledger.
        acknowledged: whether it was acknowledged.
        covered_at_ns: when it was covered, `OPEN_NS` if never; under `completed` as `done_ns`.
        first_touch_ns: issue of the first touch of each slot after each takeover (where only the volume proves one,
            the lane's latest completion in the ledger), `OPEN_NS` for none; shape (takeovers, slots).
        first_touch: the operation that it belongs to, `OPEN_NS` where the ledger has none; same shape.
    """

    def __init__(
        self,
        state: SlotState,
        slots: Int64Array,
        lowest: Int64Array,
        takeovers: Sequence[Takeover],
        cover: FlushCover | None,
    ) -> None:
        self._state = state
        self._cover = cover
        self.slots = slots
        self._lowest = lowest
        self._starts = [t.looks_from_ns for t in takeovers]
        self._position = np.full(state.run.slots, -1, dtype=np.int32)
        self._position[slots] = np.arange(len(slots))
        self._schedules = schedules(state.run)
        self._taken: dict[int, int] = {}
        self._parts: list[tuple[npt.NDArray[Any], ...]] = [(int64(), int64(), int64(), flags(0), int64())]
        self.first_touch_ns = filled((len(takeovers), len(slots)), OPEN_NS)
        self.first_touch = filled((len(takeovers), len(slots)), OPEN_NS)

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
        positions = self._position[slots].astype(np.int64)
        wanted = np.flatnonzero(positions >= 0)
        if not len(wanted):
            return
        records, positions = records.take(wanted), positions[wanted]
        for index, start_ns in enumerate(self._starts):
            after = records.issued_ns > start_ns
            np.minimum.at(self.first_touch_ns[index], positions[after], records.issued_ns[after])
            np.minimum.at(self.first_touch[index], positions[after], records.sequence[after])
        keep = kind_mask(records, WRITE_KINDS) & (records.sequence >= self._lowest[positions])
        through = records.kind == Kind.WRITE_THROUGH
        key = positions << SEQUENCE_BITS | records.sequence
        issued_ns = records.issued_ns[keep]
        self._parts.append((key[keep], issued_ns, records.done_ns[keep], through[keep], issued_ns))

    def _add_proven(self, lane: int, found: int) -> None:
        """Add the writes that operation `found`, seen on the volume, proves beyond the ledger, and itself."""
        state = self._state
        low = state.timeline.tails[lane].next_sequence
        not_before_ns = state.timeline.unknown_not_before_ns(lane)
        through = state.run.stream_of_lane(lane).flush is Flush.WRITE
        for slots, numbers in state.proven_writes(lane, low, found + 1):
            positions = self._position[slots].astype(np.int64)
            keep = np.flatnonzero((positions >= 0) & (numbers >= self._lowest[positions]))
            positions, sequences = positions[keep], numbers[keep]
            key = positions << SEQUENCE_BITS | sequences
            done_ns = np.where(sequences < found, UNKNOWN_NS, OPEN_NS)
            unknown, not_before = (filled(len(key), x) for x in (UNKNOWN_NS, not_before_ns))
            self._parts.append((key, unknown, done_ns, np.full(len(key), through), not_before))
            for index, start_ns in enumerate(self._starts):
                if not_before_ns > start_ns:
                    touched = self.first_touch_ns[index]
                    touched[positions] = np.minimum(touched[positions], not_before_ns)

    def finish(self) -> None:
        """Sort, and add what was in flight at a clean end and what the volume proves beyond an open one."""
        for lane, found in self._state.proven.items():
            self._add_proven(lane, found)
        for lane, tail in enumerate(self._state.timeline.tails):
            if tail.in_flight is None or self._state.is_open(lane):
                continue
            number, issued, _ = tail.in_flight
            slot, writes = self._state.operation(lane, number)
            if writes and self._position[slot] >= 0:
                where = int(self._position[slot]) << SEQUENCE_BITS | number
                one = [int64([number]) for number in (where, issued, OPEN_NS)]
                self._parts.append((*one, flags(1), one[1]))
        key = np.concatenate([part[0] for part in self._parts])
        # Stable, which numpy does without vector instructions: an emulated processor was seen to sort wrongly by them.
        order = np.argsort(key, kind="stable")
        self.key = key[order]
        self.issued_ns, self.done_ns, through, self.not_before_ns = (
            np.concatenate([part[column] for part in self._parts])[order] for column in range(1, 5)
        )
        self._parts.clear()
        self.slot_position = self.key >> SEQUENCE_BITS
        self.acknowledged = self.done_ns != OPEN_NS
        if self._cover is None:
            self.covered_at_ns = self.done_ns
        else:
            self.covered_at_ns = self._cover.covered_at(self.done_ns, through)
            self.covered_at_ns[(self.done_ns == UNKNOWN_NS) & ~through] = OPEN_NS  # No flush is known to come after it.

    def position(self, slots: Int64Array) -> Int64Array:
        """Positions of slots (counted within the run) in `slots`; each must be there."""
        return self._position[slots].astype(np.int64)

    def index_of(self, positions: Int64Array, sequences: Int64Array) -> Int64Array:
        """Index of each (slot position, sequence) in the arrays, -1 where there is no such write."""
        wanted = positions << SEQUENCE_BITS | sequences  # Negative where the number is, and no key is.
        index = np.searchsorted(self.key, wanted)
        found = np.searchsorted(self.key, wanted, side="right") > index
        return np.where(found & (sequences < 2**SEQUENCE_BITS), index, -1)

    def last_below(self, positions: Int64Array, bounds: Int64Array) -> Int64Array:
        """Index of each slot's newest acknowledged write with a sequence number below the bound, -1 for none.

        At most one write of a slot was never acknowledged, and it is the newest of all. Bounds are those of operations
        that the ledger tells of or the volume proves: not negative, and less than 2**SEQUENCE_BITS.
        """
        index = np.searchsorted(self.key, positions << SEQUENCE_BITS | bounds) - 1
        some = np.flatnonzero(index >= 0)
        index[some] -= ~self.acknowledged[index[some]]
        same = index >= 0
        same[same] = self.slot_position[index[same]] == positions[same]
        return np.where(same, index, -1)

    def sequence(self, index: Int64Array) -> Int64Array:
        """Sequence numbers at the given indices, -1 where the index is -1."""
        out = filled(len(index), -1)
        found = index >= 0
        out[found] = self.key[index[found]] & (2**SEQUENCE_BITS - 1)
        return out
