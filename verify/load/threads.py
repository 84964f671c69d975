"""Submission by threads: one thread a lane, each making plain positional reads and writes."""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Callable

from verify.load.action import Action
from verify.load.lane import SHORT_TRANSFER, Lane
from verify.volume.protocol import Volume

GONE = frozenset({errno.ENODEV, errno.ENXIO, errno.EBADF, errno.ESTALE, errno.ENOTCONN, errno.ENOENT, errno.ESHUTDOWN})
"""Errors that mean the volume is no longer there under the handle we hold."""

FAILURES_BEFORE_REOPEN = 20
"""After so many other failures in a row on one lane the volume is looked for again as well.

Short transfers count: a disk that was deleted has no length any more under the old descriptor, and its reads end at
once.
"""

TURNS_PER_HOLD = 32
"""A lane asks once in so many turns whether the ledger is behind."""

REOPEN_EVERY_NS = 500_000_000
_SLEEP_S_MAX = 0.05


class Reopener:
    """Lets the lanes of one worker ask for a vanished volume to be found again, at most twice a second.

    Args:
        volume: the volume.
        found: called when it was found again.
    """

    def __init__(self, volume: Volume, found: Callable[[], None]) -> None:
        self._volume = volume
        self._found = found
        self._lock = threading.Lock()
        self._last_ns = -REOPEN_EVERY_NS

    def try_now(self) -> None:
        """Look for the volume unless another lane did so just now."""
        with self._lock:
            now_ns = time.monotonic_ns()
            if now_ns - self._last_ns < REOPEN_EVERY_NS:
                return
            self._last_ns = now_ns
            try:
                found = self._volume.reopen()
            except OSError:
                return
            if found:
                self._found()


def drive(lane: Lane, volume: Volume, reopener: Reopener, hold: Callable[[], bool], ended: Callable[[], None]) -> None:
    """Drive one lane until it ends.

    Args:
        lane: the lane.
        volume: where its operations go.
        reopener: asked when the volume vanished.
        hold: true while lanes must not issue anything, because the ledger's disk has fallen behind.
        ended: called when the lane has nothing more to do.
    """
    now = time.monotonic_ns
    write, flush, wait, end = Action.WRITE, Action.FLUSH, Action.WAIT, Action.END
    failures = turns = 0
    while True:
        turns += 1
        if not turns % TURNS_PER_HOLD and hold():
            time.sleep(0.005)
            turns -= 1
            continue
        action = lane.next(now())
        if action is end:
            ended()
            return
        if action is wait:
            time.sleep(min(max(lane.wait_until_ns - now(), 0) * 1e-9, _SLEEP_S_MAX))
            continue
        issued_ns = now()
        if action is write and not lane.first_issued_ns and lane.outage_since_decided():
            continue
        if not lane.issued(issued_ns):
            return
        try:
            if action is write:
                moved = volume.write(lane.offset_bytes, lane.buffer, lane.through)
            elif action is flush:
                volume.flush()
                moved = -1
            else:
                moved = volume.read(lane.offset_bytes, lane.buffer)
        except OSError as error:
            failures += 1
            lane.failed(issued_ns, now(), error.errno or errno.EIO)
            if error.errno in GONE or failures % FAILURES_BEFORE_REOPEN == 0:
                reopener.try_now()
            continue
        done_ns = now()
        if moved >= 0 and moved != len(lane.buffer):
            failures += 1
            lane.failed(issued_ns, done_ns, SHORT_TRANSFER)
            if failures % FAILURES_BEFORE_REOPEN == 0:
                reopener.try_now()
            continue
        failures = 0
        lane.completed(done_ns)
