"""Reading a volume ahead of whoever judges what it holds: piece by piece in order, several reads on their way.

Nothing here needs more than the volume, so that reading can begin while the rest of the program is still being loaded
and while the ledger is gone through.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from verify.interruption import WAKE_S, let_through
from verify.volume.memory import aligned_buffer
from verify.volume.protocol import Volume

PIECE_BYTES = 2 * 1024 * 1024
READS_AT_ONCE = 4
"""Reads on their way; more gain nothing, and a device under one of them idles."""
EARLY_BYTES = 128 * 1024 * 1024
"""So much may wait to be looked at while the program is loaded and the ledger is gone through."""
SETTLED_BUFFERS = 2 * READS_AT_ONCE
_PATIENCE_S = 2.0


class Span(NamedTuple):
    """Where the blocks of one stream stand on the volume."""

    start_bytes: int
    block_bytes: int
    slots: int


class Piece:
    """Neighbouring blocks of one stream, as one read brought them.

    Attributes:
        stream: index of the stream.
        first, count: which slots (counted within the stream).
        data: their bytes.
        unreadable: which of them could not be read, counted from `first`.
        times: when reading began and ended, on the monotonic clock; `began_wall_ns`, `done_wall_ns` on the wall clock.
    """

    __slots__ = (
        "began_wall_ns", "count", "data", "done_wall_ns", "failure", "first", "is_read", "stream", "times",
        "unreadable",
    )  # fmt: skip

    def __init__(self, stream: int, first: int, count: int) -> None:
        self.stream = stream
        self.first = first
        self.count = count
        self.data = memoryview(b"")
        self.unreadable: list[int] = []
        self.times = (0, 0)
        self.began_wall_ns = self.done_wall_ns = 0
        self.failure: BaseException | None = None
        self.is_read = False

    def read(self, volume: Volume, span: Span, buffer: memoryview) -> None:
        """Read the piece; where that fails, block by block, to know exactly which cannot be read."""
        size, offset_bytes = span.block_bytes, span.start_bytes + self.first * span.block_bytes
        self.data = data = buffer[: self.count * size]
        self.began_wall_ns, began_ns = time.time_ns(), time.monotonic_ns()
        if not _read_whole(volume, offset_bytes, data):
            for index in range(self.count):
                if not _read_whole(volume, offset_bytes + index * size, data[index * size : (index + 1) * size]):
                    self.unreadable.append(index)
        self.done_wall_ns, self.times = time.time_ns(), (began_ns, time.monotonic_ns())


def _read_whole(volume: Volume, offset_bytes: int, buffer: memoryview) -> bool:
    try:
        return volume.read(offset_bytes, buffer) == len(buffer)
    except OSError:
        return False


def start_thread(thread: threading.Thread) -> None:
    """Start a thread.

    Raises:
        MemoryError: if there is no memory for it, which Python tells as a RuntimeError.
    """
    try:
        thread.start()
    except RuntimeError as error:
        raise MemoryError(str(error)) from error


class ReadAhead:
    """Reads spans of a volume from beginning to end, as far ahead as there are buffers.

    Args:
        volume: to read from.
        spans: one for each stream.
        starts: at which slot to begin in each; at the first if left out.
        ahead_bytes: the size of all buffers together, if that is enough for the reads on their way.
    """

    def __init__(
        self, volume: Volume, spans: Sequence[Span], starts: Sequence[int] = (), ahead_bytes: int = EARLY_BYTES
    ) -> None:
        self.volume = volume
        self.spans = tuple(spans)
        self._pieces = self._in_order(starts or [0] * len(spans))
        self._buffer_bytes = max(
            span.block_bytes * min(_blocks_a_piece(span.block_bytes), span.slots) for span in spans
        )
        self.buffers = max(ahead_bytes // self._buffer_bytes, READS_AT_ONCE)
        """How many pieces there can be that were taken and not given back, or are on their way."""
        self._made = 0
        self._free: list[memoryview] = []
        self._on_way: deque[Piece] = deque()
        self._closed = False
        door = threading.Lock()
        self._has_room = threading.Condition(door)
        self._has_come = threading.Condition(door)
        self._reading = READS_AT_ONCE
        self._threads = [threading.Thread(target=self._work, daemon=True) for _ in range(READS_AT_ONCE)]
        try:
            for thread in self._threads:
                start_thread(thread)
        except MemoryError:
            self.close()
            raise

    def take(self) -> Piece | None:
        """The next piece once it was read, None after the last; to be given back."""
        with self._has_come:
            while not self._has_come.wait_for(self._has_next_or_ended, WAKE_S):
                let_through()
            piece = self._on_way.popleft() if self._on_way else None
        if piece is not None and piece.failure is not None:
            raise piece.failure
        return piece

    def _has_next_or_ended(self) -> bool:
        return self._on_way[0].is_read if self._on_way else not self._reading

    def give_back(self, piece: Piece) -> None:
        """Let the memory of a piece be used for another."""
        buffer, piece.data = piece.data.obj, memoryview(b"")
        with self._has_room:
            if self._made <= self.buffers:
                self._free.append(memoryview(buffer))
                self._has_room.notify()
            else:
                self._made -= 1

    def settle(self) -> None:
        """Be content with few buffers from now on."""
        with self._has_room:
            self.buffers = min(self.buffers, SETTLED_BUFFERS)
            while self._free and self._made > self.buffers:
                self._free.pop()
                self._made -= 1

    def close(self) -> None:
        """Begin no further read, and wait a little for those on their way; one that never ends is left behind."""
        with self._has_room:
            self._closed = True
            self._has_room.notify_all()
        until_s = time.monotonic() + _PATIENCE_S
        for thread in self._threads:
            if thread.ident is not None:
                thread.join(max(until_s - time.monotonic(), 0))

    def _in_order(self, starts: Sequence[int]) -> Iterator[Piece]:
        for stream, (span, start) in enumerate(zip(self.spans, starts, strict=True)):
            each = _blocks_a_piece(span.block_bytes)
            for first in range(start, span.slots, each):
                yield Piece(stream, first, min(each, span.slots - first))

    def _work(self) -> None:
        while True:
            with self._has_room:
                self._has_room.wait_for(lambda: self._closed or self._free or self._made < self.buffers)
                piece = None if self._closed else next(self._pieces, None)
                if piece is None:
                    self._reading -= 1
                    self._has_come.notify_all()
                    return
                self._on_way.append(piece)
                buffer = self._free.pop() if self._free else None
                self._made += buffer is None
            try:
                piece.read(self.volume, self.spans[piece.stream], buffer or aligned_buffer(self._buffer_bytes))
            except BaseException as error:  # noqa: BLE001  (raised by whoever takes the piece)
                piece.failure = error
            with self._has_come:
                piece.is_read = True
                self._has_come.notify_all()


def _blocks_a_piece(block_bytes: int) -> int:
    return max(PIECE_BYTES // block_bytes, 1)
