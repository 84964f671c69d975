"""How a drill ends before its end: stopped, or failed; both can be gone on with."""

from __future__ import annotations

from verify.errors import EXIT_FAIL, CannotRun


class Stopped(CannotRun):
    """The drill was stopped before its end and can be gone on with."""


class Failed(Stopped):
    """A run failed, and the drill stopped there."""

    exit_code = EXIT_FAIL
