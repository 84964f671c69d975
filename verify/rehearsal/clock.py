"""The clock of the simulated pair: real for a rehearsal, virtual for a driver that makes its own time."""

from __future__ import annotations

import threading
import time
from typing import Protocol

NS_PER_S = 1_000_000_000


class Clock(Protocol):
    """Where the pair takes its time from, and how its callers wait."""

    def monotonic_ns(self) -> int:
        """The present moment in nanoseconds; never goes back."""

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass."""

    def wait(self, condition: threading.Condition, seconds: float | None) -> None:
        """Wait on a held `condition` until it is notified or `seconds` have passed (None: until notified)."""


class RealClock:
    """CLOCK_MONOTONIC."""

    def monotonic_ns(self) -> int:
        """The present moment in nanoseconds."""
        return time.monotonic_ns()

    def sleep(self, seconds: float) -> None:
        """Let `seconds` of real time pass."""
        time.sleep(seconds)

    def wait(self, condition: threading.Condition, seconds: float | None) -> None:
        """Wait on `condition`, which the caller holds."""
        condition.wait(seconds)


class VirtualClock:
    """Time that passes only when somebody waits for it; for one thread alone.

    Args:
        start_ns: the first moment.
        tick_ns: what every look at the clock costs, so that two events never share a moment.
    """

    def __init__(self, start_ns: int = NS_PER_S, tick_ns: int = 100) -> None:
        self._now_ns = start_ns
        self._tick_ns = tick_ns

    def monotonic_ns(self) -> int:
        """The present moment in nanoseconds, one tick later than the last one told."""
        self._now_ns += self._tick_ns
        return self._now_ns

    def sleep(self, seconds: float) -> None:
        """Move the present by `seconds`."""
        self._now_ns += round(seconds * NS_PER_S)

    def wait(self, condition: threading.Condition, seconds: float | None) -> None:
        """Move the present by `seconds`.

        Raises:
            RuntimeError: the wait has no end, and no other thread can end it.
        """
        if seconds is None:
            raise RuntimeError("a caller waits for ever, and under a virtual clock nobody else can wake it")
        self.sleep(seconds)
        condition.wait(0)
