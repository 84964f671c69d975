"""The first pass over a ledger, item by item: clocks, silences, waits, how far lanes got, what cannot be believed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.judge.plain_runs import sweep
from tests.judge.stories import make_run
from verify.judge.timeline import (
    CLOCK_STEP_NS,
    ERROR_SPAN_GAP_NS,
    PAUSE_NS,
    TIME_NS_MAX,
    ClockStep,
    LaneTail,
    LongWait,
    Timeline,
    by_lane,
    time_in,
)
from verify.ledger.frames import Kind, Records, clock_record, decode_records, operation_record

WALL_NS = 1_700_000_000_000_000_000
MS = 1_000_000
RUN = sweep(lanes=3, slots=6, workers=2)
"""Lanes 0 and 2 write to part 1, lane 1 to part 2; the stall threshold is a second."""

Spoken = tuple[Kind, int, int, int, int]
"""Kind, lane, sequence, issued, done."""


def records(*spoken: Spoken) -> Records:
    return decode_records(b"".join(operation_record(*some) for some in spoken))


def beats(*pairs: tuple[int, int]) -> Records:
    """Heartbeats: monotonic time, and how far the wall clock is from where it would be if it had not been set."""
    return decode_records(b"".join(clock_record(at, WALL_NS + at + off) for at, off in pairs))


def opened(at: int = 0) -> dict[str, Any]:
    return {"event": "open", "boot_id": "b", "monotonic_ns": at, "wall_ns": WALL_NS + at}


def closed(at: int) -> dict[str, Any]:
    return {"event": "close", "monotonic_ns": at, "wall_ns": WALL_NS + at}


def fed(*items: tuple[int, Records | dict[str, Any]], stall_ns: int = RUN.stall_ns) -> Timeline:
    """What stands in the ledger after some items, with nothing wrong in them."""
    timeline = Timeline(replace(RUN, stall_ns=stall_ns))
    for part, item in items:
        timeline.feed(part, item)
    assert timeline.contradictions == {}
    return timeline


def wrong(*items: tuple[int, Records | dict[str, Any]]) -> str:
    """What is wrong with the last of some items of part 1, the others being good; "" if nothing is."""
    timeline = fed(*items[:-1])
    accepted, tails, counts = timeline.accepted.get(1, 0), list(timeline.tails), timeline.counts.sum()
    timeline.feed(*items[-1])
    said = timeline.contradictions.get(1, "")
    if said:
        assert (timeline.accepted.get(1, 0), timeline.tails, timeline.counts.sum()) == (accepted, tails, counts)
    else:
        assert timeline.accepted[1] == accepted + 1
    return said


class TestTimes:
    @pytest.mark.parametrize("good", [0, 1, TIME_NS_MAX])
    def test_what_a_clock_can_show(self, good: int) -> None:
        assert time_in({"at": good}, "at") == good

    @pytest.mark.parametrize("bad", [-1, TIME_NS_MAX + 1, True, 1.0, "1", None])
    def test_and_what_it_cannot(self, bad: Any) -> None:
        with pytest.raises(ValueError, match="at is not a time"):
            time_in({"at": bad}, "at")


class TestClocks:
    @pytest.mark.parametrize(("gap_ns", "stall_ns", "silent", "paused"), [
        (PAUSE_NS, 10 * PAUSE_NS, False, False), (PAUSE_NS + 1, 10 * PAUSE_NS, True, True),
        (200 * MS, 200 * MS, False, False), (200 * MS + 1, 200 * MS, True, False),
        (PAUSE_NS, 200 * MS, True, False), (PAUSE_NS + 1, 200 * MS, True, True),
    ])  # fmt: skip
    def test_heartbeats_too_far_apart_are_a_silence_of_any_part_and_a_pause_over_half_a_second(
        self, gap_ns: int, stall_ns: int, silent: bool, paused: bool
    ) -> None:
        span = (50, 50 + gap_ns)
        close = closed(span[1])
        for items in (
            [(0, beats((50, 0), (span[1], 0)))],
            [(2, beats((50, 0))), (2, beats((span[1], 0)))],
            [(2, opened(50)), (2, beats((span[1], 0)))],
            [(2, beats((50, 0))), (2, close)],
            [(0, beats((50, 0))), (2, beats((span[1], 0)))],  # The supervisor fell silent, and was never heard again.
        ):
            timeline = fed(*items, stall_ns=stall_ns)  # type: ignore[arg-type]
            timeline.finish()
            assert timeline.silences == ([span] if silent else [])
            assert timeline.pauses == ([span] if paused else [])

    def test_a_silence_is_one_although_the_wall_clock_was_set_back_meanwhile(self) -> None:
        end = 3 * PAUSE_NS
        timeline = fed((0, beats((0, 0), (end, -end))), (0, closed(end)))
        assert timeline.pauses == timeline.silences == [(0, end)]
        assert timeline.clock_steps == [ClockStep(end, -end)]

    def test_a_supervisor_that_closed_its_ledger_fell_not_silent(self) -> None:
        timeline = fed((0, beats((50, 0))), (0, closed(60)), (1, beats((PAUSE_NS * 9, 0))))
        timeline.finish()
        assert timeline.silences == []

    def test_a_worker_that_was_not_heard_of_again_may_have_been_killed(self) -> None:
        heard = beats(*((at * PAUSE_NS, 0) for at in range(5)))
        timeline = fed((1, beats((50, 0))), (0, heard), (0, closed(4 * PAUSE_NS)))
        timeline.finish()
        assert timeline.silences == []

    def test_parts_are_heard_one_by_one(self) -> None:
        """Part 1 stands still for 0.6 s, while the others are heard every 0.4 s; part 2 a moment earlier."""
        times = (0, 400 * MS, 800 * MS, 1200 * MS)
        items = [(0, beats((at, 0))) for at in times] + [(2, beats((at + 9 * MS, 0))) for at in times]
        items += [(1, beats((0, 0), (300 * MS, 0), (900 * MS, 0), (1300 * MS, 0)))]
        timeline = fed(*items, (0, beats((1300 * MS, 0))))
        timeline.finish()
        assert timeline.pauses == timeline.silences == [(300 * MS, 900 * MS)]

    def test_silences_of_several_parts_are_told_in_order_and_those_that_meet_as_one(self) -> None:
        first, second = beats((PAUSE_NS * 10, 0), (PAUSE_NS * 12, 0)), beats((0, 0), (PAUSE_NS * 2, 0))
        timeline = fed((1, first), (2, second), (0, beats((PAUSE_NS, 0), (PAUSE_NS * 3, 0))), (0, closed(PAUSE_NS * 3)))
        timeline.finish()
        assert timeline.pauses == timeline.silences == [(0, PAUSE_NS * 3), (PAUSE_NS * 10, PAUSE_NS * 12)]

    @pytest.mark.parametrize(("step_ns", "told"), [
        (CLOCK_STEP_NS, False), (CLOCK_STEP_NS + 1, True), (-CLOCK_STEP_NS, False), (-CLOCK_STEP_NS - 1, True),
    ])  # fmt: skip
    def test_a_wall_clock_that_was_set_by_over_half_a_second_is_told_of_the_supervisor(
        self, step_ns: int, told: bool
    ) -> None:
        at = 2 * MS
        for part in (0, 1):
            pieces = [beats((0, 0), (MS, 0), (at, step_ns), (3 * MS, step_ns))]
            for items in (pieces, [pieces[0].take(slice(i, i + 1)) for i in range(4)]):
                timeline = fed(*((part, item) for item in items))
                assert timeline.clock_steps == ([ClockStep(at, step_ns)] if told and part == 0 else [])

    def test_the_wall_clock_beside_a_moment_is_that_of_the_supervisors_heartbeat_before_it(self) -> None:
        timeline = fed((0, opened(10)), (1, beats((20, 7), (30, 7))), (0, beats((20, 100), (30, 200))))
        told = [timeline.wall_ns(at) - WALL_NS - at for at in (5, 10, 19, 20, 29, 30, 99)]
        assert told == [0, 0, 0, 100, 100, 200, 200]
        at_once = fed((0, beats((10, 0), (20, 100), (30, 200))))
        assert [at_once.wall_ns(at) - WALL_NS - at for at in (25, 5, 35)] == [100, 0, 200]
        timeline.feed(0, beats((40, 300)))
        assert [timeline.wall_ns(at) - WALL_NS - at for at in (10, 39, 40, 50)] == [0, 200, 300, 300]

    def test_the_last_sign_of_life_is_the_latest_of_any_kind_and_part(self) -> None:
        timeline = fed()
        ends = [timeline.last_ns]
        for part, item in (
            (0, opened(50)), (0, beats((60, 0), (70, 0))), (1, beats((65, 0))),
            (1, records((Kind.WRITE, 0, 0, 60, 90))), (1, records((Kind.WRITE, 0, 1, 70, 80))),
            (1, records((Kind.ERROR, 0, 2, 90, 500))), (1, closed(85)), (0, closed(100)),
        ):  # fmt: skip
            timeline.feed(part, item)
            ends.append(timeline.last_ns)
        assert ends == [-1, 50, 70, 70, 90, 90, 90, 90, 100]

    def test_the_watch_lasts_to_the_supervisors_last_heartbeat_or_to_the_stop(self) -> None:
        timeline = fed((0, opened(50)), (0, beats((60, 0), (70, 0))), (1, beats((90, 0))))
        assert timeline.watched_until_ns == 70
        timeline.feed(0, {"event": "stop", "monotonic_ns": 65})
        assert timeline.watched_until_ns == 65


class TestWhatWasGathered:
    def test_flushes_come_in_the_order_of_issue_with_their_completions(self) -> None:
        timeline = fed(
            (1, records((Kind.FLUSH, 0, 0, 30, 40), (Kind.WRITE, 2, 0, 30, 41), (Kind.FLUSH, 2, 1, 45, 70))),
            (2, records((Kind.FLUSH, 1, 0, 10, 90), (Kind.FLUSH, 1, 0, 35, 36))),
        )
        assert [times.tolist() for times in timeline.flushes] == [[10, 30, 35, 45], [90, 40, 36, 70]]
        assert [times.tolist() for times in fed().flushes] == [[], []]

    def test_errors_no_further_apart_than_a_second_are_one_stretch(self) -> None:
        gap = ERROR_SPAN_GAP_NS
        errors: list[Spoken] = [(Kind.ERROR, 0, 0, at, at + 5) for at in (10, 15 + gap, 21 + 2 * gap)]
        timeline = fed((1, records(*errors)), (2, records((Kind.ERROR, 1, 0, 11, 12))))
        timeline.finish()
        assert timeline.error_spans == [(10, 20 + gap), (21 + 2 * gap, 26 + 2 * gap)]

    @pytest.mark.parametrize(("kind", "is_open"), [
        (Kind.WRITE, False), (Kind.WRITE_THROUGH, False), (Kind.READ, False), (Kind.READ_ODD, False),
        (Kind.FLUSH, False), (Kind.EXAMINED, False), (Kind.EXAMINED_ODD, False), (Kind.IN_FLIGHT, True),
        (Kind.PREFLIGHT, True), (Kind.ERROR, None), (Kind.LANE_END, None),
    ])  # fmt: skip
    def test_what_waited_over_the_threshold_is_kept_and_whether_it_ever_ended(
        self, kind: Kind, is_open: bool | None
    ) -> None:
        for wait_ns in (RUN.stall_ns, RUN.stall_ns + 1):
            timeline = fed((1, records((kind, 2, 0, 40, 40 + wait_ns), (Kind.ERROR, 0, 0, 41, 42))))
            long = wait_ns > RUN.stall_ns and is_open is not None
            assert timeline.long_waits == ([LongWait(2, 40, 40 + wait_ns, bool(is_open))] if long else [])

    def test_kinds_are_counted_over_all_parts(self) -> None:
        timeline = fed(
            (1, records((Kind.WRITE, 0, 0, 1, 2), (Kind.WRITE, 2, 0, 1, 2))), (2, records((Kind.WRITE, 1, 0, 1, 2))),
            (0, beats((1, 0), (2, 0))),
        )  # fmt: skip
        assert [timeline.count(kind) for kind in (Kind.WRITE, Kind.CLOCK, Kind.READ)] == [3, 2, 0]

    def test_lanes_are_told_apart_each_in_its_order_and_clocks_are_none_of_them(self) -> None:
        some = records((Kind.WRITE, 2, 0, 9, 9), (Kind.WRITE, 0, 0, 3, 3), (Kind.WRITE, 2, 1, 1, 1))
        clock = beats((50, 0))
        mixed = Records(*(np.concatenate([getattr(clock, name), getattr(some, name)]) for name in vars(some)))
        told = [(lane, own.issued_ns.tolist(), own.sequence.tolist()) for lane, own in by_lane(mixed)]
        assert told == [(0, [3], [0]), (2, [9, 1], [0, 1])]
        assert list(by_lane(clock)) == []


MARK = {"event": "mark", "text": "", "takeover": True, "pressed_ns": 5, "pressed_wall_ns": 6, "accepted_ns": 7}


class TestEvents:
    def test_the_file_that_was_opened_first_counts(self) -> None:
        timeline = fed((1, opened(50)), (1, opened(60)), (2, opened(70)))
        assert (timeline.opened_ns, timeline.boot_ids) == ({1: 50, 2: 70}, {"b"})

    def test_heads_of_all_parts_are_put_together(self) -> None:
        timeline = fed((1, {**closed(5), "heads": {1: 2}}), (0, {**closed(6), "heads": {"0": "x"}}), (2, closed(7)))
        assert (timeline.heads, timeline.closed_parts) == ({"1": "2", "0": "x"}, {0, 1, 2})

    def test_what_two_workers_tell_of_reopening_is_put_together(self) -> None:
        timeline = fed((1, {"event": "reopened", "notes": ["a", "b"]}), (2, {"event": "reopened", "notes": ["b", "c"]}))
        assert timeline.reopening_doubts == {"a", "b", "c"}

    def test_a_mark_is_kept_whole(self) -> None:
        mark = {"text": "pulled", "takeover": True, "pressed_ns": 5, "pressed_wall_ns": 6, "accepted_ns": 7}
        event = {"event": "mark", **mark}
        timeline = fed((0, event), (0, {**event, "takeover": False, "watched": True}), (0, {**event, "watched": 1}))
        assert timeline.marks == [
            {**mark, "watched": False}, {**mark, "takeover": False, "watched": True}, {**mark, "watched": False},
        ]  # fmt: skip

    def test_grounds_and_the_load_are_the_supervisors_to_tell(self) -> None:
        told = [{"event": "grounds", "digest": "d"}, {"event": "load_began", "monotonic_ns": 4}]
        timeline = fed(*((0, event) for event in told))
        assert (timeline.grounds, timeline.load_began_ns) == ("d", 4)
        timeline = fed(*((1, event) for event in told))
        assert (timeline.grounds, timeline.load_began_ns) == ("", -1)

    @pytest.mark.parametrize(("event", "field"), [
        (opened(), "boot_id"), (opened(), "monotonic_ns"), (opened(), "wall_ns"), (closed(5), "monotonic_ns"),
        ({"event": "reopened", "notes": []}, "notes"), ({"event": "grounds", "digest": "d"}, "digest"),
        ({"event": "load_began", "monotonic_ns": 4}, "monotonic_ns"),
        ({"event": "stop", "monotonic_ns": 4}, "monotonic_ns"), *((MARK, name) for name in MARK if name != "event"),
    ])  # fmt: skip
    def test_one_that_lacks_a_field_contradicts(self, event: dict[str, Any], field: str) -> None:
        part = 1 if event["event"] == "reopened" else 0
        assert fed((part, event)).accepted == {part: 1}
        timeline = Timeline(RUN)
        timeline.feed(part, {name: value for name, value in event.items() if name != field})
        kind = event["event"]
        assert timeline.contradictions == {part: f"an event of kind '{kind}' lacks or misstates a field"}
        assert (timeline.accepted, timeline.marks, timeline.closed_parts) == ({}, [], set())

    @pytest.mark.parametrize("lanes", [[3], [0, -1], [True], ["0"], [None], 0])
    def test_a_lost_worker_has_lanes_of_the_run_or_contradicts(self, lanes: Any) -> None:
        event = {"event": "worker_lost", "worker": 0, "lanes": [0, 2], "monotonic_ns": 9}
        assert fed((0, event)).lost_ns == {1: 9}
        timeline = Timeline(RUN)
        timeline.feed(0, {**event, "lanes": lanes})
        assert timeline.contradictions == {0: "an event of kind 'worker_lost' lacks or misstates a field"}
        assert timeline.lost_ns == {}

    def test_after_a_contradiction_nothing_is_taken_of_its_part_and_all_of_others(self) -> None:
        timeline = Timeline(RUN)
        timeline.feed(1, records((Kind.WRITE, 0, 0, 1, 2)))
        timeline.feed(1, records((Kind.WRITE, 0, 5, 3, 4)))
        timeline.feed(1, records((Kind.WRITE, 0, 1, 3, 4)))
        timeline.feed(1, opened(9))
        timeline.feed(2, records((Kind.WRITE, 1, 0, 1, 2)))
        assert (timeline.accepted, timeline.count(Kind.WRITE), timeline.opened_ns) == ({1: 1, 2: 1}, 2, {})
        assert list(timeline.contradictions) == [1]


class TestHowFarALaneGot:
    def test_step_by_step(self) -> None:
        timeline = fed()
        steps: list[tuple[list[Spoken], LaneTail]] = [
            ([(Kind.ERROR, 0, 0, 5, 8)], LaneTail(0, -1, 8, -1)),
            ([(Kind.WRITE, 0, 0, 5, 20), (Kind.READ, 0, 1, 21, 30)], LaneTail(2, 30, 30, 21)),
            ([(Kind.EXAMINED, 0, 2, 31, 33)], LaneTail(2, 33, 33, 31)),
            ([(Kind.FLUSH, 0, 2, 34, 36), (Kind.ERROR, 0, 2, 37, 50)], LaneTail(2, 36, 50, 34)),
            ([(Kind.WRITE, 0, 2, 40, 45)], LaneTail(3, 45, 50, 40)),
            ([(Kind.IN_FLIGHT, 0, 3, 60, 90)], LaneTail(3, 45, 90, 40, True, (3, 60, 90))),
        ]
        for spoken, tail in steps:
            timeline.feed(1, records(*spoken))
            assert timeline.tails[0] == tail
        assert timeline.contradictions == {}
        assert timeline.tails[1:] == [LaneTail(), LaneTail()]

    @pytest.mark.parametrize("kind", [Kind.LANE_END, Kind.PREFLIGHT])
    def test_one_that_ended_between_operations_has_none_in_flight(self, kind: Kind) -> None:
        timeline = fed((1, records((Kind.WRITE, 0, 0, 1, 2), (kind, 0, 1, 5, 9))))
        assert timeline.tails[0] == LaneTail(1, 2, 9, 1, True)

    def test_it_is_closed_only_with_its_part_and_while_that_is_believed(self) -> None:
        ends = (1, records((Kind.LANE_END, 0, 0, 5, 9), (Kind.LANE_END, 2, 0, 5, 9)))
        other = (2, records((Kind.LANE_END, 1, 0, 5, 9)))
        for items, expected in (
            ([ends, other], [False, False, False]),
            ([ends, other, (1, closed(9))], [True, False, True]),
            ([ends, other, (2, closed(9))], [False, True, False]),
            ([other, (1, closed(9)), (2, closed(9))], [False, True, False]),
        ):
            timeline = fed(*items)  # type: ignore[arg-type]
            timeline.finish()
            assert [tail.closed for tail in timeline.tails] == expected
        timeline.feed(2, records((Kind.WRITE, 1, 7, 10, 11)))
        timeline.finish()
        assert [tail.closed for tail in timeline.tails] == [False, False, False]

    def test_what_was_acknowledged_after_all_is_in_flight_no_more(self) -> None:
        flight: Spoken = (Kind.IN_FLIGHT, 0, 1, 5, 9)
        for rest, expected in (([], (1, 5, 9)), ([(Kind.WRITE, 0, 1, 5, 10)], None)):
            timeline = fed((1, records((Kind.WRITE, 0, 0, 1, 2), flight, *rest)), (1, closed(11)))
            timeline.finish()
            assert timeline.tails[0].in_flight == expected

    def test_nothing_beyond_its_ledger_was_issued_before_its_latest_completion_or_the_opening_of_its_file(self) -> None:
        timeline = fed((2, opened(50)), (1, records((Kind.WRITE, 0, 0, 10, 20))))
        assert [timeline.unknown_not_before_ns(lane) for lane in range(3)] == [20, 50, 0]
        timeline.feed(1, opened(30))
        timeline.feed(2, records((Kind.WRITE, 1, 0, 55, 60)))
        assert [timeline.unknown_not_before_ns(lane) for lane in range(3)] == [30, 60, 30]


class TestWhatCannotBe:
    GOOD = (1, records((Kind.WRITE, 0, 0, 10, 20), (Kind.WRITE, 2, 0, 10, 20), (Kind.WRITE, 0, 1, 20, 30)))

    @pytest.mark.parametrize(("spoken", "said"), [
        ([(Kind.WRITE, 0, 2, 20, 31), (Kind.WRITE, 2, 1, 10, 21)], ""),
        ([(Kind.WRITE, 0, 2, 19, 31)], "the times of lane 0 go back"),
        ([(Kind.WRITE, 0, 2, 30, 31), (Kind.WRITE, 0, 3, 30, 31)], ""),
        ([(Kind.WRITE, 0, 2, 30, 31), (Kind.WRITE, 0, 3, 29, 31)], "the times of lane 0 go back"),
        ([(Kind.WRITE, 0, 2, 30, 31), (Kind.READ, 0, 3, 40, 41), (Kind.FLUSH, 0, 4, 39, 41)], "the times of lane 0"),
        ([(Kind.ERROR, 0, 2, 5, 6), (Kind.WRITE, 0, 2, 30, 31)], ""),
        ([(Kind.WRITE, 0, 3, 30, 31)], "the operations of lane 0 do not follow one another at 2"),
        ([(Kind.WRITE, 0, 2, 30, 31), (Kind.WRITE, 0, 4, 32, 33)], "do not follow one another at 2"),
        ([(Kind.WRITE, 0, 2, 30, 31), (Kind.EXAMINED, 0, 3, 32, 33), (Kind.WRITE, 0, 3, 34, 35)], ""),
        ([(Kind.EXAMINED, 0, 3, 32, 33)], "a record of lane 0 does not belong to its next operation"),
        ([(Kind.WRITE, 0, 2, 30, 31), (Kind.ERROR, 0, 2, 32, 33)], "a record of lane 0 does not belong to its next"),
        ([(Kind.WRITE, 1, 0, 30, 31)], "a record of lane 1, which does not write to this file"),
        ([(Kind.WRITE, 3, 0, 30, 31)], "a record of lane 3, which does not write to this file"),
        ([(Kind.WRITE, 2, 1, 30, 31), (Kind.WRITE, 0, 7, 30, 31)], "the operations of lane 0 do not follow"),
    ])  # fmt: skip
    def test_records_that_do_not_go_with_those_before_them(self, spoken: list[Spoken], said: str) -> None:
        told = wrong(self.GOOD, (1, records(*spoken)))
        assert told.startswith(said) or said in told
        assert bool(told) == bool(said)

    @pytest.mark.parametrize("changed", [
        {"kind": 0}, {"kind": 13}, {"issued_ns": -1}, {"done_ns": -1}, {"issued_ns": TIME_NS_MAX + 1},
        {"done_ns": TIME_NS_MAX + 1},
    ])  # fmt: skip
    def test_one_impossible_record_among_good_ones_is_enough(self, changed: dict[str, int]) -> None:
        good = records((Kind.ERROR, 0, 2, 30, 31), (Kind.ERROR, 0, 2, 32, 33), (Kind.WRITE, 0, 2, 34, 35))
        assert wrong(self.GOOD, (1, good)) == ""
        for at in range(2):
            columns = {name: getattr(good, name).copy() for name in changed}
            for name, value in changed.items():
                columns[name][at] = value
            assert wrong(self.GOOD, (1, replace(good, **columns)))

    def test_heartbeats_may_stand_still_and_not_go_back(self) -> None:
        assert wrong((1, beats((5, 0), (5, 0), (6, 0))), (1, beats((6, 0)))) == ""
        assert wrong((1, beats((5, 0), (6, 0))), (1, beats((5, 0)))) == "the clock goes back"
        assert wrong((1, beats((5, 0), (7, 0), (6, 0)))) == "the clock goes back"
        assert wrong((2, beats((50, 0))), (0, beats((50, 0))), (1, beats((6, 0)))) == ""

    def test_a_lane_has_so_many_operations_beside_its_fill_and_no_more(self) -> None:
        for fill, allowed in ((False, 2), (True, 6)):
            run = make_run([(1, 4, 1)], read_share=0.0, operations=2, fill=fill)
            writes = [(Kind.WRITE, 0, n, n, n + 1) for n in range(allowed + 1)]
            timeline = Timeline(run)
            timeline.feed(1, records(*writes[:allowed]))
            assert timeline.contradictions == {}
            timeline.feed(1, records(*writes[allowed:]))
            assert timeline.contradictions == {1: f"lane 0 goes on beyond its {allowed} operations"}
