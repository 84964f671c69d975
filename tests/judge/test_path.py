"""Which way a takeover went: what is told of it, edge by edge, and that it is told to a terminal as plain text."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.judge.checking import judge_items
from tests.judge.stories import LaneLog, Mark, Op, Renderer, Story, doer, ledger_of, make_run, ns
from tests.judge.test_takeovers import make_story, mark, spans, takeovers
from tests.judge.test_verdict import SOUND, around
from tests.report.test_text import TAKEOVER, shown
from verify.judge.path import NOTICED_AFTER_NS, NOTICED_BEFORE_NS, Direction, directions
from verify.judge.takeovers import WATCHED_MARKS_MAX, Takeover
from verify.judge.timeline import Neighbour, Timeline
from verify.judge.verdict import conclude
from verify.report.verdict_json import _path

S = 1_000_000_000
MERGE_NS = 5 * S
ADDRESS = "192.0.2.9"
A, B, C = "02:00:00:00:00:aa", "02:00:00:00:00:bb", "02:00:00:00:00:cc"
NAMES = {A: "left", B: "right"}

STALL = Takeover(100 * S, 110 * S, True, stall_ns=10 * S)
MARKED = Takeover(100 * S, 100 * S, False, looks_from_ns=99 * S)


def seen(*changes: tuple[int, str]) -> list[Neighbour]:
    return [Neighbour(since_ns, ADDRESS, hardware, NAMES.get(hardware, "")) for since_ns, hardware in changes]


def way(takeover: Takeover, *changes: tuple[int, str], until_ns: int = 1000 * S) -> tuple[str | None, str | None, int]:
    """Hardware address before and after one takeover, and the number of moves."""
    (found,) = directions([takeover], seen(*changes), MERGE_NS, until_ns)
    assert found is not None
    before, after = (end and end.hardware_address for end in (found.before, found.after))
    assert found.moved is (True if found.moves else None if before is None or after is None else False)
    return before, after, found.moves


class TestOneTakeover:
    def test_where_nothing_was_watched_nothing_is_told(self) -> None:
        assert directions([STALL, MARKED], [], MERGE_NS, 1000 * S) == [None, None]

    def test_a_move_in_the_stall(self) -> None:
        assert way(STALL, (S, A), (105 * S, B)) == (A, B, 1)

    def test_a_move_through_a_stretch_without_a_hardware_address(self) -> None:
        assert way(STALL, (S, A), (103 * S, ""), (109 * S, B)) == (A, B, 1)
        assert way(STALL, (S, A), (90 * S, ""), (109 * S, B)) == (A, B, 1)

    def test_none_if_the_address_stays(self) -> None:
        assert way(STALL, (S, A)) == (A, A, 0)
        assert way(STALL, (S, A), (103 * S, ""), (104 * S, A)) == (A, A, 0)

    @pytest.mark.parametrize(("at_ns", "belongs"), [
        (100 * S - NOTICED_BEFORE_NS, False), (100 * S - NOTICED_BEFORE_NS + 1, True),
        (110 * S + MERGE_NS, True), (110 * S + MERGE_NS + 1, False),
    ])  # fmt: skip
    def test_a_change_counts_from_a_moment_before_the_stall_to_the_merge_time_after_it(
        self, at_ns: int, belongs: bool
    ) -> None:
        before, after, moves = way(STALL, (S, A), (at_ns, B))
        assert (moves, before != after) == ((1, True) if belongs else (0, False))
        assert B in (before, after) or at_ns > 110 * S

    @pytest.mark.parametrize(("at_ns", "belongs"), [
        (99 * S, False), (99 * S + 1, True), (100 * S + MERGE_NS, True), (100 * S + MERGE_NS + 1, False),
    ])  # fmt: skip
    def test_of_an_attested_one_from_the_press_of_the_mark(self, at_ns: int, belongs: bool) -> None:
        assert way(MARKED, (S, A), (at_ns, B))[2] == belongs

    def test_without_a_merge_time_there_is_still_time_to_notice(self) -> None:
        for at_ns, moves in ((110 * S + NOTICED_AFTER_NS, 1), (110 * S + NOTICED_AFTER_NS + 1, 0)):
            (found,) = directions([STALL], seen((S, A), (at_ns, B)), 0, 1000 * S)
            assert found is not None
            assert found.moves == moves

    def test_there_and_back_is_not_called_staying(self) -> None:
        assert way(STALL, (S, A), (103 * S, B), (112 * S, A)) == (A, A, 2)
        assert way(STALL, (S, A), (103 * S, B), (104 * S, C)) == (A, C, 2)

    def test_another_port_of_the_same_controller_is_no_move(self) -> None:
        neighbours = [Neighbour(S, ADDRESS, A, "left"), Neighbour(105 * S, ADDRESS, C, "left")]
        (found,) = directions([STALL], neighbours, MERGE_NS, 1000 * S)
        assert found == Direction(ADDRESS, neighbours[0], neighbours[1], 0)
        assert found.moved is False


class TestWhatIsNotKnown:
    def test_nothing_at_all(self) -> None:
        assert way(STALL, (S, "")) == (None, None, 0)

    def test_before(self) -> None:
        assert way(STALL, (105 * S, B)) == (None, B, 0)
        assert way(STALL, (S, ""), (105 * S, B), (106 * S, C)) == (None, C, 1)

    def test_what_was_first_seen_as_the_lanes_began_to_wait_counts_as_before(self) -> None:
        assert way(STALL, (100 * S - 1, A), (105 * S, B)) == (A, B, 1)
        assert way(STALL, (100 * S, A)) == (A, A, 0)
        assert way(STALL, (100 * S + 1, A)) == (None, A, 0)
        assert way(STALL, (100 * S - 2, A), (100 * S - 1, B)) == (A, B, 1)

    def test_after_if_nothing_answers_any_more(self) -> None:
        assert way(STALL, (S, A), (105 * S, "")) == (A, None, 0)
        assert way(STALL, (S, A), (105 * S, ""), (106 * S, A), (115 * S, "")) == (A, None, 0)

    def test_after_if_the_run_ended_in_the_stall(self) -> None:
        """Stopped at 105 s, the lanes' waits closed at 110 s: the table still showed the controller that was lost."""
        assert way(STALL, (S, A), until_ns=105 * S) == (A, None, 0)
        assert way(replace(STALL, never_ended=True), (S, A), until_ns=105 * S) == (A, None, 0)
        assert way(STALL, (S, A), (104 * S, B), until_ns=105 * S) == (A, B, 1)

    @pytest.mark.parametrize(("takeover", "end_ns"), [(STALL, 110 * S), (MARKED, 100 * S)])
    def test_after_if_the_run_ended_before_a_move_would_have_been_noticed(
        self, takeover: Takeover, end_ns: int
    ) -> None:
        assert way(takeover, (S, A), until_ns=end_ns + NOTICED_AFTER_NS - 1) == (A, None, 0)
        assert way(takeover, (S, A), until_ns=end_ns + NOTICED_AFTER_NS) == (A, A, 0)

    def test_what_was_seen_to_move_is_known_although_it_fell_silent(self) -> None:
        assert way(STALL, (S, A), (105 * S, B), (110 * S, "")) == (A, B, 1)


class TestSeveralTakeovers:
    def told(
        self, found: Sequence[Takeover], *changes: tuple[int, str], until_ns: int = 1000 * S
    ) -> list[tuple[str | None, str | None, int]]:
        out = []
        for direction in directions(found, seen(*changes), MERGE_NS, until_ns):
            assert direction is not None
            ends = [end and end.hardware_address for end in (direction.before, direction.after)]
            out.append((ends[0], ends[1], direction.moves))
        return out

    def test_there_in_the_first_and_back_in_the_second(self) -> None:
        back = Takeover(200 * S, 210 * S, True)
        assert self.told([STALL, back], (S, A), (105 * S, B), (205 * S, A)) == [(A, B, 1), (B, A, 1)]

    def test_a_move_in_the_second_of_three_is_told_of_it_alone(self) -> None:
        second, third = Takeover(200 * S, 210 * S, True), Takeover(300 * S, 310 * S, True)
        told = self.told([STALL, second, third], (S, A), (205 * S, B))
        assert told == [(A, A, 0), (A, B, 1), (B, B, 0)]

    def test_a_move_between_two_that_are_close_belongs_to_the_first_until_just_before_the_second(self) -> None:
        second = Takeover(111 * S, 120 * S, True)
        edge = 111 * S - NOTICED_BEFORE_NS
        assert self.told([STALL, second], (S, A), (edge, B)) == [(A, B, 1), (B, B, 0)]
        assert self.told([STALL, second], (S, A), (edge + 1, B)) == [(A, A, 0), (A, B, 1)]

    def test_whatever_comes_later(self) -> None:
        second, third = Takeover(111 * S, 120 * S, True), Takeover(300 * S, 310 * S, True)
        assert self.told([STALL, second, third], (S, A), (112 * S, B)) == [(A, A, 0), (A, B, 1), (B, B, 0)]

    @pytest.mark.parametrize(("until_ns", "known"), [
        (110 * S + S // 4 - 1, 0), (110 * S + S // 4, 1), (121 * S - 1, 1), (121 * S, 2), (311 * S - 1, 2),
        (311 * S, 3),
    ])  # fmt: skip
    def test_each_is_known_to_have_changed_nothing_only_if_its_own_end_was_watched(
        self, until_ns: int, known: int
    ) -> None:
        """Of the first that is the moment just before the second, half a second after it."""
        second = Takeover(110 * S + S // 2, 120 * S, True)
        found = [STALL, second, Takeover(300 * S, 310 * S, True)]
        ends = [after for _, after, _ in self.told(found, (S, A), until_ns=until_ns)]
        assert ends == [A] * known + [None] * (3 - known)

    def test_a_move_in_the_first_is_not_taken_from_it_by_a_second_right_after(self) -> None:
        second = Takeover(110 * S + 1, 120 * S, True)
        assert self.told([STALL, second], (S, A), (110 * S - 1, B)) == [(A, B, 1), (B, B, 0)]

    def test_moves_at_neighbouring_looks_belong_each_to_its_own_mark(self) -> None:
        """Seen at one look and gone at the next: the second mark is dated to the moment that the first change bears."""
        look = [100 * S + i * S // 20 for i in range(4)]
        first, second = (Takeover(look[i] + 9, look[i] + 9, False, looks_from_ns=look[i - 1]) for i in (1, 2))
        assert self.told([first, second], (S, A), (look[1], B), (look[2], A)) == [(A, B, 1), (B, A, 1)]

    @settings(max_examples=400, database=None)
    @given(
        starts=st.lists(st.tuples(st.integers(0, 60), st.integers(0, 8), st.booleans()), max_size=6),
        changes=st.lists(st.tuples(st.integers(0, 80), st.sampled_from((A, B, C, ""))), min_size=1, max_size=12),
        until=st.integers(0, 90),
        merge=st.integers(0, 9),
    )
    @example([(5, 0, False), (5, 0, True)], [(5, A), (5, B)], 9, 0)
    def test_every_move_is_told_of_one_takeover_at_most_and_ends_fit_together(
        self, starts: list[tuple[int, int, bool]], changes: list[tuple[int, str]], until: int, merge: int
    ) -> None:
        found = [
            Takeover(at * S, (at + length * stall) * S, stall, looks_from_ns=max(at - (not stall), 0) * S)
            for at, length, stall in sorted(starts)
        ]
        neighbours = seen(*sorted((at * S, hardware) for at, hardware in changes))
        told = directions(found, neighbours, merge * S, until * S)
        known = [n for n in neighbours if n.hardware_address]
        assert len(told) == len(found)
        moves = sum(one.hardware_address != two.hardware_address for one, two in pairwise(known))
        assert sum(direction.moves for direction in told if direction is not None) <= moves
        for takeover, direction in zip(found, told, strict=True):
            assert direction is not None
            for end in (direction.before, direction.after):
                assert end is None or end in known
            if direction.before and direction.after:
                assert direction.before.since_ns <= direction.after.since_ns
                assert direction.moves or direction.before.hardware_address == direction.after.hardware_address
            if direction.moved is False and len(found) == 1:
                assert takeover.end_ns + NOTICED_AFTER_NS <= until * S


class TestMarksOfTheWatch:
    """Times in units of 0.1 s, as in the tests of takeovers: threshold 10, merge rule 50."""

    BUSY = ([(20, 22)], [(20, 22)])
    STALLED = ([(120, 150)], [(120, 150)])

    def watched(self, pressed: int, accepted: int | None = None) -> Mark:
        return replace(mark(pressed, accepted, text=f"moved at {pressed}"), watched=True)

    def test_alone_it_attests_a_takeover(self) -> None:
        (found,) = takeovers(self.BUSY, marks=[self.watched(30, 31)])
        assert (found.observed, found.start_ns, found.end_ns, found.looks_from_ns) == (False, ns(31), ns(31), ns(30))

    @pytest.mark.parametrize(("pressed", "count"), [(100, 2), (101, 1), (200, 1), (251, 1), (252, 2)])
    def test_an_operators_mark_from_ten_seconds_before_to_the_merge_time_after_is_of_the_same_takeover(
        self, pressed: int, count: int
    ) -> None:
        found = takeovers(self.BUSY, marks=[self.watched(200, 201), mark(pressed)], stop=290)
        assert len(found) == count
        if count == 1:
            assert spans(found) == [(201, 201, 0)]
            assert found[0].marks == ["moved at 200", "pulled"]

    def test_it_belongs_to_an_observed_takeover_like_any_mark(self) -> None:
        (found,) = takeovers(self.STALLED, marks=[self.watched(149, 151), mark(118)])
        assert found.observed
        assert found.marks == ["moved at 149", "pulled"]

    @pytest.mark.parametrize(("pressed", "accepted", "marks"), [
        (60, 69, [(False, 1), (True, 0)]), (60, 70, [(True, 1)]), (200, 201, [(True, 1)]),
        (201, 201, [(True, 0), (False, 1)]),
    ])  # fmt: skip
    def test_it_belongs_to_one_no_further_away_than_the_merge_time(
        self, pressed: int, accepted: int, marks: list[tuple[bool, int]]
    ) -> None:
        """The watch sees a move as it happens: ten seconds before, as for an operator's mark, would be too long."""
        found = takeovers(self.STALLED, marks=[self.watched(pressed, accepted)])
        assert [(t.observed, len(t.marks)) for t in found] == marks

    @pytest.mark.parametrize(("second", "expected"), [
        (31, [(31, 31, 0)]), (81, [(31, 81, 0)]), (82, [(31, 31, 0), (82, 82, 0)]),
    ])  # fmt: skip
    def test_moves_within_the_merge_time_are_one_takeover(self, second: int, expected: list[Any]) -> None:
        assert spans(takeovers(self.BUSY, marks=[self.watched(30, 31), self.watched(second - 1, second)])) == expected

    def test_hundreds_of_moves_leave_a_few_marks(self) -> None:
        marks = [self.watched(at, at) for at in range(30, 230)]
        (found,) = takeovers(self.BUSY, marks=[*marks, mark(60)])
        assert spans([found]) == [(30, 229, 0)]
        assert len(found.marks) == WATCHED_MARKS_MAX + 1

    def test_one_after_the_stop_counts_for_nothing(self) -> None:
        assert takeovers(self.BUSY, stop=100, marks=[self.watched(99, 101)]) == []


class TestTheLedger:
    def event(self, **changed: Any) -> dict[str, Any]:
        return {
            "event": "neighbour", "monotonic_ns": ns(20), "address": ADDRESS, "hardware_address": A, "name": "left",
            **changed,
        }  # fmt: skip

    def fed(self, *events: dict[str, Any], part: int = 0) -> Timeline:
        timeline = Timeline(make_run([(1, 2, 1)]))
        for event in events:
            timeline.feed(part, event)
        return timeline

    def test_events_become_neighbours(self) -> None:
        timeline = self.fed(self.event(), self.event(hardware_address="", name=""))
        assert timeline.neighbours == [Neighbour(ns(20), ADDRESS, A, "left"), Neighbour(ns(20), ADDRESS, "", "")]
        assert not timeline.contradictions

    @pytest.mark.parametrize("changed", [
        {"monotonic_ns": -1}, {"monotonic_ns": "noon"}, {"monotonic_ns": 2**63}, {"monotonic_ns": None},
        {"monotonic_ns": ns(19)}, {"monotonic_ns": 1.5}, {"monotonic_ns": True},
    ])  # fmt: skip
    def test_a_time_that_is_none_or_goes_back_is_a_contradiction(self, changed: dict[str, Any]) -> None:
        timeline = self.fed(self.event(), self.event(**changed))
        assert timeline.contradictions == {0: "an event of kind 'neighbour' lacks or misstates a field"}

    @pytest.mark.parametrize("name", ["monotonic_ns", "address", "hardware_address", "name"])
    def test_so_is_one_that_lacks_a_field(self, name: str) -> None:
        event = self.event()
        del event[name]
        assert list(self.fed(event).contradictions) == [0]

    def test_only_the_supervisor_tells_of_neighbours(self) -> None:
        assert self.fed(self.event(), part=1).neighbours == []

    def test_long_and_odd_values_are_cut(self) -> None:
        (found,) = self.fed(self.event(address="x" * 10**6, hardware_address=[1] * 10**5, name={"a": None})).neighbours
        assert max(map(len, (found.address, found.hardware_address, found.name))) <= 100

    def test_the_watch_lasts_to_the_stop_or_to_the_last_heartbeat(self) -> None:
        for stop, open_parts, until in ((250, [], 250), (None, [0], 300)):
            story = make_story([[(20, 22)]], stop=stop, open_parts=open_parts)
            timeline = Timeline(story.run)
            for part, item in ledger_of(story, Renderer(story.run), random.Random(0)):
                timeline.feed(part, item)
            assert timeline.watched_until_ns == ns(until)
        assert Timeline(story.run).watched_until_ns == -1

    def test_a_whole_judgement_gives_every_takeover_its_direction(self) -> None:
        story = self.story()
        items = ledger_of(story, Renderer(story.run), random.Random(0))
        plain = judge_items(story, items).judgement
        assert plain.directions == [None]
        at = next(i for i, (part, item) in enumerate(items) if part == 0 and isinstance(item, dict)) + 1
        told = [(0, self.event(monotonic_ns=ns(1))), (0, self.event(monotonic_ns=ns(30), hardware_address=B, name=""))]
        (direction,) = judge_items(story, items[:at] + told + items[at:]).judgement.directions
        assert direction is not None
        assert (direction.address, direction.moved) == (ADDRESS, True)
        (direction,) = judge_items(story, items[:at] + told[:1] + items[at:]).judgement.directions
        assert direction is not None
        assert (direction.address, direction.moved) == (ADDRESS, False)

    def story(self) -> Story:
        run = make_run([(1, 2, 1)], read_share=0.0)
        log = LaneLog([Op("write", 0, 5, 6), Op("write", 1, 20, 40)], Op("end", 2, 100, 100))
        beats = {part: list(range(101)) for part in (0, 1)}
        looks: list[Any] = [[((("old",),), (("old",),))] * 2]
        return Story(run, 0, [log], beats, [], 99, 100, set(), looks, False, doer(run))


LEFT, RIGHT, BARE = Neighbour(S, ADDRESS, A, "left"), Neighbour(S, ADDRESS, B, "right"), Neighbour(S, ADDRESS, C, "")
MOVED, STAYED = Direction(ADDRESS, LEFT, RIGHT, 1), Direction(ADDRESS, LEFT, LEFT, 0)
UNKNOWN, THERE_AND_BACK = Direction(ADDRESS, LEFT, None, 0), Direction(ADDRESS, LEFT, LEFT, 2)
STAYED_BARE = Direction(ADDRESS, BARE, BARE, 0)
BY_MARK_ALONE = "that a controller really changed: an attested takeover rests on an operator's mark alone"

BY_ADDRESS_ALONE = (
    "that a controller really changed in takeover 1: attested, it rests on what was seen behind 192.0.2.9 and on marks "
    "alone, for the load did not stand still"
)


class TestVerdict:
    @pytest.mark.parametrize(("way", "observed", "limits"), [
        (MOVED, False, [BY_ADDRESS_ALONE]), (THERE_AND_BACK, False, [BY_ADDRESS_ALONE]),
        (MOVED, True, []), (UNKNOWN, True, []), (None, True, []),
        (UNKNOWN, False, [BY_MARK_ALONE]), (None, False, [BY_MARK_ALONE]),
        (STAYED, True, ["that a controller changed in takeover 1: 192.0.2.9 stayed with left"]),
        (STAYED, False, [BY_MARK_ALONE, "that a controller changed in takeover 1: 192.0.2.9 stayed with left"]),
        (STAYED_BARE, True, [f"that a controller changed in takeover 1: 192.0.2.9 stayed with {C}"]),
    ])  # fmt: skip
    def test_says_of_the_change_of_controllers_what_was_not_seen(
        self, way: Direction | None, observed: bool, limits: list[str]
    ) -> None:
        verdict = conclude(replace(SOUND, around=[around(observed)], directions=[way]))
        assert [limit for limit in verdict.not_proved if "controller " in limit] == limits
        assert verdict.verdict == "PASS"

    @pytest.mark.parametrize(("way", "gap_ns", "before"), [
        (None, S, ""), (None, S + 1, "1,000.0 ms before the mark was taken into the run and lanes were told"),
        (UNKNOWN, 3000 * S, "3,000,000.0 ms before the mark was taken into the run and lanes were told"),
        (MOVED, 0, ""), (MOVED, 1, "0.0 ms before the address was seen to have moved"),
        (MOVED, S // 10, "100.0 ms before the address was seen to have moved"),
    ])  # fmt: skip
    def test_says_for_how_long_lanes_were_not_told(self, way: Direction | None, gap_ns: int, before: str) -> None:
        attested = around(observed=False)
        attested.takeover.start_ns = attested.takeover.looks_from_ns + gap_ns
        verdict = conclude(replace(SOUND, around=[around(), attested], directions=[None, way]))
        limits = [limit for limit in verdict.not_proved if "overwritten unexamined" in limit]
        expected = f"that no lost write was overwritten unexamined in the {before} in takeover 2"
        assert limits == ([expected] if before else [])

    def test_one_attested_takeover_among_several_without_a_move_is_enough_to_say_so(self) -> None:
        both = [around(observed=False), around(observed=False)]
        for ways, said in (([MOVED, UNKNOWN], True), ([MOVED, MOVED], False), ([], True)):
            verdict = conclude(replace(SOUND, around=both, directions=ways))
            assert (BY_MARK_ALONE in verdict.not_proved) == said

    @pytest.mark.parametrize("ways", [[MOVED], [MOVED, MOVED, MOVED]])
    def test_no_takeover_is_told_the_direction_of_another(self, ways: list[Direction]) -> None:
        with pytest.raises(ValueError, match="argument 2"):
            conclude(replace(SOUND, around=[around(), around()], directions=ways))


class Facts:
    """As much of the facts as the path needs."""

    def time_text(self, monotonic_ns: int) -> str:
        return f"{monotonic_ns} ns"


def told(way: Direction, **changed: Any) -> str:
    facts: Any = Facts()
    return shown(takeovers=[{**TAKEOVER, "path": _path(facts, way), **changed}])


class TestWords:
    def test_json_holds_both_ends_and_the_moves(self) -> None:
        facts: Any = Facts()
        left = {"controller": "left", "hardware_address": A, "since": "1000000000 ns"}
        right = {"controller": "right", "hardware_address": B, "since": "1000000000 ns"}
        assert _path(facts, MOVED) == {"address": ADDRESS, "moved": True, "moves": 1, "before": left, "after": right}
        assert _path(facts, UNKNOWN) == {"address": ADDRESS, "moved": None, "moves": 0, "before": left, "after": None}

    @pytest.mark.parametrize(("way", "words"), [
        (MOVED, f"192.0.2.9 moved from left ({A}) to right ({B})"),
        (STAYED, f"192.0.2.9 stayed with left ({A})"),
        (THERE_AND_BACK, f"192.0.2.9 moved 2 times: it was with left ({A}) before and left ({A}) after"),
        (UNKNOWN, f"192.0.2.9 was with left ({A}) before and an unknown controller after"),
        (Direction(ADDRESS, None, BARE, 0), f"192.0.2.9 was with an unknown controller before and {C} after"),
        (Direction(ADDRESS, None, BARE, 1), f"192.0.2.9 moved from an unknown controller to {C}"),
    ])  # fmt: skip
    def test_the_summary_says_it(self, way: Direction, words: str) -> None:
        assert words in " ".join(told(way).split())

    def test_the_mark_of_the_watch_is_not_said_twice_and_the_operators_is_said(self) -> None:
        text = " ".join(told(MOVED, marks=[f"{ADDRESS} moved from left ({A}) to right ({B})", "pulled"]).split())
        assert text.count("moved from") == 1
        assert 'mark "pulled"' in text

    @settings(max_examples=200, database=None)
    @given(st.lists(st.text(max_size=120), min_size=6, max_size=6), st.booleans(), st.integers(0, 2))
    @example(["\x1b]0;x\x07", "\x9b2J", "\u202eleft", "\x1b[31m", "\r", "\ud800"], False, 0)
    def test_a_crafted_ledger_cannot_touch_the_terminal(self, texts: list[str], observed: bool, moves: int) -> None:
        before = Neighbour(S, texts[0], texts[1], texts[2])
        after = Neighbour(S, texts[0], texts[3], texts[4])
        way = Direction(texts[0], before, before if not moves else after, moves)
        verdict = conclude(replace(SOUND, around=[around(observed)], directions=[way], page_cache=texts[5]))
        text = told(way, marks=[texts[0] + " moved from x", texts[5]])
        text += "\n" + shown(reasons=verdict.reasons, not_proved=verdict.not_proved)
        assert all(line.isprintable() for line in text.split("\n"))
        assert len(text.split("\n")) < 80
