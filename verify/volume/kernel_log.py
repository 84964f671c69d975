"""Follows the kernel's log from a moment on, by /dev/kmsg (Documentation/ABI/testing/dev-kmsg of the kernel)."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

RECORD_BYTES_MAX = 8192
LEVEL_DEBUG = 7
"""Priorities are those of syslog (RFC 5424, section 6.2.1): the lowest three bits are the severity, 7 is debug."""


@dataclass(frozen=True)
class KernelLine:
    """One line: its severity (0 emergency to 7 debug), and what it says."""

    severity: int
    text: str


class KernelLog:
    """The lines that come after it was opened.

    Args:
        path: of the log.

    Raises:
        OSError: if it may not be read.
    """

    def __init__(self, path: str = "/dev/kmsg") -> None:
        self._fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with suppress(OSError):
            os.lseek(self._fd, 0, os.SEEK_END)

    def lines(self) -> Iterator[KernelLine]:
        """What came since the last call; never waits."""
        while True:
            try:
                record = os.read(self._fd, RECORD_BYTES_MAX)
            except BrokenPipeError:  # Lines were overwritten before they could be read.
                yield KernelLine(4, "(lines of the kernel's log were lost)")
                continue
            except OSError:
                return
            if not record:
                return
            line = parse_record(record)
            if line is not None:
                yield line

    def close(self) -> None:
        """Follow it no more."""
        os.close(self._fd)


def parse_record(record: bytes) -> KernelLine | None:
    """One record "priority,sequence,microseconds,flags;text" with lines of its own properties below; None if none."""
    head, _, rest = record.partition(b";")
    priority = head.split(b",")[0]
    text = rest.split(b"\n")[0].decode("utf-8", "replace")
    return KernelLine(int(priority) & 7, text) if priority.isdigit() and rest else None
