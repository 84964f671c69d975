"""Outages: when lanes waited too long, met errors, were told of a takeover, or may have. Times in units of 0.1 s."""

from __future__ import annotations

from typing import Any

import pytest

from tests.judge.stories import UNIT_NS, LaneLog, Mark, Op, Story, ns
from tests.judge.test_takeovers import CLOSE, make_story, mark, timeline_of
from verify.judge.spans import Span
from verify.judge.takeovers import NEVER_NS, find_takeovers, outages, untold_stretches
from verify.judge.timeline import TIME_NS_MAX

NEVER = None
"""In place of the end of a stretch that has none."""


def stretches(*spans: tuple[int, int | None]) -> list[Span]:
    return [(ns(begin), NEVER_NS if end is NEVER else ns(end)) for begin, end in spans]


def outages_of(story: Story) -> list[Span]:
    timeline = timeline_of(story)
    return outages(timeline, find_takeovers(timeline))


class TestWhatIsOne:
    def test_waits_over_the_threshold_errors_and_marks_each_by_itself(self) -> None:
        ops = [Op("write", 0, 5, 6), Op("error", 1, 80, 83), Op("write", 1, 80, 84), Op("read", 2, 90, 101)]
        story = make_story([[(20, 40)], []], marks=[mark(60, 64), mark(70, 75, takeover=False)])
        story.lanes[1] = LaneLog(ops, Op("end", 3, CLOSE, CLOSE))
        assert outages_of(story) == stretches((20, 40), (60, 64), (80, 83), (90, 101))

    def test_a_takeover_from_its_begin_to_its_end_also_where_operations_were_acknowledged_in_between(self) -> None:
        lane: list[Any] = [(20, 40), (60, 80)]
        assert outages_of(make_story([lane, lane])) == stretches((20, 80))
        moves = [Mark(at, at + 1, True, "moved", watched=True) for at in (30, 60)]
        assert outages_of(make_story([[(5, 6)]], marks=moves)) == stretches((30, 61))

    def test_a_mark_made_after_the_stop_is_none(self) -> None:
        assert outages_of(make_story([[(5, 6)]], marks=[mark(101)], stop=100)) == []

    def test_those_that_meet_are_one_and_they_come_in_order(self) -> None:
        lanes: list[Any] = [[(50, 70)], [(20, 40)], [(40, 51)], [(100, 120)]]
        assert outages_of(make_story(lanes)) == stretches((20, 70), (100, 120))

    def test_what_is_untold_may_be_one(self) -> None:
        story = make_story([[(20, 40)], [(50, 55)]], workers=2, open_parts=[2])
        assert outages_of(story) == stretches((20, 40), (55, NEVER))


class TestWhatIsUntold:
    """What may have been an outage, and nothing tells of it any more."""

    def test_nothing_in_a_whole_ledger(self) -> None:
        assert untold_stretches(timeline_of(make_story([[(20, 22)], [(20, None)]]))) == []

    def test_the_end_of_a_stretch_without_one_is_after_every_time(self) -> None:
        assert NEVER_NS > TIME_NS_MAX

    @pytest.mark.parametrize(
        ("lost", "end"), [({}, NEVER), ({2: 90}, 90), ({1: 90}, NEVER), ({2: 22}, 22), ({2: 5}, 22)]
    )
    def test_of_a_lane_from_its_last_completion_until_its_worker_was_seen_to_be_lost(
        self, lost: dict[int, int], end: int | None
    ) -> None:
        """An error is no completion: the attempt after it, that might be acknowledged, is not in the ledger."""
        story = make_story([[(20, 30)], []], workers=2, open_parts=[2])
        story.lanes[1] = LaneLog([Op("write", 0, 20, 22), Op("error", 1, 23, 27)])
        story.lost = lost
        assert untold_stretches(timeline_of(story)) == stretches((22, end))

    def test_of_a_lane_that_completed_nothing_from_when_its_file_was_opened(self) -> None:
        story = make_story([[(20, 30)], []], workers=2, open_parts=[2])
        assert untold_stretches(timeline_of(story)) == stretches((0, NEVER))

    def test_of_several_lanes_each_and_those_that_meet_as_one(self) -> None:
        story = make_story([[(10, 12)], [(20, 22)], [(70, 71)]], workers=3, open_parts=[1, 2, 3])
        story.lost = {1: 30, 2: 40, 3: 80}
        assert untold_stretches(timeline_of(story)) == stretches((12, 40), (71, 80))

    @pytest.mark.parametrize(("stop", "expected"), [(None, [(89, NEVER)]), (250, []), (-ns(0) // UNIT_NS, [])])
    def test_of_the_supervisor_from_a_second_before_its_last_heartbeat_unless_it_told_of_the_stop(
        self, stop: int | None, expected: list[tuple[int, int | None]]
    ) -> None:
        """A mark is taken in within a second; the last of the stops is moment 0 of the clock."""
        story = make_story([[(20, 22)]], stop=stop, silent={0: range(100, CLOSE + 1)}, open_parts=[0])
        assert untold_stretches(timeline_of(story)) == stretches(*expected)

    def test_of_both_at_once(self) -> None:
        story = make_story([[(20, 22)]], stop=None, open_parts=[0, 1])
        assert untold_stretches(timeline_of(story)) == stretches((22, NEVER))
