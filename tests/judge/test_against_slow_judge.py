"""The whole judgement, from ledger and volume to findings and takeovers, against the slow judge on random stories."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.judge.checking import Checked, Look, check
from tests.judge.slow_judge import CONVICTING, SlowJudge
from tests.judge.slow_judge import Judged as SlowJudged
from tests.judge.slow_order import SlowOrder, slow_order
from tests.judge.stories import BEGIN_NS, UNIT_NS, Renderer, Story, layout_of, make_run
from tests.judge.telling import shapes, tell
from verify.judge import assess, observations, slots, timeline
from verify.judge.decision import Finding, Source
from verify.judge.timeline import LaneTail
from verify.load.run import PROMISES, Run
from verify.load.schedule import Flush

EFFORT = int(os.environ.get("ACKPROOF_TEST_EFFORT", "1"))
"""How many times as many stories as usual. Every run draws others, so the usual ones add up."""

THOROUGH = settings(max_examples=250 * EFFORT, database=None, print_blob=True)
SHORT = settings(THOROUGH, max_examples=60 * EFFORT)
SEEDS = st.integers(0, 2**64 - 1)

Key = tuple[int, Source, int]
"""Slot, who looked, and the operation that a look under load belongs to (-1 for the check)."""


def units(moment_ns: int) -> int:
    return (moment_ns - BEGIN_NS) // UNIT_NS


class Slow:
    """The slow judgement of the same check."""

    def __init__(self, story: Story, number: int) -> None:
        self.judge = SlowJudge(story, story.checks[number], story.checks[:number])
        self.judged: dict[Key, SlowJudged] = {}
        for lane, log in enumerate(story.lanes):
            for op in log.ops:
                if op.saw is not None and op.told:
                    source = Source.READ if op.what == "read" else Source.EXAMINATION
                    key = (story.does(lane, op.n)[1], source, op.n)
                    self.judged[key] = self.judge.judge_load(lane, op)
        for slot in range(story.run.slots):
            self.judged[slot, Source.CHECK, -1] = self.judge.judge_check(slot)
        self.lost = {(key[0], n) for key, judged in self.judged.items() for n in judged.lost}


def compare(story: Story) -> None:
    """Judge every check of the story twice and hold the answers together."""
    renderer = Renderer(story.run)
    seen_before: dict[int, int] = {}
    for number in range(len(story.checks)):
        fast = check(story, number, seen_before, renderer)
        slow = Slow(story, number)
        compare_findings(fast, slow)
        compare_totals(story, fast, slow)
        compare_takeovers(fast, slow)
        compare_orders(fast, slow)
        for slot, sequence in fast.scan.seen_in_flight.items():
            seen_before[slot] = max(sequence, seen_before.get(slot, -1))


def compare_findings(fast: Checked, slow: Slow) -> None:
    looks = {key_of(look): look for look in fast.looks}
    assert len(looks) == len(fast.looks)
    assert looks.keys() <= slow.judged.keys()
    for key, judged in slow.judged.items():
        look = looks.get(key)
        if look is None:
            assert key[1] is Source.CHECK
            assert judged.finding in (Finding.INTACT, Finding.UNTOUCHED), (key, judged)
            continue
        found = (look.finding, look.floor, look.lost, look.late_replay)
        assert (key, *found) == (key, judged.finding, judged.floor, len(judged.lost), judged.late_replay)


def key_of(look: Look) -> Key:
    return look.slot, look.source, -1 if look.source is Source.CHECK else look.before


def compare_totals(story: Story, fast: Checked, slow: Slow) -> None:
    totals = fast.totals
    for finding in (*CONVICTING, Finding.TEAR_IN_FLIGHT):
        slots_found = {key[0] for key, judged in slow.judged.items() if judged.finding is finding}
        assert (finding, totals.slots_by_finding[finding]) == (finding, len(slots_found))
    assert totals.lost_writes == len(slow.lost)
    lost_slots = {slot for slot, _ in slow.lost}
    assert totals.lost_slots == len(lost_slots)
    assert totals.lost_bytes == sum(layout_of(story.run, slot).block_bytes for slot in lost_slots)
    done = [
        w.acknowledged
        for slot, n in slow.lost
        for w in slow.judge.writes[slot]
        if w.n == n and w.acknowledged is not None and not w.proven
    ]
    expected = (min(done), max(done)) if done else None
    found = (totals.lost_first_done_ns, totals.lost_last_done_ns)
    assert (None if found[0] < 0 else tuple(map(units, found))) == expected


def compare_takeovers(fast: Checked, slow: Slow) -> None:
    found = [
        (
            units(a.takeover.start_ns), units(a.takeover.end_ns), a.takeover.observed, a.takeover.stall_ns // UNIT_NS,
            a.takeover.never_ended, a.takeover.longest_wait_ns // UNIT_NS, a.takeover.marks, a.in_flight, a.errors,
            (a.examined, a.left_to_check, a.unexamined),
        )
        for a in fast.judgement.state.around
    ]  # fmt: skip
    expected = [
        (
            t.start, t.end, t.observed, t.stall, t.never_ended, t.longest, t.marks, t.in_flight, t.errors,
            (t.examined, t.left, t.unexamined),
        )
        for t in slow.judge.takeovers
    ]  # fmt: skip
    assert found == expected


def compare_orders(fast: Checked, slow: Slow) -> None:
    for index, takeover in enumerate(slow.judge.takeovers):
        expected = slow_order(slow.judge, takeover, slow.lost)
        found = fast.judgement.order(index)
        assert (found is None) == (expected is None)
        if found is None or expected is None:
            continue
        order = found.order
        first, last = (None if end is None else units(end) for end in (order.moment_from_ns, order.moment_to_ns))
        moment = (first, last) if order.one_moment else None
        assert expected == SlowOrder(
            order.one_moment, moment, order.overtaken, order.set_aside, order.slots, found.left_out
        )


@contextmanager
def cut_small(base: int) -> Iterator[None]:
    """Make every batch two slots long and every stretch three operations, and begin lanes at operation `base`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(assess, "WINDOW_SLOTS", 2)
        patch.setattr(assess, "BATCH_WRITES_MAX", 5)
        patch.setattr(observations, "PACK_ROWS", 4)
        patch.setattr(slots, "CHUNK_OPERATIONS", 3)
        patch.setattr(timeline, "LaneTail", lambda: LaneTail(next_sequence=base))
        yield


@THOROUGH
@given(run=shapes(), seed=SEEDS)
def test_both_judges_agree(run: Run, seed: int) -> None:
    compare(tell(run, seed))


@SHORT
@given(run=shapes(), seed=SEEDS)
def test_both_judges_agree_in_small_batches(run: Run, seed: int) -> None:
    with cut_small(0):
        compare(tell(run, seed))


@SHORT
@given(run=shapes(), seed=SEEDS, base=st.sampled_from((2**32 - 7, 2**33)))
def test_both_judges_agree_where_sequence_numbers_need_more_than_32_bits(run: Run, seed: int, base: int) -> None:
    with cut_small(base):
        compare(tell(replace(run, operations=None), seed, base))  # a lane that begins there has no end near by


def test_the_stories_reach_everything_that_is_compared() -> None:
    """The agreement above would mean little if some finding or kind of takeover never came up."""
    reached: set[object] = set()
    for seed in range(250):
        run = make_run(
            [(1 + seed % 3, 3 + seed % 4, (1, 2, 4)[seed % 3])],
            promise=PROMISES[seed % 2],
            flush=tuple(Flush)[seed % 3],
            fill=seed % 5 < 3,
            workers=1 + seed % 2,
        )
        story = tell(run, seed)
        for number in range(len(story.checks)):
            slow = Slow(story, number)
            reached |= features(slow)
    assert {*Finding, *EVERY_FEATURE} <= reached


EVERY_FEATURE = (
    "observed", "attested", "never ended", "marked and observed", "examined", "left", "unexamined", "several takeovers",
    "in flight", "errors", "late replay", "several lost by one look", "proven floor", "floor of an earlier check",
    "in flight at the end", "open end", "one moment", "reordered", "overtaken", "left out", "uncovered but newer",
)  # fmt: skip


def features(slow: Slow) -> set[object]:
    """What came up in one story."""
    judge = slow.judge
    out: set[object] = {judged.finding for judged in slow.judged.values()}
    for t in judge.takeovers:
        order = slow_order(judge, t, slow.lost)
        facts = {
            "observed": t.observed, "attested": not t.observed, "never ended": t.never_ended,
            "marked and observed": t.observed and bool(t.marks), "examined": t.examined, "left": t.left,
            "unexamined": t.unexamined, "in flight": t.in_flight, "errors": t.errors,
            "several takeovers": len(judge.takeovers) > 1,
        }  # fmt: skip
        if order is not None and order.slots:
            facts |= {
                "one moment": order.one_moment, "reordered": not order.one_moment, "overtaken": order.overtaken,
                "left out": order.left_out,
            }  # fmt: skip
        out |= {name for name, is_so in facts.items() if is_so}
    looks = slow.judged.values()
    facts = {
        "late replay": any(j.late_replay for j in looks),
        "several lost by one look": any(len(j.lost) > 1 for j in looks),
        "proven floor": any(w.proven for ws in judge.writes.values() for w in ws if w.acknowledged is not None),
        "floor of an earlier check": any(
            judge.seen_before.get(key[0]) == j.floor for key, j in slow.judged.items() if key[1] is Source.CHECK
        ),
        "in flight at the end": bool(judge.in_flight),
        "open end": any(judge.open),
        "uncovered but newer": judge.flushed
        and any(j.floor < max([w.n for w in judge.writes[key[0]]], default=-1) for key, j in slow.judged.items()),
    }
    return out | {name for name, is_so in facts.items() if is_so}
