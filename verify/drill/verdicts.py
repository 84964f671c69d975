"""The verdicts that the checks of a record folder left."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
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
    return max(reversed(list(_readable(folder))), key=lambda check: SEVERITY[check[1]["verdict"]], default=None)


def worse_checks(folder: RecordFolder, verdict: str) -> list[tuple[str, str]]:
    """Name and verdict of each check that can be read and came to a worse verdict than this one."""
    found = [(name, str(other["verdict"])) for name, other in _readable(folder)]
    return [(name, other) for name, other in found if SEVERITY[other] > SEVERITY[verdict]]


def _readable(folder: RecordFolder) -> Iterator[tuple[str, dict[str, Any]]]:
    """Name and contents of whatever says its verdict; that it is damaged otherwise may not hide a worse one."""
    for name in folder.check_names():
        with contextlib.suppress(AckproofError):
            verdict = read_json(folder.checks_path / name / "verdict.json")
            if isinstance(verdict, dict) and isinstance(verdict.get("verdict"), str) and verdict["verdict"] in SEVERITY:
                yield name, verdict
