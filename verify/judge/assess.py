"""Judging observations against the history of their slots, batch by batch, and counting what was lost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from verify.judge.content import Content
from verify.judge.decision import CONVICTING, Age, Finding, Grain, Source, decide_all
from verify.judge.history import BATCH_SLOTS_MAX, OPEN_NS, UNKNOWN_NS, History, Int64Array
from verify.judge.observations import Rows
from verify.judge.slots import SlotState
from verify.judge.takeovers import Takeover

_WITH_SEQUENCES = (Content.WHOLE, Content.MIX, Content.PARTIAL)
_CEILING_OPEN = np.iinfo(np.int64).max


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
    late_replay: npt.NDArray[np.bool_]
    """Whether the surviving older write was in flight when a takeover began."""


@dataclass
class OrderFacts:
    """What is needed to judge the order of one takeover, gathered over the batches."""

    special_slots: list[Int64Array] = field(default_factory=list)
    """Slots whose first observation after the takeover was judged one by one."""
    columns: list[tuple[Int64Array, Int64Array, Int64Array, Int64Array, Int64Array]] = field(default_factory=list)
    """slot, survivor, issue of it, next write before the takeover (-1: none), its acknowledgement (`OPEN_NS`: none)."""
    lost_done_ns: list[Int64Array] = field(default_factory=list)
    left_out: int = 0
    lossy: bool = False


@dataclass
class Totals:
    """Counts over all batches."""

    slots_by_finding: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(len(Finding), dtype=np.int64))
    lost_slots: int = 0
    lost_bytes: int = 0
    lost_writes: int = 0
    lost_first_done_ns: int = -1
    lost_last_done_ns: int = -1


class Assessor:
    """Judges batches of observations of one run.

    Args:
        state: the finished second pass, with everything proven by the volume already added.
        takeovers: of the run.
        seen_before: slot to the newest sequence number that an earlier check saw there.
        found_beyond: lane to the highest operation found on the volume beyond the ledger's end.
    """

    def __init__(self, state: SlotState, takeovers: Sequence[Takeover], seen_before: dict[int, int]) -> None:
        self.state = state
        self.takeovers = takeovers
        self.totals = Totals()
        self.order = [OrderFacts() for _ in takeovers]
        self._seen_before = seen_before
        self._flushed = state.run.promise == "flushed"
        self._starts = np.array([t.start_ns for t in takeovers], dtype=np.int64)
        self._block_bytes = np.zeros(len(state.run.streams), dtype=np.int64)
        self._sector_bytes = np.zeros(len(state.run.streams), dtype=np.int64)
        for index, stream in enumerate(state.run.streams):
            self._block_bytes[index] = stream.layout.block_bytes
            self._sector_bytes[index] = stream.layout.sector_bytes
        self._first_slots = np.array([s.layout.first_slot for s in state.run.streams], dtype=np.int64)

    def batches(self, rows: Rows) -> Iterator[tuple[Rows, Int64Array, Int64Array]]:
        """Cut observations into batches by slot: (rows, slots in question, lowest sequence number that matters)."""
        order = np.argsort(rows["slot"], kind="stable")
        slots, first = np.unique(rows["slot"][order], return_index=True)
        bounds = np.append(first, len(order))
        for start in range(0, len(slots), BATCH_SLOTS_MAX):
            stop = min(start + BATCH_SLOTS_MAX, len(slots))
            batch = rows[order[bounds[start] : bounds[stop]]]
            lowest = np.full(stop - start, _CEILING_OPEN, dtype=np.int64)
            np.minimum.at(lowest, np.searchsorted(slots[start:stop], batch["slot"]), self._lowest(batch))
            yield batch, slots[start:stop].astype(np.int64), lowest

    def _lowest(self, rows: Rows) -> Int64Array:
        """The lowest sequence number of its slot's history that each observation needs."""
        if self._flushed:
            return np.zeros(len(rows), dtype=np.int64)
        by_check = rows["source"] == Source.CHECK
        floor = np.where(by_check, self.state.newest[rows["slot"]], rows["expected"])
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
        known = floor_index >= 0
        issued, done = (np.full(len(rows), UNKNOWN_NS, dtype=np.int64) for _ in range(2))
        issued[known] = history.issued_ns[floor_index[known]]
        done[known] = history.done_ns[floor_index[known]]
        late = np.isin(finding, (Finding.LOST, Finding.STALE_READ)) & self._in_flight_at_takeover(survivor, history)
        return Judged(rows, finding, floor, issued, done, lost_writes, late)

    def stream_index(self, slots: Int64Array) -> Int64Array:
        """The stream of each slot (counted within the run)."""
        return np.searchsorted(self._first_slots, slots, side="right") - 1

    def _floors(self, rows: Rows, positions: Int64Array, history: History) -> tuple[Int64Array, Int64Array]:
        """Index in the history and sequence number of the write that must be there at least, -1 for none."""
        by_check = rows["source"] == Source.CHECK
        if self._flushed:
            floor_check = self.state.covered[rows["slot"]]
        else:
            floor_check = self.state.newest[rows["slot"]].copy()
            for i in np.flatnonzero(by_check).tolist() if self._seen_before else ():
                floor_check[i] = max(floor_check[i], self._seen_before.get(int(rows["slot"][i]), -1))
        before = np.where(by_check, np.minimum(floor_check, OPEN_NS - 1) + 1, rows["before"])
        index = history.last_below(positions, before)
        if self._flushed:
            index = self._step_to_covered(index, rows, by_check, positions, history)
        floor = np.where(by_check, floor_check, history.sequence(index))
        return index, floor

    def _step_to_covered(
        self, index: Int64Array, rows: Rows, by_check: npt.NDArray[np.bool_], positions: Int64Array, history: History
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
            other = stepped[history.key[index[stepped]] >> 44 != positions[stepped]]
            index[other] = -1

    def _ceilings(
        self, rows: Rows, positions: Int64Array, history: History
    ) -> tuple[Int64Array, npt.NDArray[np.bool_]]:
        """The newest write that may be there, and whether the slot's lane may have gone on beyond the ledger."""
        by_check = rows["source"] == Source.CHECK
        ceiling = np.where(by_check, self.state.newest[rows["slot"]], -1)
        lane_open = np.zeros(len(rows), dtype=np.bool_)
        load = np.flatnonzero(~by_check)
        ceiling[load] = history.sequence(history.last_below(positions[load], rows["before"][load]))
        for i in np.flatnonzero(by_check).tolist():
            slot = int(rows["slot"][i])
            in_flight = self.state.in_flight.get(slot)
            if in_flight is not None:
                ceiling[i] = in_flight
            elif self.state.is_open(self.state.lane_of_slot(slot)):
                ceiling[i], lane_open[i] = _CEILING_OPEN, True
        return ceiling, lane_open

    def _decide(
        self, rows: Rows, positions: Int64Array, history: History, floor: Int64Array, ceiling: Int64Array,
        lane_open: npt.NDArray[np.bool_],
    ) -> npt.NDArray[np.uint8]:  # fmt: skip
        content = rows["content"]
        own = np.isin(content, _WITH_SEQUENCES)
        never = own & (rows["strange"] | (rows["newest"] > ceiling) | (rows["newest"] < 0))
        for name in ("oldest", "newest"):
            unknown = own & ~never & (history.index_of(positions, rows[name]) < 0)
            for i in np.flatnonzero(unknown).tolist():
                slot, sequence = int(rows["slot"][i]), int(rows[name][i])
                tail = self.state.timeline.tails[self.state.lane_of_slot(slot)]
                beyond = lane_open[i] and sequence >= tail.next_sequence
                never[i] = not (beyond and self.state.writes_slot(slot, sequence))
        older = own & ~never & (rows["oldest"] < floor)
        age = np.where(never, Age.NEVER, np.where(older, Age.OLDER, Age.INSIDE))
        grain_bytes = rows["grain"] * self._sector_bytes[self.stream_index(rows["slot"])]
        mixed = np.isin(content, (Content.MIX, Content.PARTIAL))
        finer = mixed & (grain_bytes < self.state.run.atomic_bytes)
        grain = np.where(finer, Grain.FINER, Grain.ALLOWED)
        return decide_all(
            rows["source"], content, age, grain, floor >= 0, ceiling >= 0, rows["steady"].astype(np.bool_)
        )

    def _mark_lost(
        self, rows: Rows, finding: npt.NDArray[np.uint8], floor_index: Int64Array, survivor: Int64Array,
        history: History,
    ) -> tuple[Int64Array, npt.NDArray[np.bool_]]:  # fmt: skip
        """How many covered writes each observation shows to be lost, and which writes of the history those are."""
        convicts = np.isin(finding, CONVICTING) & (rows["source"] != Source.READ) & (floor_index >= 0)
        convicts &= finding != Finding.UNSTABLE
        first = np.where((finding == Finding.LOST) & (survivor >= 0), survivor + 1, floor_index)
        counts = np.where(convicts, np.maximum(floor_index - first + 1, 0), 0)
        edges = np.zeros(len(history.key) + 1, dtype=np.int64)
        some = counts > 0
        np.add.at(edges, first[some], 1)
        np.add.at(edges, floor_index[some] + 1, -1)
        return counts, np.cumsum(edges[:-1]) > 0

    def _count(
        self, rows: Rows, finding: npt.NDArray[np.uint8], marked: npt.NDArray[np.bool_], history: History
    ) -> None:
        totals = self.totals
        for kind in Finding:
            totals.slots_by_finding[kind] += len(np.unique(rows["slot"][finding == kind]))
        lost = np.unique(history.key[marked] >> 44)
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

    def _in_flight_at_takeover(self, survivor: Int64Array, history: History) -> npt.NDArray[np.bool_]:
        out = np.zeros(len(survivor), dtype=np.bool_)
        found = np.flatnonzero(survivor >= 0)
        issued, done = history.issued_ns[survivor[found]], history.done_ns[survivor[found]]
        for start in self._starts.tolist():
            out[found] |= (issued <= start) & (done > start) & (issued != UNKNOWN_NS)
        return out

    def _gather_order(
        self, index: int, rows: Rows, finding: npt.NDArray[np.uint8], positions: Int64Array, survivor: Int64Array,
        marked: npt.NDArray[np.bool_], history: History,
    ) -> None:  # fmt: skip
        """Note, for one takeover, the observations of this batch that were the first of their slot after it."""
        facts = self.order[index]
        start_ns = int(self._starts[index])
        touched = history.first_touch_ns[index][positions]
        by_check = rows["source"] == Source.CHECK
        first = np.where(by_check, touched == OPEN_NS, rows["issued_ns"] == touched)
        written_before = np.zeros(len(history.slots), dtype=np.bool_)
        written_before[history.key[history.issued_ns <= start_ns] >> 44] = True
        which = np.flatnonzero(first & written_before[positions])
        if not len(which):
            return
        facts.special_slots.append(rows["slot"][which].astype(np.int64))
        whole = np.isin(rows["content"][which], (Content.WHOLE, Content.MIX))
        usable = whole & (survivor[which] >= 0) & (rows["steady"][which]) & (finding[which] != Finding.UNISSUED)
        facts.left_out += int((~usable).sum())
        done = history.done_ns[survivor[which[usable]]]
        usable[usable] = done <= start_ns
        convicting = np.isin(finding[which], CONVICTING)
        facts.lossy = facts.lossy or bool(convicting.any())
        chosen = which[usable]
        v = survivor[chosen]
        after = np.minimum(v + 1, len(history.key) - 1)
        has_next = (after > v) & (history.key[after] >> 44 == positions[chosen])
        has_next &= (history.issued_ns[after] <= start_ns) & history.acknowledged[after]
        following = np.where(has_next, history.sequence(after), -1)
        done = np.where(has_next & (history.done_ns[after] != UNKNOWN_NS), history.done_ns[after], OPEN_NS)
        slots = rows["slot"][chosen].astype(np.int64)
        facts.columns.append((slots, history.sequence(v), history.issued_ns[v], following, done))
        judged_slot = np.zeros(len(history.slots), dtype=np.bool_)
        judged_slot[positions[chosen]] = True
        lost = marked & judged_slot[history.key >> 44] & (history.issued_ns <= start_ns)
        lost &= history.done_ns != UNKNOWN_NS
        facts.lost_done_ns.append(history.done_ns[lost])


def bulk_intact(facts: OrderFacts, issued_ns: Int64Array, newest: Int64Array) -> tuple[Any, ...]:
    """Join the slots judged one by one with those found as expected.

    Args:
        facts: of one takeover.
        issued_ns: issue of each slot's newest write before the takeover, -1 for slots to leave out; shape (slots,).
        newest: its sequence number.

    Returns:
        The columns and the acknowledgement times of lost writes, as `verify.judge.order.judge_order` takes them.
    """
    intact = issued_ns >= 0
    for special in facts.special_slots:
        intact[special] = False
    slots = np.flatnonzero(intact).astype(np.int64)
    none = np.full(len(slots), -1, dtype=np.int64)
    bulk = (slots, newest[slots], issued_ns[slots], none, np.full(len(slots), OPEN_NS, dtype=np.int64))
    columns = [np.concatenate(column) for column in zip(bulk, *facts.columns, strict=True)]
    lost = np.concatenate(facts.lost_done_ns) if facts.lost_done_ns else np.zeros(0, dtype=np.int64)
    return (*columns, lost)
