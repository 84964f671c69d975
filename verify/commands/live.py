"""The live line of a running load; a terminal that hangs stops nothing but this line."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable

from verify.drill.quantities import format_duration, format_size
from verify.ledger.second_sender import Lag
from verify.load.shared import Phase
from verify.load.supervisor import Snapshot

REFRESH_S = 0.25
PLAIN_EVERY_S = 10.0
COLUMNS_DEFAULT = 160
"""Where the terminal does not tell."""


class LiveLine:
    """Shows the latest snapshot from a thread of its own, on standard error.

    On a terminal one line is kept up to date; elsewhere a line is printed every 10 s and whenever the load stalls or
    goes on.

    Args:
        lag: tells how far the second ledger is behind, if there is one.
    """

    def __init__(self, lag: Callable[[], Lag] | None = None) -> None:
        self._lag = lag
        self._tty = sys.stderr.isatty()
        self._snapshot: Snapshot | None = None
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._loop, daemon=True, name="live line")

    def start(self) -> None:
        """Start showing."""
        self._thread.start()

    def show(self, snapshot: Snapshot) -> None:
        """Take the latest snapshot; never blocks."""
        self._snapshot = snapshot

    def stop(self) -> None:
        """Stop, without waiting for a terminal that hangs."""
        self._done.set()
        self._thread.join(timeout=1.0)
        if self._tty and self._snapshot is not None:
            _put("\n")

    def _loop(self) -> None:
        last_plain, was_stalled = time.monotonic() - PLAIN_EVERY_S + 1.0, False
        while not self._done.wait(REFRESH_S):
            snapshot = self._snapshot
            if snapshot is None:
                continue
            if self._tty:
                _put("\r\x1b[2K" + self._line(snapshot)[: _columns()])
                continue
            stalled = snapshot.stalled_s > 0
            if stalled != was_stalled or time.monotonic() - last_plain >= PLAIN_EVERY_S:
                last_plain, was_stalled = time.monotonic(), stalled
                _put(self._line(snapshot) + "\n")

    def _line(self, snapshot: Snapshot) -> str:
        return line(snapshot) + ("" if self._lag is None else "  " + lag_text(self._lag()))


def _columns() -> int:
    """How much of a line fits: what wraps around could not be cleared again."""
    try:
        return max(os.get_terminal_size(2).columns - 1, 0) or COLUMNS_DEFAULT
    except OSError:
        return COLUMNS_DEFAULT


def _put(text: str) -> None:
    with contextlib.suppress(OSError):
        os.write(2, text.encode())


def line(snapshot: Snapshot) -> str:
    """One line that says how the run stands."""
    if snapshot.phase == Phase.FILL:
        head = f"fill {snapshot.filled_share:4.0%}"
    else:
        head = f"load {format_duration(snapshot.elapsed_s)}"
    if snapshot.stalled_s:  # Before all else, so that it is seen on a narrow terminal too.
        head += f"  stalled {snapshot.stalled_s:.1f} s"
    text = (
        f"{head}  {snapshot.writes_per_second:,.0f} acknowledged writes/s  "
        f"{snapshot.bytes_per_second / 1e6:,.1f} MB/s  {snapshot.in_flight} in flight  "
        f"last acknowledged {format_duration(snapshot.last_acknowledged_s)} ago"
    )
    if snapshot.errors:
        text += f"  {snapshot.errors:,} errors"
    return text


def lag_text(lag: Lag) -> str:
    """How far a second ledger is behind, in a few words."""
    behind = f"{format_duration(lag.behind_s)} behind"
    if not lag.behind_bytes:
        behind = "up to date"
    elif lag.trouble:
        behind += f", {format_size(lag.behind_bytes)}"
    return f"second ledger {behind}" + (f" ({lag.trouble})" if lag.trouble else "")
