"""How observations are batched, and what is worked out for each of them beside its finding."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.judge.checking import check
from tests.judge.plain_runs import CLOSE, OLD, log_of, story_of, sweep, whole
from tests.judge.stories import LaneLog, Mark, NoSpecimens, Op, Renderer, Story, StoryVolume, ledger_of, make_run, ns
from verify.drill.scan import Scanner
from verify.judge import assess
from verify.judge.arrays import int64
from verify.judge.assess import Assessor, Batch, OrderFacts, bulk_intact
from verify.judge.content import Content, Seen
from verify.judge.decision import Finding, Source
from verify.judge.history import History
from verify.judge.judgement import Judgement
from verify.judge.observations import Observations, row_of
from verify.judge.order import OPEN_NS
from verify.load.run import Run
from verify.load.schedule import Flush, Pattern


def judgement_of(story: Story) -> Judgement:
    items = ledger_of(story, Renderer(story.run), random.Random(0))
    return Judgement(story.run, lambda: items)


def sweep_of(*shapes: tuple[int, int, int]) -> Run:
    """As `sweep`, of streams with the given (lanes, slots, sectors in a block)."""
    return make_run(shapes, pattern=Pattern.SWEEP, read_share=0.0, fill=False)


def look_of(slot: int, oldest: int, source: Source = Source.CHECK, expected: int = -1) -> Any:
    row = row_of(slot, source, Seen(Content.WHOLE if oldest >= 0 else Content.BLANK, oldest, oldest))
    row["expected"] = expected
    return row


def batches_of(story: Story, *rows: Any) -> list[Batch]:
    judgement, observations = judgement_of(story), Observations()
    for row in rows:
        observations.add_rows(row)
    return list(Assessor(judgement.state, judgement.takeovers).batches(observations))


class TestBatches:
    """Twelve slots, each written twice: slot s by write s and write 12 + s."""

    RUN = sweep(slots=12)
    STORY = story_of(RUN, [log_of(24)], [whole(s, 12 + s) for s in range(12)])

    def batches(self, *slots: int) -> list[list[int]]:
        return [batch.slots.tolist() for batch in batches_of(self.STORY, *(look_of(s, s) for s in slots))]

    @pytest.mark.parametrize(("writes", "expected"), [
        (1, [[0, 1], [4], [10, 11]]), (5, [[0, 1], [4], [10, 11]]), (6, [[0, 1, 4], [10, 11]]),
        (9, [[0, 1, 4], [10, 11]]), (10, [[0, 1, 4, 10, 11]]),
    ])  # fmt: skip
    def test_windows_are_joined_as_long_as_their_writes_have_room(
        self, monkeypatch: pytest.MonkeyPatch, writes: int, expected: list[list[int]]
    ) -> None:
        """The windows of two slots hold 4, 0, 2, 0, 0 and 4 writes; those without any are passed over."""
        monkeypatch.setattr(assess, "WINDOW_SLOTS", 2)
        monkeypatch.setattr(assess, "BATCH_WRITES_MAX", writes)
        assert self.batches(11, 4, 0, 10, 1) == expected

    def test_no_look_is_no_batch(self) -> None:
        assert self.batches() == []

    def test_of_each_slot_no_write_is_left_out_that_a_look_showed_or_that_was_owed(self) -> None:
        (batch,) = batches_of(
            self.STORY, look_of(0, 0), look_of(1, -1), look_of(2, 20), look_of(3, 7, Source.READ, 3),
            look_of(4, -1, Source.EXAMINATION, 4), look_of(5, -1, Source.READ, -1), look_of(6, -1),
            look_of(6, 6, Source.EXAMINATION, 18),
        )  # fmt: skip
        assert dict(zip(batch.slots.tolist(), batch.lowest.tolist(), strict=True)) == {
            0: 0, 1: 13, 2: 14, 3: 3, 4: 4, 5: 0, 6: 6,
        }  # fmt: skip

    def test_where_an_earlier_check_saw_a_write_in_flight_the_one_below_is_owed_too(self) -> None:
        story = story_of(sweep(slots=2), [log_of(4, in_flight=True)], [whole(0, 4), whole(1, 3)])
        judgement, observations = judgement_of(story), Observations()
        judgement.recall({0: 4})
        for row in (look_of(0, -1), look_of(1, -1)):
            observations.add_rows(row)
        (batch,) = Assessor(judgement.state, []).batches(observations)
        assert batch.lowest.tolist() == [2, 3]

    def test_under_flushed_every_write_may_matter(self) -> None:
        run = sweep(slots=2, promise="flushed", flush=Flush.WRITE)
        story = story_of(run, [log_of(4)], [whole(0, 2), whole(1, 3)])
        (batch,) = batches_of(story, look_of(0, 2), look_of(1, -1))
        assert batch.lowest.tolist() == [0, 0]

    def test_of_lanes_that_write_their_slots_in_turn_the_number_of_writes_is_known(self) -> None:
        """Two streams: one lane with three slots, and two lanes with eight; each slot of the second has two writes."""
        run = sweep_of((1, 3, 1), (2, 8, 1))
        sees = [whole(s, 12 + s) for s in range(3)] + [whole(3 + s, 4 + s // 2) for s in range(8)]
        story = story_of(run, [log_of(15), log_of(8), log_of(8)], sees)
        judgement, observations = judgement_of(story), Observations()
        for slot in range(11):
            observations.add_rows(look_of(slot, slot if slot < 3 else (slot - 3) // 2))
        (batch,) = Assessor(judgement.state, []).batches(observations)
        history = History(judgement.state, batch.slots, batch.lowest, [], None)
        for part, item in ledger_of(story, Renderer(run), random.Random(0)):
            history.feed(part, item)
        history.finish()
        assert batch.writes == len(history.key) == 3 * 5 + 8 * 2

    def test_so_it_is_of_lanes_with_one_slot_each_and_of_slots_that_show_all_they_were_owed(self) -> None:
        """Three lanes that wrote their slots twice; of each the newest write is all that matters."""
        story = story_of(sweep(lanes=3, slots=3), [log_of(2)] * 3, [whole(s, 1) for s in range(3)])
        (batch,) = batches_of(story, *(look_of(slot, 1) for slot in range(3)))
        assert batch.writes == 3

    def test_a_batch_is_judged_in_windows(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(assess, "WINDOW_SLOTS", 2)
        slots = np.array([3, 4, 9, 10, 17])
        assert list(Batch(slots, slots, 5).windows()) == [(3, 4), (9, 10), (17, 17)]


class TestWhatIsToldOfALook:
    def told(self, story: Story, found_beyond: dict[int, int] | None = None) -> dict[int, tuple[int, ...]]:
        """By slot: finding, floor, when that was issued and acknowledged (-1 for unknown), and how many were lost."""
        judgement = judgement_of(story)
        volume = StoryVolume(story.run, Renderer(story.run), story.checks[0])
        specimens: Any = NoSpecimens()
        scan = Scanner(judgement.state, volume, judgement.observations, specimens, lambda count: None).scan(False)
        out = {}
        for judged in judgement.judge({}, scan.found_beyond):
            columns = (judged.finding, judged.floor, judged.floor_issued_ns, judged.floor_done_ns, judged.lost_writes)
            for slot, *values in zip(judged.rows["slot"].tolist(), *(c.tolist() for c in columns), strict=True):
                out[slot] = tuple(values)
        return out

    def test_the_floor_with_its_times(self) -> None:
        """Write n is issued at 10 + 2n and acknowledged one later."""
        sees = [whole(0, 0), (("zero",),), whole(1, 7), whole(3, 7)]
        assert self.told(story_of(sweep(slots=4), [log_of(12)], sees)) == {
            0: (Finding.LOST, 8, ns(26), ns(27), 2), 1: (Finding.BLANK, 9, ns(28), ns(29), 1),
            2: (Finding.MISPLACED, 10, ns(30), ns(31), 1), 3: (Finding.LOST, 11, ns(32), ns(33), 1),
        }  # fmt: skip

    def test_where_nothing_is_owed_there_are_no_times(self) -> None:
        told = self.told(story_of(sweep(slots=3), [log_of(1)], [whole(0, 0), whole(0, 0), OLD]))
        assert told == {1: (Finding.MISPLACED, -1, -1, -1, 0)}

    def test_nor_of_what_only_the_volume_proves(self) -> None:
        """Operation 5 (slot 2) is there, so 3 and 4 were acknowledged, at moments that nobody knows."""
        story = story_of(
            sweep(slots=3), [log_of(3, is_open=True)], [whole(0, 0), whole(1, 4), whole(2, 5)], open_parts={0, 1}
        )
        told = self.told(story)
        assert told[0] == (Finding.LOST, 3, -1, -1, 1)

    def test_what_an_examination_saw_is_held_to_what_was_so_then(self) -> None:
        """It looked before operation 4 of its lane: write 2 was owed, and no later one could be there."""
        for seen, finding in ((whole(0, 0), Finding.LOST), (whole(0, 4), Finding.UNISSUED)):
            ops = [*log_of(4).ops, Op("exam", 4, 30, 31, seen), Op("write", 4, 32, 33), Op("write", 5, 34, 35)]
            for closing, open_parts in ((Op("end", 6, CLOSE, CLOSE), set()), (None, {0, 1})):
                sees = [whole(0, 4), whole(1, 5)]
                told = self.told(story_of(sweep(slots=2), [LaneLog(ops, closing)], sees, open_parts=open_parts))
                assert told == {0: (finding, 2, ns(14), ns(15), 1)}


class TestTotals:
    def test_bytes_are_those_of_the_slots_that_lost(self) -> None:
        """Slots of 512 bytes and of 2048; one of each lost two writes, one of the second lost none but is blank."""
        run = sweep_of((1, 2, 1), (1, 2, 4))
        sees = [whole(0, 0), whole(1, 5), whole(2, 0, 4), whole(3, 5, 4)]
        totals = check(story_of(run, [log_of(6), log_of(6)], sees)).totals
        assert (totals.lost_slots, totals.lost_writes, totals.lost_bytes) == (2, 4, 512 + 2048)

    def test_slots_are_counted_over_all_batches(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(assess, "WINDOW_SLOTS", 1)
        totals = check(story_of(sweep(slots=3), [log_of(3)], [(("zero",),), whole(1, 1), (("zero",),)])).totals
        assert totals.slots_by_finding[[Finding.INTACT, Finding.BLANK, Finding.LOST]].tolist() == [0, 2, 0]
        assert (totals.lost_slots, totals.lost_writes, totals.lost_bytes) == (2, 2, 1024)

    def test_a_loss_in_a_later_batch_may_be_the_earlier(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Write n is acknowledged at 11 + 2n: slot 0 lost 4; slot 1 lost its newest, 5, or 3 too."""
        monkeypatch.setattr(assess, "WINDOW_SLOTS", 1)
        monkeypatch.setattr(assess, "BATCH_WRITES_MAX", 1)
        totals = check(story_of(sweep(slots=2), [log_of(6)], [whole(0, 2), (("zero",),)])).totals
        assert (totals.lost_first_done_ns, totals.lost_last_done_ns) == (ns(19), ns(21))
        totals = check(story_of(sweep(slots=2), [log_of(6)], [whole(0, 2), whole(1, 1)])).totals
        assert (totals.lost_first_done_ns, totals.lost_last_done_ns) == (ns(17), ns(21))

    def test_without_a_loss_there_are_no_moments_of_one(self) -> None:
        totals = check(story_of(sweep(slots=2), [log_of(2)], [whole(0, 0), whole(1, 1)])).totals
        assert (totals.lost_first_done_ns, totals.lost_last_done_ns, totals.lost_bytes) == (-1, -1, 0)


class TestWritesInFlightOfSeveralLanes:
    def test_each_may_be_on_its_own_slot_and_no_other(self) -> None:
        """Four lanes of a slot each, all but lane 2 in a second write when the ledger was closed."""
        logs = [log_of(1, in_flight=lane != 2) for lane in range(4)]
        sees = [whole(s, 1) for s in range(4)]
        checked = check(story_of(sweep(lanes=4, slots=4), logs, sees))
        assert checked.judgement.state.in_flight == {0: 1, 1: 1, 3: 1}
        assert checked.convicted_slots() == {2}
        assert checked.finding_of_check(2) is Finding.UNISSUED


class TestWhichLanesMayHaveGoneOn:
    """A stream of one lane, then one of three lanes in files of their own, of which only lane 1's was cut."""

    def test_a_write_beyond_the_ledger_is_possible_on_their_slots_alone(self) -> None:
        run = replace(sweep_of((1, 1, 1), (3, 3, 1)), lane_workers=(1, 2, 3, 4))
        logs = [log_of(1, is_open=lane == 1) for lane in range(4)]
        sees = [whole(0, 0), *(whole(slot, 1) for slot in (1, 2, 3))]
        checked = check(story_of(run, logs, sees, open_parts={2}))
        assert [checked.finding_of_check(slot) for slot in range(4)] == [
            Finding.INTACT, Finding.INTACT, Finding.UNISSUED, Finding.UNISSUED,
        ]  # fmt: skip


class TestLateReplayOfSeveralTakeovers:
    @pytest.mark.parametrize(("marks", "late"), [((11, 40), True), ((40, 11), True), ((30, 40), False)])
    def test_it_is_enough_to_have_been_in_flight_at_one(self, marks: tuple[int, int], late: bool) -> None:
        ops = [Op("write", 0, 10, 12), Op("write", 1, 14, 15)]
        story = story_of(
            sweep(slots=1), [LaneLog(ops, Op("end", 2, CLOSE, CLOSE))], [whole(0, 0)],
            marks=tuple(Mark(at, at, True, "pulled") for at in marks),
        )  # fmt: skip
        (look,) = check(story).looks
        assert (look.finding, look.late_replay) == (Finding.LOST, late)

    def test_only_of_an_older_write_that_is_whole_it_is_told(self) -> None:
        """Write 1, in flight at the takeover, stands torn over write 0: no replay of an older one."""
        ops = [Op("write", 0, 10, 12), Op("write", 1, 14, 15)]
        story = story_of(
            sweep(slots=1, sectors=2), [LaneLog(ops, Op("end", 2, CLOSE, CLOSE))], [(("write", 0, 1), ("write", 0, 0))],
            marks=(Mark(14, 14, True, "pulled"),),
        )  # fmt: skip
        (look,) = check(story).looks
        assert (look.finding, look.late_replay) == (Finding.TORN, False)


class TestWhatAnOrderIsMadeOf:
    """Two slots, written in turn; the first takeover comes at 40, when all of writes 0 to 7 are done (by 25)."""

    def order(self, ops: list[Op], sees: list[Any], *at: int, slots: int = 2, closing: Op | None = None) -> Any:
        closing = closing or Op("end", ops[-1].n + 1, CLOSE, CLOSE)
        marks = tuple(Mark(moment, moment, True, "pulled") for moment in at)
        found = check(story_of(sweep(slots=slots), [LaneLog(ops, closing)], sees, marks=marks)).judgement.order(0)
        assert found is not None
        return found

    def test_of_two_looks_after_a_takeover_the_first_counts(self) -> None:
        """Slot 0 was looked at twice before operation 8: it showed write 4, then write 0."""
        looks = [Op("exam", 8, 50, 51, whole(0, 4)), Op("exam", 8, 52, 53, whole(0, 0)), Op("write", 8, 54, 55)]
        found = self.order([*log_of(8).ops, *looks], [whole(0, 8), whole(1, 7)], 40)
        assert (found.order.slots, found.left_out, found.order.overtaken) == (2, 0, 1)
        assert (found.order.witness.lost_sequence, found.order.witness.surviving_sequence) == (6, 7)

    def test_what_was_lost_later_and_is_older_than_the_survivor_was_not_lost_then(self) -> None:
        """After the first takeover slot 0 showed write 4 and so had lost 6; after the second it shows write 0."""
        later = [Op("exam", 8, 50, 51, whole(0, 4)), Op("write", 8, 52, 53)]
        found = self.order([*log_of(8).ops, *later], [whole(0, 0), whole(1, 7)], 40, 80)
        assert (found.order.slots, found.order.overtaken) == (2, 1)

    @pytest.mark.parametrize("shown", [OLD, whole(1, 1)])
    def test_a_slot_without_an_acknowledged_write_before_has_no_part_in_it(self, shown: Any) -> None:
        """Write 2 was in flight at the takeover, its slot shows what is not of it; slot 0 lost all that it had."""
        ops, in_flight = log_of(2).ops, Op("in flight", 2, 30, CLOSE)
        found = self.order(ops, [OLD, whole(1, 1), shown], 40, slots=3, closing=in_flight)
        assert (found.order.slots, found.left_out) == (1, 1)

    @pytest.mark.parametrize(("first", "second", "finding"), [
        (whole(0, 2, 2), whole(0, 0, 2), Finding.UNSTABLE),
        ((("write", 1, 1), ("write", 1, 3)), (("write", 1, 1), ("write", 1, 3)), Finding.TORN),
    ])  # fmt: skip
    def test_a_slot_that_shows_no_write_of_its_own_or_not_one_for_sure_is_left_out(
        self, first: Any, second: Any, finding: Finding
    ) -> None:
        """Slot 0 was read twice by the check; slot 1 lost write 5."""
        story = story_of(
            sweep(slots=2, sectors=2), [log_of(6)], [first, whole(1, 3, 2)], marks=(Mark(40, 40, True, "pulled"),)
        )
        story.twice, story.checks[0][0] = True, (first, second)
        checked = check(story)
        found = checked.judgement.order(0)
        assert found is not None
        assert checked.finding_of_check(0) is finding
        assert (found.order.slots, found.left_out, found.order.one_moment) == (1, 1, True)
        assert (found.order.moment_from_ns, found.order.moment_to_ns) == (ns(16), ns(21))

    def test_what_is_left_out_is_counted_over_all_batches(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(assess, "WINDOW_SLOTS", 1)
        found = self.order(log_of(8).ops, [OLD, whole(1, 1), whole(2, 2), OLD], 40, slots=4)
        assert (found.order.slots, found.left_out) == (2, 2)

    def test_a_write_that_was_done_when_the_takeover_came_tells_of_the_moment(self) -> None:
        """Write 0 was done, and write 1 issued, at that very moment; the slot shows write 0."""
        ops = [Op("write", 0, 10, 12), Op("write", 1, 12, 14)]
        found = self.order(ops, [whole(0, 0)], 12, slots=1)
        assert (found.order.slots, found.left_out) == (1, 0)
        assert (found.order.moment_from_ns, found.order.moment_to_ns) == (ns(10), ns(14))

    def test_a_look_that_shows_what_came_later_is_left_out(self) -> None:
        """Before operation 8 slot 0 showed that very write, which is possible for no one; slot 1 lost write 7."""
        looks = [Op("exam", 8, 50, 51, whole(0, 8)), Op("write", 8, 52, 53)]
        found = self.order([*log_of(8).ops, *looks], [whole(0, 8), whole(1, 5)], 40)
        assert (found.order.slots, found.left_out) == (1, 1)

    def test_of_a_mix_with_its_newest_write_nothing_bounds_the_moment_from_above(self) -> None:
        """Least of all a write of another slot, or the one that it shows."""
        story = story_of(
            sweep(slots=2, sectors=2), [log_of(6)], [(("write", 0, 4), ("write", 0, 2)), whole(1, 3, 2)],
            marks=(Mark(40, 40, True, "pulled"),),
        )  # fmt: skip
        found = check(story).judgement.order(0)
        assert found is not None
        assert (found.order.moment_from_ns, found.order.moment_to_ns) == (ns(18), ns(21))  # slot 1 lost write 5
        story = story_of(
            sweep(slots=1, sectors=2), [log_of(3)], [(("write", 0, 2), ("write", 0, 1))],
            marks=(Mark(40, 40, True, "pulled"),),
        )  # fmt: skip
        found = check(story).judgement.order(0)
        assert found is not None
        assert (found.order.moment_from_ns, found.order.moment_to_ns) == (ns(14), None)

    def test_a_write_issued_after_the_takeover_bounds_no_moment_from_above(self) -> None:
        """Slot 0 then showed a mix of its newest write, 4, and of 2; write 6 came over it later."""
        ops = [*log_of(6).ops, Op("exam", 6, 50, 51, (("write", 0, 4), ("write", 0, 2))), Op("write", 6, 52, 53)]
        story = story_of(
            sweep(slots=2, sectors=2), [LaneLog(ops, Op("end", 7, CLOSE, CLOSE))], [whole(0, 6, 2), whole(1, 5, 2)],
            marks=(Mark(40, 40, True, "pulled"),),
        )  # fmt: skip
        found = check(story).judgement.order(0)
        assert found is not None
        assert (found.order.moment_from_ns, found.order.moment_to_ns, found.order.slots) == (ns(20), None, 2)

    def test_nor_does_one_of_which_nobody_knows_when_it_was_acknowledged(self) -> None:
        """The ledger ends with write 2, done at 15; write 5, on slot 2, proves 3, which slot 0 lost, and 4."""
        story = story_of(
            sweep(slots=3), [log_of(3, is_open=True)], [whole(0, 0), whole(1, 4), whole(2, 5)], open_parts={0, 1},
            marks=(Mark(40, 40, True, "pulled"),),
        )  # fmt: skip
        found = check(story).judgement.order(0)
        assert found is not None
        assert (found.order.one_moment, found.order.moment_to_ns, found.order.overtaken) == (True, None, 0)


class TestSlotsAsExpected:
    """Slot 2 shows write 7, issued at 10, and lost write 9; of the others each shows write 100 + slot."""

    def joined(
        self, monkeypatch: pytest.MonkeyPatch, issued_ns: list[int], acknowledged_ns: int | None
    ) -> tuple[list[tuple[int, ...]], list[int], int]:
        """The rows by slot, the moments of losses, and how many slots were only counted."""
        monkeypatch.setattr(assess, "WINDOW_SLOTS", 2)
        slots = int64(range(len(issued_ns)))
        facts = OrderFacts(slots == 2)
        rows = [] if acknowledged_ns is None else [(2, 7, 10, 9, acknowledged_ns)]
        for part in (rows, []):
            facts.columns.append(tuple(int64(row[column] for row in part) for column in range(5)))
            facts.lost_done_ns.append(int64(row[4] for row in part))
        (*columns, lost), counted = bulk_intact(facts, int64(issued_ns), slots + 100)
        return sorted(zip(*(column.tolist() for column in columns), strict=True)), lost.tolist(), counted

    @pytest.mark.parametrize(("issued_ns", "expected", "counted"), [
        # Issued when write 9 was acknowledged, or before: only the last of them; a write issued later: all of them.
        ([40, 50, 60, 49, -1, 30], [1], 3), ([40, 48, 60, 49, -1, 30], [3], 3), ([50, 50, 60, 50, -1, 30], [0], 3),
        ([40, -1, 60, 51, 70, 52], [0, 3, 4, 5], 0), ([51, 52, 60], [0, 1], 0), ([40, 51, 60, -1, -1, 41], [1, 5], 1),
        ([0, -1, 60], [0], 0), ([0, 0, 60, 0], [0], 2), ([-1, -1, 60, -1], [], 0), ([40, -1, -1, 30], [0], 1),
    ])  # fmt: skip
    def test_of_those_that_no_loss_came_before_the_last_is_enough(
        self, monkeypatch: pytest.MonkeyPatch, issued_ns: list[int], expected: list[int], counted: int
    ) -> None:
        rows = [(2, 7, 10, 9, 50), *((slot, 100 + slot, issued_ns[slot], -1, OPEN_NS) for slot in expected)]
        assert self.joined(monkeypatch, issued_ns, 50) == (sorted(rows), [50], counted)

    def test_where_no_slot_with_a_loss_can_be_read_nothing_bounds_the_moment(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        found = self.joined(monkeypatch, [10, 5000, 60, 20], None)
        assert found == ([(1, 101, 5000, -1, OPEN_NS)], [], 2)
