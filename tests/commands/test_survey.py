"""`ackproof survey` as it is typed: what it prints, how it ends, what it refuses."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from tests.drill.runs import ackproof
from verify.commands.survey import survey

CANNOT_RUN, USAGE = 4, 2


@pytest.fixture
def volume(tmp_path: Path) -> Path:
    """A file of 1 MiB."""
    path = tmp_path / "volume"
    path.write_bytes(bytes(1 << 20))
    return path


@pytest.fixture
def mounted(tmp_path: Path) -> Iterator[str]:
    """A loop device with a mounted file system."""
    if os.geteuid() != 0 or not all(map(shutil.which, ("losetup", "mkfs.ext4", "mount"))):
        pytest.skip("needs root, losetup and mkfs.ext4: mounts a loop device")
    backing, point = tmp_path / "backing", tmp_path / "mounted"
    backing.write_bytes(bytes(16 << 20))
    point.mkdir()
    device = subprocess.check_output(["losetup", "--find", "--show", str(backing)], text=True).strip()
    try:
        subprocess.run(["mkfs.ext4", "-q", device], check=True)
        subprocess.run(["mount", device, str(point)], check=True)
        yield device
        subprocess.run(["umount", str(point)], check=True)
    finally:
        subprocess.run(["losetup", "--detach", device], check=True)


def test_each_line_says_how_it_stands(volume: Path) -> None:
    done = ackproof("survey", volume)
    assert done.returncode == 0, done.stderr
    *lines, empty, last = done.stdout.splitlines()
    assert empty == ""
    assert last.startswith("nothing stops the drill: 0 to stop for, ")
    assert all(line[:5] in ("fine ", "warn ", "     ") for line in lines)
    assert any(line.startswith("warn ") for line in lines)
    for line, following in pairwise(lines):
        if not line.startswith("     "):
            assert following.strip().startswith("warning: ") == line.startswith("warn ")
    assert done.stderr == ""


def test_a_volume_in_use_ends_with_4_and_says_why(mounted: str) -> None:
    done = ackproof("survey", mounted)
    assert done.returncode == CANNOT_RUN
    assert "STOP used by" in done.stdout
    assert "stop: a volume in use is never written to" in done.stdout
    assert done.stdout.splitlines()[-1].startswith("do not begin: ")


def test_json_is_one_object_that_says_the_same(volume: Path) -> None:
    done = ackproof("survey", volume, "--json", "--expected-stall", "20s", "--span", "1MiB", "--array-cache", "1GiB")
    told = json.loads(done.stdout)
    assert (done.returncode, told["format"], told["level"]) == (0, "ackproof-survey/1", "warning")
    assert told["volume"]["identity"] == str(volume)
    assert told["asked"]["expected_stall_s"] == 20
    assert [line["level"] for line in told["lines"] if line["topic"] == "span"] == ["warning"]


def test_the_detection_time_follows_from_priority_and_interval(volume: Path) -> None:
    done = ackproof("survey", volume, "--vrrp-priority", 100, "--vrrp-interval", "1s")
    assert "at least 3.609 s until the standby notices" in done.stdout


def test_a_name_that_would_drive_the_terminal_is_shown_as_text(tmp_path: Path) -> None:
    volume = tmp_path / "vol\n\x1b[31mume\u202e"
    volume.write_bytes(bytes(4096))
    done = ackproof("survey", volume)
    assert "vol\\n\\x1b[31mume\\u202e" in done.stdout
    assert "\x1b" not in done.stdout
    assert all(line[:5] in ("fine ", "warn ", "     ") for line in done.stdout.splitlines()[:-2])


def test_the_record_folder_is_not_made(volume: Path, tmp_path: Path) -> None:
    done = ackproof("survey", volume, "--record", tmp_path / "record")
    assert "the ledger would go to" in done.stdout
    assert sorted(os.listdir(tmp_path)) == ["volume"]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--vrrp-priority", "100"), "give both or neither"),
        (("--vrrp-interval", "1s"), "give both or neither"),
        (("--vrrp-priority", "100", "--vrrp-interval", "1s", "--expected-stall", "3s"), "not both"),
        (("--vrrp-priority", "0", "--vrrp-interval", "1s"), "from 1 to 254"),
        (("--vrrp-priority", "100", "--vrrp-interval", "41s"), "from 0.01 to 40.95 s"),
        (("--vrrp-priority", "high", "--vrrp-interval", "1s"), "--vrrp-priority"),
        (("--floating-address", "the one upstairs"), "is no IP address"),
        (("--expected-stall", "long"), "is not a duration"),
        (("--span", "much"), "is not a size"),
        (("--span", "0"), "a span of 0 bytes"),
        (("--array-cache", "-1"), "is not a size"),
        (("--record", ""), "has no name"),
    ],
)
def test_what_is_asked_wrongly_is_refused_in_a_sentence(volume: Path, options: tuple[str, ...], says: str) -> None:
    done = ackproof("survey", volume, *options)
    assert done.returncode == USAGE
    assert says in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


def test_what_is_no_volume_is_no_survey_even_as_json(tmp_path: Path) -> None:
    done = ackproof("survey", tmp_path / "missing", "--json")
    assert (done.returncode, done.stdout) == (CANNOT_RUN, "")
    assert "no such volume" in done.stderr


def test_a_folder_of_that_name_where_one_stands_changes_nothing(
    volume: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process that looks at the volume takes no code from the folder it is started in."""
    (tmp_path / "verify").mkdir()
    (tmp_path / "verify" / "__init__.py").write_text("raise SystemExit('taken from the wrong place')")
    monkeypatch.chdir(tmp_path)
    from click.testing import CliRunner  # noqa: PLC0415  (only this test needs it)

    done = CliRunner().invoke(survey, [str(volume)], standalone_mode=False)
    assert done.exception is None
    assert "wrong place" not in done.output


def test_the_help_says_what_the_exit_codes_are() -> None:
    done = ackproof("survey", "--help")
    assert "Exit codes: 0 nothing stops the drill" in " ".join(done.stdout.split())
