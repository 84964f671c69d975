"""Rare ways through the judge: each must tell what the plain way would, or say that it cannot."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.judge.checking import Checked, check, judge_items
from tests.judge.plain_runs import CLOSE, OLD, log_of, one_record_each, story_of, sweep, whole
from tests.judge.stories import (
    SEED,
    TAG,
    Content,
    LaneLog,
    Mark,
    Op,
    Renderer,
    Story,
    doer,
    ledger_of,
    make_run,
    ns,
    wall_ns,
)  # fmt: skip
from verify.blocks.encode import BlockMaker
from verify.judge import assess, decision
from verify.judge.content import Content as SeenContent
from verify.judge.decision import Age, Finding, Grain, Source, decide
from verify.judge.judgement import Judgement, TakeoverOrder
from verify.judge.observations import blank_rows
from verify.judge.order import Witness
from verify.judge.surroundings import WINDOW_NS, Window
from verify.judge.timeline import TIME_NS_MAX, Timeline
from verify.ledger.frames import Kind, Records, decode_records, operation_record
from verify.load.schedule import Flush, Pattern


def order_of(story: Story, number: int = 0, seen_before: dict[int, int] | None = None) -> TakeoverOrder | None:
    return check(story, number, seen_before).judgement.order(0)


class TestTheTable:
    def test_a_hole_is_an_error_and_no_finding(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(decision, "TABLE", decision.TABLE[1:])
        with pytest.raises(AssertionError, match="hole"):
            decide(Source.CHECK, SeenContent.UNREADABLE, Age.INSIDE, Grain.ALLOWED, True, True, True)


    def test_made_anew_it_is_the_same(self) -> None:
        made = decision._compile()
        assert np.array_equal(made, decision._COMPILED)
        assert made.dtype == decision._COMPILED.dtype


class TestAroundATakeover:
    def test_rate_and_latency_of_a_window(self) -> None:
        window = Window(0, 3_000_000_000, bytes_moved=100)
        assert window.summary() == {
            "seconds": 3.0, "writes_per_second": 0.0, "bytes_per_second": 33.3, "latency_p50_ms": None,
            "latency_p95_ms": None, "latency_p99_ms": None, "latency_max_ms": None,
        }  # fmt: skip
        window.latencies = [np.array([1_000_000, 3_000_000]), np.array([2_000_000, 4_000_400])]
        assert window.summary() == {
            "seconds": 3.0, "writes_per_second": 1.3, "bytes_per_second": 33.3, "latency_p50_ms": 2.5,
            "latency_p95_ms": 3.85, "latency_p99_ms": 3.97, "latency_max_ms": 4.0,
        }  # fmt: skip
        assert Window(7, 7).summary() is None
        assert Window(7, 6).summary() is None

    def test_a_run_that_was_killed_has_a_window_after_up_to_the_ledgers_end(self) -> None:
        story = story_of(
            sweep(slots=2), [log_of(20, is_open=True)], [whole(0, 18), whole(1, 19)], open_parts={0, 1},
            marks=(Mark(30, 30, True, "pulled"),),
        )  # fmt: skip
        story.stop = None
        (around,) = check(story).judgement.state.around
        assert (around.before.start_ns, around.before.end_ns) == (ns(30) - WINDOW_NS, ns(30))
        assert (around.after.start_ns, around.after.end_ns) == (ns(30), ns(CLOSE))


class TestNumbersAroundATakeover:
    """Two streams of 512 and 1024 byte blocks, a lane each; lane 0 works from 10 to 39, lane 1 writes once at 10."""

    RUN = make_run([(1, 2, 1), (1, 2, 2)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)

    def around(self, mark: int, **changes: Any) -> list[Any]:
        ops = log_of(15).ops
        ops = [*ops[:10], Op("exam", 10, 30, 30, whole(0, 8)), *ops[10:]]
        logs = [LaneLog(ops, Op("end", 15, CLOSE, CLOSE)), log_of(1)]
        sees = [whole(0, 14), whole(1, 13), whole(2, 0, 2), OLD * 2]
        story = story_of(self.RUN, logs, sees, marks=(Mark(mark, mark, True, "pulled"),))
        for name, value in changes.items():
            setattr(story, name, value)
        return check(story).judgement.state.around

    def test_bytes_and_looks_are_those_of_their_window(self) -> None:
        (around,) = self.around(20)
        # Done by 20: lane 0's at 11, 13, 15, 17, 19 and lane 1's at 11; after it ten of lane 0 and one examination.
        assert (around.before.writes, around.before.bytes_moved, around.before.examinations) == (6, 5 * 512 + 1024, 0)
        assert (around.after.writes, around.after.bytes_moved, around.after.examinations) == (10, 10 * 512, 1)

    def test_the_window_after_ends_with_the_load(self) -> None:
        (around,) = self.around(20)
        assert (around.after.start_ns, around.after.end_ns) == (ns(20), ns(CLOSE - 1))

    def test_or_when_it_is_long_enough(self) -> None:
        (around,) = self.around(20, stop=400, close=401, beats={part: list(range(402)) for part in (0, 1)})
        assert around.after.end_ns == ns(20) + WINDOW_NS


class TestBatches:
    @pytest.mark.parametrize("taken", [{}, {"WINDOW_SLOTS": 2, "BATCH_WRITES_MAX": 3}, {"WINDOW_SLOTS": 1}])
    def test_however_slots_are_batched_the_losses_are_the_same(
        self, monkeypatch: pytest.MonkeyPatch, taken: dict[str, int]
    ) -> None:
        """Slots 0, 1 and 4 show writes 0, 1 and 4 of 21: 5, 10, 15 and 20 are lost, then 6, 11, 16, then 9, 14, 19."""
        for name, value in taken.items():
            monkeypatch.setattr(assess, name, value)
        run = sweep(slots=5)
        sees = [whole(0, 0), whole(1, 1), whole(2, 17), whole(3, 18), whole(4, 4)]
        story = story_of(run, [log_of(21)], sees, marks=(Mark(60, 60, True, "pulled"),))
        checked = check(story)
        found = {look.slot: (look.finding, look.lost) for look in checked.looks}
        assert found == {0: (Finding.LOST, 4), 1: (Finding.LOST, 3), 4: (Finding.LOST, 3)}
        assert (checked.totals.lost_slots, checked.totals.lost_writes) == (3, 10)
        assert checked.totals.lost_bytes == 3 * 512
        # Write n is acknowledged at 11 + 2n: the first of those lost is 5, the last 20.
        assert (checked.totals.lost_first_done_ns, checked.totals.lost_last_done_ns) == (ns(21), ns(51))
        found_order = checked.judgement.order(0)
        assert found_order is not None
        # Slot 3 shows write 18, issued at 46, long after write 5 was acknowledged.
        assert not found_order.order.one_moment
        assert (found_order.order.slots, found_order.order.set_aside, found_order.left_out) == (5, 2, 0)


    def test_a_proof_reaches_every_batch_that_it_says_something_of(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Operation 8 proves 4 to 7, which say nothing of slot 3."""
        monkeypatch.setattr(assess, "WINDOW_SLOTS", 1)
        monkeypatch.setattr(assess, "BATCH_WRITES_MAX", 1)
        sees = [whole(0, 6), whole(1, 7), whole(2, 8), OLD, whole(4, 4), whole(5, 5)]
        checked = check(story_of(sweep(slots=6), [log_of(4, is_open=True)], sees, open_parts={0, 1}))
        assert checked.scan.found_beyond == {0: 8}
        assert checked.convicted_slots() == {3}
        assert checked.finding_of_check(3) is Finding.DAMAGED
        assert checked.totals.lost_writes == 1


class TestWhatLanesDidLast:
    def test_a_read_in_flight_at_the_end_raises_no_ceiling(self) -> None:
        run = make_run([(1, 1, 1)], read_share=0.5)
        does = doer(run)
        n = next(n for n in range(2, 50) if does(0, n - 1)[0] and not does(0, n)[0])
        ops = [Op("write" if does(0, i)[0] else "read", i, 1 + i, 2 + i) for i in range(n)]
        story = story_of(run, [LaneLog(ops, Op("in flight", n, 60, CLOSE))], [whole(0, n - 1)])
        checked = check(story)
        assert checked.judgement.state.in_flight == {}
        assert checked.looks == []

    def test_an_operation_acknowledged_after_its_closing_record_is_in_flight_no_more(self) -> None:
        run = sweep(slots=1)
        story = story_of(run, [log_of(1)], [whole(0, 0)])
        items = [item for item in ledger_of(story, Renderer(run), random.Random(0)) if item[0] == 0]
        late = [
            operation_record(Kind.WRITE, 0, 0, ns(10), ns(11), 0),
            operation_record(Kind.IN_FLIGHT, 0, 1, ns(60), ns(90), 0),
            operation_record(Kind.WRITE, 0, 1, ns(60), ns(91), 0),
        ]
        opened = {"event": "open", "boot_id": "b", "monotonic_ns": ns(0), "wall_ns": wall_ns(0)}
        closed = {"event": "close", "monotonic_ns": ns(CLOSE), "wall_ns": wall_ns(CLOSE)}
        items += [(1, opened), (1, decode_records(b"".join(late))), (1, closed)]
        story.checks[0] = [(whole(0, 0), whole(0, 0))]
        checked = judge_items(story, items)
        assert checked.judgement.contradictions() == {}
        assert checked.finding_of_check(0) is Finding.LOST
        assert checked.totals.lost_writes == 1

    def test_the_end_of_a_closed_lane_proves_nothing_more(self) -> None:
        story = story_of(sweep(slots=2), [log_of(2)], [whole(0, 0), whole(1, 1)])
        state = check(story).judgement.state
        assert state.prove(0, 5).tolist() == []
        assert (state.newest.tolist(), state.proven) == ([0, 1], {})

    def test_frames_without_a_slot_in_question_change_nothing(self) -> None:
        """Each record comes in a frame of its own; of the two slots only slot 0 is in question."""
        run = sweep(slots=2)
        story = story_of(run, [log_of(6)], [whole(0, 2), whole(1, 5)])
        items = one_record_each(ledger_of(story, Renderer(run), random.Random(0)))
        checked = judge_items(story, items)
        assert [(look.slot, look.finding, look.floor, look.lost) for look in checked.looks] == [(0, Finding.LOST, 4, 1)]

    def test_of_a_part_with_an_unusable_observation_no_other_is_taken(self) -> None:
        run = sweep(slots=1)
        ops = [*log_of(2).ops, Op("exam", 2, 30, 31, whole(0, 0)), Op("exam", 2, 32, 33, whole(0, 0))]
        story = story_of(run, [LaneLog(ops, Op("end", 2, CLOSE, CLOSE))], [whole(0, 1)])
        items = ledger_of(story, Renderer(run), random.Random(0))
        assert len(judge_items(story, items).looks) == 2
        events = [item["event"] if isinstance(item, dict) else "" for _, item in items]
        first = events.index("observation")
        items[first] = (1, {**items[first][1], "lane": 7})
        checked = judge_items(story, items)
        assert checked.looks == []
        words = "an observation cannot be used: lane 7 does not write to this file"
        assert checked.judgement.contradictions() == {1: words}

    def test_there_is_no_lane_of_a_slot_beyond_the_run(self) -> None:
        state = check(story_of(sweep(slots=2), [log_of(2)], [whole(0, 0), whole(1, 1)])).judgement.state
        assert state.lane_of_slot(1) == 0
        with pytest.raises(IndexError):
            state.lane_of_slot(2)


class TestWhatLanesSaw:
    def test_a_lane_of_a_later_stream_is_heard_too_and_its_words_are_kept(self) -> None:
        """Lane 2, the first of the second stream, found the third slot of that stream torn."""
        run = make_run([(2, 2, 1), (2, 4, 2)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)
        torn: Content = (("write", 4, 3), ("write", 4, 1))
        ops = [*log_of(5).ops, Op("exam", 5, 30, 31, torn), Op("write", 5, 32, 33)]
        assert doer(run)(2, 5) == (True, 4)
        logs = [log_of(1), log_of(1), LaneLog(ops, Op("end", 6, CLOSE, CLOSE)), log_of(2)]
        sees = [whole(0, 0), whole(1, 0), whole(2, 4, 2), whole(3, 0, 2), whole(4, 5, 2), whole(5, 1, 2)]
        story = story_of(run, logs, sees)
        items = ledger_of(story, Renderer(run), random.Random(0))
        checked = judge_items(story, items)
        assert checked.judgement.contradictions() == {}
        assert [(look.slot, look.source, look.finding) for look in checked.looks] == [
            (4, Source.EXAMINATION, Finding.TORN)
        ]
        told = [item["seen"]["detail"] for _, item in items if isinstance(item, dict) and "seen" in item]
        assert checked.judgement.observations.details == told
        assert all(told)


class TestWhatIsHandedToTheJudge:
    """Whoever looked hands in what earlier checks saw and what the volume proves; the judge demands it."""

    @pytest.mark.parametrize(("seen_before", "found_beyond", "finding"), [
        ({}, {}, Finding.INTACT), ({}, {0: 3}, Finding.LOST), ({0: 2}, {}, Finding.LOST),
    ])  # fmt: skip
    def test_it_is_demanded(
        self, seen_before: dict[int, int], found_beyond: dict[int, int], finding: Finding
    ) -> None:
        """The ledger ends with write 1; the check sees write 0 on slot 0, where write 2 was to follow."""
        run = sweep(slots=2)
        items = ledger_of(story_of(run, [log_of(2, is_open=True)], open_parts={0, 1}), Renderer(run), random.Random(0))
        judgement = Judgement(run, lambda: items)
        row = blank_rows([0], Source.CHECK, SeenContent.WHOLE)
        row["oldest"] = row["newest"] = 0
        judgement.observations.add_rows(row)
        assert [judged.finding.tolist() for judged in judgement.judge(seen_before, found_beyond)] == [[finding]]


class TestMisplacedOutsideTheRun:
    def test_whether_a_block_is_also_outside_the_run_is_unknown(self) -> None:
        """A block whose stamp names an offset that belongs to no stream (a former, wider run of the same tag)."""
        run = sweep(slots=2)
        wider = BlockMaker(replace(run.streams[0].layout, slots=8), SEED, TAG)
        renderer = Renderer(run)
        plain = renderer.bytes_of
        renderer.bytes_of = lambda slot, content: (  # type: ignore[method-assign]
            wider.block(6, 0, 6) if content == (("wider",),) else plain(slot, content)
        )
        story = story_of(run, [log_of(2)], [whole(0, 0), (("wider",),)])
        (found,) = check(story, renderer=renderer).looks
        assert (found.slot, found.finding, found.home_too) == (1, Finding.MISPLACED, -1)


class TestProofUnderFlushed:
    @pytest.mark.parametrize(("flush", "lost"), [(Flush.WRITE, {0: 1}), (Flush.NEVER, {})])
    def test_what_the_volume_proves_is_owed_if_it_was_written_through(
        self, flush: Flush, lost: dict[int, int]
    ) -> None:
        """Operation 8 is on the volume, so 6 was acknowledged; slot 0 shows 3."""
        run = sweep(slots=3, promise="flushed", flush=flush)
        what = "through" if flush is Flush.WRITE else "write"
        log = LaneLog([Op(what, n, 10 + 2 * n, 11 + 2 * n) for n in range(4)], None)
        checked = check(story_of(run, [log], [whole(0, 3), whole(1, 7), whole(2, 8)], open_parts={0, 1}))
        assert {look.slot: look.lost for look in checked.looks if look.finding is Finding.LOST} == lost
        assert checked.totals.lost_writes == sum(lost.values())


class TestTheOrderBeyondTheLedger:
    """The order pass knows of what only the volume proves, and of a write in flight that an earlier check saw."""

    def lossy(self, log: LaneLog, at: int, *sees: Content, open_parts: set[int]) -> TakeoverOrder:
        run = sweep(slots=4)
        story = story_of(run, [log], list(sees), open_parts=open_parts, marks=(Mark(at, at, True, "pulled"),))
        found = order_of(story)
        assert found is not None
        return found

    def test_writes_proven_after_the_takeover_tell_nothing_of_it(self) -> None:
        """After the takeover nobody saw what it left on slots 0 and 1; slot 3 is damaged, and slot 2 alone can tell.

        The ledger ends with write 4 (slot 0), done at 19; the takeover came at 17. Operation 5 on slot 1 was issued
        after 19.
        """
        log = log_of(5, is_open=True)
        found = self.lossy(log, 17, whole(0, 4), whole(1, 5), whole(2, 2), OLD, open_parts={0, 1})
        assert (found.order.one_moment, found.order.moment_from_ns) == (True, ns(14))
        assert (found.order.slots, found.left_out) == (1, 1)

    @pytest.mark.parametrize("at", [29, 50])
    def test_writes_proven_before_it_count_as_issued_when_the_ledger_ends(self, at: int) -> None:
        """Slot 0 shows write 0 and lost 4 and 8; 11 was issued after the ledger's end at 29, before the takeover."""
        log = log_of(10, is_open=True)
        found = self.lossy(log, at, whole(0, 0), whole(1, 9), whole(2, 10), whole(3, 11), open_parts={0, 1})
        assert not found.order.one_moment
        assert (found.order.slots, found.left_out) == (3, 0)
        assert found.order.witness is not None
        assert (found.order.witness.lost_slot, found.order.witness.lost_sequence) == (0, 4)

    @pytest.mark.parametrize("at", [29, 50])
    def test_what_an_earlier_check_proved_counts_but_for_the_write_that_proved_it(self, at: int) -> None:
        """The second check finds writes 10 and 11 where the first saw them; 11 may have been in flight."""
        sees = [whole(0, 0), whole(1, 9), whole(2, 10), whole(3, 11)]
        log, marks = log_of(10, is_open=True), (Mark(at, at, True, "pulled"),)
        story = story_of(sweep(slots=4), [log], sees, sees, open_parts={0, 1}, marks=marks)
        found = order_of(story, 1, check(story, 0).scan.seen_in_flight)
        assert found is not None
        assert found.order.witness == Witness(0, 4, ns(19), 2, 10, ns(29))
        assert (found.order.slots, found.order.set_aside, found.left_out) == (3, 1, 0)

    @pytest.mark.parametrize("ahead", [8, 9])
    def test_what_stands_after_a_contradiction_does_not_count(self, ahead: int) -> None:
        """Write 9 (slot 1) comes after a record that contradicts the ledger: slot 1 held write 5 for all one knows.

        That record tells of write 8 or 9 itself, which write 6 should have come before.
        """
        run = sweep(slots=2)
        story = story_of(run, [log_of(6)], [whole(0, 0), whole(1, 5)], marks=(Mark(60, 60, True, "pulled"),))
        items = ledger_of(story, Renderer(run), random.Random(0))
        events = [item["event"] if part == 1 and isinstance(item, dict) else "" for part, item in items]
        at = events.index("close")
        wrong = decode_records(operation_record(Kind.WRITE, 0, ahead, ns(30), ns(31), 0))
        later = [operation_record(Kind.WRITE, 0, n, ns(20 + 2 * n), ns(21 + 2 * n), 0) for n in (6, 7, 9)]
        items[at:at] = [(1, wrong), (1, decode_records(b"".join(later)))]
        checked = judge_items(story, items)
        assert list(checked.judgement.contradictions()) == [1]
        found = checked.judgement.order(0)
        assert found is not None
        # Slot 0 shows write 0 and lost 2, done at 15; slot 1 shows write 5, issued at 20.
        assert found.order.witness == Witness(0, 2, ns(15), 1, 5, ns(20))

    def test_a_write_in_flight_that_was_seen_before_is_left_out_of_the_order(self) -> None:
        """Write 4 (slot 0) was in flight at the takeover and seen by the first check; the second finds slot 1 lost."""
        run = sweep(slots=4)
        others = [whole(2, 6), whole(3, 7)]
        sees = ([whole(0, 8), whole(1, 5), *others], [whole(0, 8), whole(1, 1), *others])
        story = story_of(run, [log_of(8, in_flight=True)], *sees, marks=(Mark(70, 70, True, "pulled"),))
        first: Checked = check(story, 0)
        assert first.convicted_slots() == set()
        found = order_of(story, 1, first.scan.seen_in_flight)
        assert found is not None
        plain = order_of(story, 1)
        assert plain is not None
        assert found.order == plain.order
        assert not found.order.one_moment  # write 5 was lost at 21, write 7 survives, issued at 24


class TestTimelineEvents:
    """Events of the ledger, each fed by itself."""

    def timeline(self) -> Timeline:
        return Timeline(sweep(lanes=2, slots=2))

    def test_without_any_beat_there_is_no_wall_clock(self) -> None:
        assert self.timeline().wall_ns(5) == 0

    def test_the_wall_clock_goes_by_the_beat_before(self) -> None:
        timeline = self.timeline()
        timeline.feed(0, {"event": "open", "boot_id": "b", "monotonic_ns": 100, "wall_ns": 1000})
        assert [timeline.wall_ns(at) for at in (40, 100, 130)] == [940, 1000, 1030]

    def test_counts_are_summed_over_kinds(self) -> None:
        timeline = self.timeline()
        records = [
            operation_record(Kind.WRITE, 0, 0, 1, 2, 0), operation_record(Kind.WRITE, 0, 1, 3, 4, 0),
            operation_record(Kind.FLUSH, 0, 2, 4, 5, 0),
        ]  # fmt: skip
        timeline.feed(1, decode_records(b"".join(records)))
        assert timeline.contradictions == {}
        kinds = ((Kind.WRITE,), (Kind.WRITE, Kind.FLUSH), (Kind.READ,))
        assert [timeline.count(*some) for some in kinds] == [2, 3, 0]

    def test_what_the_supervisor_tells_is_kept(self) -> None:
        timeline = self.timeline()
        timeline.feed(0, {"event": "load_began", "monotonic_ns": 7})
        timeline.feed(0, {"event": "stop", "monotonic_ns": 9})
        lost = {"event": "worker_lost", "monotonic_ns": 8, "lanes": [0]}
        timeline.feed(0, lost)
        timeline.feed(0, {"event": "of a later version"})
        assert (timeline.load_began_ns, timeline.stop_ns, timeline.lost_ns) == (7, 9, {1: 8})
        assert (timeline.contradictions, timeline.accepted) == ({}, {0: 4})

    def test_a_worker_tells_of_reopening_and_of_nothing_that_is_the_supervisors(self) -> None:
        timeline = self.timeline()
        timeline.feed(1, {"event": "reopened", "notes": ["another path", "x" * 600]})
        timeline.feed(1, {"event": "stop", "monotonic_ns": 9})
        assert timeline.reopening_doubts == {"another path", "x" * 500}
        assert timeline.stop_ns == -1

    def test_a_close_without_any_beat_is_a_close(self) -> None:
        timeline = self.timeline()
        timeline.feed(1, {"event": "close", "monotonic_ns": 9, "heads": {"a": "b"}})
        assert (timeline.closed_parts, timeline.last_ns, timeline.heads) == ({1}, 9, {"a": "b"})
        assert timeline.silences == []

    @pytest.mark.parametrize(("kind", "issued_ns", "done_ns", "wrong"), [
        (200, 1, 2, "a record of unknown kind"),
        (Kind.WRITE, -1, 2, "a time that no clock shows"),
        (Kind.WRITE, 1, TIME_NS_MAX + 1, "a time that no clock shows"),
        (Kind.WRITE, 0, TIME_NS_MAX, ""),
    ])  # fmt: skip
    def test_records_that_no_writer_makes_contradict(self, kind: int, issued_ns: int, done_ns: int, wrong: str) -> None:
        timeline = self.timeline()
        good = decode_records(operation_record(Kind.WRITE, 0, 0, 1, 2, 0))
        column = lambda value: np.array([value], dtype=np.int64)  # noqa: E731
        spoilt: Records = replace(
            good, kind=np.array([kind], dtype=np.uint8), issued_ns=column(issued_ns), done_ns=column(done_ns)
        )
        timeline.feed(1, spoilt)
        assert timeline.contradictions == ({1: wrong} if wrong else {})
        assert timeline.counts.sum() == (0 if wrong else 1)
