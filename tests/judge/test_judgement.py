"""Proof, recall and doubt: what the judge believes of ledgers that are open, wrong or forged, and of earlier checks."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.judge.checking import Checked, check, judge_items
from tests.judge.stories import Content, LaneLog, Mark, Op, Renderer, Story, doer, ledger_of, make_run
from tests.judge.telling import shapes, tell
from verify.judge.decision import Finding, Source
from verify.judge.slots import PROOF_OPERATIONS_MAX
from verify.ledger.frames import Kind, Records
from verify.load.run import Run
from verify.load.schedule import Pattern

OLD: Content = (("old",),)
CLOSE = 100


def whole(slot: int, n: int, sectors: int = 1) -> Content:
    return (("write", slot, n),) * sectors


def sweep(lanes: int = 1, slots: int = 2, sectors: int = 1, **options: Any) -> Run:
    """A run whose lanes write their slots in turn: operation n of a lane writes its slot n modulo their count."""
    return make_run([(lanes, slots, sectors)], pattern=Pattern.SWEEP, read_share=0.0, fill=False, **options)


def story_of(
    run: Run,
    logs: list[LaneLog],
    *checks: list[Content],
    open_parts: set[int] | None = None,
    marks: tuple[Mark, ...] = (),
) -> Story:
    beats = {part: list(range(CLOSE + 1)) for part in {0, *run.lane_workers}}
    looks = [[(content, content) for content in seen] for seen in checks]
    opened = open_parts or set()
    return Story(run, 0, logs, beats, list(marks), CLOSE - 1, CLOSE, opened, looks, False, doer(run))


def log_of(count: int, in_flight: bool = False, is_open: bool = False) -> LaneLog:
    """A lane that did operations 0 to `count - 1`, each in its own unit of time from 10 on."""
    ops = [Op("write", n, 10 + 2 * n, 11 + 2 * n) for n in range(count)]
    closing = Op("in flight" if in_flight else "end", count, 60 if in_flight else CLOSE, CLOSE)
    return LaneLog(ops, None if is_open else closing)


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
        run = sweep(slots=3)
        for home, expected in ((whole(1, 1), 1), (OLD, 0), (whole(1, 4), 0)):
            story = story_of(run, [log_of(3)], [whole(0, 0), home, whole(1, 1)])
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


class Smallest(random.Random):
    """Always chooses the least, so that stretches of records are as short as can be."""

    def choice(self, seq: Any) -> Any:
        return min(seq)


class TestLedgersThatContradictThemselves:
    """Only what stands before the contradiction may convict."""

    def contradicting(
        self, spoilt: tuple[Kind, int], kind: Kind, lane: int, sequence: int
    ) -> tuple[Story, list[tuple[int, Any]]]:
        """Two lanes of ten writes each, in frames of two records, with one record of lane 1 replaced."""
        run = sweep(lanes=2, slots=2)
        story = story_of(run, [log_of(10), log_of(10)], [whole(0, 9), whole(1, 9)])
        out = []
        for part, item in ledger_of(story, Renderer(run), Smallest()):
            if isinstance(item, Records):
                hit = (item.kind == spoilt[0]) & (item.lane == 1) & (item.sequence == spoilt[1])
                spoilt_records = replace(
                    item,
                    kind=np.where(hit, kind, item.kind).astype(np.uint8),
                    lane=np.where(hit, lane, item.lane),
                    sequence=np.where(hit, sequence, item.sequence),
                )
                out.append((part, spoilt_records))
            else:
                out.append((part, item))
        return story, out

    @pytest.mark.parametrize(("spoilt", "kind", "lane", "sequence", "words"), [
        ((Kind.WRITE, 5), Kind.WRITE, 1, 6, "the operations of lane 1 do not follow one another at 5"),
        ((Kind.WRITE, 5), Kind.WRITE, 1, 4, "the operations of lane 1 do not follow one another at 5"),
        ((Kind.WRITE, 5), Kind.FLUSH, 1, 7, "a record of lane 1 does not belong to its next operation"),
        ((Kind.WRITE, 5), Kind.WRITE, 9, 5, "a record of lane 9, which does not write to this file"),
        ((Kind.WRITE, 5), Kind.READ, 1, 5, "the operations of lane 1 are not those that the run's seed and streams"),
        ((Kind.LANE_END, 10), Kind.LANE_END, 1, 11, "a record of lane 1 does not belong to its next operation"),
    ])  # fmt: skip
    def test_it_is_told_and_nothing_after_it_convicts(
        self, spoilt: tuple[Kind, int], kind: Kind, lane: int, sequence: int, words: str
    ) -> None:
        story, items = self.contradicting(spoilt, kind, lane, sequence)
        for n in range(spoilt[1], 12):
            story.checks[0] = [(whole(slot, n), whole(slot, n)) for slot in (0, 1)]
            checked = judge_items(story, items)
            wrong = checked.judgement.contradictions()
            assert list(wrong) == [1]
            assert words in wrong[1]
            assert (n, checked.convicted_slots()) == (n, set())

    def test_what_stands_before_it_still_convicts(self) -> None:
        story, items = self.contradicting((Kind.WRITE, 5), Kind.WRITE, 1, 6)
        story.checks[0] = [(whole(0, 3), whole(0, 3)), (whole(1, 4), whole(1, 4))]
        checked = judge_items(story, items)
        assert [(look.slot, look.finding, look.floor) for look in checked.looks] == [(0, Finding.LOST, 4)]

    def test_a_run_that_is_not_the_one_the_ledger_was_kept_of_convicts_nobody(self) -> None:
        """As with a spoilt seed in run.json: the fill fits any seed, the load does not."""
        run = make_run([(2, 6, 1)], read_share=0.5)
        story = tell(run, 11)
        items = ledger_of(story, Renderer(run), random.Random(0))
        for lane, log in enumerate(story.lanes):
            for op in log.ops:
                writes, slot = story.does(lane, op.n)
                if writes:
                    story.checks[0][slot] = (whole(slot, op.n), whole(slot, op.n))
        assert judge_items(story, items).convicted_slots() <= {
            look.slot for look in judge_items(story, items).looks if look.source is not Source.CHECK
        }
        story.run = replace(run, seed=run.seed + 1)
        checked = judge_items(story, items, Renderer(run))
        assert "seed and streams" in checked.judgement.contradictions()[1]
        by_check = [look for look in checked.looks if look.source is Source.CHECK]
        assert not {look.finding for look in by_check} & {Finding.UNISSUED, Finding.LOST, Finding.TORN}


class TestReadsToldOnlyOnce:
    """A lane tells of the same stale content once; a repetition has no particulars."""

    def test_a_slot_whose_first_look_is_a_repetition_is_left_out_of_the_order(self) -> None:
        run = make_run([(1, 2, 1)], pattern=Pattern.SWEEP, read_share=0.5, fill=False)
        writes = [doer(run)(0, n)[0] for n in range(200)]
        again = next(
            n for n in range(12, 200)
            if not writes[n] and not writes[n - 2] and sum(writes[n - 4 :: -2]) >= 2 and any(writes[n - 3 :: -2])
        )  # fmt: skip
        slot = again % 2
        older, newest = [n for n in range(again) if writes[n] and n % 2 == slot][-2:]
        ops = [Op("write" if writes[n] else "read", n, 4 * n, 4 * n + 1) for n in range(again + 1)]
        ops[again - 2] = replace(ops[again - 2], saw=whole(slot, older))
        ops[again] = replace(ops[again], saw=whole(slot, older), told=False)
        assert newest < again - 2
        at = ops[again].issued - 1
        end = ops[again].done + 20
        story = story_of(run, [LaneLog(ops, Op("end", again + 1, end, end))], [OLD, OLD])
        story.stop, story.close, story.marks = end - 1, end, [Mark(at, at, True, "pulled")]
        story.beats = {part: list(range(end + 1)) for part in (0, 1)}
        checked = check(story)
        assert checked.findings_under_load(slot) == [Finding.STALE_READ]
        found = checked.judgement.order(0)
        assert found is not None  # the other slot's first look is the check's, and it convicts
        assert (found.order.slots, found.left_out) == (0, 2)


GARBAGE = (None, True, -1, 0, 7, 2**31, 2**63 - 1, 2**63, 2**80, -(2**70), 1.5, float("inf"), float("nan"), "", "x",
           "12", [], [1], {}, {"a": 1})  # fmt: skip


def spoil(items: list[tuple[int, Any]], rng: random.Random) -> list[tuple[int, Any]]:
    """The items with one field of one of them replaced by garbage, or gone."""
    out = list(items)
    events = rng.random() < 0.7
    at = rng.choice([i for i, (_, item) in enumerate(items) if isinstance(item, dict) == events or not events])
    part, item = items[at]
    if isinstance(item, dict):
        item = dict(item)
        inner = item["seen"] = dict(item["seen"]) if "seen" in item else None
        if inner is None:
            del item["seen"]
        field_of = inner if inner and rng.random() < 0.5 else item
        name = rng.choice(sorted(field_of))
        if rng.random() < 0.2:
            del field_of[name]
        else:
            field_of[name] = rng.choice(GARBAGE)
    else:
        name = rng.choice(("kind", "lane", "sequence", "issued_ns", "done_ns"))
        column = getattr(item, name).copy()
        value = rng.choice((0, 1, 2, 3, 5, 200, 2**40, 2**62, 2**62 + 1, -1))
        column[rng.randrange(len(column))] = value % 256 if name == "kind" else value
        item = replace(item, **{name: column})
    out[at] = (part, item)
    return out


@settings(max_examples=600, deadline=None, database=None, print_blob=True)
@given(run=shapes(), seed=st.integers(0, 2**64 - 1))
def test_no_garbage_in_a_ledger_raises_anything(run: Run, seed: int) -> None:
    rng = random.Random(seed)
    story = tell(run, seed)
    renderer = Renderer(run)
    checked = judge_items(story, spoil(ledger_of(story, renderer, rng), rng), renderer)
    for index in range(len(checked.judgement.takeovers)):
        checked.judgement.order(index)
    for around in checked.judgement.state.around:
        around.before.summary()
        around.after.summary()
