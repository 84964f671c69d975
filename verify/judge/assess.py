"""Judging observations against the history of their slots, batch by batch, and counting what was lost."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from verify.judge.arrays import BoolArray, Int64Array, filled, flags, int64, zeros
from verify.judge.content import Content
from verify.judge.decision import CONVICTING, Age, Finding, Grain, Source, decide_all
from verify.judge.history import BATCH_SLOTS_MAX, OPEN_NS, UNKNOWN_NS, History
from verify.judge.observations import Observations, Rows
from verify.judge.order import NO_SEQUENCE, SlotColumns, add_intact
from verify.judge.slots import SlotState
from verify.judge.takeovers import Takeover

_WITH_SEQUENCES = (Content.WHOLE, Content.MIX, Content.PARTIAL)
_CEILING_OPEN = np.iinfo(np.int64).max
WINDOW_SLOTS = 1 << 16
"""So many slots are judged at once."""
BATCH_WRITES_MAX = BATCH_SLOTS_MAX - WINDOW_SLOTS
"""A batch holds about so many writes in memory, and takes one pass over the ledger."""


@dataclass(frozen=True)
class Judged:
    """A batch of observations with what became of them; every array has one entry per observation."""

    rows: Rows
    finding: npt.NDArray[np.uint8]
    floor: Int64Array
    """Sequence number of the write that had to be there at least, -1 for none."""
    floor_issued_ns: Int64Array
    floor_done_ns: Int64Array
    lost_writes: Int64Array
    """Covered writes that this observation shows to be lost."""
    late_replay: BoolArray
    """Whether the surviving older write was in flight when a takeover began."""


@dataclass
class OrderFacts:
    """What is needed to judge the order of one takeover, gathered over the batches."""

    special: BoolArray
    """For every slot whether its first observation after the takeover was judged one by one."""
    columns: list[tuple[Int64Array, ...]] = field(default_factory=list)
    """As `verify.judge.order.SlotColumns`."""
    lost_done_ns: list[Int64Array] = field(default_factory=list)
    left_out: int = 0
    lossy: bool = False


@dataclass
class Totals:
    """Counts over all batches."""

    slots_by_finding: Int64Array = field(default_factory=lambda: zeros(len(Finding)))
    lost_slots: int = 0
    lost_bytes: int = 0
    lost_writes: int = 0
    lost_first_done_ns: int = -1
    lost_last_done_ns: int = -1


@dataclass(frozen=True)
class Batch:
    """Slots in question, ascending; of each the lowest sequence number that matters; about how many writes it is."""

    slots: Int64Array
    lowest: Int64Array
    writes: int

    def joined(self, other: Batch) -> Batch:
        """Both; the slots of `other` come after those of this one."""
        slots, lowest = (np.concatenate(pair) for pair in ((self.slots, other.slots), (self.lowest, other.lowest)))
        return Batch(slots, lowest, self.writes + other.writes)

    def windows(self) -> Iterator[tuple[int, int]]:
        """Stretches of slots few enough to be judged at once: (first slot, last slot)."""
        for start in range(0, len(self.slots), WINDOW_SLOTS):
            part = self.slots[start : start + WINDOW_SLOTS]
            yield int(part[0]), int(part[-1])


_NO_BATCH = Batch(int64(), int64(), 0)


class Assessor:
    """Judges batches of observations of one run.

    Args:
        state: the finished second pass, with everything proven by the volume already added.
        takeovers: of the run.
    """

    def __init__(self, state: SlotState, takeovers: Sequence[Takeover]) -> None:
        self.state = state
        self.takeovers = takeovers
        self.totals = Totals()
        self.order = [OrderFacts(flags(state.run.slots)) for _ in takeovers]
        self._flushed = state.run.promise == "flushed"
        layouts = [stream.layout for stream in state.run.streams]
        self._block_bytes = int64(layout.block_bytes for layout in layouts)
        self._sector_bytes = int64(layout.sector_bytes for layout in layouts)
        self._first_slots = int64(layout.first_slot for layout in layouts)
        self._first_lanes = int64(layout.first_lane for layout in layouts)
        self._lanes = int64(layout.lanes for layout in layouts)
        self._slots = int64(layout.slots for layout in layouts)
        self._open = np.array([state.is_open(lane) for lane in range(state.run.lanes)])

    def batches(self, observations: Observations) -> Iterator[Batch]:
        """Cut observations into batches by slot; each takes one more pass over the ledger."""
        asked = observations.mask(self.state.run.slots)
        pending = _NO_BATCH
        for first in range(0, len(asked), WINDOW_SLOTS):
            slots = np.flatnonzero(asked[first : first + WINDOW_SLOTS]) + first
            if not len(slots):
                continue
            rows = observations.of_slots(int(slots[0]), int(slots[-1]))
            lowest = filled(len(slots), _CEILING_OPEN)
            np.minimum.at(lowest, np.searchsorted(slots, rows["slot"]), self._lowest(rows))
            window = Batch(slots, lowest, self._likely_writes(slots, lowest))
            if pending.slots.size and pending.writes + window.writes > BATCH_WRITES_MAX:
                yield pending
                pending = _NO_BATCH
            pending = pending.joined(window)
        if pending.slots.size:
            yield pending

    def _likely_writes(self, slots: Int64Array, lowest: Int64Array) -> int:
        """About how many writes to the slots have a sequence number from the lowest that matters on."""
        stream = self.stream_index(slots)
        operations = np.maximum(self.state.newest[slots] - lowest, 0)
        return len(slots) + int((operations * self._lanes[stream] // self._slots[stream]).sum())

    def _lowest(self, rows: Rows) -> Int64Array:
        """The lowest sequence number of its slot's history that each observation needs."""
        if self._flushed:
            return zeros(len(rows))
        by_check = rows["source"] == Source.CHECK
        floor = np.where(by_check, self.state.newest[rows["slot"]], rows["expected"])
        _put_by_slot(floor, rows, by_check, self.state.recalled)
        has_own = rows["oldest"] >= 0
        return np.maximum(np.where(has_own, np.minimum(rows["oldest"], floor), floor), 0)

    def judge(self, rows: Rows, history: History) -> Judged:
        """Judge one batch and add it to the totals."""
        positions = history.position(rows["slot"])
        floor_index, floor = self._floors(rows, positions, history)
        ceiling, lane_open = self._ceilings(rows, positions, history)
        finding = self._decide(rows, positions, history, floor, ceiling, lane_open)
        survivor = history.index_of(positions, rows["newest"])
        lost_writes, marked = self._mark_lost(rows, finding, floor_index, survivor, history)
        self._count(rows, finding, marked, history)
        for index in range(len(self.takeovers)):
            self._gather_order(index, rows, finding, positions, survivor, marked, history)
        floor_write = history.index_of(positions, floor)
        known = floor_write >= 0
        issued, done = (filled(len(rows), UNKNOWN_NS) for _ in range(2))
        issued[known] = history.issued_ns[floor_write[known]]
        done[known] = history.done_ns[floor_write[known]]
        late = np.isin(finding, (Finding.LOST, Finding.STALE_READ))
        late &= self._in_flight_at_takeover(survivor, history)
        return Judged(rows, finding, floor, issued, done, lost_writes, late)

    def stream_index(self, slots: Int64Array) -> Int64Array:
        """The stream of each slot (counted within the run)."""
        return np.searchsorted(self._first_slots, slots, side="right") - 1

    def _floors(self, rows: Rows, positions: Int64Array, history: History) -> tuple[Int64Array, Int64Array]:
        """The write that must be there at least, -1 for none: (index, sequence number).

        Where an earlier check saw a write that was never acknowledged, that one is the floor; the index is
        always that of an acknowledged one.
        """
        by_check = rows["source"] == Source.CHECK
        floor_check = self.state.covered[rows["slot"]]
        before = np.where(by_check, floor_check + 1, rows["before"])
        index = history.last_below(positions, before)
        if self._flushed:
            index = self._step_to_covered(index, rows, by_check, positions, history)
        floor = np.where(by_check, floor_check, history.sequence(index))
        return index, floor

    def _step_to_covered(
        self, index: Int64Array, rows: Rows, by_check: BoolArray, positions: Int64Array, history: History
    ) -> Int64Array:
        """Step each read or examination down to the newest write that was covered when it began."""
        index = index.copy()
        while True:
            candidates = np.flatnonzero((index >= 0) & ~by_check)
            late = candidates[history.covered_at_ns[index[candidates]] > rows["issued_ns"][candidates]]
            if not len(late):
                return index
            index[late] -= 1
            stepped = late[index[late] >= 0]
            other = stepped[history.slot_position[index[stepped]] != positions[stepped]]
            index[other] = -1

    def _ceilings(self, rows: Rows, positions: Int64Array, history: History) -> tuple[Int64Array, BoolArray]:
        """The newest write that may be there, and whether the lane may have gone on beyond the ledger."""
        by_check = rows["source"] == Source.CHECK
        ceiling = self.state.newest[rows["slot"]]
        load = np.flatnonzero(~by_check)
        ceiling[load] = history.sequence(history.last_below(positions[load], rows["before"][load]))
        _put_by_slot(ceiling, rows, by_check, self.state.in_flight)
        stream = self.stream_index(rows["slot"])
        own_slot = rows["slot"] - self._first_slots[stream]
        lane_open = self._open[self._first_lanes[stream] + own_slot % self._lanes[stream]]
        may_go_on = by_check & lane_open
        ceiling[may_go_on] = _CEILING_OPEN
        return ceiling, may_go_on

    def _decide(
        self, rows: Rows, positions: Int64Array, history: History, floor: Int64Array, ceiling: Int64Array,
        lane_open: BoolArray,
    ) -> npt.NDArray[np.uint8]:  # fmt: skip
        content = rows["content"]
        own = np.isin(content, _WITH_SEQUENCES)
        never = own & (rows["strange"] | (rows["newest"] > ceiling) | (rows["newest"] < 0))
        for name in ("oldest", "newest"):
            unknown = own & ~never & (history.index_of(positions, rows[name]) < 0)
            for i in np.flatnonzero(unknown).tolist():
                slot, sequence = int(rows["slot"][i]), int(rows[name][i])
                never[i] = not (lane_open[i] and self.state.may_be_beyond(slot, sequence))
        older = own & ~never & (rows["oldest"] < floor)
        age = np.where(never, Age.NEVER, np.where(older, Age.OLDER, Age.INSIDE))
        grain_bytes = rows["grain"] * self._sector_bytes[self.stream_index(rows["slot"])]
        mixed = np.isin(content, (Content.MIX, Content.PARTIAL))
        finer = mixed & (grain_bytes < self.state.run.atomic_bytes)
        grain = np.where(finer, Grain.FINER, Grain.ALLOWED)
        return decide_all(rows["source"], content, age, grain, floor >= 0, ceiling >= 0, rows["steady"])

    def _mark_lost(
        self, rows: Rows, finding: npt.NDArray[np.uint8], floor_index: Int64Array, survivor: Int64Array,
        history: History,
    ) -> tuple[Int64Array, BoolArray]:  # fmt: skip
        """How many covered writes each observation shows to be lost, and which of the history those are."""
        convicts = np.isin(finding, CONVICTING) & (rows["source"] != Source.READ) & (floor_index >= 0)
        convicts &= finding != Finding.UNSTABLE
        first = np.where((finding == Finding.LOST) & (survivor >= 0), survivor + 1, floor_index)
        some = convicts & (first <= floor_index)
        first, end = first[some], floor_index[some] + 1
        covered = history.covered_at_ns != OPEN_NS
        covered_below = np.concatenate([[0], np.cumsum(covered)])
        counts = zeros(len(rows))
        counts[some] = covered_below[end] - covered_below[first]
        edges = zeros(len(history.key) + 1)
        np.add.at(edges, first, 1)
        np.add.at(edges, end, -1)
        return counts, covered & (np.cumsum(edges[:-1]) > 0)

    def _count(self, rows: Rows, finding: npt.NDArray[np.uint8], marked: BoolArray, history: History) -> None:
        totals = self.totals
        for kind in Finding:
            totals.slots_by_finding[kind] += len(np.unique(rows["slot"][finding == kind]))
        lost = np.unique(history.slot_position[marked])
        totals.lost_slots += len(lost)
        totals.lost_bytes += int(self._block_bytes[self.stream_index(history.slots[lost])].sum())
        totals.lost_writes += int(marked.sum())
        done = history.done_ns[marked]
        done = done[done != UNKNOWN_NS]
        if len(done):
            first, last = int(done.min()), int(done.max())
            known = totals.lost_first_done_ns >= 0
            totals.lost_first_done_ns = min(first, totals.lost_first_done_ns) if known else first
            totals.lost_last_done_ns = max(last, totals.lost_last_done_ns)

    def _in_flight_at_takeover(self, survivor: Int64Array, history: History) -> BoolArray:
        out = flags(len(survivor))
        found = np.flatnonzero(survivor >= 0)
        issued, done = history.issued_ns[survivor[found]], history.done_ns[survivor[found]]
        for takeover in self.takeovers:
            out[found] |= (issued <= takeover.start_ns) & (done > takeover.start_ns) & (issued != UNKNOWN_NS)
        return out

    def _gather_order(
        self, index: int, rows: Rows, finding: npt.NDArray[np.uint8], positions: Int64Array,
        survivor: Int64Array, marked: BoolArray, history: History,
    ) -> None:  # fmt: skip
        """Note, for one takeover, the observations of a batch that were the first of their slot after it."""
        facts = self.order[index]
        start_ns = self.takeovers[index].looks_from_ns
        touched = history.first_touch_ns[index][positions]
        by_check = rows["source"] == Source.CHECK
        by_load = (rows["issued_ns"] == touched) & (rows["before"] == history.first_touch[index][positions])
        first = np.where(by_check, touched == OPEN_NS, by_load)
        before = history.not_before_ns <= start_ns
        written_before = flags(len(history.slots))
        written_before[history.slot_position[before & history.acknowledged]] = True
        which = np.flatnonzero(first & written_before[positions])
        if not len(which):
            return
        facts.special[rows["slot"][which]] = True
        facts.lossy = facts.lossy or bool(np.isin(finding[which], CONVICTING).any())
        readable = np.isin(rows["content"][which], (Content.WHOLE, Content.MIX))
        usable = readable & (survivor[which] >= 0) & rows["steady"][which]
        usable &= finding[which] != Finding.UNISSUED
        # A write issued later, or carried out later by the controller that took over, tells nothing of the moment.
        later = usable.copy()
        shown = survivor[which[usable]]
        later[usable] = ~before[shown] | (history.done_ns[shown] > start_ns)
        facts.left_out += int((~usable).sum())
        chosen = which[usable & ~later]
        v = survivor[chosen]
        after = np.minimum(v + 1, len(history.key) - 1)
        has_next = (after > v) & (history.slot_position[after] == positions[chosen])
        has_next &= before[after] & (history.done_ns[after] != UNKNOWN_NS)
        following = np.where(has_next, history.sequence(after), NO_SEQUENCE)
        done = np.where(has_next, history.done_ns[after], OPEN_NS)
        slots = rows["slot"][chosen].astype(np.int64)
        facts.columns.append((slots, history.sequence(v), history.not_before_ns[v], following, done))
        survivor_of = filled(len(history.slots), len(history.key))
        survivor_of[positions[chosen]] = v
        newer = np.arange(len(history.key)) > survivor_of[history.slot_position]
        lost = marked & newer & before & (history.done_ns != UNKNOWN_NS)
        facts.lost_done_ns.append(history.done_ns[lost])


def _put_by_slot(values: Int64Array, rows: Rows, which: BoolArray, by_slot: Mapping[int, int]) -> None:
    """Replace the values of those rows in `which` whose slot has an entry in `by_slot`."""
    if by_slot:
        slots = int64(sorted(by_slot))
        entries = int64([by_slot[slot] for slot in slots.tolist()])
        index = np.minimum(np.searchsorted(slots, rows["slot"]), len(slots) - 1)
        hit = which & (slots[index] == rows["slot"])
        values[hit] = entries[index[hit]]


def bulk_intact(facts: OrderFacts, issued_ns: Int64Array, sequence: Int64Array) -> tuple[tuple[Int64Array, ...], int]:
    """Join the slots judged one by one with those found as expected, as far as these can matter.

    Nothing bounds the moment of a slot found as expected from above. One whose write was issued no later than the first
    lost write was acknowledged shares every moment at which any of the others ends; so all such but the one issued
    last are only counted.

    Args:
        facts: of one takeover that something was lost at, so with an entry in each of its lists.
        issued_ns: issue of each slot's newest write before the takeover, -1 for slots to leave out; shape (slots,).
        sequence: its sequence number.

    Returns:
        The columns and the acknowledgement times of lost writes, as `verify.judge.order.judge_order` takes them; and
        how many slots were only counted.
    """
    columns = SlotColumns(*np.concatenate(facts.columns, axis=1))
    earliest_ns = columns.next_acknowledged_ns.min(initial=OPEN_NS)
    kept: list[Int64Array] = []
    last, count = int64(), 0
    for first in range(0, len(issued_ns), WINDOW_SLOTS):
        told = issued_ns[first : first + WINDOW_SLOTS] >= 0
        intact = np.flatnonzero(told & ~facts.special[first : first + WINDOW_SLOTS]) + first
        late = issued_ns[intact] > earliest_ns
        kept.append(intact[late])
        early = np.concatenate([last, intact[~late]])
        last = early[issued_ns[early] == issued_ns[early].max(initial=0)][:1]
        count += len(early) - len(last)
    slots = np.concatenate([*kept, last])
    columns = add_intact(columns, slots, sequence[slots], issued_ns[slots])
    return (*columns, np.concatenate(facts.lost_done_ns)), count
