"""Writing a ledger file while the load runs.

Lanes append records to a list and go on; one thread turns what has gathered into a frame at least every
100 ms and hands it to the kernel; another asks for it to be made non-volatile once a second. The lanes wait
for neither.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
import time
from collections.abc import Iterator
from typing import Any

from blake3 import blake3

from verify.ledger.frames import (
    RECORDS_MAX,
    FrameKind,
    chain_start,
    clock_record,
    encode_event,
    encode_frame,
)

FRAME_EVERY_S = 0.05
HEARTBEAT_EVERY_S = 0.1
SYNC_EVERY_S = 1.0
PENDING_RECORDS_MAX = 1_000_000
"""Beyond so many records not yet handed to the kernel, lanes hold until the ledger's disk has caught up."""

DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})

RESERVE_NAME = "reserve"
RESERVE_BYTES = 8 * 1024 * 1024
"""Room kept beside the ledger files, given up when the disk is full so that the close still fits."""

_THREAD_PATIENCE_S = 2.0


def reserve_room(folder: str) -> None:
    """Keep `RESERVE_BYTES` on the ledger's disk for the end of a run.

    Raises:
        OSError: if there is no room even for that.
    """
    path = os.path.join(folder, RESERVE_NAME)
    file = os.open(path, os.O_WRONLY | os.O_CREAT, 0o644)
    try:
        os.posix_fallocate(file, 0, RESERVE_BYTES)
    except OSError:
        os.unlink(path)
        raise
    finally:
        os.close(file)


def release_room(folder: str) -> None:
    """Give the reserve back at the end of a run."""
    with contextlib.suppress(OSError):
        os.unlink(os.path.join(folder, RESERVE_NAME))


class Recorder:
    """One ledger file being written.

    `full` is set once its disk was full, `failure` once it could not be written for any other reason; after a
    failure nothing more is written.

    Args:
        path: the file, which must not exist.
        tag: the run's tag.
        part: number of this file within the run; 0 is the supervisor's.
        opening: the first event.

    Raises:
        OSError: if the file cannot be created.
    """

    def __init__(self, path: str, tag: int, part: int, opening: dict[str, Any]) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
        self._file = os.open(path, flags, 0o644)
        self._pending: list[bytes | dict[str, Any]] = [opening]
        self._head = chain_start(tag, part)
        self._number = 0
        self._size_bytes = 0
        self._flush_lock = threading.Lock()
        self._stop = threading.Event()
        self._closed = False
        self._reserve_path = os.path.join(os.path.dirname(path), RESERVE_NAME)
        self.failure: OSError | None = None
        self.full = False
        self.append = self._pending.append
        """Adds one record (24 bytes) or one event (a dict) to the ledger; never blocks.

        What is added after `close` was called may be left out.
        """
        self._threads = [
            threading.Thread(target=loop, daemon=True)
            for loop in (self._write_loop, self._heartbeat_loop, self._sync_loop)
        ]

    def start(self) -> None:
        """Start writing frames and heartbeats."""
        self.flush()
        for thread in self._threads:
            thread.start()

    @property
    def behind(self) -> bool:
        """Whether so much is waiting to be written that lanes must hold."""
        return len(self._pending) > PENDING_RECORDS_MAX

    @property
    def head(self) -> str:
        """The BLAKE3 of the last frame, in hexadecimal."""
        return self._head.hex()

    @property
    def size_bytes(self) -> int:
        """Bytes written so far."""
        return self._size_bytes

    def flush(self) -> None:
        """Hand everything that has gathered to the kernel as frames.

        On a full disk the reserve is given up, `full` is set and what could not be written stays for the next
        call. Any other failure is kept in `failure`.
        """
        with self._flush_lock:
            if not self._closed:
                self._write_gathered(None)

    def close(self, closing: dict[str, Any] | None) -> None:
        """Write what has gathered, and the closing event as the file's last; make it non-volatile."""
        self._stop.set()
        with self._flush_lock:
            if self._closed:
                return
            self._closed = True
            if not self._write_gathered(closing):
                self._write_gathered(closing)
        try:
            os.fdatasync(self._file)
        except OSError as error:
            self.failure = self.failure or error
        started = [thread for thread in self._threads if thread.ident is not None]
        for thread in started:
            thread.join(_THREAD_PATIENCE_S)
        if not any(thread.is_alive() for thread in started):
            os.close(self._file)

    def _write_gathered(self, last: dict[str, Any] | None) -> bool:
        """Write what has gathered, and `last` after it; False if not all of it could be written."""
        if self.failure is not None:
            return False
        items = self._pending[:]
        if last is not None:
            items.append(last)
        try:
            for kind, body, records in _bodies(items):
                self._write_frame(kind, body, records)
                del self._pending[:records]
        except OSError as error:
            if error.errno not in DISK_FULL:
                self.failure = error
            if self.failure is not None:
                return False
            self.full = True
            with contextlib.suppress(OSError):
                os.unlink(self._reserve_path)
            return False
        return True

    def _write_frame(self, kind: FrameKind, body: bytes, records: int) -> None:
        """Append one frame whole, or leave the file as it was.

        Raises:
            OSError: if it could not be written; it is in `failure` too if a part of the frame could not be taken back.
        """
        frame = encode_frame(kind, self._number, self._head, body, records)
        view = memoryview(frame)
        try:
            while view:
                view = view[os.write(self._file, view) :]
        except OSError as error:
            try:
                os.ftruncate(self._file, self._size_bytes)
            except OSError:
                self.failure = error
            raise
        self._head = blake3(frame).digest()
        self._number += 1
        self._size_bytes += len(frame)

    def _write_loop(self) -> None:
        while not self._stop.wait(FRAME_EVERY_S):
            self.flush()

    def _heartbeat_loop(self) -> None:
        while not self._stop.wait(HEARTBEAT_EVERY_S):
            self.append(clock_record(time.monotonic_ns(), time.time_ns()))

    def _sync_loop(self) -> None:
        while not self._stop.wait(SYNC_EVERY_S):
            try:
                os.fdatasync(self._file)
            except OSError as error:
                self.failure = self.failure or error
                return


def _bodies(items: list[bytes | dict[str, Any]]) -> Iterator[tuple[FrameKind, bytes, int]]:
    """Cut records and events into frame bodies, in order; each with how many of the items it holds."""
    at = 0
    events = [(number, item) for number, item in enumerate(items) if isinstance(item, dict)]
    for end, event in (*events, (len(items), None)):
        for first in range(at, end, RECORDS_MAX):
            records: list[Any] = items[first : min(first + RECORDS_MAX, end)]
            yield FrameKind.OPERATIONS, b"".join(records), len(records)
        if event is not None:
            yield FrameKind.EVENT, _event_body(event), 1
        at = end + 1


def _event_body(event: dict[str, Any]) -> bytes:
    """The body for an event; for one that the format cannot say, the body of an event that says so."""
    try:
        return encode_event(event)
    except ValueError as error:
        kind = str(event.get("event"))[:100]
        return encode_event({"event": "unwritable", "kind": kind, "why": str(error)})
