"""Runs the commands that a plan names: no shell, no input, an end for each, and what they said."""

from __future__ import annotations

import os
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import IO

from verify.errors import CannotRun
from verify.report.visible import visible

OUTPUT_BYTES_MAX = 4000
OUTPUT_KEPT_BYTES_MAX = 16 << 20
"""A command that never stops talking must not fill the disk."""
_LOOK_S = 0.05
_GRACE_S = 2.0


@dataclass(frozen=True)
class Done:
    """How a command ended.

    Attributes:
        exit_code: as the shell would tell it; None if it had to be ended.
        output: the end of what it said, on both streams.
        seconds: how long it took.
    """

    exit_code: int | None = 0
    output: str = ""
    seconds: float = 0.0

    @property
    def well(self) -> bool:
        """Whether it did what it was to do."""
        return self.exit_code == 0

    @property
    def told(self) -> str:
        """How it ended, in words."""
        how = "had to be ended" if self.exit_code is None else f"ended with exit code {self.exit_code}"
        last = self.output.strip().splitlines()[-1:]
        return f"{how}: {visible(last[0][:200])}" if last else how


def run_command(command: Sequence[str], within_s: float, given_up: Callable[[], bool]) -> Done:
    """Run a command in a process group of its own, and wait for it.

    What it starts in turn is ended with it, if it has to be ended; what it leaves behind by itself goes on, and is not
    waited for, whatever it keeps open. It gets neither the terminal nor a shell.

    Args:
        command: program and arguments.
        within_s: after so many seconds it is ended.
        given_up: asked several times a second; true when it is to be ended at once.

    Raises:
        CannotRun: if it cannot be started.
    """
    started = time.monotonic()
    with _room_for_output() as output:
        try:
            process = subprocess.Popen(
                list(command), stdin=subprocess.DEVNULL, stdout=output, stderr=output, start_new_session=True
            )
        except (OSError, ValueError) as error:
            why = error.strerror if isinstance(error, OSError) else str(error)
            raise CannotRun(f"the command {command[0]!r} of the plan cannot be started: {why}") from None
        code: int | None = None
        try:
            while code is None:
                if time.monotonic() - started > within_s or given_up():
                    break
                with suppress(subprocess.TimeoutExpired):
                    code = process.wait(_LOOK_S)
                if os.fstat(output.fileno()).st_size > OUTPUT_KEPT_BYTES_MAX:
                    os.ftruncate(output.fileno(), 0)
                    os.lseek(output.fileno(), 0, os.SEEK_SET)
        finally:
            if code is None:
                _end(process)
        length = output.seek(0, os.SEEK_END)
        output.seek(max(length - OUTPUT_BYTES_MAX, 0))
        said = output.read().decode("utf-8", "replace")
    return Done(None if code is None else code if code >= 0 else 128 - code, said, time.monotonic() - started)


def _room_for_output() -> IO[bytes]:
    try:
        return tempfile.TemporaryFile()
    except OSError as error:
        raise CannotRun(f"there is no room for what a command of the plan says: {error.strerror}; free some") from None


def _end(process: subprocess.Popen[bytes]) -> None:
    """End its whole group; who does not listen to the first signal gets the second, the command itself or a child."""
    for number in (signal.SIGTERM, signal.SIGKILL):
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, number)
        with suppress(subprocess.TimeoutExpired):
            process.wait(_GRACE_S)
