"""The verdicts that checks left: which of them is the worst, and in which order they were made."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from verify.drill.record import RecordFolder
from verify.drill.verdicts import read_verdict, worst_check
from verify.errors import UsageError
from verify.report.verdict_json import VERDICT_FORMAT


def record_with(path: Path, verdicts: dict[str, object]) -> RecordFolder:
    folder = RecordFolder(str(path))
    for name, verdict in verdicts.items():
        (folder.checks_path / name).mkdir(parents=True)
        (folder.checks_path / name / "verdict.json").write_text(json.dumps(verdict))
    return folder


@pytest.mark.parametrize(("verdicts", "worst"), [
    ({}, None),
    ({"001": "PASS", "002": "FAIL", "003": "INCONCLUSIVE"}, "002"),
    ({"001": "FAIL", "002": "FAIL", "003": "PASS"}, "002"),
    ({"999": "FAIL", "1000": "FAIL"}, "1000"),
    ({"001": "PASS", "002": "unheard of", "003": 3}, "001"),
])  # fmt: skip
def test_the_worst_check_is_told_and_of_several_the_latest(
    tmp_path: Path, verdicts: dict[str, object], worst: str | None
) -> None:
    folder = record_with(tmp_path, {name: {"verdict": word} for name, word in verdicts.items()})
    found = worst_check(folder)
    assert (found and found[0]) == worst
    assert found is None or found[1] == {"verdict": verdicts[found[0]]}


def test_what_is_no_verdict_is_passed_over(tmp_path: Path) -> None:
    folder = record_with(tmp_path, {"001": {"verdict": "PASS"}, "002": [], "003": {}, "004": {"verdict": []}})
    (folder.checks_path / "003" / "verdict.json").write_text("{")
    assert worst_check(folder) == ("001", {"verdict": "PASS"})


def test_checks_are_in_order_of_their_numbers(tmp_path: Path) -> None:
    folder = record_with(tmp_path, {"1000": {}, "999": {}, "001": {}})
    assert folder.check_names() == ["001", "999", "1000"]


def test_a_file_of_another_format_is_no_verdict(tmp_path: Path) -> None:
    folder = record_with(tmp_path, {"001": {"format": VERDICT_FORMAT}, "002": {"format": "another"}, "003": []})
    assert read_verdict(folder, "001") == {"format": VERDICT_FORMAT}
    for name in ("002", "003"):
        with pytest.raises(UsageError, match="is not a check's verdict"):
            read_verdict(folder, name)
