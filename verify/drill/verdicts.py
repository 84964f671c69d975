"""The verdicts that the checks of a record folder left."""

from __future__ import annotations

import contextlib
from typing import Any

from verify.drill.record import RecordFolder, read_json
from verify.errors import AckproofError, UsageError
from verify.judge.verdict import SEVERITY
from verify.report.verdict_json import VERDICT_FORMAT


def read_verdict(folder: RecordFolder, check: str) -> dict[str, Any]:
    """The contents of the verdict.json of one check.

    Raises:
        CannotRun: if it is missing or cannot be read.
        UsageError: if it is no verdict.
    """
    path = folder.checks_path / check / "verdict.json"
    verdict = read_json(path)
    if not isinstance(verdict, dict) or verdict.get("format") != VERDICT_FORMAT:
        raise UsageError(f"{path} is not a check's verdict (its format is not {VERDICT_FORMAT!r})")
    return verdict


def worst_check(folder: RecordFolder) -> tuple[str, dict[str, Any]] | None:
    """The name and the verdict of the worst check, of several the latest; None if none can be read."""
    worst: tuple[str, dict[str, Any]] | None = None
    most = -1
    for name in reversed(folder.check_names()):
        with contextlib.suppress(AckproofError, KeyError, TypeError):
            verdict = read_json(folder.checks_path / name / "verdict.json")
            severity = SEVERITY[verdict["verdict"]]
            if severity > most:
                worst, most = (name, verdict), severity
    return worst
