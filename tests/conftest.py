"""What holds for every test."""

from __future__ import annotations

import signal


def pytest_configure() -> None:
    """Let the commands under test hear Ctrl-C, also where whoever started pytest had it ignored, as a shell does."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
