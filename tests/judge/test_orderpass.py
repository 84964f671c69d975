"""The newest write of every slot before a takeover, and which slots can tell what the takeover left."""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Sequence
from typing import Any

import pytest

from tests.judge.plain_runs import CLOSE, log_of, story_of, sweep, whole
from tests.judge.stories import LaneLog, Op, Renderer, ledger_of, make_run, ns
from verify.judge.judgement import Judgement
from verify.judge.orderpass import NewestBefore
from verify.judge.takeovers import Takeover
from verify.ledger.frames import Kind, decode_records, operation_record
from verify.load.run import Run
from verify.load.schedule import Pattern


def items_of(run: Run, logs: list[LaneLog], open_parts: set[int] | None = None) -> list[tuple[int, Any]]:
    return ledger_of(story_of(run, logs, open_parts=open_parts), Renderer(run), random.Random(0))


def newest_before(
    run: Run,
    items: Sequence[tuple[int, Any]],
    at: int,
    recalled: dict[int, int] | None = None,
    proven: int | None = None,
) -> NewestBefore:
    """The pass for a takeover at a moment, after an earlier check's sight and after a block found by this one."""
    judgement = Judgement(run, lambda: items)
    judgement.recall(recalled or {})
    if proven is not None:
        judgement.state.prove(0, proven)
    newest = NewestBefore(judgement.state, Takeover(ns(at), ns(at), False, looks_from_ns=ns(at)))
    for part, item in items:
        newest.feed(part, item)
    newest.finish()
    return newest


def told(newest: NewestBefore, checked: bool = True) -> list[int]:
    """The slots that can tell, after the others were left out."""
    newest.leave_out_untold(checked)
    return [slot for slot, at in enumerate(newest.issued_ns.tolist()) if at >= 0]


def times(*moments: int | None) -> list[int]:
    return [-1 if at is None else ns(at) for at in moments]


class TestByTheLedger:
    """Slots 0 to 4 were written once; the takeover came at 15, while write 4 (slot 4) was in flight.

    After it slot 0 was examined and as it should be, slot 1 was examined and was not, slot 2 was overwritten, and
    nobody touched slot 3. Slot 5, of another lane, was never written.
    """

    RUN = make_run([(1, 5, 1), (1, 1, 1)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)

    def pass_for(self, at: int = 15) -> NewestBefore:
        ops = [Op("write", n, 1 + 2 * n, 2 + 2 * n) for n in range(4)]
        ops += [
            Op("write", 4, 14, 16), Op("exam", 5, 20, 21), Op("write", 5, 22, 23),
            Op("exam", 6, 24, 25, saw=whole(0, 0)), Op("write", 6, 26, 27), Op("write", 7, 28, 29),
        ]  # fmt: skip
        logs = [LaneLog(ops, Op("end", 8, CLOSE, CLOSE)), log_of(0)]
        return newest_before(self.RUN, items_of(self.RUN, logs), at)

    def test_the_newest_write_before_it_is_known_of_every_slot(self) -> None:
        newest = self.pass_for()
        assert newest.issued_ns.tolist() == times(1, 3, 5, 7, 14, None)
        assert newest.sequence.tolist() == [0, 1, 2, 3, 4, -1]
        assert newest.odd_slots().tolist() == [1]

    def test_later_the_writes_since_are_those(self) -> None:
        newest = self.pass_for(at=26)
        assert newest.issued_ns.tolist() == times(22, 26, 5, 7, 14, None)
        assert newest.sequence.tolist() == [5, 6, 2, 3, 4, -1]
        assert newest.odd_slots().tolist() == []

    @pytest.mark.parametrize(("checked", "slots"), [(True, [0, 3]), (False, [0])])
    def test_a_slot_tells_if_somebody_looked_before_it_was_overwritten(self, checked: bool, slots: list[int]) -> None:
        newest = self.pass_for()
        newest.leave_out_untold(checked)
        expected = [ns(1 + 2 * slot) if slot in slots else -1 for slot in range(6)]
        assert newest.issued_ns.tolist() == expected
        assert newest.sequence.tolist() == [0, 1, 2, 3, 4, -1]

    def test_a_write_of_the_first_moment_of_the_clock_is_one(self) -> None:
        ops = [Op("write", 0, -10_000, -9_999), Op("exam", 1, 20, 21, saw=(("old",),)), Op("write", 1, 22, 23)]
        run = sweep(slots=1)
        newest = newest_before(run, items_of(run, [LaneLog(ops, Op("end", 2, CLOSE, CLOSE))]), 15)
        assert ns(-10_000) == 0
        assert (newest.issued_ns.tolist(), newest.odd_slots().tolist()) == ([0], [0])

    @pytest.mark.parametrize(("wrong", "sequence"), [
        ([(Kind.WRITE, 0, 6)], [4, 2, 3, 1]),  # 5 is missing
        ([(Kind.READ, 0, 5)], [-1, 2, -1, 1]),  # operation 5 writes
    ])  # fmt: skip
    def test_of_a_part_that_is_wrong_nothing_counts_from_there_on_or_nothing_at_all(
        self, wrong: list[tuple[Kind, int, int]], sequence: list[int]
    ) -> None:
        run = sweep(lanes=2, slots=4, workers=2)
        items = items_of(run, [log_of(5, is_open=True), log_of(3)], {0, 1})
        items += [(1, decode_records(operation_record(*one, ns(40), ns(41), 0))) for one in wrong]
        assert newest_before(run, items, 50).sequence.tolist() == sequence

    def test_of_a_part_that_begins_wrong_nothing_counts(self) -> None:
        run = sweep(lanes=2, slots=4, workers=2)
        items = [(part, item) for part, item in items_of(run, [log_of(5), log_of(3)]) if part != 1]
        items.append((1, decode_records(operation_record(Kind.WRITE, 0, 1, ns(10), ns(11), 0))))
        assert newest_before(run, items, 50).sequence.tolist() == [-1, 2, -1, 1]


class TestBeyondTheLedger:
    """The ledger ends with write 2, done at 15. Operations 3 (slot 3), 4 (slot 0) and 5 (slot 1) may follow."""

    RUN = sweep(slots=4)

    def pass_for(self, at: int, **known: Any) -> NewestBefore:
        return newest_before(self.RUN, items_of(self.RUN, [log_of(3, is_open=True)], {0, 1}), at, **known)

    def test_what_the_volume_proves_was_issued_when_the_ledger_ends_or_later(self) -> None:
        """Of operation 5, which proves it, nobody knows that it stands on its slot."""
        newest = self.pass_for(15, proven=5)
        assert newest.issued_ns.tolist() == times(15, 12, 14, 15)
        assert newest.sequence.tolist() == [4, 1, 2, 3]
        assert told(newest) == [0, 1, 2, 3]

    def test_where_it_was_seen_on_its_slot_it_counts_but_may_have_been_in_flight(self) -> None:
        newest = self.pass_for(15, recalled={1: 5})
        assert newest.issued_ns.tolist() == times(15, 15, 14, 15)
        assert newest.sequence.tolist() == [4, 5, 2, 3]
        assert told(newest) == [0, 2, 3]

    def test_after_the_takeover_it_overwrote_what_that_left(self) -> None:
        newest = self.pass_for(14, proven=5)
        assert newest.issued_ns.tolist() == times(10, 12, 14, None)
        assert newest.sequence.tolist() == [0, 1, 2, -1]
        assert told(newest) == []  # slot 2 was written when the takeover came

    def test_of_a_slot_written_twice_the_last_decides(self) -> None:
        """Operations 5 and 9 go to slot 1; 9 was seen there and may have been in flight, 5 was acknowledged."""
        newest = self.pass_for(15, recalled={1: 9})
        assert newest.sequence.tolist() == [8, 9, 6, 7]
        assert told(newest) == [0, 2, 3]
        newest = self.pass_for(15, proven=9)
        assert newest.sequence.tolist() == [8, 5, 6, 7]
        assert told(newest) == [0, 1, 2, 3]

    @pytest.mark.parametrize(("at", "issued", "sequence", "slots"), [
        (59, None, -1, [0, 1, 2]), (60, 60, 3, [0, 1, 2]), (61, 60, 3, [0, 1, 2]),
    ])  # fmt: skip
    def test_a_write_in_flight_at_a_clean_end_counts_if_an_earlier_check_saw_it(
        self, at: int, issued: int | None, sequence: int, slots: list[int]
    ) -> None:
        items = items_of(self.RUN, [log_of(3, in_flight=True)])
        newest = newest_before(self.RUN, items, at, recalled={3: 3})
        assert newest.issued_ns.tolist() == times(10, 12, 14, issued)
        assert newest.sequence.tolist() == [0, 1, 2, sequence]
        assert told(newest) == slots
        unseen = newest_before(self.RUN, items, at)
        assert unseen.issued_ns.tolist() == times(10, 12, 14, None)
        assert told(unseen) == [0, 1, 2]

    @pytest.mark.parametrize(("recalled", "slots"), [({}, [0, 1, 2]), ({0: 3}, [1, 2])])
    def test_one_issued_after_the_takeover_overwrote_what_that_left_only_if_it_was_seen(
        self, recalled: dict[int, int], slots: list[int]
    ) -> None:
        """Write 3 goes to slot 0, which held write 0 at the takeover."""
        run = sweep(slots=3)
        newest = newest_before(run, items_of(run, [log_of(3, in_flight=True)]), 50, recalled)
        assert newest.sequence.tolist() == [0, 1, 2]
        assert told(newest) == slots


def test_it_costs_eighteen_bytes_for_every_slot_of_the_run() -> None:
    run = sweep(slots=1 << 16)
    state = Judgement(run, list).state
    tracemalloc.start()
    try:
        newest = NewestBefore(state, Takeover(5, 5, False))
        kept, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(newest.issued_ns) == run.slots
    assert kept <= most < 19 * run.slots
