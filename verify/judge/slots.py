"""The second pass over a run's ledger: what every slot must hold, and what touched it first after each takeover."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from verify.judge.arrays import BoolArray, Int64Array, filled, flags, int64, zeros
from verify.judge.flushes import NOT_COVERED_NS, FlushCover
from verify.judge.surroundings import LOOK_KINDS, AroundTakeover, gather, windows
from verify.judge.takeovers import Takeover
from verify.judge.timeline import OPERATION_KINDS, WRITE_KINDS, Timeline, by_lane, kind_mask
from verify.ledger.frames import Kind, Records
from verify.load.run import Run
from verify.load.schedule import Flush, Schedule

TOUCH_KINDS = (*OPERATION_KINDS, *LOOK_KINDS)
PROOF_OPERATIONS_MAX = 2**33
"""No lane is believed to have gone on by more operations than this beyond the end of its ledger."""

DEMANDED_OPERATIONS_MAX = 2**28
"""Of more operations than this before a block beyond the ledger's end, none is demanded: working out what they wrote
takes time in proportion. It is an hour of 70,000 a second on one lane."""

CHUNK_OPERATIONS = 1 << 20


def schedules(run: Run) -> list[Schedule]:
    """The schedule of every lane of a run."""
    return [run.schedule(lane) for lane in range(run.lanes)]


def touches_in(records: Records) -> Records:
    """Those of the records that tell of reads, writes and examinations of slots, in order."""
    touches = kind_mask(records, TOUCH_KINDS)
    return records if touches.all() else records.take(np.flatnonzero(touches))


def planned(schedule: Schedule, first_slot: int, sequences: Int64Array) -> tuple[Int64Array, BoolArray]:
    """For operations of one lane, ascending: the slot (counted within the run), and whether it writes."""
    low = int(sequences[0])
    operations = schedule.operations(low, int(sequences[-1]) - low + 1)
    index = sequences - low
    return operations.slots[index] + first_slot, operations.writes[index]


class SlotState:
    """What every slot of the run must hold, by the ledger.

    Fed the same items as `Timeline`, which must be finished; then `finish`.

    Attributes:
        newest: sequence number of the newest acknowledged write of each slot (counted within the run), -1 for
            none; or of a newer one that an earlier check saw.
        covered: that of the newest covered write; the same array as `newest` unless the promise is `flushed`.
        in_flight: slot to sequence number of a write that was in flight when a closed ledger ended.
        proven: lane to the highest operation found on the volume beyond the end of its open ledger.
        recalled: slot to the newest acknowledged write, where an earlier check saw a newer one.
        mismatches: for each part whose records do not fit the run's schedule, what is wrong.
    """

    def __init__(self, timeline: Timeline, takeovers: Sequence[Takeover], cover: FlushCover | None) -> None:
        run = timeline.run
        self.run = run
        self.timeline = timeline
        self.newest = filled(run.slots, -1)
        self.covered = self.newest if cover is None else filled(run.slots, -1)
        self.in_flight: dict[int, int] = {}
        self.proven: dict[int, int] = {}
        self.recalled: dict[int, int] = {}
        self.mismatches: dict[int, str] = {}
        self.around = [AroundTakeover(t, *windows(timeline, takeovers, i)) for i, t in enumerate(takeovers)]
        from_ns = [min(around.before.start_ns, around.takeover.looks_from_ns) for around in self.around]
        until_ns = [max(around.after.end_ns, around.takeover.end_ns) for around in self.around]
        self._from_ns, self._until_ns = int64(from_ns), int64(until_ns)
        self.covered_writes = 0
        self._cover = cover
        self._taken: dict[int, int] = {}
        self._starts = int64([t.start_ns for t in takeovers])
        self._looks_from = int64([t.looks_from_ns for t in takeovers])
        self._interval = np.zeros(run.slots if takeovers else 0, dtype=np.uint16)
        self._tally = zeros((2, len(takeovers) + 1))
        self._schedules = schedules(run)
        self._open: set[int] = {lane for lane, tail in enumerate(timeline.tails) if not tail.closed}
        self._distrusted: set[int] = set()

    def feed(self, part: int, item: Records | dict[str, Any]) -> None:
        """Take the next item of one part of the ledger, as far as the timeline accepted that part."""
        taken = self._taken.get(part, 0)
        self._taken[part] = taken + 1
        accepted = self.timeline.accepted.get(part, 0)
        if taken >= accepted or part in self.mismatches:
            return
        if not isinstance(item, Records):
            wrong = self._wrong_observation(part, item) if item.get("event") == "observation" else ""
            if wrong:
                self._distrust(part, wrong)
            return
        for index in self._near(item):
            gather(self.around[index], item, self.run)
        for lane, touches in by_lane(touches_in(item)):
            wrong = self._feed_lane(lane, touches)
            if wrong:
                self._distrust(part, wrong)
                return

    def _near(self, records: Records) -> list[int]:
        """Of which takeovers the records may tell: those with a moment between the first issue and the last end."""
        told = records.kind != Kind.CLOCK
        if not len(self.around) or not told.any():
            return []
        first_ns, last_ns = records.issued_ns[told].min(), records.done_ns[told].max()
        return np.flatnonzero((self._from_ns <= last_ns) & (self._until_ns >= first_ns)).tolist()

    def _distrust(self, part: int, wrong: str) -> None:
        self.mismatches[part] = wrong
        self._distrusted |= {x for x in range(self.run.lanes) if self.run.lane_workers[x] == part}
        self._open |= self._distrusted

    def _wrong_observation(self, part: int, event: dict[str, Any]) -> str:
        """Whether a lane says that it expected another write on a slot than its own records do."""
        try:
            lane, slot, expected = int(event["lane"]), int(event["slot"]), int(event["expected"])
            layout = self.run.stream_of_lane(lane).layout
            if lane < 0 or self.run.lane_workers[lane] != part or not 0 <= slot < layout.slots:
                return ""
            if expected == self.newest[layout.first_slot + slot]:
                return ""
        except (KeyError, TypeError, ValueError, OverflowError, IndexError):
            return ""  # Such an observation is not taken, and told by whoever took the others.
        return f"an observation by lane {lane} expected write {expected}, which is not the newest of its slot"

    def finish(self) -> None:
        """Count the slots left to the check, and note what was in flight at a clean end."""
        for lane, tail in enumerate(self.timeline.tails):
            if lane in self._open or tail.in_flight is None:
                continue
            sequence, issued_ns, _ = tail.in_flight
            slot, writes = self.operation(lane, sequence)
            if not writes:
                continue
            self.in_flight[slot] = sequence
            for around in self.around:
                if issued_ns <= around.takeover.start_ns:
                    around.writing_lanes.add(lane)
        for around in self.around:
            around.in_flight = len(around.writing_lanes)
        if self.around:
            examined, unexamined = np.cumsum(self._tally, axis=1)
            untouched = np.cumsum(np.bincount(self._interval[self.newest >= 0], minlength=len(self.around)))
            for index, around in enumerate(self.around):
                around.examined = int(examined[index])
                around.unexamined = int(unexamined[index])
                around.left_to_check = int(untouched[index])
        del self._interval

    def is_open(self, lane: int) -> bool:
        """Whether the lane may have gone on beyond what the ledger holds."""
        return lane in self._open

    def distrusted_slots(self) -> BoolArray:
        """For every slot (counted within the run) whether its lane's records do not fit the run."""
        out = flags(self.run.slots)
        for lane in self._distrusted:
            layout = self.run.stream_of_lane(lane).layout
            first = layout.first_slot + lane - layout.first_lane
            out[first : layout.first_slot + layout.slots : layout.lanes] = True
        return out

    def lane_of_slot(self, slot: int) -> int:
        """The lane (counted within the run) that owns a slot (counted within the run)."""
        for stream in self.run.streams:
            layout = stream.layout
            if slot < layout.first_slot + layout.slots:
                return layout.first_lane + (slot - layout.first_slot) % layout.lanes
        raise IndexError(slot)

    def writes_slot(self, slot: int, sequence: int) -> bool:
        """Whether operation `sequence` of the slot's lane is a write to that slot."""
        lane = self.lane_of_slot(slot)
        if not 0 <= sequence < self.timeline.tails[lane].next_sequence + PROOF_OPERATIONS_MAX:
            return False
        return lane not in self._distrusted and self.operation(lane, sequence) == (slot, True)

    def may_be_beyond(self, slot: int, sequence: int) -> bool:
        """Whether operation `sequence` may be a write to the slot of which an open ledger never heard.

        Of a lane whose records do not fit the schedule, every operation may be one.
        """
        lane = self.lane_of_slot(slot)
        if lane in self._distrusted:
            return True
        beyond = self.is_open(lane) and sequence >= self.timeline.tails[lane].next_sequence
        return beyond and self.writes_slot(slot, sequence)

    def operation(self, lane: int, sequence: int) -> tuple[int, bool]:
        """The slot (counted within the run) of one operation, and whether it writes."""
        first_slot = self.run.stream_of_lane(lane).layout.first_slot
        slots, writes = planned(self._schedules[lane], first_slot, int64([sequence]))
        return int(slots[0]), bool(writes[0])

    def proven_writes(self, lane: int, first: int, end: int) -> Iterator[tuple[Int64Array, Int64Array]]:
        """Writes among operations `first` to `end - 1` of a lane, in stretches of (slots, sequence numbers)."""
        first_slot = self.run.stream_of_lane(lane).layout.first_slot
        for low in range(first, end, CHUNK_OPERATIONS):
            sequences = np.arange(low, min(low + CHUNK_OPERATIONS, end))
            slots, writes = planned(self._schedules[lane], first_slot, sequences)
            yield slots[writes], sequences[writes]

    def prove(self, lane: int, found: int) -> Int64Array:
        """Operation `found` of an open lane stands on the volume: all its operations below were acknowledged.

        Returns:
            The slots (counted within the run) whose floor was raised by it.
        """
        if lane in self._distrusted or not self.is_open(lane):
            return int64()
        first = self.proven.get(lane, self.timeline.tails[lane].next_sequence)
        if not first <= found <= first + DEMANDED_OPERATIONS_MAX:
            return int64()
        through = self.run.stream_of_lane(lane).flush is Flush.WRITE
        raised = flags(self.run.slots)
        for slots, sequences in self.proven_writes(lane, first, found):
            np.maximum.at(self.newest, slots, sequences)
            if self._cover is not None and through:
                np.maximum.at(self.covered, slots, sequences)
            raised[slots] = True
        self.proven[lane] = found
        return np.flatnonzero(raised)

    def recall(self, seen: Mapping[int, int]) -> None:
        """Demand what an earlier check saw beyond the acknowledged writes, and what that proves.

        Args:
            seen: slot (counted within the run) to the sequence number of the whole write seen there. What the
                ledger cannot explain (an unissued write) is not demanded again.
        """
        possible = {
            slot: sequence
            for slot, sequence in seen.items()
            if 0 <= slot < self.run.slots
            and self.lane_of_slot(slot) not in self._distrusted
            and (self.in_flight.get(slot) == sequence or self.may_be_beyond(slot, sequence))
        }
        highest: dict[int, int] = {}
        for slot, sequence in possible.items():
            lane = self.lane_of_slot(slot)
            if self.is_open(lane):
                highest[lane] = max(sequence, highest.get(lane, 0))
        for lane, sequence in highest.items():
            self.prove(lane, sequence)
        for slot, sequence in possible.items():
            if sequence > self.newest[slot]:
                self.recalled.setdefault(slot, int(self.newest[slot]))
                self.newest[slot] = sequence

    def _feed_lane(self, lane: int, records: Records) -> str:
        first_slot = self.run.stream_of_lane(lane).layout.first_slot
        slots, writes = planned(self._schedules[lane], first_slot, records.sequence)
        is_write = kind_mask(records, WRITE_KINDS)
        is_read = (records.kind == Kind.READ) | (records.kind == Kind.READ_ODD)
        if not writes[is_write].all() or writes[is_read].any():
            return f"the operations of lane {lane} are not those that the run's seed and streams give"
        interval = self._intervals(records.issued_ns, slots, is_write)
        for index in np.unique(interval).tolist():
            now = np.flatnonzero(interval == index)
            if index:
                self._count_touches(index, slots[now], is_write[now])
            written = now[is_write[now]]
            self.newest[slots[written]] = records.sequence[written]  # In order: of a slot written twice the last stays.
        if self._cover is not None:
            written = np.flatnonzero(is_write)
            through = records.kind[written] == Kind.WRITE_THROUGH
            covered = written[self._cover.covered_at(records.done_ns[written], through) != NOT_COVERED_NS]
            self.covered[slots[covered]] = records.sequence[covered]
            self.covered_writes += len(covered)
        return ""

    def _intervals(self, issued_ns: Int64Array, slots: Int64Array, is_write: BoolArray) -> Int64Array:
        """After how many takeovers each touch of a lane came; of one slot never fewer than the touch before."""
        interval = np.searchsorted(self._starts, issued_ns)  # What was issued at the very moment came before.
        looked = np.searchsorted(self._looks_from, issued_ns)
        if (interval == looked).all():
            return interval
        order = np.argsort(slots, kind="stable")
        by_slot, wrote = slots[order], is_write[order]
        written: Int64Array = np.cumsum(wrote) - wrote
        written -= written[np.searchsorted(by_slot, by_slot)]
        looks = ~wrote & ((written > 0) | (self.newest[by_slot] >= 0))
        least = np.where(looks, np.maximum(interval, looked)[order], interval[order])
        base = by_slot * (len(self._starts) + 1)
        interval[order] = np.maximum.accumulate(base + least) - base
        return interval

    def _count_touches(self, interval: int, slots: Int64Array, is_write: BoolArray) -> None:
        """Note the first touch of each slot since the latest takeover: an examination, or an overwrite."""
        known = self.newest[slots] >= 0
        fresh = known & (self._interval[slots] < interval)
        touched, first = np.unique(slots[fresh], return_index=True)
        wrote = is_write[fresh][first]
        for row, which in enumerate((~wrote, wrote)):
            np.add.at(self._tally[row], self._interval[touched[which]], 1)
            self._tally[row, interval] -= which.sum()
        self._interval[touched] = interval
        self._interval[slots[~known & is_write]] = interval
