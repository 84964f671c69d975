"""The file of particulars: read whole, and everything that is wrong with it told at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from verify.commands.dossier import _EXAMPLE
from verify.drill.particulars import read_particulars
from verify.errors import UsageError


def read(folder: Path, text: str | bytes):
    path = folder / "about.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_particulars(str(path))


def test_the_example_of_the_help_is_read(tmp_path: Path) -> None:
    example = _EXAMPLE.split("A file for --about, all of it optional:\n")[1]
    found = read(tmp_path, "\n".join(line.strip() for line in example.splitlines()))
    assert found.title == "Acceptance of the new storage"
    assert (found.takeovers_a_year, found.bound) == (4.0, 0.05)
    assert found.planned == [{"scenario": "data cable pull", "direction": "A to B", "repeats": 3}]
    assert found.runs["00e873444819d6b8"]["direction"] == "A to B"
    assert found.texts("objectives") == ["no acknowledged write is lost"]


def test_an_empty_file_says_nothing(tmp_path: Path) -> None:
    found = read(tmp_path, "")
    assert found.scope == ""
    assert found.bound is None
    assert found.texts("deviations") == []


def test_all_that_is_wrong_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(UsageError) as told:
        read(
            tmp_path,
            "bound = 2\nodd = 1\nscope = 3\nopen = 'x'\ntakeovers-a-year = 'many'\n[[planned]]\nrepeats = 0\nfoo = 1\n"
            "[[run]]\nid = 7\n",
        )
    text = str(told.value)
    for part in (
        "unknown key 'odd'", "scope must be a text", "open must be a list", "bound must be between 0 and 1",
        "takeovers-a-year must be a number", "[[planned]] 1: repeats must be at least 1",
        "[[planned]] 1: unknown key 'foo'",
        "[[planned]] 1: scenario is missing", "[[run]] 1: id must be a text", "[[run]] 1: scenario is missing",
    ):  # fmt: skip
        assert part in text
    assert all("about.toml: " in line for line in text.splitlines())


@pytest.mark.parametrize(
    "text",
    ["title =", b"\xff\xfe", "planned = 3", "[planned]\nscenario = 'x'", "run = [1]", "bound = true", "bound = nan",
     "bound = 0", "takeovers-a-year = -1", "takeovers-a-year = inf", "open = [1]", "title = ['x']",
     "takeovers-a-year = 1" + "0" * 400, "bound = 1" + "0" * 400],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused(tmp_path: Path, text: str | bytes) -> None:
    with pytest.raises(UsageError):
        read(tmp_path, text)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        read_particulars(str(tmp_path / "none"))
