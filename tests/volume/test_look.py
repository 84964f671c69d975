"""The look at a volume: read-only, and never longer than it was given."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from verify.errors import CannotRun, UsageError
from verify.volume.identity import identify
from verify.volume.lines import Level
from verify.volume.look import UNSEEN, direct_trouble, look, steps
from verify.volume.survey import Asked, Places, survey_of

HANG = "import time; time.sleep(600)"


def teller(*told: object, then: str = "") -> tuple[str, ...]:
    """A program that tells some steps, and then does something."""
    prints = "".join(f"print({json.dumps(json.dumps(step))}, flush=True);" for step in told)
    return (sys.executable, "-c", prints + (then or "pass"))


def test_a_volume_is_looked_at_whole(image: Path, tmp_path: Path) -> None:
    seen = look(str(image), str(tmp_path / "not" / "there"))
    assert seen.identity == identify(str(image))
    assert seen.contents.uses == ()
    assert seen.contents.holds == (f"a file of {16 << 20} bytes",)
    assert (seen.silent, seen.record_shares) == ("", "")
    assert seen.record_place is not None
    assert seen.record_place[0] == os.path.realpath(tmp_path)


def test_nothing_is_opened_for_writing(image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[tuple[str, int]] = []
    real_open = os.open

    def watched(path: str, flags: int, *rest: int, **names: int) -> int:
        opened.append((str(path), flags))
        return real_open(path, flags, *rest, **names)

    monkeypatch.setattr(os, "open", watched)
    told = dict(steps(str(image), None))
    assert str(told["holds"]).startswith("['a file of")
    flags = [flags for path, flags in opened if path == str(image)]
    assert len(flags) >= 2
    assert all(flag & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC) == 0 for flag in flags)


@pytest.mark.root
def test_a_device_that_may_not_be_written_to_can_be_looked_at(attach: Callable[..., str], image: Path) -> None:
    seen = look(attach(image, "--read-only", "--direct-io=on"))
    assert seen.contents.holds == ()
    assert (seen.silent, seen.direct_trouble) == ("", "")


@pytest.mark.parametrize("path", ["", "missing", "folder", "null"])
def test_what_is_no_volume_is_told_in_a_sentence(path: str, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "null").symlink_to("/dev/null")
    with pytest.raises(CannotRun, match=r"no such volume|is a directory|is a character device"):
        look(str(tmp_path / path) if path else "")


def test_a_zero_byte_in_a_path_is_misuse() -> None:
    with pytest.raises(UsageError, match="zero byte"):
        look("vol\0ume")


def test_a_volume_that_does_not_even_say_what_it_is_ends_in_time(image: Path) -> None:
    with pytest.raises(CannotRun, match=r"did not answer within 0\.5 s"):
        look(str(image), patience_s=0.5, program=teller(then=HANG))


def test_a_process_that_breaks_down_is_not_taken_for_an_answer(image: Path) -> None:
    with pytest.raises(CannotRun, match="broke down"):
        look(str(image), program=teller(then="raise SystemExit(3)"))


def test_a_process_that_cannot_be_started_is_told_in_a_sentence(image: Path) -> None:
    with pytest.raises(CannotRun, match="cannot start a process"):
        look(str(image), program=("/nowhere/python",))


def test_half_a_line_is_not_taken_for_an_answer(image: Path) -> None:
    with pytest.raises(CannotRun, match="broke down"):
        look(str(image), program=(sys.executable, "-c", "print('[\"identity\"', end='')"))


def test_what_was_told_before_the_silence_is_kept_and_the_survey_stops(image: Path) -> None:
    identity = ("identity", identify(str(image)).to_json())
    program = teller(identity, ("record shares", ""), ("uses", []), ("opened by", []), then=HANG)
    seen = look(str(image), patience_s=1, program=program)
    assert seen.silent == "a direct read did not end within 1 s"
    found = survey_of(seen, Asked(), Places())
    assert Level.STOP in {line.level for line in found.lines if line.topic == "answer"}
    assert [line.value for line in found.lines if line.topic == "holds"] == ["not seen"]
    assert found.exit_code == 4


def test_a_volume_whose_users_were_not_found_out_may_not_be_written_to(image: Path) -> None:
    program = teller(("identity", identify(str(image)).to_json()), ("record shares", ""), then=HANG)
    seen = look(str(image), patience_s=1, program=program)
    assert seen.contents.uses == UNSEEN
    found = survey_of(seen, Asked(), Places())
    assert {"answer", "uses", "permission"} <= {line.topic for line in found.of_level(Level.STOP)}


def test_the_step_that_may_wait_longest_comes_last(image: Path) -> None:
    assert [step for step, _ in steps(str(image), None)] == [
        "identity",
        "record shares",
        "uses",
        "opened by",
        "direct",
        "holds",
    ]


def test_a_file_in_memory_has_no_direct_io() -> None:
    folder = Path("/dev/shm")
    if not folder.is_dir() or not os.access(folder, os.W_OK):
        pytest.skip("needs a file system in memory")
    path = folder / f"look-{os.getpid()}"
    path.write_bytes(bytes(4096))
    try:
        assert direct_trouble(identify(str(path))) != ""
    finally:
        path.unlink()
