"""Commands of a plan that do not end, do not listen, leave something behind, or never stop talking."""

from __future__ import annotations

import os
import signal
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import pytest

from tests.drill.runs import wait_until
from verify.drill.conduct import commands
from verify.drill.conduct.commands import run_command
from verify.errors import CannotRun

LONG_S = 60.0


def shell(script: str) -> commands.Done:
    return run_command(["sh", "-c", script], LONG_S, lambda: False)


def is_alive(pid: int) -> bool:
    try:
        return "Z" not in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False


def test_a_child_that_does_not_listen_is_ended_with_it(tmp_path: Path) -> None:
    pid = tmp_path / "pid"
    script = f"(trap '' TERM; sh -c 'echo $PPID' > {pid}; while :; do sleep 1; done) & wait"
    done = run_command(["sh", "-c", script], LONG_S, lambda: pid.exists() and bool(pid.read_text()))
    assert (done.exit_code, done.well, done.told) == (None, False, "had to be ended")
    wait_until(lambda: not is_alive(int(pid.read_text())), "its end")


def test_what_it_leaves_behind_is_not_waited_for_and_lives_on() -> None:
    began = time.monotonic()
    done = shell(f"sleep {LONG_S:.0f} & echo $!")
    pid = int(done.output)
    try:
        assert (done.exit_code, is_alive(pid)) == (0, True)
        assert time.monotonic() - began < LONG_S
    finally:
        os.kill(pid, signal.SIGKILL)


def test_one_that_never_stops_talking_does_not_fill_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(commands, "OUTPUT_KEPT_BYTES_MAX", 1 << 16)
    sizes: list[int] = []
    with tempfile.TemporaryFile() as file:
        monkeypatch.setattr(commands, "_room_for_output", lambda: file)

        def given_up() -> bool:
            sizes.append(os.fstat(file.fileno()).st_size)
            return any(after < before for before, after in pairwise(sizes))

        done = run_command(["sh", "-c", f"while :; do echo {'much ' * 1000}; done"], LONG_S, given_up)
    assert done.exit_code is None
    assert done.seconds < LONG_S
    assert len(done.output) <= commands.OUTPUT_BYTES_MAX


def test_without_room_for_what_it_says_it_is_not_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tempfile, "TemporaryFile", full)
    with pytest.raises(CannotRun, match="no room for what a command of the plan says: No space left"):
        shell("true")


def test_what_it_said_is_shown_harmless() -> None:
    assert "\x1b" not in shell("printf 'a\\033[2Jb'; exit 3").told
