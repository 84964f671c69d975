"""Asking the programs that the system has, without ever waiting for one that waits for a dead device."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from collections.abc import Callable, Sequence

PATIENCE_S = 5.0

Ask = Callable[[Sequence[str]], str]
"""Runs a program and gives what it printed, "" where that failed."""


def ask_program(command: Sequence[str], patience_s: float = PATIENCE_S) -> str:
    """Run a program that only tells; "" where it is absent, fails, or does not answer within `patience_s`."""
    search = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"))
    program = shutil.which(command[0], path=search)
    if program is None:
        return ""
    try:
        process = subprocess.Popen(
            [program, *command[1:]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={"PATH": search, "LC_ALL": "C"},
        )
    except OSError:
        return ""
    try:
        output, _ = process.communicate(timeout=patience_s)
    except subprocess.TimeoutExpired:
        abandon(process)
        return ""
    return output.decode(errors="replace") if process.returncode == 0 else ""


def abandon(process: subprocess.Popen[bytes]) -> None:
    """Kill a program without waiting for it where it waits for a device that does not answer."""
    process.kill()
    if process.stdout is not None:
        process.stdout.close()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(timeout=1)
