"""Doubt: ledgers that contradict themselves or the run, and garbage, convict nobody and never raise anything."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.judge.checking import Checked, check, judge_items
from tests.judge.plain_runs import CLOSE, OLD, log_of, story_of, sweep, whole
from tests.judge.stories import LaneLog, Mark, Op, Renderer, Story, doer, ledger_of, make_run, ns
from tests.judge.telling import shapes, tell
from verify.judge.decision import Finding, Source
from verify.ledger.frames import Kind, Records
from verify.load.run import Run
from verify.load.schedule import Pattern


class Smallest(random.Random):
    """Always chooses the least, so that stretches of records are as short as can be."""

    def choice(self, seq: Any) -> Any:
        return min(seq)


class Largest(random.Random):
    """Always chooses the most, so that stretches of records are as long as can be."""

    def choice(self, seq: Any) -> Any:
        return max(seq)


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

    @pytest.mark.parametrize("seen", [2, 1])
    @pytest.mark.parametrize("apart", [False, True])
    def test_times_of_a_lane_that_go_back(self, seen: int, apart: bool) -> None:
        """Put in order of time the last write would be the one before, and that convicted, or was enough."""
        run = sweep(slots=1)
        log = LaneLog([Op("write", n, at, at + 1) for n, at in enumerate((10, 20, 40))], Op("end", 3, CLOSE, CLOSE))
        story = story_of(run, [log], [whole(0, seen)], marks=(Mark(30, 30, True, "pulled"),))
        items = []
        for part, item in ledger_of(story, Renderer(run), Smallest() if apart else Largest()):
            if isinstance(item, Records):
                at = ((item.kind == Kind.WRITE) & (item.sequence > 0)).nonzero()[0]
                issued_ns, done_ns = item.issued_ns.copy(), item.done_ns.copy()
                for i in at.tolist():
                    issued = 40 if item.sequence[i] == 1 else 20
                    issued_ns[i], done_ns[i] = ns(issued), ns(issued + 1)
                items.append((part, replace(item, issued_ns=issued_ns, done_ns=done_ns)))
            else:
                items.append((part, item))
        checked = judge_items(story, items)
        assert checked.judgement.contradictions() == {1: "the times of lane 0 go back"}
        assert checked.convicted_slots() == set()

    def test_a_lane_that_goes_on_beyond_the_operations_of_the_run(self) -> None:
        run = sweep(slots=2, operations=9)
        for count in (9, 10):
            story = story_of(run, [log_of(count)], [whole(0, 8), whole(1, 7)])
            checked = judge_items(story, ledger_of(story, Renderer(run), Smallest()))
            wrong = checked.judgement.contradictions()
            assert wrong == ({} if count == 9 else {1: "lane 0 goes on beyond its 9 operations"})
            assert checked.convicted_slots() == set()

    @pytest.mark.parametrize("apart", [False, True])
    def test_a_clock_that_goes_back(self, apart: bool) -> None:
        """Heartbeats out of order would hide a silence, or make one."""
        story = story_of(sweep(slots=2), [log_of(10)], [whole(0, 8), whole(1, 9)])
        story.beats[0][50] = 49
        assert check(story).judgement.contradictions() == {}
        items = []
        for part, item in ledger_of(story, Renderer(story.run), Smallest() if apart else Largest()):
            if isinstance(item, Records) and part == 0:
                back = item.issued_ns == ns(60)
                items.append((part, replace(item, issued_ns=np.where(back, ns(40), item.issued_ns))))
            else:
                items.append((part, item))
        checked = judge_items(story, items)
        assert checked.judgement.contradictions() == {0: "the clock goes back"}
        assert checked.convicted_slots() == set()

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


NOT_ITS_NEXT = "it does not belong to the lane's next operation"


class TestObservationsThatCannotBe:
    def story(self) -> Story:
        run = sweep(lanes=2, slots=4, workers=2)
        ops = [*log_of(4).ops, Op("exam", 4, 30, 31, whole(0, 0)), Op("write", 4, 32, 33)]
        logs = [LaneLog(ops, Op("end", 5, CLOSE, CLOSE)), log_of(4)]
        return story_of(run, logs, [whole(0, 4), whole(1, 2), whole(2, 3), whole(3, 3)])

    @pytest.mark.parametrize(("change", "told"), [
        ({}, ""),
        ({"lane": 1}, "lane 1 does not write to this file"), ({"lane": 2}, "lane 2 does not write to this file"),
        ({"lane": -1}, "lane -1 does not write to this file"), ({"lane": "x"}, None),
        ({"slot": -2}, "slot -2 does not belong to lane 0"), ({"slot": 1}, "slot 1 does not belong to lane 0"),
        ({"slot": 4}, "slot 4 does not belong to lane 0"), ({"slot": None}, None),
        ({"sequence": 3}, NOT_ITS_NEXT), ({"sequence": 5}, NOT_ITS_NEXT), ({"sequence": "four"}, None),
        ({"expected": 4}, NOT_ITS_NEXT), ({"expected": -2}, NOT_ITS_NEXT),
        ({"source": "guess"}, "'guess'"), ({"source": "x" * 300}, "'" + "x" * 199),
        ({"issued_ns": -1}, "issued_ns is not a time"), ({"done_ns": 2**70}, "done_ns is not a time"),
        ({"seen": {}}, "an observation lacks or misstates a field: 'content'"), ({"seen": None}, None),
    ])  # fmt: skip
    def test_they_are_told_and_convict_nobody(self, change: dict[str, Any], told: str | None) -> None:
        checked = self.checked_with(change)
        assert checked.convicted_slots() == (set() if change else {0})
        wrong = checked.judgement.contradictions()
        assert list(wrong) == ([1] if change else [])
        if told is not None:
            assert wrong == ({1: f"an observation cannot be used: {told}"} if told else {})

    @pytest.mark.parametrize("expected", [3, -1])
    def test_nor_one_that_expected_another_write_than_its_lane_tells_of(self, expected: int) -> None:
        checked = self.checked_with({"expected": expected})
        assert checked.convicted_slots() == set()
        told = f"an observation by lane 0 expected write {expected}, which is not the newest of its slot"
        assert checked.judgement.contradictions() == {1: told}

    def checked_with(self, change: dict[str, Any]) -> Checked:
        story = self.story()
        items = [
            (part, {**item, **change} if isinstance(item, dict) and item["event"] == "observation" else item)
            for part, item in ledger_of(story, Renderer(story.run), random.Random(0))
        ]
        return judge_items(story, items)

    def test_after_the_first_no_other_of_its_part_is_taken_and_those_of_other_parts_are(self) -> None:
        """Both lanes examine a slot that had gone back, lane 0 three times; its second observation is spoilt."""
        run = sweep(lanes=2, slots=4, workers=2)
        ops = [*log_of(4).ops]
        for n in range(4, 7):
            at = 30 + 4 * n
            ops += [Op("exam", n, at, at + 1, whole(n % 2 * 2, n - 4)), Op("write", n, at + 2, at + 3)]
        other = [*log_of(4).ops, Op("exam", 4, 30, 31, whole(1, 0)), Op("write", 4, 32, 33)]
        logs = [LaneLog(ops, Op("end", 7, CLOSE, CLOSE)), LaneLog(other, Op("end", 5, CLOSE, CLOSE))]
        story = story_of(run, logs, [whole(0, 6), whole(1, 4), whole(2, 5), whole(3, 3)])
        items = ledger_of(story, Renderer(run), random.Random(0))
        looks = judge_items(story, items).looks
        assert sorted((look.slot, look.before) for look in looks) == [(0, 4), (0, 6), (1, 4), (2, 5)]
        assert {look.finding for look in looks} == {Finding.LOST}
        spoilt = [
            (part, {**item, "source": "guess"} if isinstance(item, dict) and item.get("sequence") == 5 else item)
            for part, item in items
        ]
        checked = judge_items(story, spoilt)
        assert list(checked.judgement.contradictions()) == [1]
        assert sorted((look.slot, look.before) for look in checked.looks) == [(0, 4), (1, 4)]


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
        bits = {"kind": 8, "lane": 16}.get(name)  # A record has no room for more.
        column[rng.randrange(len(column))] = value if bits is None else value % 2**bits
        item = replace(item, **{name: column})
    out[at] = (part, item)
    return out


@settings(max_examples=300, database=None, print_blob=True)
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
