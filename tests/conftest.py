"""What holds for every test."""

from __future__ import annotations

import os
import signal
from types import FrameType

from hypothesis import settings

# On a busy machine any example may take long; what hangs is ended by whoever started the tests.
settings.register_profile("without deadline", parent=settings.default, deadline=None)
settings.load_profile("without deadline")


def pytest_configure() -> None:
    """Let pytest and the commands under test hear Ctrl-C, also where a shell has it ignored.

    Asked to end, pytest ends as on Ctrl-C, so that no device, mount or writer is left. After the first of the two the
    second does not break off the tidying up: `scripts/test` asks those to end that a terminal has told already.
    """
    pytest_itself = os.getpid()

    def end(number: int, frame: FrameType | None) -> None:
        if os.getpid() == pytest_itself:
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
        elif number == signal.SIGTERM:  # a process forked by a test, which ends as it would anywhere
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            signal.raise_signal(signal.SIGTERM)
        raise KeyboardInterrupt

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
