"""The simulated pair as a volume: many threads call it, and a takeover makes them wait."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from verify.rehearsal.backing import SECTOR_BYTES, Backing
from verify.rehearsal.clock import NS_PER_S, Clock, RealClock
from verify.rehearsal.core import NEVER_NS, PairCore
from verify.rehearsal.faults import Fault, fault_by_name
from verify.rehearsal.state import PairSettings
from verify.rehearsal.truth import Moment, Truth, digest_of


def _os_error(code: int, text: str | None = None) -> OSError:
    return OSError(code, text or os.strerror(code))


class SimulatedPair:
    """Two controllers over one backing file behind a floating address; implements the volume protocol.

    Reads, writes and flushes may come from any number of threads, each with one call outstanding. While the
    address does not answer they wait, and are then executed by the controller that has taken over.

    Args:
        backing: the shared medium; the pair closes it.
        fault: how the pair behaves, or its name.
        settings: how it is built; None for the defaults.
        clock: where time comes from; None for real time.

    Raises:
        UsageError: an unknown fault, or settings that do not fit it.
    """

    def __init__(
        self,
        backing: Backing,
        fault: Fault | str = "sound",
        settings: PairSettings | None = None,
        clock: Clock | None = None,
    ) -> None:
        self.fault = fault_by_name(fault) if isinstance(fault, str) else fault
        self.settings = settings or PairSettings()
        self.clock = clock or RealClock()
        self._backing = backing
        self._size_bytes = backing.size_bytes
        self._core = PairCore(backing, self.fault, self.settings, self.clock.monotonic_ns)
        self._door = threading.Condition(threading.Lock())
        self._in_service: dict[int, tuple[int, bytes]] = {}
        self._closed = False

    @property
    def size_bytes(self) -> int:
        """Size of the volume in bytes."""
        return self._size_bytes

    @property
    def sector_bytes(self) -> int:
        """The smallest unit that the pair transfers whole: 512 bytes."""
        return SECTOR_BYTES

    @property
    def truth(self) -> Truth:
        """What the pair really did; to be read when the load has ended."""
        return self._core.truth

    # --- the volume ---

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        """Fill `buffer` with what the pair serves; returns the bytes read, fewer only at the end.

        Raises:
            OSError: EINVAL for a range off the sectors, ETIMEDOUT after `give_up`, EBADF after `close`, or
                the backing file's own error.
        """
        length_bytes = self._fitting_bytes(offset_bytes, len(buffer))
        if not length_bytes:
            return 0
        view = buffer if length_bytes == len(buffer) else buffer[:length_bytes]
        issued_ns = self.clock.monotonic_ns()
        with self._door:
            if self._closed or issued_ns < self._core.all_open_ns:
                self._wait_for_address(offset_bytes, length_bytes, None)
            self._core.read(offset_bytes, view)
        return length_bytes

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        """Write one block and acknowledge it; returns the bytes written.

        Args:
            offset_bytes: where; every write to one place has the same length.
            buffer: the block.
            through: whether it must be on the medium before the acknowledgement.

        Raises:
            OSError: EINVAL for a range off the sectors or across other blocks, ENOSPC beyond the end,
                ETIMEDOUT after `give_up`, EBADF after `close`, or the backing file's own error.
        """
        data = bytes(buffer)
        length_bytes = self._fitting_bytes(offset_bytes, len(data))
        if length_bytes != len(data):
            raise _os_error(errno.ENOSPC)
        if not length_bytes:
            return 0
        caller = threading.get_ident()
        issued_ns = self.clock.monotonic_ns()
        self._in_service[caller] = (offset_bytes, data)
        digest = digest_of(data)
        with self._door:
            try:
                if self._closed or issued_ns < self._core.all_open_ns:
                    self._wait_for_address(offset_bytes, length_bytes, data)
                self._core.write(offset_bytes, data, digest, through, issued_ns)
            finally:
                del self._in_service[caller]
        return length_bytes

    def flush(self) -> None:
        """Make every write acknowledged before this call non-volatile, as far as the fault honours it.

        Raises:
            OSError: ETIMEDOUT after `give_up`, EBADF after `close`, or the backing file's own error.
        """
        issued_ns = self.clock.monotonic_ns()
        with self._door:
            if self._closed or issued_ns < self._core.all_open_ns:
                self._wait_for_address(0, self._size_bytes, None)
            self._core.flush(issued_ns)

    def reopen(self) -> bool:
        """Whether the address answers; false during a takeover, after `give_up` and after `close`."""
        with self._door:
            now_ns = self.clock.monotonic_ns()
            return not self._closed and self._core.closed_until_ns(0, self._size_bytes, now_ns) is None

    def close(self) -> None:
        """Destage everything, so that the backing file alone holds what the survivor serves, and close it.

        A stale read cache is not the file's content and is gone with the pair.
        """
        with self._door:
            if self._closed:
                return
            self._closed = True
            self._door.notify_all()
            try:
                self._core.settle()
            finally:
                self._backing.close()

    # --- what a driver does to it ---

    def takeover(self) -> Moment:
        """Lose controller A now; callers wait for the stall and then find B. Returns at once.

        Raises:
            UsageError: it has happened already, or the fault wants `cut_mirror` first.
        """
        with self._event():
            return self._core.takeover(self._in_service.copy().values())

    def cut_mirror(self) -> None:
        """Break the mirror link before the takeover; raises UsageError if the fault has no such step."""
        with self._event():
            self._core.cut_mirror()

    def late_replay(self) -> Moment | None:
        """Let the lost controller finish its unanswered writes over newer ones.

        Returns None, having done nothing, while none of their places has been written anew; call again later.

        Raises:
            UsageError: the fault has no such step, or there was no takeover yet.
        """
        with self._event():
            return self._core.late_replay(self._in_service.copy().values())

    def drop_read_cache(self) -> int:
        """Empty B's read cache; returns how many stale blocks it held. Raises UsageError if there is none."""
        with self._event():
            return self._core.drop_read_cache()

    def end_both_active(self) -> Moment:
        """Lose what A acknowledged alone; its callers wait for the stall and then find B.

        Raises:
            UsageError: only one controller is active.
        """
        with self._event():
            return self._core.end_both_active(self._in_service.copy().values())

    def give_up(self) -> None:
        """Make every waiting and every later call fail with ETIMEDOUT.

        Raises:
            UsageError: the address answers, or will.
        """
        with self._event():
            self._core.give_up()

    def checker(self) -> CheckView:
        """The same volume for a check after the load: its reads do not count as seen during the load."""
        with self._door:
            self._core.truth.end_load()
        return CheckView(self)

    # --- inside ---

    @contextmanager
    def _event(self) -> Iterator[None]:
        with self._door:
            if self._closed:
                raise _os_error(errno.EBADF)
            yield
            self._door.notify_all()

    def _fitting_bytes(self, offset_bytes: int, length_bytes: int) -> int:
        if offset_bytes < 0 or offset_bytes % SECTOR_BYTES or length_bytes % SECTOR_BYTES:
            raise _os_error(errno.EINVAL)
        return max(0, min(length_bytes, self._size_bytes - offset_bytes))

    def _wait_for_address(self, offset_bytes: int, length_bytes: int, data: bytes | None) -> None:
        told_a = data is None
        while True:
            if self._closed:
                raise _os_error(errno.EBADF)
            if self._core.given_up:
                raise _os_error(errno.ETIMEDOUT)
            now_ns = self.clock.monotonic_ns()
            open_ns = self._core.closed_until_ns(offset_bytes, length_bytes, now_ns)
            if open_ns is None:
                return
            if data is not None and not told_a:
                self._core.unanswered(offset_bytes, data)
                told_a = True
            seconds = None if open_ns == NEVER_NS else (open_ns - now_ns) / NS_PER_S
            self.clock.wait(self._door, seconds)


class CheckView:
    """The pair as a check sees it after the load: readable, not writable; closing it leaves the pair open."""

    def __init__(self, pair: SimulatedPair) -> None:
        self._pair = pair

    @property
    def size_bytes(self) -> int:
        """Size of the volume in bytes."""
        return self._pair.size_bytes

    @property
    def sector_bytes(self) -> int:
        """The smallest unit that the pair transfers whole: 512 bytes."""
        return self._pair.sector_bytes

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        """Fill `buffer` with what the survivor serves; raises OSError as the pair does."""
        return self._pair.read(offset_bytes, buffer)

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        """Refuse: raises OSError (EROFS)."""
        raise _os_error(
            errno.EROFS, f"a check writes nothing ({len(buffer)} bytes at byte {offset_bytes}, {through=})"
        )

    def flush(self) -> None:
        """Nothing to do: a check writes nothing."""

    def reopen(self) -> bool:
        """Whether the address answers."""
        return self._pair.reopen()

    def close(self) -> None:
        """Leave the pair open for whoever owns it."""
