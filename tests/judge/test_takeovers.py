"""What counts as a takeover, and what does not. Times in units of 0.1 s: threshold 10, merge rule 50."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from tests.judge.stories import (
    BEGIN_NS,
    MERGE,
    STALL,
    UNIT_NS,
    LaneLog,
    Mark,
    Op,
    Renderer,
    Story,
    doer,
    ledger_of,
    make_run,
    ns,
)
from tests.judge.test_wrong_ledgers import Largest
from verify.judge.judgement import Judgement
from verify.judge.takeovers import MARK_BEFORE_NS, Takeover, TooManyTakeovers, find_takeovers, outages
from verify.judge.timeline import PAUSE_NS, Timeline
from verify.load.run import Run
from verify.load.schedule import Pattern

Wait = tuple[int, int | None]
"""When an operation was issued, and when it was acknowledged; None if it never was."""

CLOSE = 300


def make_story(
    lanes: Sequence[Sequence[Wait]],
    *,
    marks: Iterable[Mark] = (),
    stop: int | None = 250,
    close: int = CLOSE,
    silent: dict[int, range] | None = None,
    open_parts: Iterable[int] = (),
    workers: int = 1,
    run: Run | None = None,
) -> Story:
    """A story of writes; part 0 is the supervisor's, `silent` gives the stretches without heartbeats of a part."""
    run = run or make_run([(len(lanes), 6, 1)], read_share=0.0, workers=workers)
    logs = []
    for lane, waits in enumerate(lanes):
        ops = [Op("write", n, issued, done) for n, (issued, done) in enumerate(waits) if done is not None]
        last = waits[-1] if waits else (0, 0)
        closing: Op | None = Op("end", len(ops), close, close)
        if last[1] is None:
            closing = Op("in flight", len(ops), last[0], close)
        if run.lane_workers[lane] in open_parts:
            closing = None
        logs.append(LaneLog(ops, closing))
    beats = {part: list(range(close + 1)) for part in {0, *run.lane_workers}}
    for part, gone in (silent or {}).items():
        beats[part] = [beat for beat in beats[part] if beat not in gone]
    return Story(
        run, 0, logs, beats, sorted(marks, key=lambda m: m.accepted), stop, close, set(open_parts), [], False, doer(run)
    )


def timeline_of(story: Story) -> Timeline:
    """What is gathered of a story, each part of its ledger in as few stretches as can be."""
    timeline = Timeline(story.run)
    for part, item in ledger_of(story, Renderer(story.run), Largest()):
        timeline.feed(part, item)
    timeline.finish()
    assert not timeline.contradictions
    return timeline


def takeovers(lanes: Sequence[Sequence[Wait]], **options: Any) -> list[Takeover]:
    return find_takeovers(timeline_of(make_story(lanes, **options)))


def spans(found: Sequence[Takeover]) -> list[tuple[int, int, int]]:
    """Start, end and stall of each, in units."""
    return [((t.start_ns - ns(0)) // UNIT_NS, (t.end_ns - ns(0)) // UNIT_NS, t.stall_ns // UNIT_NS) for t in found]


def mark(pressed: int, accepted: int | None = None, takeover: bool = True, text: str = "pulled") -> Mark:
    return Mark(pressed, pressed if accepted is None else accepted, takeover, text)


class TestEveryLaneWaits:
    def test_from_the_last_issue_to_the_first_acknowledgement(self) -> None:
        (found,) = takeovers([[(20, 40)], [(23, 38)], [(21, 45)]])
        assert found.observed
        assert spans([found]) == [(23, 38, 15)]
        assert found.longest_wait_ns == 24 * UNIT_NS
        assert not found.never_ended

    @pytest.mark.parametrize(("length", "count"), [(STALL, 0), (STALL + 1, 1)])
    def test_for_longer_than_the_threshold(self, length: int, count: int) -> None:
        assert len(takeovers([[(20, 20 + length)], [(20, 20 + length)]])) == count

    def test_long_waits_that_hardly_overlap_are_none(self) -> None:
        for second in (30, 31):
            assert takeovers([[(20, 40)], [(second, 60)]]) == []

    def test_a_single_slow_lane_is_none(self) -> None:
        busy = [(t, t + 1) for t in range(10, 100, 2)]
        assert takeovers([[(20, 90)], busy, busy]) == []

    def test_a_lane_that_has_nothing_outstanding_prevents_one(self) -> None:
        assert takeovers([[(20, 60)], [(20, 60)], [(15, 19), (61, 62)]]) == []

    def test_a_lane_that_never_began_prevents_one(self) -> None:
        assert takeovers([[(20, 60)], [(20, 60)], []]) == []

    def test_the_only_lane_of_a_run_is_every_lane(self) -> None:
        assert spans(takeovers([[(20, 31)]])) == [(20, 31, 11)]

    def test_an_acknowledgement_in_between_begins_a_new_stretch(self) -> None:
        """Each lane waits over the threshold all the time, but one or the other is answered every 0.6 s."""
        assert takeovers([[(15, 26), (26, 37), (37, 48)], [(20, 31), (31, 42), (42, 53)]]) == []

    def test_two_long_stretches_around_an_acknowledgement_are_one_by_the_merge_rule(self) -> None:
        assert spans(takeovers([[(20, 60)], [(20, 40), (40, 60)]])) == [(20, 60, 40)]

    def test_a_reissued_operation_waits_from_its_first_issue(self) -> None:
        story = make_story([[(20, 40)], [(20, 41)]])
        story.lanes[0].ops.insert(0, Op("error", 0, 20, 30))
        (found,) = find_takeovers(timeline_of(story))
        assert spans([found]) == [(20, 40, 20)]


class TestLanesThatEnded:
    def test_a_lane_that_has_done_all_its_operations_prevents_one(self) -> None:
        """After that "every lane" would mean too little."""
        run = make_run([(2, 6, 1)], read_share=0.0, operations=5)
        assert takeovers([[(20, 60)], [(5, 6)]], run=run) == []

    def test_a_lane_of_a_killed_worker_counts_only_up_to_its_last_record(self) -> None:
        lanes = [[(20, 60)], [(10, 15)]]
        assert spans(takeovers(lanes, workers=2, open_parts=[2])) == [(20, 60, 40)]
        assert takeovers(lanes, workers=2) == []

    def test_only_the_killed_workers_lane_counts_no_more(self) -> None:
        """Of three lanes one ended with its worker: the takeover needs both others, from when both wait."""
        lanes = [[(20, 60)], [(30, 60)], [(10, 15)]]
        assert spans(takeovers(lanes, workers=3, open_parts=[3])) == [(30, 60, 30)]
        assert takeovers([[(20, 60)], [(30, 31)], [(10, 15)]], workers=3, open_parts=[3]) == []

    def test_a_killed_run_shows_the_stalls_before_the_kill(self) -> None:
        lanes = [[(20, 40), (41, 42)], [(20, 41), (41, 42)]]
        found = takeovers(lanes, stop=None, close=44, open_parts=[0, 1])
        assert spans(found) == [(20, 40, 20)]


class TestTheMergeRule:
    @pytest.mark.parametrize(("gap", "expected"), [
        (MERGE, [(20, 40 + MERGE + 20, 40)]),
        (MERGE + 1, [(20, 40, 20), (40 + MERGE + 1, 60 + MERGE + 1, 20)]),
    ])  # fmt: skip
    def test_stalls_no_further_apart_are_one(self, gap: int, expected: list[tuple[int, int, int]]) -> None:
        again = 40 + gap
        lane: list[Wait] = [(20, 40), (again, again + 20)]
        assert spans(takeovers([lane, lane])) == expected

    def test_two_takeovers_are_two_with_their_own_waits_and_marks(self) -> None:
        lane: list[Wait] = [(20, 40), (150, 180)]
        first, second = takeovers([lane, lane], marks=[mark(21), mark(151, text="back again")])
        assert (first.marks, second.marks) == (["pulled"], ["back again"])
        assert (first.longest_wait_ns, second.longest_wait_ns) == (20 * UNIT_NS, 30 * UNIT_NS)


class TestAStallWithoutAnEnd:
    def test_it_lasts_until_the_ledger_was_closed(self) -> None:
        (found,) = takeovers([[(20, None)], [(24, None)]])
        assert found.never_ended
        assert spans([found]) == [(24, CLOSE, CLOSE - 24)]
        assert found.longest_wait_ns == (CLOSE - 20) * UNIT_NS

    def test_one_acknowledgement_ends_it_though_another_lane_waits_for_ever(self) -> None:
        (found,) = takeovers([[(20, None)], [(24, 60), (60, 61)]])
        assert not found.never_ended
        assert spans([found]) == [(24, 60, 36)]
        assert found.longest_wait_ns == (CLOSE - 20) * UNIT_NS

    def test_a_second_stall_that_never_ends_is_told_of_the_second(self) -> None:
        lane: list[Wait] = [(20, 40), (150, None)]
        assert [t.never_ended for t in takeovers([lane, lane])] == [False, True]


class TestOurOwnPauses:
    """A stopped process or guest is no takeover; its heartbeat is missing meanwhile."""

    LANES = ([(20, 60)], [(20, 60)])

    def test_with_heartbeats_it_is_one(self) -> None:
        assert spans(takeovers(self.LANES)) == [(20, 60, 40)]

    @pytest.mark.parametrize("part", [0, 1, 2])
    def test_a_silent_supervisor_or_worker_makes_it_none(self, part: int) -> None:
        story = make_story(self.LANES, silent={part: range(21, 60)}, workers=2)
        timeline = timeline_of(story)
        assert find_takeovers(timeline) == []
        assert timeline.pauses == [(ns(20), ns(60))]

    def test_what_is_longer_than_the_threshold_beside_the_pause_is_one(self) -> None:
        found = takeovers(self.LANES, silent={0: range(21, 40)})
        assert spans(found) == [(40, 60, 20)]
        assert takeovers(self.LANES, silent={0: range(21, 60 - STALL)}) == []
        assert spans(takeovers(self.LANES, silent={0: range(26, 40)})) == [(40, 60, 20)]  # 0.5 s before it do not count

    def test_a_pause_within_a_stall_is_left_out_of_the_stall(self) -> None:
        found = takeovers([[(20, 90)], [(20, 90)]], silent={1: range(41, 60)})
        assert spans(found) == [(20, 90, 50)]

    def test_a_gap_of_five_heartbeats_is_no_pause(self) -> None:
        story = make_story(self.LANES, silent={0: range(31, 35)})
        assert timeline_of(story).pauses == timeline_of(story).silences == []
        assert PAUSE_NS == 5 * UNIT_NS

    def test_with_a_threshold_below_that_a_shorter_gap_is_believed_too(self) -> None:
        """A pause of 0.4 s is longer than a threshold of 0.2 s, and no takeover either."""
        run = replace(make_run([(2, 6, 1)], read_share=0.0), stall_ns=2 * UNIT_NS)
        lanes = [[(20, 24)], [(20, 24)]]
        assert spans(takeovers(lanes, run=run)) == [(20, 24, 4)]
        assert takeovers(lanes, run=run, silent={0: range(21, 24)}) == []

    def test_a_supervisor_killed_in_a_stall_proves_the_stall_only_up_to_its_last_heartbeat(self) -> None:
        found = takeovers(self.LANES, silent={0: range(36, 301)}, stop=None, open_parts=[0])
        assert spans(found) == [(20, 35, 15)]
        assert found[0].never_ended is False

    def test_a_pause_that_only_the_close_ended_is_one_too(self) -> None:
        lanes = [[(200, None)], [(200, None)]]
        assert takeovers(lanes, silent={1: range(201, 301)}) == []


class TestAfterTheStop:
    def test_a_stall_that_begins_after_it_does_not_count(self) -> None:
        assert takeovers([[(20, 90)], [(20, 90)]], stop=20) == []
        assert takeovers([[(20, 90)], [(20, 90)]], stop=15) == []

    def test_a_stall_that_was_on_counts(self) -> None:
        assert spans(takeovers([[(20, 90)], [(20, 90)]], stop=21)) == [(20, 90, 70)]

    def test_a_mark_does_not_count(self) -> None:
        assert takeovers([[(20, 22)]], stop=100, marks=[mark(101)]) == []
        for at in (99, 100):
            assert len(takeovers([[(20, 22)]], stop=100, marks=[mark(at)])) == 1


class TestTheFirstMomentOfTheClock:
    """Moment 0 is a moment like any other, and not the want of one."""

    ZERO = -BEGIN_NS // UNIT_NS

    def test_a_run_stopped_then_has_no_takeover_after_it(self) -> None:
        assert takeovers([[(20, 90)], [(20, 90)]], stop=self.ZERO, marks=[mark(30)]) == []

    def test_a_mark_pressed_then_may_tell_of_a_takeover_since_then(self) -> None:
        (found,) = takeovers([[(5, 6)]], marks=[mark(self.ZERO, 30)])
        assert (found.looks_from_ns, found.start_ns) == (0, ns(30))


class TestMarks:
    STALLED = ([(120, 150)], [(120, 150)])

    def test_a_takeover_mark_without_a_stall_is_attested_at_the_moment_it_was_taken_in(self) -> None:
        (found,) = takeovers([[(20, 22)], [(20, 22)]], marks=[mark(30, 31)])
        assert not found.observed
        assert (found.start_ns, found.end_ns, found.stall_ns) == (ns(31), ns(31), 0)
        assert found.marks == ["pulled"]

    def test_a_note_is_never_one(self) -> None:
        assert takeovers([[(20, 22)]], marks=[mark(30, takeover=False)]) == []

    @pytest.mark.parametrize(("pressed", "attached"), [
        (120 - MARK_BEFORE_NS // UNIT_NS - 1, False), (120 - MARK_BEFORE_NS // UNIT_NS, True), (119, True),
        (130, True), (150, True), (150 + MERGE, True), (150 + MERGE + 1, False),
    ])  # fmt: skip
    def test_a_mark_near_an_observed_takeover_belongs_to_it(self, pressed: int, attached: bool) -> None:
        found = takeovers(self.STALLED, marks=[mark(pressed)])
        assert [t.marks for t in found if t.observed] == [["pulled"] if attached else []]
        assert len(found) == (1 if attached else 2)

    def test_a_mark_near_two_belongs_to_the_nearer(self) -> None:
        lane: list[Wait] = [(20, 40), (100, 130)]
        for pressed, owner in ((45, 0), (69, 0), (71, 1), (95, 1)):
            found = takeovers([lane, lane], marks=[mark(pressed)])
            assert [bool(t.marks) for t in found] == [owner == 0, owner == 1]

    def test_two_marks_without_a_stall_are_two(self) -> None:
        found = takeovers([[(20, 22)]], marks=[mark(30), mark(90)])
        assert [(t.observed, t.start_ns) for t in found] == [(False, ns(30)), (False, ns(90))]

    def test_takeovers_of_both_kinds_come_in_order_of_time(self) -> None:
        found = takeovers(self.STALLED, marks=[mark(10), mark(230)])
        assert [t.observed for t in found] == [False, True, False]

    def test_every_takeover_mark_is_an_outage_from_the_press_on(self) -> None:
        story = make_story([[(20, 22)]], marks=[mark(30, 34), mark(60, takeover=False)])
        timeline = timeline_of(story)
        assert outages(timeline, find_takeovers(timeline)) == [(ns(30), ns(34))]

    def test_a_mark_that_says_it_was_pressed_after_it_was_taken_in_is_one_moment(self) -> None:
        timeline = timeline_of(make_story([[(20, 22)]], marks=[mark(34, 30)]))
        (found,) = find_takeovers(timeline)
        assert (found.start_ns, found.end_ns, found.looks_from_ns) == (ns(30), ns(30), ns(30))
        assert outages(timeline, [found]) == [(ns(30), ns(30))]

    def test_as_many_as_can_be_judged_are_found(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("verify.judge.takeovers.TAKEOVERS_MAX", 2)
        assert len(takeovers([[(20, 22)]], marks=[mark(30), mark(90)])) == 2
        with pytest.raises(TooManyTakeovers, match=r"^the ledger tells of 3 takeovers; at most 2 can be judged$"):
            takeovers([[(20, 22)]], marks=[mark(30), mark(90), mark(150)])


class TestAttestedTakeovers:
    @pytest.mark.parametrize(("at", "longest"), [(19, 0), (20, 20), (30, 20), (40, 20), (41, 0)])
    def test_of_waits_over_the_threshold_the_longest_is_known_from_the_first(self, at: int, longest: int) -> None:
        """One that the moment is in, both ends included."""
        (found,) = takeovers([[(20, 40)], [(5, 6)]], marks=[mark(at)])
        assert found.longest_wait_ns == longest * UNIT_NS

    def test_the_longest_wait_is_that_of_the_operations_under_way(self) -> None:
        """Also where none of them was over the threshold."""
        story = make_story([[(20, 24)], [(21, 29)], [(30, 39)]], marks=[mark(22)])
        items = ledger_of(story, Renderer(story.run), random.Random(0))
        (around,) = Judgement(story.run, lambda: items).state.around
        assert around.takeover.longest_wait_ns == 8 * UNIT_NS
        assert around.in_flight == 2

    def test_looks_since_the_press_are_looks_at_what_it_left_and_writes_before_the_taking_in_are_not_after_it(
        self,
    ) -> None:
        """Lanes are told between the press and the taking in, and may have examined a slot by then."""
        run = make_run([(1, 3, 1)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)
        story = make_story([[]], run=run, marks=[mark(50, 60)])
        before = [Op("write", n, 10 + n, 11 + n) for n in range(3)]
        looked = [Op("exam", 3, 52, 53), Op("write", 3, 54, 55)]  # slot 0: told, examined, overwritten
        not_told = [Op("write", 4, 56, 57)]  # slot 1: not told yet
        again = [Op("exam", 5, 65, 66), Op("write", 5, 67, 68), Op("write", 6, 70, 71), Op("write", 7, 80, 81)]
        story.lanes[0] = LaneLog(before + looked + not_told + again, Op("end", 8, CLOSE, CLOSE))
        items = ledger_of(story, Renderer(run), random.Random(0))
        (around,) = Judgement(run, lambda: items).state.around
        assert (around.examined, around.unexamined, around.left_to_check) == (2, 1, 0)

    def test_no_look_is_at_an_earlier_takeover_after_one_at_a_later(self) -> None:
        """The first mark was taken in long after it was pressed, and after the second."""
        found = takeovers([[(5, 6)]], marks=[mark(10, 60), mark(30, 35)])
        assert [(t.start_ns, t.looks_from_ns) for t in found] == [(ns(35), ns(30)), (ns(60), ns(30))]
