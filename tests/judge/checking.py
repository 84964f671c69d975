"""Running one check of a story through the whole judgement."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tests.judge.stories import NoSpecimens, Renderer, Story, StoryVolume, ledger_of
from verify.drill.scan import Scanner, ScanResult
from verify.judge.assess import Judged, Totals
from verify.judge.decision import CONVICTING, Finding, Source
from verify.judge.judgement import Judgement


@dataclass(frozen=True)
class Look:
    """What became of one observation."""

    slot: int
    source: Source
    before: int
    finding: Finding
    floor: int
    lost: int
    late_replay: bool
    home_too: int


@dataclass(frozen=True)
class Checked:
    """One check, judged. Slots that looked as expected have no look."""

    judgement: Judgement
    scan: ScanResult
    looks: list[Look]

    @property
    def totals(self) -> Totals:
        """The counts over all observations."""
        return self.judgement.assessor.totals

    def finding_of_check(self, slot: int) -> Finding:
        """What the check found of a slot; a slot as expected is intact."""
        found = [look.finding for look in self.looks if look.slot == slot and look.source is Source.CHECK]
        assert len(found) < 2
        return found[0] if found else Finding.INTACT

    def findings_under_load(self, slot: int) -> list[Finding]:
        """What the lanes found of a slot, in order."""
        looks = [look for look in self.looks if look.slot == slot and look.source is not Source.CHECK]
        return [look.finding for look in sorted(looks, key=lambda look: look.before)]

    def convicted_slots(self) -> set[int]:
        """Every slot with a finding that makes a verdict fail."""
        return {look.slot for look in self.looks if look.finding in CONVICTING}


def check(
    story: Story, number: int = 0, seen_before: dict[int, int] | None = None, renderer: Renderer | None = None
) -> Checked:
    """Judge check `number` of a story; `seen_before` is what the checks before it saw (see `Judgement.recall`)."""
    renderer = renderer or Renderer(story.run)
    items = ledger_of(story, renderer, random.Random(number))
    checked = judge_items(story, items, renderer, number, seen_before)
    assert not checked.judgement.contradictions()
    return checked


def judge_items(
    story: Story,
    items: Sequence[tuple[int, Any]],
    renderer: Renderer | None = None,
    number: int = 0,
    seen_before: dict[int, int] | None = None,
) -> Checked:
    """The same with the given items for a ledger, whatever is wrong with them."""
    judgement = Judgement(story.run, lambda: items)
    judgement.recall(seen_before or {})
    volume = StoryVolume(story.run, renderer or Renderer(story.run), story.checks[number])
    specimens: Any = NoSpecimens()
    scanner = Scanner(judgement.state, volume, judgement.observations, specimens, lambda count: None)
    scan = scanner.scan(story.twice)
    looks = [
        look for judged in judgement.judge(seen_before or {}, scan.found_beyond) for look in _looks(judged)
    ]
    return Checked(judgement, scan, looks)


def _looks(judged: Judged) -> list[Look]:
    return [
        Look(
            slot=int(row["slot"]), source=Source(row["source"]), before=int(row["before"]),
            finding=Finding(judged.finding[i]), floor=int(judged.floor[i]), lost=int(judged.lost_writes[i]),
            late_replay=bool(judged.late_replay[i]), home_too=int(row["home_too"]),
        )
        for i, row in enumerate(judged.rows)
    ]  # fmt: skip
