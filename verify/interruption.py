"""Ctrl-C where it does no harm: held back in the midst of things, and let through at the next safe place.

Python raises KeyboardInterrupt between any two steps of the main thread. Raised as a lock is being taken it leaves the
lock taken for ever, and raised in a look-up that numpy makes it is dropped without a word (seen with Python 3.11 and
numpy 2.4): one in eight checks that were interrupted as they began hung, or went on to the end.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from verify.errors import EXIT_CANNOT_RUN

WAKE_S = 0.1
"""Who waits in the main thread looks this often whether an interruption waits too."""
IMPATIENT_S = 1.0
"""Who presses again after this long is not made to wait for a safe place, which may never come: a read may hang."""

_pressed_s: list[float] = []
"""When the interruption came that is being held back; empty if there is none."""


@contextmanager
def held_back() -> Iterator[None]:
    """Hold back what would raise KeyboardInterrupt, until `let_through` is called or this ends; not in other threads.

    A second one, after `IMPATIENT_S`, ends the process at once, as SIGKILL would: nothing that is kept suffers by it.

    Raises:
        KeyboardInterrupt: at the end, if one is still held back.
    """
    before = []
    if _is_main_thread():
        before = [n for n in (signal.SIGINT, signal.SIGTERM) if signal.getsignal(n) is signal.default_int_handler]
    for number in before:
        signal.signal(number, _hold)
    try:
        yield
    finally:
        for number in before:
            signal.signal(number, signal.default_int_handler)
        if before:
            let_through()


def let_through() -> None:
    """A safe place to be interrupted at; costs next to nothing.

    Raises:
        KeyboardInterrupt: in the main thread, if one is held back.
    """
    if _pressed_s and _is_main_thread():
        _pressed_s.clear()
        raise KeyboardInterrupt


def too_late() -> None:
    """Forget what is held back: everything is done, and to be interrupted would only hide that."""
    _pressed_s.clear()


def _is_main_thread() -> bool:
    return threading.current_thread() is threading.main_thread()


def _hold(_number: int, _frame: FrameType | None) -> None:
    now_s = time.monotonic()
    if not _pressed_s:
        _pressed_s.append(now_s)
    elif now_s - _pressed_s[0] > IMPATIENT_S:
        os.write(2, b"\nackproof: stopped at once\n")
        os._exit(EXIT_CANNOT_RUN)
