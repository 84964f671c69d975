"""Lays the kernel's log and the states of the paths on the timeline of a run, beside its load."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any

from verify.errors import AckproofError
from verify.volume.kernel_log import LEVEL_DEBUG, KernelLog

LOOK_S = 0.25
LINES_MAX = 2000
"""A kernel that repeats itself must not fill the record's disk."""


class MachineWatch:
    """Takes down every line of the kernel's log, and every path whose state changed.

    Args:
        append: takes an event of the run; from a thread.
        look_at_paths: the state of each path in words, by its name.
        log: gives the kernel's log from now on.
    """

    def __init__(
        self,
        append: Callable[[dict[str, Any]], object],
        look_at_paths: Callable[[], Mapping[str, str]],
        log: Callable[[], KernelLog] = KernelLog,
    ) -> None:
        self._append = append
        self._look_at_paths = look_at_paths
        self._open_log = log
        self._lines = 0
        self._paths: Mapping[str, str] = {}
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="machine watch", daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def end(self) -> None:
        """Look once more, and end; does not wait long for a look that hangs."""
        self._ended.set()
        if self._thread.ident is not None:
            self._thread.join(timeout=2.0)

    def _run(self) -> None:
        log = None
        try:
            log = self._open_log()
        except OSError as error:
            self._tell("kernel", text=f"the kernel's log cannot be read: {error.strerror}")
        try:
            last = False
            while not last:
                last = self._ended.wait(LOOK_S)
                self._take_lines(log)
                self._take_paths()
        finally:
            if log is not None:
                log.close()

    def _take_lines(self, log: KernelLog | None) -> None:
        for line in log.lines() if log is not None else ():
            if line.severity == LEVEL_DEBUG or self._lines > LINES_MAX:
                continue
            self._lines += 1
            over = self._lines > LINES_MAX
            self._tell("kernel", text="(more lines of the kernel's log are not kept)" if over else line.text)

    def _take_paths(self) -> None:
        with suppress(OSError, AckproofError):
            found = self._look_at_paths()
            for name in sorted({*found, *self._paths}):
                if found.get(name) != self._paths.get(name):
                    self._tell("path", path=name, state=found.get(name, "gone"))
            self._paths = found

    def _tell(self, event: str, **what: str) -> None:
        self._append({"event": event, "monotonic_ns": time.monotonic_ns(), **what})
