"""One drill from its name to what it showed."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from scripts.drill_campaign.compare import Disagreement, compare
from scripts.drill_campaign.judging import judge_checks
from scripts.drill_campaign.plan import draw_plan
from scripts.drill_campaign.truth import Truth
from scripts.drill_campaign.world import make_world


@dataclass
class DrillResult:
    """What one drill planted, what its checks had to report, and where they did not."""

    name: str
    circumstances: list[str]
    is_sound: bool
    checks: int
    planted: Counter[str]
    called_for: Counter[str] = field(default_factory=Counter)
    disagreements: list[Disagreement] = field(default_factory=list)


def run_drill(name: str) -> DrillResult:
    """Run one drill: the same name gives the same drill, to the byte."""
    plan = draw_plan(name)
    world = make_world(plan)
    truth = Truth(world)
    out = DrillResult(name, plan.circumstances, plan.is_sound, len(plan.checks), world.planted)
    for number, (served, reported) in enumerate(zip(world.served, judge_checks(world), strict=True)):
        compared = compare(truth.check(served), reported, plan.is_sound)
        out.called_for += compared.called_for
        for found in compared.disagreements:
            out.disagreements.append(Disagreement(found.wrong, f"check {number + 1}, {found.text}"))
    return out
