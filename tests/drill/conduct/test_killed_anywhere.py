"""A drill that ends at every single writing of drill.json, just before or just after it, and goes on by --resume."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from tests.drill.conduct.memory_ground import MemoryGround, Scripted, conduct, plan_of
from verify.drill.conduct.progress import Progress, State
from verify.drill.plan.plan import Plan
from verify.errors import CannotRun

SCENARIO = (
    'name = "two faults"\nfirst-command = ["true", "first"]\nfirst-wait = "1ms"\ncommand = ["true", "do"]\n'
    'further-checks = ["failback"]\nfailback-command = ["true", "failback"]\nrestore-command = ["true", "restore"]\n'
)


class Killed(CannotRun):
    """Stands for the end of the process."""


class DyingProgress(Progress):
    """Writes drill.json so many times, and never again; `lives` is how often it may still."""

    lives = 10**6
    writes_last = False

    def save(self) -> None:
        self.lives -= 1
        if self.lives >= 0 or (self.lives == -1 and self.writes_last):
            super().save()
        if self.lives < 0:
            raise Killed("killed")


def quick_plan(tmp_path: Path) -> Plan:
    plan = plan_of(tmp_path, SCENARIO)
    return replace(plan, scenarios=tuple(replace(one, run_in_s=0.02, run_out_s=0.02) for one in plan.scenarios))


@pytest.mark.parametrize("writes_last", [False, True])
def test_nothing_is_done_twice_and_every_run_is_checked(tmp_path: Path, writes_last: bool) -> None:
    lives, was_killed = 0, True
    while was_killed:
        folder = tmp_path / str(lives)
        folder.mkdir()
        plan, ground = quick_plan(folder), MemoryGround()
        Progress.begin(plan, "", 1, plan.records)
        progress = DyingProgress.resume(plan, "", plan.records)
        assert isinstance(progress, DyingProgress)
        progress.lives, progress.writes_last = lives, writes_last
        try:
            conduct(progress, ground, Scripted(attended=False))
            was_killed = False
        except Killed:
            again = Progress.resume(plan, "", plan.records)
            conduct(again, ground, Scripted(attended=False))
            (step,) = again.steps
            counts = Counter(ground.carried_out)
            assert max(counts.values(), default=0) <= 1, f"after {lives} writings: {counts}"
            assert step.state is State.FINISHED
            assert step.checks
            assert step.verdict != "FAIL"
            assert counts["true do"] <= counts["true first"], "the second fault without the first"
        lives += 1
    assert lives > 10
