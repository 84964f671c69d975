"""The order of a loss rests on what somebody looked at, and on nothing that was only assumed."""

from __future__ import annotations

import random
from dataclasses import replace

from tests.judge.checking import check, judge_items
from tests.judge.plain_runs import log_of, story_of, sweep, whole
from tests.judge.stories import LaneLog, Mark, Op, Renderer, Story, ledger_of
from verify.judge.decision import Finding

PULLED = (Mark(15, 15, True, "pulled"),)


def a_loss_seen_by_an_examination() -> Story:
    """Slots 0 to 2 were written, then came the takeover; slot 0 had gone back, and nobody looked at the others."""
    run = sweep(slots=3)
    ops = [Op("write", n, 1 + 2 * n, 2 + 2 * n) for n in range(6)]
    exam = Op("exam", 6, 20, 21, saw=whole(0, 0))
    log = LaneLog([*ops, exam, Op("write", 6, 22, 23)], Op("end", 7, 100, 100))
    return story_of(run, [log], [whole(0, 6), whole(1, 4), whole(2, 5)], marks=PULLED)


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
