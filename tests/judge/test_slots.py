"""What every slot must hold and what touched it since a takeover: the second pass over a ledger, edge by edge."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.judge.checking import check
from tests.judge.plain_runs import CLOSE, OLD, log_of, story_of, sweep, whole
from tests.judge.stories import LaneLog, Mark, Op, Renderer, Story, doer, ledger_of, make_run, ns
from verify.judge.judgement import Judgement
from verify.judge.slots import PROOF_OPERATIONS_MAX, SlotState, touches_in
from verify.judge.surroundings import WINDOW_NS
from verify.ledger.frames import Kind, Records, decode_records, operation_record
from verify.load.schedule import Flush

END = 400
"""When these stories are closed, in units of 0.1 s; a window lasts 100."""


def write(n: int, issued: int, done: int) -> Op:
    return Op("write", n, issued, done)


def story(
    lanes: list[list[Op]], *marks: Mark, stop: int = END - 1, closings: dict[int, Op] | None = None, **options: Any
) -> Story:
    """Lanes of six slots each, written in turn."""
    run = sweep(lanes=len(lanes), slots=6 * len(lanes), **options)
    logs = []
    for lane, ops in enumerate(lanes):
        end = Op("end", sum(op.what in ("write", "through") for op in ops), END, END)
        logs.append(LaneLog(ops, (closings or {}).get(lane, end)))
    beats = {part: list(range(END + 1)) for part in {0, *run.lane_workers}}
    return Story(run, 0, logs, beats, list(marks), stop, END, set(), [], False, doer(run))


def one_by_one(items: list[tuple[int, Any]]) -> list[tuple[int, Any]]:
    """The same ledger with every record in a frame of its own."""
    out: list[tuple[int, Any]] = []
    for part, item in items:
        records = [item.take(slice(i, i + 1)) for i in range(len(item))] if isinstance(item, Records) else [item]
        out += [(part, record) for record in records]
    return out


def state_of(told: Story, apart: bool = False) -> SlotState:
    items = ledger_of(told, Renderer(told.run), random.Random(0))
    judgement = Judgement(told.run, lambda: one_by_one(items) if apart else items)
    assert judgement.contradictions() == {}
    return judgement.state


@pytest.mark.parametrize("apart", [False, True])
class TestHoweverRecordsAreLaidTogether:
    """Of each frame only the takeovers that it may tell of are asked, so a frame at an edge must not be missed."""

    def test_around_an_attested_takeover(self, apart: bool) -> None:
        """The mark was pressed at 30, taken in at 150, so the window before begins at 50; the load stopped at 240."""
        assert ns(100) - ns(0) == WINDOW_NS
        lanes = [
            [write(0, 20, 31)], [write(0, 10, 30)], [write(0, 49, 50)], [write(0, 48, 49)], [write(0, 150, 160)],
            [write(0, 151, 239)], [write(0, 160, 240)], [write(0, 140, 150)],
        ]  # fmt: skip
        (around,) = state_of(story(lanes, Mark(30, 150, True, "pulled"), stop=240), apart).around
        assert around.writing_lanes == {0, 2, 3, 4, 7}
        assert around.in_flight == 5
        assert around.before.writes == 1
        assert around.after.writes == 3

    def test_around_an_observed_one_in_which_the_load_was_stopped(self, apart: bool) -> None:
        """All wait from 100 to 200; the window after it ends before it, with the stop at 150, and errors came later."""
        errors = [Op("error", 1, 200, 200), Op("error", 1, 201, 202)]
        first = [write(0, 90, 200), *errors, write(1, 205, 206)]
        lanes = [first, [write(0, 100, 210)], [write(0, 99, 100), write(1, 100, 220)]]
        (around,) = state_of(story(lanes, stop=150), apart).around
        assert (around.takeover.start_ns, around.takeover.end_ns) == (ns(100), ns(200))
        assert (around.errors, around.in_flight) == (1, 3)
        assert around.takeover.longest_wait_ns == ns(120) - ns(0)

    def test_what_was_known_of_each_slot(self, apart: bool) -> None:
        ops = [write(n, 10 + 2 * n, 11 + 2 * n) for n in range(14)]
        later = [replace(op, issued=op.issued + 5, done=op.done + 5) for op in ops[9:]]
        state = state_of(story([[*ops[:9], Op("flush", 9, 28, 29), *later]], promise="flushed"), apart)
        assert state.newest.tolist() == [12, 13, 8, 9, 10, 11]
        assert state.covered.tolist() == [6, 7, 8, 3, 4, 5]
        assert state.covered_writes == 9


class TestInFlightAtTheEnd:
    @pytest.mark.parametrize(("issued", "in_flight"), [(149, 1), (150, 1), (151, 0)])
    def test_a_write_that_was_issued_by_then_was_in_flight_when_the_takeover_came(
        self, issued: int, in_flight: int
    ) -> None:
        flying = {0: Op("in flight", 1, issued, END), 1: Op("in flight", 1, 390, END)}
        lanes = [[write(0, 10, 11)], [write(0, 10, 11)]]
        state = state_of(story(lanes, Mark(150, 150, True, "pulled"), closings=flying))
        assert state.in_flight == {2: 1, 3: 1}
        assert [around.in_flight for around in state.around] == [in_flight]

    def test_of_several_takeovers_those_after_its_issue(self) -> None:
        marks = [Mark(at, at, True, "pulled") for at in (50, 150, 250)]
        lanes = [[write(0, 10, 11)], []]
        state = state_of(story(lanes, *marks, closings={0: Op("in flight", 1, 140, END)}))
        assert [around.in_flight for around in state.around] == [0, 1, 1]

    def test_a_lane_that_is_idle_or_open_or_reads_stops_none_of_the_others(self) -> None:
        """Lane 0 is idle, of lane 1 the ledger is open, lane 2 reads, lanes 3 and 4 write."""
        run = make_run([(5, 20, 1)], read_share=0.5, fill=False, workers=5)
        does = doer(run)
        last = [next(n for n in range(99) if does(lane, n)[0] == (lane != 2)) for lane in range(5)]
        logs = []
        for lane, n in enumerate(last):
            ops = [Op("write" if does(lane, i)[0] else "read", i, 10, 10) for i in range(n)]
            logs.append(LaneLog(ops, Op("in flight" if lane else "end", n, 20, END)))
        beats = {part: list(range(END + 1)) for part in range(6)}
        told = Story(run, 0, logs, beats, [], END - 1, END, {2}, [], False, does)
        assert state_of(told).in_flight == {does(lane, last[lane])[1]: last[lane] for lane in (3, 4)}


class TestLooksAndOverwrites:
    def counts(self, ops: list[Op], *at: int) -> list[tuple[int, int, int]]:
        """Examined, overwritten unexamined, and left to the check, for marks of a takeover at some moments."""
        marks = [Mark(moment, moment, True, "pulled") for moment in at]
        found = state_of(story([ops], *marks)).around
        return [(around.examined, around.unexamined, around.left_to_check) for around in found]

    def test_the_first_touch_of_a_slot_counts_once_for_every_takeover_since_the_last(self) -> None:
        """Slots 0 to 5 are written by 12; two takeovers at 50 and 60."""
        filled = [write(n, n, n + 1) for n in range(6)]
        later = [
            Op("exam", 6, 55, 56), write(6, 57, 58),  # slot 0, between the two
            write(7, 70, 71),  # slot 1: unseen since the first
            Op("exam", 8, 72, 73), write(8, 74, 75), Op("exam", 9, 76, 77), write(9, 78, 79),  # slots 2 and 3
        ]  # fmt: skip
        assert self.counts([*filled, *later], 50, 60) == [(3, 1, 2), (2, 1, 3)]

    def test_a_slot_first_written_after_a_takeover_was_not_left_by_it(self) -> None:
        times = (0, 10, 55, 65, 72)
        ops = [write(n, at, at + 1) for n, at in enumerate(times)]
        assert self.counts(ops, 50, 60) == [(0, 0, 2), (0, 0, 3)]

    def test_a_touch_at_the_very_moment_came_before_it(self) -> None:
        filled = [write(n, n, n + 1) for n in range(6)]
        assert self.counts([*filled, write(6, 50, 51)], 50) == [(0, 0, 6)]
        assert self.counts([*filled, write(6, 51, 52)], 50) == [(0, 1, 5)]


class TestPlaces:
    RUN = make_run([(2, 5, 1), (2, 4, 2)], read_share=0.0, fill=False, workers=2)
    """Lanes 0 and 2 write to part 1; slots 0, 2 and 4 are lane 0's, 5 and 7 lane 2's."""

    def distrusted(self) -> SlotState:
        told = story_of(self.RUN, [LaneLog([], Op("end", 0, CLOSE, CLOSE)) for _ in range(4)])
        items = ledger_of(told, Renderer(self.RUN), random.Random(0))
        at = max(i for i, (part, _) in enumerate(items) if part == 1)
        items.insert(at, (1, decode_records(operation_record(Kind.READ, 2, 0, ns(CLOSE), ns(CLOSE), 0))))
        return Judgement(self.RUN, lambda: items).state

    def test_so_is_one_whose_lane_expected_another_write_than_its_records_tell(self) -> None:
        told = story([[write(0, 10, 11)], [write(0, 10, 11)]], workers=2)
        items = ledger_of(told, Renderer(told.run), random.Random(0))
        at = max(i for i, (part, _) in enumerate(items) if part == 1)
        for expected, distrusted in ((0, []), (-1, [0, 2, 4, 6, 8, 10])):
            event = {"event": "observation", "lane": 0, "slot": 0, "expected": expected}
            state = Judgement(told.run, lambda: [*items[:at], (1, event), *items[at:]]).state  # noqa: B023
            assert np.flatnonzero(state.distrusted_slots()).tolist() == distrusted
            assert list(state.mismatches) == [1] * bool(distrusted)

    def test_which_lane_owns_a_slot(self) -> None:
        state = SlotState.__new__(SlotState)
        state.run = self.RUN
        assert [state.lane_of_slot(slot) for slot in range(9)] == [0, 1, 0, 1, 0, 2, 3, 2, 3]

    def test_a_part_whose_records_do_not_fit_the_run_is_distrusted_in_all_its_lanes(self) -> None:
        state = self.distrusted()
        assert list(state.mismatches) == [1]
        assert "seed and streams" in state.mismatches[1]
        assert np.flatnonzero(state.distrusted_slots()).tolist() == [0, 2, 4, 5, 7]
        assert [state.is_open(lane) for lane in range(4)] == [True, False, True, False]
        for slot in (0, 7):
            assert state.may_be_beyond(slot, 3)
            assert not any(state.writes_slot(slot, n) for n in range(20))
        assert state.prove(0, 9).tolist() == []
        state.recall({0: 3})
        assert state.recalled == {}


class TestProof:
    def state(self, promise: str = "completed", **options: Any) -> SlotState:
        """Four operations are known of a lane with three slots, whose ledger is open."""
        run = sweep(slots=3, promise=promise, **options)
        sees = [whole(0, 3), whole(1, 1), whole(2, 2)]
        return check(story_of(run, [log_of(4, is_open=True)], sees, open_parts={0, 1})).judgement.state

    def test_it_raises_what_is_demanded_of_all_slots_written_below(self) -> None:
        state = self.state()
        assert state.prove(0, 6).tolist() == [1, 2]
        assert (state.newest.tolist(), state.proven) == ([3, 4, 5], {0: 6})
        assert state.prove(0, 7).tolist() == [0]
        assert (state.newest.tolist(), state.proven) == ([6, 4, 5], {0: 7})
        assert state.prove(0, 5).tolist() == []
        assert (state.newest.tolist(), state.proven) == ([6, 4, 5], {0: 7})

    def test_of_a_lane_of_which_nothing_is_known_from_its_first_operation_on(self) -> None:
        told = story_of(sweep(slots=3), [log_of(0, is_open=True)], [OLD, OLD, OLD], open_parts={0, 1})
        state = check(told).judgement.state
        assert (state.prove(0, 0).tolist(), state.proven) == ([], {0: 0})
        assert state.prove(0, 2).tolist() == [0, 1]
        assert (state.newest.tolist(), state.proven) == ([0, 1, -1], {0: 2})

    def test_an_operation_just_beyond_the_end_proves_nothing_but_itself(self) -> None:
        state = self.state()
        assert state.prove(0, 4).tolist() == []
        assert (state.newest.tolist(), state.proven) == ([3, 1, 2], {0: 4})

    def test_under_flushed_only_what_was_written_through_is_covered(self) -> None:
        for flush, covered in ((Flush.WRITE, [3, 4, 5]), (Flush.NEVER, [-1, -1, -1])):
            state = self.state("flushed", flush=flush)
            state.covered[:] = -1 if flush is Flush.NEVER else state.newest
            assert state.prove(0, 6).tolist() == [1, 2]
            assert state.covered.tolist() == covered

    def test_which_operations_may_be_writes_beyond_the_end(self) -> None:
        state = self.state()
        assert [n for n in range(-3, 9) if state.writes_slot(0, n)] == [0, 3, 6]
        assert [n for n in range(-3, 9) if state.may_be_beyond(0, n)] == [6]
        assert [n for n in range(-3, 9) if state.may_be_beyond(1, n)] == [4, 7]
        end = 4 + PROOF_OPERATIONS_MAX
        assert [n - end for n in range(end - 3, end + 4) if state.writes_slot(n % 3, n)] == [-3, -2, -1]

    def test_an_earlier_check_is_remembered_with_what_was_known_before_it(self) -> None:
        state = self.state()
        state.recall({0: 6})
        assert (state.newest.tolist(), state.recalled) == ([6, 4, 5], {0: 3})
        state = self.state()
        state.recall({0: 6, 1: 7, 2: 2, -1: 5, 3: 4})
        # Operation 7 proves 4 to 6, and that it was issued itself.
        assert (state.newest.tolist(), state.proven) == ([6, 7, 5], {0: 7})
        assert state.recalled == {1: 4}
        state.recall({1: 10})
        assert (state.newest.tolist(), state.proven) == ([9, 10, 8], {0: 10})
        assert state.recalled == {1: 4}


def test_of_a_part_that_contradicts_itself_from_the_start_nothing_is_taken() -> None:
    run = sweep(lanes=2, slots=4, workers=2)
    writes = [operation_record(Kind.WRITE, lane, 0, ns(10), ns(11), 0) for lane in (0, 1)]
    gap = operation_record(Kind.WRITE, 0, 5, ns(12), ns(13), 0)
    judgement = Judgement(run, lambda: [(1, decode_records(writes[0] + gap)), (2, decode_records(writes[1]))])
    assert list(judgement.contradictions()) == [1]
    assert judgement.state.newest.tolist() == [-1, 0, -1, -1]


def test_only_what_reads_writes_or_looks_at_a_slot_is_a_touch() -> None:
    kinds = [
        Kind.WRITE, Kind.FLUSH, Kind.EXAMINED_ODD, Kind.ERROR, Kind.READ, Kind.CLOCK, Kind.IN_FLIGHT, Kind.READ_ODD,
        Kind.WRITE_THROUGH, Kind.EXAMINED, Kind.LANE_END, Kind.PREFLIGHT,
    ]  # fmt: skip
    records = decode_records(b"".join(operation_record(kind, 0, 0, at, at) for at, kind in enumerate(kinds)))
    assert touches_in(records).kind.tolist() == [kinds[i] for i in (0, 2, 4, 7, 8, 9)]
