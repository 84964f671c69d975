"""What may stand in the repository: its top level, the length of its files, and what must be executable."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "scripts", "tests", "verify"}
LONGEST_FILE_LINES = 400
STARTED_BY_HAND = {
    "scripts/setup", "scripts/rehearse", "scripts/test", "scripts/bench", "scripts/campaign", "scripts/fuzz",
    "scripts/lab", "scripts/mutate", ".ci/run",
}  # fmt: skip


@pytest.fixture(scope="module")
def files() -> list[str]:
    """Every file that is tracked or about to be: all but the ignored ones, as paths from the root."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a clone: git cannot say which files belong to the repository")
    command = ["git", "-c", f"safe.directory={ROOT}", "ls-files", "-z"]
    command += ["--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    found = sorted(name for name in set(listed.split("\0")) if name and (ROOT / name).is_file())
    assert "pyproject.toml" in found
    return found


def test_the_top_level_holds_nothing_else(files: list[str]) -> None:
    names = {name.split("/")[0] for name in files}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_no_file_of_the_package_is_too_long(files: list[str]) -> None:
    names = [name for name in files if name.startswith("verify/")]
    lines = {name: len((ROOT / name).read_bytes().splitlines()) for name in names}
    assert lines
    assert {name: count for name, count in lines.items() if count > LONGEST_FILE_LINES} == {}


def test_what_is_started_by_hand_is_executable_and_nothing_of_the_package_is(files: list[str]) -> None:
    executable = {name for name in files if (ROOT / name).stat().st_mode & 0o100}
    assert executable >= STARTED_BY_HAND
    assert not {name for name in executable if name.startswith(("verify/", "tests/"))}


def test_no_file_names_a_place_on_one_machine(files: list[str]) -> None:
    """Somebody's home, or this clone: what works there works nowhere else."""
    home = re.compile(r"(?<![\w.$~}/-])/(?:home|Users)/\w")
    places = {}
    for name in files:
        text = (ROOT / name).read_text(encoding="utf-8", errors="replace")
        found = home.findall(text) + [str(ROOT)] * (str(ROOT) in text)
        if found:
            places[name] = found
    assert places == {}
