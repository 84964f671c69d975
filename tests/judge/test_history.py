"""The history of the slots in question: every write that matters, where it comes from, and how it is found again."""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from tests.judge.plain_runs import CLOSE, log_of, story_of, sweep
from tests.judge.stories import LaneLog, Op, Renderer, Story, ledger_of, make_run, ns
from verify.judge.history import OPEN_NS, SEQUENCE_BITS, UNKNOWN_NS, History
from verify.judge.judgement import Judgement
from verify.judge.takeovers import Takeover
from verify.ledger.frames import Kind, decode_records, operation_record
from verify.load.run import Run
from verify.load.schedule import Flush, Pattern


def items_of(run: Run, logs: list[LaneLog], open_parts: set[int] | None = None) -> list[tuple[int, Any]]:
    story: Story = story_of(run, logs, open_parts=open_parts)
    return ledger_of(story, Renderer(run), random.Random(0))


def history_of(
    run: Run,
    items: Sequence[tuple[int, Any]],
    slots: list[int],
    lowest: list[int] | None = None,
    *,
    proven: dict[int, int] | None = None,
    looks_from: Sequence[int] = (),
) -> History:
    """The history by a ledger and by what stands on the volume, with takeovers at the given moments."""
    judgement = Judgement(run, lambda: items)
    for lane, found in (proven or {}).items():
        judgement.state.prove(lane, found)
    takeovers = [Takeover(ns(at), ns(at), False, looks_from_ns=ns(at)) for at in looks_from]
    lowest_of = np.array(lowest or [0] * len(slots), dtype=np.int64)
    history = History(judgement.state, np.array(slots), lowest_of, takeovers, judgement.cover)
    for part, item in items:
        history.feed(part, item)
    history.finish()
    return history


def writes(history: History) -> list[tuple[int, int]]:
    """Slot and sequence number of every write, in order."""
    slots = history.slots[history.slot_position].tolist()
    return list(zip(slots, (history.key & (2**SEQUENCE_BITS - 1)).tolist(), strict=True))


def times(*moments: int | None) -> list[int]:
    """The moments in nanoseconds; None for an unknown one, -1 for one that never came."""
    return [UNKNOWN_NS if at is None else OPEN_NS if at == -1 else ns(at) for at in moments]


TWO_LANES = sweep(lanes=2, slots=4)
"""Lane 0 writes slots 0 and 2 in turn, lane 1 slots 1 and 3."""


def two_lanes() -> list[tuple[int, Any]]:
    """Lane 0 did five writes; lane 1 did two, and its third, on slot 1, was in flight at the end."""
    return items_of(TWO_LANES, [log_of(5), log_of(2, in_flight=True)])


class TestFromTheLedger:
    def test_every_write_from_the_lowest_that_matters_and_the_one_in_flight(self) -> None:
        history = history_of(TWO_LANES, two_lanes(), [0, 1], [2, 0])
        assert writes(history) == [(0, 2), (0, 4), (1, 0), (1, 2)]
        assert history.issued_ns.tolist() == history.not_before_ns.tolist() == times(14, 18, 10, 60)
        assert history.done_ns.tolist() == history.covered_at_ns.tolist() == times(15, 19, 11, -1)
        assert history.acknowledged.tolist() == [True, True, True, False]
        assert history.position(np.array([1, 0, 1])).tolist() == [1, 0, 1]

    def test_a_processor_that_sorts_wrongly_by_its_vector_instructions_changes_nothing(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """As in a guest of QEMU 7.2 without hardware virtualisation, where losses went by a wrong name."""
        rightly = np.argsort

        def argsort(keys: Any, **how: Any) -> Any:
            return rightly(keys, **how) if how.get("kind") == "stable" else rightly(keys, **how)[::-1]

        monkeypatch.setattr(np, "argsort", argsort)
        history = history_of(TWO_LANES, two_lanes(), [0, 1], [2, 0])
        assert writes(history) == [(0, 2), (0, 4), (1, 0), (1, 2)]
        assert history.index_of(np.array([0, 1]), np.array([4, 0])).tolist() == [1, 2]

    def test_what_is_in_flight_elsewhere_or_only_read_is_none_of_them(self) -> None:
        assert writes(history_of(TWO_LANES, two_lanes(), [0, 2])) == [(0, 0), (0, 2), (0, 4), (2, 1), (2, 3)]
        run = make_run([(1, 1, 1)], pattern=Pattern.SWEEP, read_share=0.999, fill=False)
        log = LaneLog([], Op("in flight", 0, 60, CLOSE))
        assert writes(history_of(run, items_of(run, [log]), [0])) == []

    def test_of_a_lane_without_a_close_nothing_is_known_to_be_in_flight(self) -> None:
        items = items_of(sweep(), [log_of(2, in_flight=True)], {0, 1})
        assert writes(history_of(sweep(), items, [0, 1])) == [(0, 0), (1, 1)]

    @pytest.mark.parametrize(("wrong", "known"), [
        ([(Kind.WRITE, 0, 6)], [(0, 0), (0, 2), (0, 4), (1, 0), (1, 2)]),  # 5 is missing
        ([(Kind.READ, 0, 5)], [(1, 0), (1, 2)]),  # operation 5 writes
    ])  # fmt: skip
    def test_of_a_part_that_is_wrong_nothing_counts_from_there_on_or_nothing_at_all(
        self, wrong: list[tuple[Kind, int, int]], known: list[tuple[int, int]]
    ) -> None:
        run = sweep(lanes=2, slots=4, workers=2)
        items = items_of(run, [log_of(5, is_open=True), log_of(3)], {0, 1})
        items += [(1, decode_records(operation_record(*one, ns(40), ns(41), 0))) for one in wrong]
        assert writes(history_of(run, items, [0, 1])) == known

    def test_of_a_part_that_begins_wrong_nothing_counts(self) -> None:
        run = sweep(lanes=2, slots=4, workers=2)
        items = [(part, item) for part, item in items_of(run, [log_of(5), log_of(3)]) if part != 1]
        items.append((1, decode_records(operation_record(Kind.WRITE, 0, 2, ns(10), ns(11), 0))))
        assert writes(history_of(run, items, [0, 1])) == [(1, 0), (1, 2)]

    def test_the_first_touch_after_each_takeover_is_the_earliest_record_of_the_slot(self) -> None:
        """Slot 0 is written at 10, 14 and 18, slot 1 at 10 and, by a write in flight at the end, at 60."""
        history = history_of(TWO_LANES, two_lanes(), [0, 1], [4, 4], looks_from=(9, 10, 14, 17, 18))
        assert history.first_touch_ns.T.tolist() == [times(10, 14, 18, 18, -1), times(10, -1, -1, -1, -1)]
        assert history.first_touch.T.tolist() == [[0, 2, 4, 4, OPEN_NS], [0, *[OPEN_NS] * 4]]


class TestFromTheVolume:
    """The ledger ends with write 2, done at 15; operation 5 on slot 1 was found, so 3 and 4 were acknowledged."""

    def items(self, run: Run) -> list[tuple[int, Any]]:
        return items_of(run, [log_of(3, is_open=True)], {0, 1})

    def test_of_what_it_proves_no_time_is_known(self) -> None:
        run = sweep()
        history = history_of(run, self.items(run), [0, 1], [2, 0], proven={0: 5})
        assert writes(history) == [(0, 2), (0, 4), (1, 1), (1, 3), (1, 5)]
        assert history.issued_ns.tolist() == times(14, None, 12, None, None)
        assert history.done_ns.tolist() == history.covered_at_ns.tolist() == times(15, None, 13, None, -1)
        assert history.not_before_ns.tolist() == times(14, 15, 12, 15, 15)

    def test_slots_not_asked_for_and_writes_that_do_not_matter_are_left_out(self) -> None:
        run = sweep(slots=3)
        history = history_of(run, self.items(run), [0, 2], [6, 5], proven={0: 7})
        assert writes(history) == [(0, 6), (2, 5)]

    def test_stretches_without_such_a_write_end_nothing(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("verify.judge.slots.CHUNK_OPERATIONS", 1)
        run = sweep(slots=3)
        assert writes(history_of(run, self.items(run), [1], [3], proven={0: 7})) == [(1, 4), (1, 7)]

    def test_they_touch_their_slots_when_the_ledger_ends_or_later(self) -> None:
        run = sweep()
        history = history_of(run, self.items(run), [0, 1], proven={0: 5}, looks_from=(9, 12, 14, 15))
        assert history.first_touch_ns.T.tolist() == [times(10, 14, 15, -1), times(12, 15, 15, -1)]
        assert history.first_touch.T.tolist() == [[0, 2, OPEN_NS, OPEN_NS], [1, OPEN_NS, OPEN_NS, OPEN_NS]]


class TestUnderFlushed:
    @pytest.mark.parametrize("flush", [Flush.NEVER, Flush.WRITE])
    def test_a_write_is_covered_by_a_flush_that_came_after_it_or_was_written_through(self, flush: Flush) -> None:
        """Write 0, a flush, write 1, write 2 through, a flush; of 3 the volume tells, and of 4, which proves it."""
        ops = [
            Op("write", 0, 10, 11), Op("flush", 1, 12, 13), Op("write", 1, 14, 15), Op("through", 2, 16, 17),
            Op("flush", 3, 18, 20),
        ]  # fmt: skip
        run = sweep(promise="flushed", flush=flush)
        history = history_of(run, items_of(run, [LaneLog(ops)], {0, 1}), [0, 1], proven={0: 4})
        assert writes(history) == [(0, 0), (0, 2), (0, 4), (1, 1), (1, 3)]
        assert history.covered_at_ns.tolist() == times(13, 17, -1, 20, None if flush is Flush.WRITE else -1)
        assert history.done_ns.tolist() == times(11, 17, -1, 15, None)

    def test_a_write_in_flight_at_the_end_is_covered_by_nothing(self) -> None:
        ops = [Op("through", 0, 10, 11), Op("write", 1, 12, 13), Op("flush", 2, 14, 15)]
        run = sweep(promise="flushed", flush=Flush.WRITE)
        items = items_of(run, [LaneLog(ops, Op("in flight", 2, 60, CLOSE))])
        assert history_of(run, items, [0, 1]).covered_at_ns.tolist() == times(11, -1, 15)


class TestFindingWrites:
    def history(self) -> History:
        """Writes (0, 2), (0, 4), (1, 0), and (1, 2) in flight."""
        return history_of(TWO_LANES, two_lanes(), [0, 1], [2, 0])

    def test_by_slot_and_sequence_number(self) -> None:
        asked = [
            (0, 2, 0), (0, 4, 1), (1, 0, 2), (1, 2, 3), (0, 3, -1), (0, 0, -1), (1, 4, -1), (0, -1, -1), (1, -1, -1),
            (1, -(2**63), -1), (0, 2**SEQUENCE_BITS, -1), (0, 2**SEQUENCE_BITS + 2, -1), (0, 2**63 - 1, -1),
        ]  # fmt: skip
        positions, sequences, expected = np.array(asked).T
        assert self.history().index_of(positions, sequences).tolist() == expected.tolist()

    def test_a_lane_may_be_long(self) -> None:
        run = sweep(slots=1)
        log = LaneLog([Op("write", n, 1 + n, 1 + n) for n in range(95)], Op("end", 95, CLOSE, CLOSE))
        history = history_of(run, items_of(run, [log]), [0])
        every = np.arange(95)
        assert history.index_of(np.zeros_like(every), every).tolist() == every.tolist()
        assert history.last_below(np.zeros_like(every), every).tolist() == (every - 1).tolist()
        assert history.sequence(every).tolist() == every.tolist()

    def test_the_newest_acknowledged_one_below_a_bound(self) -> None:
        asked = [(0, 0, -1), (0, 2, -1), (0, 3, 0), (0, 4, 0), (0, 5, 1), (0, 900, 1), (1, 0, -1), (1, 1, 2), (1, 3, 2)]
        positions, bounds, expected = np.array(asked).T
        assert self.history().last_below(positions, bounds).tolist() == expected.tolist()

    @pytest.mark.parametrize("slots", [[1], [0, 1]])
    def test_one_in_flight_is_none_of_these_though_it_be_the_first_of_its_slot(self, slots: list[int]) -> None:
        history = history_of(TWO_LANES, two_lanes(), slots, [2] * len(slots))
        assert history.last_below(history.position(np.array([1])), np.array([3])).tolist() == [-1]
        assert history.last_below(np.array([0]), np.array([0])).tolist() == [-1]

    def test_the_numbers_of_what_was_found(self) -> None:
        assert self.history().sequence(np.array([0, 3, -1, 1, 2])).tolist() == [2, 2, -1, 4, 0]

    def test_where_nothing_was_written_nothing_is_found(self) -> None:
        run = sweep(lanes=2, slots=4)
        history = history_of(run, items_of(run, [log_of(0), log_of(5)]), [0, 2], looks_from=(5,))
        where, number = np.array([0, 1]), np.array([0, 7])
        assert writes(history) == []
        assert history.index_of(where, number).tolist() == history.last_below(where, number).tolist() == [-1, -1]
        assert history.sequence(np.array([-1, -1])).tolist() == [-1, -1]
        assert history.first_touch.tolist() == history.first_touch_ns.tolist() == [[OPEN_NS, OPEN_NS]]


def test_it_costs_four_bytes_for_every_slot_of_the_run() -> None:
    run = sweep(slots=1 << 16)
    state = Judgement(run, list).state
    tracemalloc.start()
    try:
        history = History(state, np.array([5]), np.array([0]), [], None)
        kept, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(history.slots) == 1
    assert kept <= most < 5 * run.slots
