"""A wall clock that is set while the run goes on: it is told, and changes nothing that is judged."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.judge.stories import UNIT_NS, Renderer, ledger_of, make_run, ns
from tests.judge.telling import tell
from tests.judge.test_takeovers import make_story
from verify.judge.judgement import Judgement
from verify.judge.timeline import Timeline
from verify.ledger.frames import Kind, Records


def with_clock_step(items: Sequence[tuple[int, Any]], after: int, step_ns: int) -> list[tuple[int, Any]]:
    """The same ledger with the wall clock set by `step_ns` at a moment."""
    out = []
    for part, item in items:
        if isinstance(item, Records):
            done_ns = item.done_ns.copy()
            done_ns[(item.kind == Kind.CLOCK) & (item.issued_ns > ns(after))] += step_ns
            out.append((part, replace(item, done_ns=done_ns)))
        else:
            moved = item.get("monotonic_ns", 0) > ns(after) and "wall_ns" in item
            out.append((part, {**item, "wall_ns": item["wall_ns"] + step_ns} if moved else item))
    return out


class TestClockSteps:
    @pytest.mark.parametrize("step_ns", [-3_600_000_000_000, -600_000_000, 600_000_000, 86_400_000_000_000])
    def test_a_step_is_noticed_and_changes_nothing(self, step_ns: int) -> None:
        story = tell(make_run([(2, 5, 2), (1, 3, 1)], promise="flushed"), 9)
        items = ledger_of(story, Renderer(story.run), random.Random(0))
        plain = Judgement(story.run, lambda: items)
        stepped_items = with_clock_step(items, 21, step_ns)
        stepped = Judgement(story.run, lambda: stepped_items)
        assert plain.timeline.clock_steps == []
        (step,) = stepped.timeline.clock_steps
        assert step.step_ns == step_ns
        assert ns(21) < step.monotonic_ns <= ns(24)
        assert stepped.takeovers == plain.takeovers
        assert stepped.timeline.pauses == plain.timeline.pauses
        assert np.array_equal(stepped.state.newest, plain.state.newest)
        assert np.array_equal(stepped.state.covered, plain.state.covered)
        found, known = list(stepped.judge({}, {})), list(plain.judge({}, {}))
        assert [j.finding.tolist() for j in found] == [j.finding.tolist() for j in known]

    def test_a_drift_of_half_a_second_between_two_heartbeats_is_none(self) -> None:
        story = make_story([[(20, 22)]])
        items = with_clock_step(ledger_of(story, Renderer(story.run), random.Random(0)), 50, 500_000_000)
        timeline = Timeline(story.run)
        for part, item in items:
            timeline.feed(part, item)
        assert timeline.clock_steps == []

    def test_wall_times_follow_the_clock_as_it_stood(self) -> None:
        story = make_story([[(20, 22)]])
        items = with_clock_step(ledger_of(story, Renderer(story.run), random.Random(0)), 50, 10**12)
        timeline = Timeline(story.run)
        for part, item in items:
            timeline.feed(part, item)
        timeline.finish()
        assert timeline.wall_ns(ns(60)) - timeline.wall_ns(ns(40)) == 20 * UNIT_NS + 10**12
