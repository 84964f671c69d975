"""Proof and recall: what blocks on the volume and earlier checks prove, and how losses are counted and worded."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from tests.judge.checking import Checked, check, judge_items
from tests.judge.plain_runs import CLOSE, OLD, log_of, story_of, sweep, whole
from tests.judge.stories import SEED, TAG, Content, LaneLog, Mark, Op, Renderer, Story, doer, ledger_of, make_run
from verify.blocks.encode import BlockMaker
from verify.judge.content import Content as SeenContent
from verify.judge.content import look
from verify.judge.decision import Finding
from verify.judge.slots import PROOF_OPERATIONS_MAX
from verify.load.schedule import Flush, Pattern


class TestProofFromTheVolume:
    """Operation n found on the volume proves that its lane's operations below n were acknowledged."""

    RUN = sweep(slots=3)

    def found(self, *sees: Content) -> Checked:
        return check(story_of(self.RUN, [log_of(4, is_open=True)], list(sees), open_parts={0, 1}))

    def test_without_a_later_block_only_the_ledger_is_demanded(self) -> None:
        checked = self.found(whole(0, 3), whole(1, 1), whole(2, 2))
        assert checked.convicted_slots() == set()
        assert checked.scan.found_beyond == {}

    def test_a_later_block_demands_everything_before_it(self) -> None:
        """Operation 8 (slot 2) is there, so operations 4 to 7 were acknowledged: slot 1 owes 7, slot 0 owes 6."""
        checked = self.found(whole(0, 3), whole(1, 7), whole(2, 8))
        assert checked.scan.found_beyond == {0: 8}
        assert {look.slot: (look.finding, look.floor, look.lost) for look in checked.looks} == {
            0: (Finding.LOST, 6, 1), 1: (Finding.INTACT, 7, 0), 2: (Finding.INTACT, 5, 0),
        }  # fmt: skip
        assert checked.totals.lost_writes == 1
        assert checked.totals.lost_first_done_ns == -1  # nobody knows when it was acknowledged

    def test_a_torn_block_with_sectors_of_a_later_write_proves_the_same(self) -> None:
        run = sweep(slots=3, sectors=2)
        torn: Content = (("write", 2, 8), ("write", 2, 5))
        story = story_of(
            run, [log_of(4, is_open=True)], [whole(0, 3, 2), whole(1, 7, 2), torn], open_parts={0, 1}
        )
        checked = check(story)
        assert checked.scan.found_beyond == {0: 8}
        assert checked.finding_of_check(0) is Finding.LOST
        assert checked.finding_of_check(2) is Finding.TEAR_IN_FLIGHT

    def test_what_looked_like_nothing_due_is_judged_again(self) -> None:
        run = sweep(slots=3)
        for content, finding in (
            (OLD, Finding.DAMAGED), ((("zero",),), Finding.BLANK), ((("alien",),), Finding.FOREIGN),
        ):  # fmt: skip
            story = story_of(run, [log_of(1, is_open=True)], [whole(0, 3), content, whole(2, 2)], open_parts={0, 1})
            checked = check(story)
            assert checked.finding_of_check(1) is finding

    def test_nothing_beyond_an_open_end_is_unissued_unless_the_lane_cannot_have_written_it(self) -> None:
        assert self.found(whole(0, 300), whole(1, 301), whole(2, 302)).convicted_slots() == set()
        checked = self.found(whole(0, 301), whole(1, 4), whole(2, 5))  # operation 301 writes slot 1
        assert checked.finding_of_check(0) is Finding.UNISSUED

    def test_an_absurdly_late_operation_proves_nothing(self) -> None:
        late = (PROOF_OPERATIONS_MAX + 4) // 3 * 3
        checked = self.found(whole(0, late + 3), whole(1, 1), whole(2, 2))
        assert checked.scan.found_beyond == {}
        assert checked.finding_of_check(0) is Finding.UNISSUED

    def test_above_a_closed_end_a_write_is_unissued_and_proves_nothing(self) -> None:
        checked = check(story_of(self.RUN, [log_of(4)], [whole(0, 6), whole(1, 1), whole(2, 2)]))
        assert checked.finding_of_check(0) is Finding.UNISSUED
        assert checked.convicted_slots() == {0}

    def test_only_the_lanes_of_the_open_part_are_open(self) -> None:
        run = sweep(lanes=2, slots=4, workers=2)
        logs = [log_of(2), log_of(2, is_open=True)]
        sees = [whole(0, 2), whole(1, 2), whole(2, 1), whole(3, 1)]
        checked = check(story_of(run, logs, sees, open_parts={2}))
        assert checked.finding_of_check(0) is Finding.UNISSUED
        assert checked.finding_of_check(1) is Finding.INTACT


    def test_in_the_middle_too(self) -> None:
        run = sweep(lanes=3, slots=3, workers=3)
        logs = [log_of(2), log_of(2, is_open=True), log_of(2)]
        checked = check(story_of(run, logs, [whole(s, 2) for s in range(3)], open_parts={2}))
        assert [checked.finding_of_check(s) for s in range(3)] == [Finding.UNISSUED, Finding.INTACT, Finding.UNISSUED]

    def test_proving_step_by_step_is_proving_at_once(self) -> None:
        run = sweep(slots=3, promise="flushed", flush=Flush.WRITE)
        story = story_of(run, [log_of(4, is_open=True)], [whole(s, s) for s in range(3)], open_parts={0, 1})
        states = [check(story).judgement.state for _ in range(2)]
        for found in (6, 8, 7, 11):
            states[0].prove(0, found)
        states[1].prove(0, 11)
        assert states[0].newest.tolist() == states[1].newest.tolist() == [9, 10, 8]
        assert states[0].covered.tolist() == states[1].covered.tolist() == [9, 10, 8]
        assert states[0].proven == states[1].proven == {0: 11}

    def test_a_ledger_cut_between_the_last_records_and_the_close_is_open(self) -> None:
        story = story_of(self.RUN, [log_of(4)], [whole(0, 3), whole(1, 7), whole(2, 8)])
        items = ledger_of(story, Renderer(self.RUN), random.Random(0))
        uncut = judge_items(story, items)
        assert uncut.convicted_slots() == {1, 2}
        assert not uncut.judgement.state.is_open(0)
        closes = [item for item in items if item[0] == 1 and isinstance(item[1], dict) and item[1]["event"] == "close"]
        cut = judge_items(story, [item for item in items if item not in closes])
        assert len(closes) == 1
        assert cut.judgement.state.is_open(0)
        assert cut.convicted_slots() == {0}  # which owes operation 6, by the proof of operation 8


class TestEarlierChecks:
    """The floor is raised by what any earlier check saw."""

    RUN = sweep(slots=2)

    def second(self, story: Story) -> Checked:
        first = check(story, 0)
        return check(story, 1, first.scan.seen_in_flight)

    def test_a_write_in_flight_that_was_seen_must_stay(self) -> None:
        sees = ([whole(0, 2), whole(1, 1)], [whole(0, 0), whole(1, 1)])
        story = story_of(self.RUN, [log_of(2, in_flight=True)], *sees)
        assert check(story, 0).convicted_slots() == set()
        assert check(story, 1).convicted_slots() == set()  # had the first check not been
        later = self.second(story)
        assert later.finding_of_check(0) is Finding.LOST
        assert later.totals.lost_writes == 0  # it was never acknowledged

    def test_where_it_is_replaced_by_something_unreadable_the_acknowledged_write_below_it_is_lost(self) -> None:
        for content, finding in (((("zero",),), Finding.BLANK), (None, Finding.UNREADABLE)):
            sees = ([whole(0, 2), whole(1, 1)], [content, whole(1, 1)])
            later = self.second(story_of(self.RUN, [log_of(2, in_flight=True)], *sees))
            assert later.finding_of_check(0) is finding
            assert later.totals.lost_writes == 1

    def test_where_there_was_none_below_it_nothing_acknowledged_is_lost(self) -> None:
        log = LaneLog([], Op("in flight", 0, 60, CLOSE))
        later = self.second(story_of(sweep(slots=1), [log], [whole(0, 0)], [(("zero",),)]))
        assert later.finding_of_check(0) is Finding.BLANK
        assert later.totals.lost_writes == 0

    def test_what_it_proved_stays_proven(self) -> None:
        """The first check saw operation 5; the second sees the volume rolled back to the ledger's end."""
        log = log_of(2, is_open=True)
        sees = ([whole(0, 4), whole(1, 5)], [whole(0, 0), whole(1, 1)])
        story = story_of(self.RUN, [log], *sees, open_parts={0, 1})
        later = self.second(story)
        assert {look.slot: (look.finding, look.floor, look.lost) for look in later.looks} == {
            0: (Finding.LOST, 4, 2), 1: (Finding.LOST, 5, 1),
        }  # fmt: skip
        assert later.totals.lost_writes == 3  # 2, 3 and 4; operation 5 itself may never have been acknowledged

    def test_an_unissued_write_that_was_seen_is_not_demanded_again(self) -> None:
        sees = ([whole(0, 8), whole(1, 1)], [whole(0, 0), whole(1, 1)])
        story = story_of(self.RUN, [log_of(2)], *sees)
        assert check(story, 0).finding_of_check(0) is Finding.UNISSUED
        assert self.second(story).convicted_slots() == set()

    def test_what_cannot_be_a_slot_or_a_write_is_ignored(self) -> None:
        story = story_of(self.RUN, [log_of(2, is_open=True)], [whole(0, 0), whole(1, 1)], open_parts={0, 1})
        seen = {-1: 4, 2: 4, 10**9: 4, 0: 5, 1: 2**60}
        assert check(story, 0, seen).convicted_slots() == set()

    def test_under_flushed_what_was_seen_may_be_gone(self) -> None:
        run = sweep(slots=2, promise="flushed")
        sees = ([whole(0, 2), whole(1, 1)], [whole(0, 0), whole(1, 1)])
        assert self.second(story_of(run, [log_of(2, in_flight=True)], *sees)).convicted_slots() == set()


class TestLossesAreCountedOnce:
    def test_over_an_examination_and_a_later_check(self) -> None:
        """The examination shows writes 1 and 2 lost; the check shows 3 lost, and 2 once more."""
        run = sweep(slots=1)
        ops = [*log_of(3).ops, Op("exam", 3, 30, 31, whole(0, 0)), Op("write", 3, 32, 33)]
        checked = check(story_of(run, [LaneLog(ops, Op("end", 4, CLOSE, CLOSE))], [whole(0, 1)]))
        assert [(look.finding, look.lost) for look in checked.looks] == [(Finding.LOST, 2), (Finding.LOST, 2)]
        assert checked.totals.lost_writes == 3
        assert checked.totals.lost_slots == 1
        assert checked.totals.slots_by_finding[Finding.LOST] == 1

    def test_under_flushed_only_covered_ones_are(self) -> None:
        """The flush at 22 cannot speak of write 1, for the takeover came between; write 2 was written through."""
        ops = [
            Op("write", 0, 10, 11), Op("flush", 1, 12, 13), Op("write", 1, 14, 15), Op("flush", 2, 22, 23),
            Op("through", 2, 24, 25),
        ]  # fmt: skip
        log, marks = LaneLog(ops, Op("end", 3, CLOSE, CLOSE)), (Mark(20, 20, True, "pulled"),)
        for promise, lost in (("flushed", 1), ("completed", 2)):
            checked = check(story_of(sweep(slots=1, promise=promise), [log], [whole(0, 0)], marks=marks))
            assert [(look.finding, look.floor, look.lost) for look in checked.looks] == [(Finding.LOST, 2, lost)]
            assert checked.totals.lost_writes == lost

    def test_a_stale_read_alone_has_lost_nothing(self) -> None:
        run = make_run([(1, 1, 1)], read_share=0.5)
        does = doer(run)
        n = next(n for n in range(2, 50) if does(0, n - 1)[0] and not does(0, n)[0])
        ops = [Op("write" if does(0, i)[0] else "read", i, 2 * i, 2 * i + 1) for i in range(n)]
        older = [op.n for op in ops if op.what == "write"][-2]
        ops.append(Op("read", n, 90, 91, whole(0, older)))
        story = story_of(run, [LaneLog(ops, Op("end", n + 1, CLOSE, CLOSE))], [whole(0, n - 1)])
        checked = check(story)
        assert [look.finding for look in checked.looks] == [Finding.STALE_READ]
        assert checked.totals.lost_writes == 0


class TestLateReplay:
    """An older write that was in flight when a takeover began is worded so."""

    @pytest.mark.parametrize(("at", "late"), [(9, False), (10, True), (11, True), (12, False), (13, False)])
    def test_of_a_write_issued_at_10_and_acknowledged_at_12(self, at: int, late: bool) -> None:
        run = sweep(slots=1)
        ops = [Op("write", 0, 10, 12), Op("write", 1, 14, 15)]
        story = story_of(
            run, [LaneLog(ops, Op("end", 2, CLOSE, CLOSE))], [whole(0, 0)], marks=(Mark(at, at, True, "pulled"),)
        )
        (look,) = check(story).looks
        assert (look.finding, look.late_replay) == (Finding.LOST, late)


class TestMisplacedBlocks:
    def test_it_is_known_whether_the_block_is_also_where_it_belongs(self) -> None:
        run = sweep(slots=3, sectors=2)
        torn: Content = (("write", 1, 1), ("write", 1, 0))
        for home, expected in ((whole(1, 1, 2), 1), (OLD * 2, 0), (whole(1, 4, 2), 0), (torn, 0), (None, 0)):
            story = story_of(run, [log_of(3)], [whole(0, 0, 2), home, whole(1, 1, 2)])
            looks = {look.slot: look for look in check(story).looks}
            assert looks[2].finding is Finding.MISPLACED
            assert looks[2].home_too == expected

    def test_between_streams_of_one_block_size_and_also_where_nothing_was_written(self) -> None:
        run = make_run([(1, 2, 2), (1, 2, 4), (1, 2, 2)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)
        logs = [log_of(2), log_of(2), log_of(1)]
        sees = [whole(s, s % 2, 4 if s in (2, 3) else 2) for s in range(5)] + [whole(0, 0, 2)]
        (look,) = check(story_of(run, logs, sees)).looks
        assert (look.slot, look.finding, look.home_too, look.floor) == (5, Finding.MISPLACED, 1, -1)

    def test_sectors_of_another_slot_among_old_content_are_no_old_content(self) -> None:
        run = sweep(slots=2, sectors=2)
        sees: list[Content] = [whole(0, 0, 2), (("write", 0, 0), ("old",))]
        (look,) = check(story_of(run, [log_of(1)], sees)).looks
        assert (look.slot, look.finding) == (1, Finding.TORN)


    def test_a_block_for_this_place_of_another_lane_or_stream_is_misplaced_too(self) -> None:
        layout = sweep(lanes=2, slots=4).streams[0].layout
        other_stream = replace(layout, stream=1)
        maker = BlockMaker(layout, SEED, TAG)
        for block in (maker.block(2, 1, 0), BlockMaker(other_stream, SEED, TAG).block(2, 0, 0)):
            seen = look(memoryview(block), 2, maker, 0)
            assert (seen.content, seen.home_address) == (SeenContent.MISPLACED, layout.address(2))
        assert look(memoryview(maker.block(2, 0, 0)), 2, maker, 0).content is SeenContent.WHOLE


class TestTheAtomicUnit:
    def test_the_old_content_need_not_be_of_one_piece(self) -> None:
        """Old content that was itself a patchwork does not make a tear at the atomic unit any finer."""
        run = sweep(slots=2, sectors=4, atomic_bytes=1024)
        new = ("write", 0, 0)
        for old in (("old",), ("zero",)), (("zero",), ("alien",)), (("old",), ("old",)):
            story = story_of(run, [log_of(0, in_flight=True)], [(new, new, *old), (("old",),) * 4])
            assert check(story).finding_of_check(0) is Finding.TEAR_IN_FLIGHT
        story = story_of(run, [log_of(0, in_flight=True)], [(new, ("old",), new, new), (("old",),) * 4])
        assert check(story).finding_of_check(0) is Finding.TORN
