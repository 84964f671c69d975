"""More takeovers than anybody drills: told, and never an arithmetic error, a wrong count, or a hang."""

from __future__ import annotations

import random
from typing import Any

import pytest

from tests.judge.checking import judge_items
from tests.judge.plain_runs import log_of, story_of, sweep, whole
from tests.judge.stories import Renderer, ledger_of, ns
from verify.judge.decision import Finding
from verify.judge.takeovers import TAKEOVERS_MAX, TooManyTakeovers


def marked(count: int, lost: bool) -> tuple[Any, list[tuple[int, Any]]]:
    """A run with so many marks of a takeover within its load, each a nanosecond after the one before."""
    run = sweep(lanes=2, slots=2)
    story = story_of(run, [log_of(10), log_of(10)], [whole(0, 8 if lost else 9), whole(1, 9)])
    items = ledger_of(story, Renderer(run), random.Random(0))
    at = next(index for index, (part, item) in enumerate(items) if isinstance(item, dict) and item["event"] == "stop")
    marks = [
        (0, {"event": "mark", "text": "x", "takeover": True, "pressed_ns": at_ns, "pressed_wall_ns": 0,
             "accepted_ns": at_ns})
        for at_ns in range(ns(20), ns(20) + count)
    ]  # fmt: skip
    return story, items[:at] + marks + items[at:]


def test_as_many_as_are_judged_hide_no_loss_and_make_none() -> None:
    for lost in (False, True):
        story, items = marked(2000, lost)
        checked = judge_items(story, items)
        assert len(checked.judgement.takeovers) == 2000
        assert [(look.slot, look.finding) for look in checked.looks] == [(0, Finding.LOST)] * lost


@pytest.mark.parametrize("count", [TAKEOVERS_MAX + 1, 2**16 + 1])
def test_more_are_refused(count: int) -> None:
    story, items = marked(count, lost=True)
    with pytest.raises(TooManyTakeovers, match=f"tells of {count:,} takeovers; at most 10,000"):
        judge_items(story, items)
