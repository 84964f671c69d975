"""Writing a ledger file while the load runs.

Lanes append records to a list and go on; one thread turns what has gathered into a frame at least every 100 ms and
hands it to the kernel; another asks for it to be made non-volatile once a second. The lanes wait for neither.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
import time
from typing import Any

from blake3 import blake3

from verify.ledger.frames import (
    BODY_BYTES_MAX,
    RECORD_BYTES,
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

RESERVE_NAME = "reserve"
RESERVE_BYTES = 8 * 1024 * 1024
"""Room kept beside the ledger files, given up when the disk is full so that the close still fits."""


def reserve_room(folder: str) -> None:
    """Keep `RESERVE_BYTES` on the ledger's disk for the end of a run.

    Raises:
        OSError: if there is no room even for that.
    """
    path = os.path.join(folder, RESERVE_NAME)
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o644)
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

    Args:
        path: the file, which must not exist.
        tag: the run's tag.
        part: number of this file within the run; 0 is the supervisor's.
        opening: the first event.

    Raises:
        OSError: if the file cannot be created.
    """

    def __init__(self, path: str, tag: int, part: int, opening: dict[str, Any]) -> None:
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
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
        """Adds one record (24 bytes) or one event (a dict) to the ledger; never blocks."""
        self._threads = [
            threading.Thread(target=target, name=name, daemon=True)
            for target, name in (
                (self._write_loop, "ledger"), (self._heartbeat_loop, "heartbeat"), (self._sync_loop, "sync"),
            )
        ]  # fmt: skip

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

        On a full disk the reserve is given up, `full` is set and what could not be written stays for the next call.
        Any other failure is kept in `failure`.
        """
        with self._flush_lock:
            if self.failure is not None:
                return
            taken = self._pending[: len(self._pending)]
            try:
                for kind, body, records in _bodies(taken):
                    self._write_frame(kind, body, records)
                    del self._pending[:records]
            except OSError as error:
                if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                    self.failure = error
                    return
                self.full = True
                with contextlib.suppress(OSError):
                    os.unlink(self._reserve_path)

    def close(self, closing: dict[str, Any] | None) -> None:
        """Write the closing event, if given and if the file still takes it, and make the file non-volatile."""
        if self._closed:
            return
        self._closed = True
        self._stop.set()
        if closing is not None:
            self._pending.append(closing)
        self.flush()
        if self._pending:
            self.flush()
        try:
            os.fdatasync(self._file)
        except OSError as error:
            self.failure = self.failure or error

    def _write_frame(self, kind: FrameKind, body: bytes, records: int) -> None:
        frame = encode_frame(kind, self._number, self._head, body, records)
        view = memoryview(frame)
        try:
            while view:
                view = view[os.write(self._file, view) :]
        except OSError:
            os.ftruncate(self._file, self._size_bytes)
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


def _bodies(items: list[bytes | dict[str, Any]]) -> list[tuple[FrameKind, bytes, int]]:
    """Cut a list of records and events into frame bodies, keeping the order."""
    out: list[tuple[FrameKind, bytes, int]] = []
    records: list[bytes] = []

    def end_records() -> None:
        if records:
            out.append((FrameKind.OPERATIONS, b"".join(records), len(records)))
            records.clear()

    for item in items:
        if isinstance(item, bytes):
            records.append(item)
            if len(records) * RECORD_BYTES >= BODY_BYTES_MAX:
                end_records()
        else:
            end_records()
            out.append((FrameKind.EVENT, encode_event(item), 1))
    end_records()
    return out
