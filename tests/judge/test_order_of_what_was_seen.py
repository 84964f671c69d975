"""The order of a loss rests on what somebody looked at, and on nothing that was only assumed."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import pytest

from tests.judge.checking import check, judge_items
from tests.judge.plain_runs import CLOSE, OLD, log_of, one_record_each, story_of, sweep, whole
from tests.judge.stories import Content, LaneLog, Mark, Op, Renderer, Story, doer, ledger_of, make_run, ns
from verify.judge.decision import Finding
from verify.judge.judgement import TakeoverOrder
from verify.ledger.frames import Kind, decode_records, operation_record
from verify.load.run import Run
from verify.load.schedule import Pattern

PULLED = (Mark(15, 15, True, "pulled"),)


def a_loss_seen_by_an_examination(*more: Op) -> Story:
    """Slots 0 to 2 were written, then came the takeover; slot 0 had gone back, and nobody looked at the others."""
    run = sweep(slots=3)
    ops = [Op("write", n, 1 + 2 * n, 2 + 2 * n) for n in range(6)]
    exam = Op("exam", 6, 20, 21, saw=whole(0, 0))
    log = LaneLog([*ops, exam, Op("write", 6, 22, 23), *more], Op("end", 7 + len(more), 100, 100))
    return story_of(run, [log], [whole(0, 6), whole(1, 7 if more else 4), whole(2, 5)], marks=PULLED)


def test_slots_that_no_check_read_are_not_taken_for_survivors() -> None:
    """A check of another volume sees nothing: that the other slots kept their writes nobody knows."""
    checked = check(a_loss_seen_by_an_examination())
    assert checked.findings_under_load(0) == [Finding.LOST]
    seen = checked.judgement.order(0)
    assert seen is not None
    assert (seen.order.one_moment, seen.order.slots) == (False, 3)
    unseen = checked.judgement.order(0, checked=False)
    assert unseen is not None
    assert (unseen.order.one_moment, unseen.order.slots) == (True, 1)


def test_nor_are_those_that_were_overwritten_before_anybody_looked() -> None:
    judgement = check(a_loss_seen_by_an_examination(Op("write", 7, 24, 25))).judgement
    orders = [judgement.order(0, checked) for checked in (True, False)]
    assert [None if found is None else found.order.slots for found in orders] == [2, 1]


def test_an_operation_seen_out_of_place_is_not_taken_to_stand_on_its_slot() -> None:
    """Slot 0 was to be written by operation 3 when the writer was killed; its block went to slot 2."""
    run = sweep(slots=3)
    log = LaneLog([Op("write", n, 2 + 2 * n, 3 + 2 * n) for n in range(3)], None)
    seen = [whole(0, 0), whole(1, 1), whole(0, 3)]
    checked = check(story_of(run, [log], seen, open_parts={0, 1}, marks=PULLED))
    assert checked.finding_of_check(2) is Finding.MISPLACED
    found = checked.judgement.order(0)
    assert found is not None
    assert (found.order.slots, found.left_out) == (2, 1)


def test_writes_that_only_the_volume_proves_count_at_every_check() -> None:
    """Nothing is left of the lane's ledger, so nobody knows when they were issued; they are survivors all the same."""
    run = sweep(slots=4)
    seen = [whole(0, 4), whole(1, 1), whole(2, 2), whole(3, 3)]
    story = story_of(run, [log_of(0, is_open=True)], seen, seen, open_parts={0, 1}, marks=PULLED)
    story.checks[1][2] = (whole(1, 1), whole(1, 1))
    renderer = Renderer(run)
    items = [item for item in ledger_of(story, renderer, random.Random(1)) if item[0] == 0]
    first = judge_items(story, items, renderer)
    later = judge_items(story, items, renderer, 1, first.scan.seen_in_flight)
    found = later.judgement.order(0)
    assert found is not None
    assert (found.order.slots, found.left_out) == (2, 1)


def test_a_story_of_nothing_lost_has_no_order() -> None:
    story = a_loss_seen_by_an_examination()
    ops = [replace(op, saw=None) for op in story.lanes[0].ops]
    story.lanes[0] = replace(story.lanes[0], ops=ops)
    assert check(story).judgement.order(0) is None


def order_of_items(story: Story, items: list[tuple[int, Any]]) -> TakeoverOrder:
    found = judge_items(story, items).judgement.order(0)
    assert found is not None
    return found


@pytest.mark.parametrize(("issued", "done", "counts"), [
    (20, 29, True), (20, 30, True), (30, 30, True), (29, 31, False), (30, 31, False), (31, 32, False),
])  # fmt: skip
def test_a_write_counts_if_it_was_acknowledged_when_the_takeover_came(issued: int, done: int, counts: bool) -> None:
    """The takeover came at 30; write 4 stands on slot 1; slot 0 lost write 3, and slot 3 was never written."""
    ops = [*log_of(3).ops, Op("write", 3, 16, 17), Op("write", 4, issued, done)]
    run = make_run([(1, 3, 1), (1, 1, 1)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)
    logs = [LaneLog(ops, Op("end", 5, CLOSE, CLOSE)), log_of(0)]
    sees = [whole(0, 0), whole(1, 4), whole(2, 2), OLD]
    found = check(story_of(run, logs, sees, marks=(Mark(30, 30, True, "pulled"),))).judgement.order(0)
    assert found is not None
    assert (found.order.slots, found.left_out) == (2 + counts, 0)


@pytest.mark.parametrize(("after", "slots"), [
    ([Op("exam", 2, 20, 21), Op("write", 2, 22, 23)], 3),
    ([Op("exam", 2, 20, 21), Op("write", 2, 22, 23), Op("write", 3, 24, 25)], 2),
    ([Op("write", 2, 20, 21), Op("write", 3, 22, 23), Op("exam", 4, 24, 25), Op("write", 4, 26, 27)], 1),
])  # fmt: skip
def test_the_first_touch_of_a_slot_decides_whether_it_can_tell(after: list[Op], slots: int) -> None:
    """Slot 0, of another lane, lost write 1. Slots 1 and 2 were looked at or overwritten first, or neither."""
    run = make_run([(1, 1, 1), (1, 2, 1)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)
    ops = [Op("write", 0, 1, 2), Op("write", 1, 3, 4), *after]
    newest = max(op.n for op in ops if op.what == "write")
    log = LaneLog(ops, Op("end", newest + 1, CLOSE, CLOSE))
    sees = [whole(0, 0), *(whole(1 + n % 2, n) for n in sorted((newest - 1, newest), key=lambda n: n % 2))]
    story = story_of(run, [log_of(2), log], sees, marks=PULLED)
    found = order_of_items(story, one_record_each(ledger_of(story, Renderer(run), random.Random(0))))
    assert found.order.slots == slots


def reading_run(slots: int) -> Run:
    return make_run([(1, slots, 1)], pattern=Pattern.SWEEP, read_share=0.5, fill=False)


def writes_in(run: Run, *operations: int) -> list[bool]:
    does = doer(run)
    return [does(0, n)[0] for n in operations]


@pytest.mark.parametrize(("at", "lossy"), [(29, False), (30, True), (31, True)])
def test_a_write_of_the_very_moment_was_before_the_takeover(at: int, lossy: bool) -> None:
    """Write 2 on slot 0 was issued and acknowledged at 30, and is lost."""
    ops = [*log_of(2).ops, Op("write", 2, 30, 30)]
    story = story_of(
        sweep(), [LaneLog(ops, Op("end", 3, CLOSE, CLOSE))], [whole(0, 0), whole(1, 1)],
        marks=(Mark(at, at, True, "pulled"),),
    )  # fmt: skip
    found = check(story).judgement.order(0)
    assert (found is not None) == lossy
    if found is not None:
        assert (found.order.moment_from_ns, found.order.moment_to_ns, found.order.slots) == (ns(12), ns(30), 2)


@pytest.mark.parametrize(("at", "slots"), [(26, None), (27, 3)])
def test_a_write_that_only_the_volume_proves_was_issued_when_the_ledger_ends(at: int, slots: int | None) -> None:
    """The ledger ends with write 8, done at 27. Write 11 proves 9, which slot 1 lost, and 10; 11 may have waited."""
    sees = [whole(0, 8), whole(1, 5), whole(2, 10), whole(3, 11)]
    log, marks = log_of(9, is_open=True), (Mark(at, at, True, "pulled"),)
    found = check(story_of(sweep(slots=4), [log], sees, open_parts={0, 1}, marks=marks)).judgement.order(0)
    assert (None if found is None else found.order.slots) == slots


class TestReads:
    """Slots 0 and 1 are written first; then come the others in turn; slot 0 is read twice, and not written again."""

    COUNT = next(n for n in range(2, 40) if writes_in(reading_run(n), 0, 1, n, 2 * n) == [True, True, False, False])

    def story(self, saw: Content, mark: int) -> Story:
        """The check sees what was written last but on slot 1, which is damaged."""
        run, last = reading_run(self.COUNT), 2 * self.COUNT
        kinds = writes_in(run, *range(last + 1))
        ops = [Op("write" if writes else "read", n, 4 * n, 4 * n + 1) for n, writes in enumerate(kinds)]
        ops[self.COUNT] = replace(ops[self.COUNT], saw=saw)
        ops[last] = replace(ops[last], saw=saw, told=False)
        wrote: dict[int, int] = {op.n % self.COUNT: op.n for op in ops if op.what == "write"}
        sees = [whole(slot, wrote[slot]) if slot in wrote else OLD for slot in range(self.COUNT)]
        sees[1] = OLD
        end = 4 * last + 20
        story = story_of(run, [LaneLog(ops, Op("end", last + 1, end, end))], sees, marks=(Mark(mark, mark, True, ""),))
        story.stop, story.close = end - 1, end
        story.beats = {part: list(range(end + 1)) for part in (0, 1)}
        return story

    def test_a_read_is_no_write(self) -> None:
        story = self.story(None, 8 * self.COUNT + 2)
        found = check(story).judgement.order(0)
        assert found is not None
        writes = [op for op in story.lanes[0].ops if op.what == "write"]
        assert (found.order.slots, found.left_out) == (len({op.n % self.COUNT for op in writes}) - 1, 1)
        assert found.order.moment_from_ns == ns(max(op.issued for op in writes if op.n % self.COUNT != 1))

    def test_a_slot_is_left_out_whose_only_write_was_the_lanes_first_if_it_looked_odd(self) -> None:
        """What the first look found was told; the second, the first after the takeover, only that it was the same."""
        story = self.story(whole(0, 60), 8 * self.COUNT - 1)
        found = check(story).judgement.order(0)
        assert found is not None
        written = {op.n % self.COUNT for op in story.lanes[0].ops if op.what == "write"}
        assert (found.order.slots, found.left_out) == (len(written) - 2, 2)


@pytest.mark.parametrize(("last", "slots"), [
    ([Op("in flight", 4, 94, CLOSE)], 2),
    ([Op("in flight", 4, 96, CLOSE)], 2),
    ([Op("exam", 4, 96, 97), Op("in flight", 4, 97, CLOSE)], 3),
])  # fmt: skip
def test_a_write_in_flight_hides_what_was_below_it_unless_somebody_looked(last: list[Op], slots: int) -> None:
    """The takeover came at 95. A first check saw write 4, in flight at the end, on slot 1; a second misses write 3."""
    run = sweep(slots=3)
    sees = [whole(0, 3), whole(1, 4), whole(2, 2)]
    log = LaneLog([*log_of(4).ops, *last[:-1]], last[-1])
    story = story_of(run, [log], sees, [whole(0, 0), *sees[1:]], marks=(Mark(95, 95, True, "pulled"),))
    found = check(story, 1, check(story, 0).scan.seen_in_flight).judgement.order(0)
    assert found is not None
    assert (found.order.slots, found.left_out) == (slots, 0)


@pytest.mark.parametrize("wrong", ["its opening", "its first record", "a read where writes are due"])
def test_of_a_part_that_is_wrong_from_its_beginning_nothing_counts(wrong: str) -> None:
    """Slot 0 lost write 1; slot 1, which cannot be read, is of a lane whose file begins with a contradiction."""
    run = sweep(lanes=2, slots=2, workers=2)
    story = story_of(run, [log_of(2), log_of(2)], [whole(0, 0), None], marks=PULLED)
    items = ledger_of(story, Renderer(run), random.Random(0))
    if wrong == "its opening":
        items = [(part, {"event": "open"} if part == 2 and _is_opening(item) else item) for part, item in items]
    else:
        records = [operation_record(Kind.WRITE, 1, 1, ns(12), ns(13), 0)]
        if wrong != "its first record":
            records.insert(0, operation_record(Kind.READ, 1, 0, ns(10), ns(11), 0))
        items = [item for item in items if item[0] != 2] + [(2, decode_records(record)) for record in records]
    checked = judge_items(story, items)
    assert list(checked.judgement.contradictions()) == [2]
    found = checked.judgement.order(0)
    assert found is not None
    assert (found.order.slots, found.left_out) == (1, 0)


def _is_opening(item: Any) -> bool:
    return isinstance(item, dict) and item["event"] == "open"
