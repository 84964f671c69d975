"""Everything that a report of one check rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from verify.load.run import Run
from verify.report.damage import Damage
from verify.report.series import Series


@dataclass(frozen=True)
class Instant:
    """Where a takeover lies, in monotonic nanoseconds; the same twice where it was a moment."""

    start_ns: int
    end_ns: int


@dataclass(frozen=True)
class Occurrence:
    """One line of the record's events, whoever wrote it; `rest` holds the fields that have no place of their own."""

    kind: str
    at_ns: int | None
    since_ns: int | None
    text: str
    takeover: bool
    rest: Mapping[str, Any]


@dataclass
class ReportFacts:
    """What run.json, a check's folder and the ledger tell, read and counted.

    Attributes:
        instants: one for each takeover of the verdict, unless there is no timeline.
        zero_ns: the monotonic time that timelines count from.
        no_timeline: why there is none; "" if there is one.
        events_unread: lines of events.jsonl that are no events.
        worse_checks: name and verdict of each other check of the run that came to a worse one.
    """

    about: dict[str, Any]
    run: Run
    check: str
    verdict: dict[str, Any]
    damage: Damage
    series: Series | None = None
    zero_ns: int = -1
    instants: list[Instant] = field(default_factory=list)
    occurrences: list[Occurrence] = field(default_factory=list)
    no_timeline: str = ""
    events_unread: int = 0
    worse_checks: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True)
class Criterion:
    """One acceptance criterion: what was required, what was measured, and whether that meets it (None: unknown)."""

    name: str
    required: str
    measured: str
    met: bool | None


def criteria_of(verdict: Mapping[str, Any], about: Mapping[str, Any]) -> list[Criterion]:
    """The acceptance criteria: the one that always holds, and those kept in the verdict or the run."""
    lost = int(verdict["lost"]["acknowledged_writes"])
    always = Criterion("lost acknowledged writes", "0", f"{lost:,}", lost == 0)
    for kept in (verdict.get("criteria"), about.get("criteria")):
        if isinstance(kept, list) and kept and all(isinstance(item, dict) for item in kept):
            return [always] + [
                Criterion(
                    name=_text(item.get("name", "unnamed")),
                    required=_text(item.get("required", "")),
                    measured=_text(item.get("measured", "not measured")),
                    met=item["met"] if isinstance(item.get("met"), bool) else None,
                )
                for item in kept
            ]
    return [always]


def _text(value: Any) -> str:
    if value is None:
        return "not measured"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:,}" if isinstance(value, int) else str(value)
