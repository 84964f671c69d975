"""The lane as a state machine: what it asks for, what it says, and what it never forgets."""

import errno
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.load.driving import BLOCK, DrivenLane, make_run
from verify.blocks.encode import BlockMaker
from verify.ledger.frames import Kind
from verify.load.action import Action
from verify.load.lane import RETRY_AFTER_NS
from verify.load.schedule import Flush, Pattern
from verify.load.shared import LaneState, Phase


class TestFill:
    def test_writes_every_slot_once_then_flushes_then_waits_for_the_load(self):
        driven = DrivenLane(make_run(slots=5))
        driven.start_load()
        assert driven.kinds() == [Kind.WRITE] * 5 + [Kind.FLUSH]
        maker = BlockMaker(driven.run.streams[0].layout, 7, 99)
        for slot in range(5):
            assert bytes(driven.volume[slot * BLOCK : (slot + 1) * BLOCK]) == maker.block(slot, 0, slot)

    def test_without_fill_nothing_is_written_before_the_load(self):
        driven = DrivenLane(make_run(slots=5, fill=False))
        driven.start_load()
        assert driven.items == []

    def test_does_not_begin_the_load_before_it_is_told(self):
        driven = DrivenLane(make_run(slots=3))
        for _ in range(30):
            driven.step()
        assert driven.lane.sequence == 3
        assert driven.shared.lane_state[0] == LaneState.FILLED


class TestErrors:
    def test_issues_the_same_operation_again_whole_with_the_same_bytes(self):
        driven = DrivenLane(make_run())
        driven.start_load()
        driven.step(error=errno.EIO)
        offset, bytes_first = driven.lane.offset_bytes, bytes(driven.lane.buffer)
        assert driven.step() is Action.WAIT
        assert driven.step() is Action.WRITE
        assert driven.lane.sequence == 9
        assert bytes(driven.volume[offset : offset + BLOCK]) == bytes_first

    def test_keeps_the_first_issue_time_and_records_each_attempt(self):
        driven = DrivenLane(make_run())
        driven.start_load()
        before = driven.now_ns
        for _ in range(3):
            driven.step(error=errno.ETIMEDOUT)
            driven.step()
        driven.step()
        records = driven.records()
        errors = records.take(records.kind == Kind.ERROR)
        assert errors.code.tolist() == [errno.ETIMEDOUT] * 3
        assert (errors.sequence == 8).all()
        write = records.take(records.kind == Kind.WRITE).take([-1])
        assert write.issued_ns[0] == errors.issued_ns[0] == before + 10
        assert write.done_ns[0] - write.issued_ns[0] > 3 * RETRY_AFTER_NS

    def test_rests_between_attempts(self):
        driven = DrivenLane(make_run())
        driven.start_load()
        driven.step(error=errno.EIO)
        assert driven.lane.next(driven.now_ns + RETRY_AFTER_NS // 2) is Action.WAIT
        assert driven.lane.next(driven.now_ns + RETRY_AFTER_NS) is Action.WRITE

    def test_raises_the_outage_counter(self):
        driven = DrivenLane(make_run())
        driven.start_load()
        driven.step(error=errno.EIO)
        assert list(driven.shared.outage_cells) == [0, 1]

    def test_a_failed_operation_stays_in_flight_when_the_run_stops(self):
        driven = DrivenLane(make_run())
        driven.start_load()
        driven.step(error=errno.EIO)
        driven.shared.phase = Phase.STOP
        assert driven.step() is Action.END
        driven.lane.close(driven.now_ns)
        assert driven.kinds()[-1] is Kind.IN_FLIGHT
        assert driven.records().sequence[-1] == 8


class TestExamination:
    def test_after_an_outage_each_slot_is_read_before_its_first_overwrite_and_only_then(self):
        driven = DrivenLane(make_run(slots=4, pattern=Pattern.SWEEP))
        driven.start_load()
        driven.shared.raise_outage(0)
        actions = [driven.step() for _ in range(12)]
        assert actions == [Action.EXAMINE, Action.WRITE] * 4 + [Action.WRITE] * 4

    def test_a_read_counts_as_a_look(self):
        driven = DrivenLane(make_run(slots=1, read_share=1.0))
        driven.start_load()
        driven.shared.raise_outage(0)
        assert [driven.step() for _ in range(3)] == [Action.READ] * 3

    def test_a_long_wait_raises_the_counter_at_half_the_threshold(self):
        driven = DrivenLane(make_run())
        driven.start_load()
        driven.step(takes_ns=driven.run.stall_ns // 2 - 100)
        assert driven.shared.outage_cells[1] == 0
        driven.step(takes_ns=driven.run.stall_ns // 2 + 100)
        assert driven.shared.outage_cells[1] == 1

    def test_an_outage_between_decision_and_submission_is_noticed(self):
        driven = DrivenLane(make_run())
        driven.start_load()
        assert driven.lane.next(driven.now_ns) is Action.WRITE
        assert not driven.lane.outage_since_decided()
        driven.shared.raise_outage(0)
        assert driven.lane.outage_since_decided()
        assert driven.lane.next(driven.now_ns) is Action.EXAMINE

    def test_the_slot_in_flight_at_an_outage_is_examined_before_it_is_written_again(self):
        driven = DrivenLane(make_run(slots=1))
        driven.start_load()
        driven.step(error=errno.EIO)
        driven.step()
        assert driven.step() is Action.WRITE
        assert driven.step() is Action.EXAMINE

    def test_slots_never_written_are_not_examined(self):
        driven = DrivenLane(make_run(slots=3, pattern=Pattern.SWEEP, fill=False))
        driven.start_load()
        driven.shared.raise_outage(0)
        assert [driven.step() for _ in range(3)] == [Action.WRITE] * 3

    def test_can_be_switched_off(self):
        driven = DrivenLane(make_run(), examine=False)
        driven.start_load()
        driven.shared.raise_outage(0)
        assert driven.step() is Action.WRITE

    def test_what_was_seen_is_told_with_its_bytes_when_an_older_write_is_there(self):
        driven = DrivenLane(make_run(slots=1))
        driven.start_load()
        old = bytes(driven.volume)
        driven.step()
        driven.volume[:] = old
        driven.shared.raise_outage(0)
        assert driven.step() is Action.EXAMINE
        (event,) = driven.events()
        assert (event["source"], event["seen"]["content"], event["seen"]["newest"]) == ("examination", "whole", 0)
        assert event["expected"] == 1
        assert driven.specimens == [old]
        assert driven.kinds()[-1] is Kind.EXAMINED_ODD
        assert driven.step() is Action.WRITE


class TestReads:
    def make_stale(self) -> DrivenLane:
        driven = DrivenLane(make_run(slots=1, read_share=0.5))
        driven.start_load()
        old = bytes(driven.volume)
        while driven.kinds()[-1] is not Kind.WRITE:
            driven.step()
        driven.volume[:] = old
        return driven

    def test_a_stale_read_is_told_once_while_it_stays_the_same(self):
        driven = self.make_stale()
        while driven.kinds().count(Kind.READ_ODD) < 2 and Kind.EXAMINED_ODD not in driven.kinds():
            driven.step()
        reads = [event for event in driven.events() if event["source"] == "read"]
        assert len(reads) <= 1

    def test_after_a_stale_read_the_slot_is_examined_before_it_is_overwritten_even_without_an_outage(self):
        driven = self.make_stale()
        actions = []
        while Action.WRITE not in actions:
            actions.append(driven.step())
        if Action.READ in actions:
            assert Action.EXAMINE in actions
            assert [event["source"] for event in driven.events()] == ["read", "examination"]

    def test_reading_a_slot_never_written_is_nothing_odd(self):
        driven = DrivenLane(make_run(slots=2, read_share=1.0, fill=False))
        driven.volume[:] = b"x" * len(driven.volume)
        driven.start_load()
        driven.step()
        assert driven.kinds() == [Kind.READ]


class TestFlushAndPace:
    def test_flushes_after_every_n_acknowledged_writes(self):
        driven = DrivenLane(make_run(flush=Flush.EVERY, flush_every=3))
        driven.start_load()
        actions = [driven.step() for _ in range(8)]
        assert actions == [Action.WRITE] * 3 + [Action.FLUSH] + [Action.WRITE] * 3 + [Action.FLUSH]

    def test_writes_through_when_asked(self):
        driven = DrivenLane(make_run(flush=Flush.WRITE))
        driven.start_load()
        driven.step()
        assert driven.lane.through
        assert driven.kinds()[-1] is Kind.WRITE_THROUGH

    def test_keeps_its_pace_and_does_not_hurry_after_a_long_stall(self):
        driven = DrivenLane(make_run(slots=8, lanes=1, pace=100.0))
        driven.start_load()
        began, count = driven.now_ns, 0
        while driven.now_ns < began + 2_000_000_000:
            count += driven.step() is Action.WRITE
        assert 195 <= count <= 205
        driven.step(takes_ns=10_000_000_000)
        began, count = driven.now_ns, 0
        while driven.now_ns < began + 1_000_000_000:
            count += driven.step() is Action.WRITE
        assert count <= 105

    def test_ends_after_the_operations_asked_for_with_a_last_flush(self):
        driven = DrivenLane(make_run(operations=4, flush=Flush.EVERY, flush_every=3))
        driven.start_load()
        actions = [driven.step() for _ in range(7)]
        assert actions == [Action.WRITE] * 3 + [Action.FLUSH, Action.WRITE, Action.FLUSH, Action.END]
        driven.lane.close(driven.now_ns)
        assert driven.kinds()[-1] is Kind.LANE_END


class TestClose:
    def test_nothing_is_submitted_after_the_close(self):
        driven = DrivenLane(make_run())
        driven.start_load()
        assert driven.lane.next(driven.now_ns) is Action.WRITE
        driven.lane.close(driven.now_ns)
        assert driven.kinds()[-1] is Kind.LANE_END
        assert driven.lane.issued(driven.now_ns + 1) is False

    def test_what_comes_back_after_the_close_stays_in_flight(self):
        driven = DrivenLane(make_run())
        driven.start_load()
        driven.lane.next(driven.now_ns)
        assert driven.lane.issued(driven.now_ns)
        driven.lane.close(driven.now_ns + 5)
        count = len(driven.items)
        driven.lane.completed(driven.now_ns + 9)
        driven.lane.failed(driven.now_ns, driven.now_ns + 9, errno.EIO)
        assert len(driven.items) == count
        assert driven.kinds()[-1] is Kind.IN_FLIGHT


def told(driven: DrivenLane) -> list[tuple[int, int, int]]:
    """What the ledger says, without the moments."""
    records = driven.records()
    return list(zip(records.kind.tolist(), records.lane.tolist(), records.sequence.tolist(), strict=True))


class TestTurning:
    """From one plain write to the next in a few steps: nothing may come of it that the long way would not say."""

    @given(
        outages=st.sets(st.integers(0, 60), max_size=4),
        raised=st.sets(st.integers(0, 60), max_size=4),
        slow=st.sets(st.integers(0, 60), max_size=2),
        stream=st.sampled_from(
            [
                {},
                {"fill": False},
                {"pattern": Pattern.SWEEP},
                {"read_share": 0.3},
                {"flush": Flush.EVERY, "flush_every": 3},
                {"flush": Flush.WRITE},
                {"pace": 1000.0},
            ]
        ),
        slots=st.integers(1, 9),
        operations=st.integers(0, 50),
    )
    @settings(max_examples=300)
    def test_says_and_writes_what_the_long_way_does(
        self, outages: set[int], raised: set[int], slow: set[int], stream: dict[str, Any], slots: int, operations: int
    ) -> None:
        driven = [DrivenLane(make_run(slots=slots, operations=operations, **stream)) for _ in range(2)]
        turning, plain = driven
        for one in driven:
            one.issue()
            for number in range(300):
                if one.lane.action is Action.END:
                    break
                if number in outages:
                    one.shared.raise_outage(0)
                takes_ns = one.run.stall_ns if number in slow else 1000
                if one is plain:
                    one.lane._ahead_slot = -1
                one.turn_or_step(takes_ns, number in raised)
            one.lane.close(one.now_ns)
        assert plain.turns == 0
        assert told(turning) == told(plain)
        assert turning.volume == plain.volume
        assert turning.records().issued_ns.tolist() == plain.records().issued_ns.tolist()
        assert turning.records().done_ns.tolist() == plain.records().done_ns.tolist()
        for name in ("load_writes", "fill_writes", "reads", "lane_state"):
            assert list(getattr(turning.shared, name)) == list(getattr(plain.shared, name))

    def test_is_how_nearly_all_plain_writes_go(self) -> None:
        driven = DrivenLane(make_run(slots=20, operations=100))
        driven.issue()
        while driven.lane.action is not Action.END:
            driven.turn_or_step()
        assert driven.kinds().count(Kind.WRITE) == 120
        assert driven.turns == 19 + 98, "all but the last of the fill, and the first and the last of the load"

    def test_a_block_being_written_is_not_touched_by_the_next_one(self) -> None:
        driven = DrivenLane(make_run(slots=5, operations=50))
        driven.issue()
        while driven.lane.action is Action.WRITE or driven.lane.action is Action.FLUSH:
            before = bytes(driven.lane.buffer)
            driven.lane.prepare()
            assert bytes(driven.lane.buffer) == before
            driven.turn_or_step()

    def test_nothing_is_turned_after_the_close(self) -> None:
        driven = DrivenLane(make_run(slots=5, fill=False))
        driven.start_load()
        driven.issue()
        driven.turn_or_step()
        driven.lane.close(driven.now_ns)
        count = len(driven.items)
        assert driven.lane.turn(driven.now_ns + 1, driven.shared.outage_cells.tobytes()) is False
        assert len(driven.items) == count

    @pytest.mark.parametrize("kind", ["error", "outage", "late"])
    def test_nothing_is_turned_where_something_happened(self, kind: str) -> None:
        driven = DrivenLane(make_run(slots=5, fill=False))
        driven.start_load()
        driven.issue()
        driven.turn_or_step()
        driven.turn_or_step()
        assert driven.turns == 1
        done_ns = driven.now_ns + (driven.run.stall_ns if kind == "late" else 1)
        if kind == "error":
            driven.lane.failed(driven.now_ns, done_ns, errno.EIO)
        if kind == "outage":
            driven.shared.raise_outage(0)
        assert driven.lane.turn(done_ns, driven.shared.outage_cells.tobytes()) is False
