"""A ledger file read as it grows: the whole frames that are still to be sent, and how long they have been there."""

from __future__ import annotations

import os

from xxhash import xxh3_64_intdigest

from verify.ledger.frames import HEADER, HEADER_BYTES, HEADER_CHECK, MAGIC

FRAMES_BYTES = 64 * 1024
"""So much of one part is sent at once, unless one frame is longer."""
_SAMPLES_MAX = 2048


class Tail:
    """One ledger file: how much of it there is, was sent, and is confirmed; `refused` says why no more is to be sent.

    Args:
        path: the file, there or not yet.
    """

    def __init__(self, path: str) -> None:
        self.path = path
        self.name = os.path.basename(path)
        self.written = self.sent = self.confirmed = 0
        self.refused = ""
        self._file: int | None = None
        self._samples: list[tuple[float, int]] = []
        """When the file was first seen to have a length; only lengths that are not confirmed."""

    def look(self, now: float) -> None:
        """See how long the file is.

        Raises:
            OSError: if it cannot be opened.
        """
        if self._file is None:
            try:
                self._file = os.open(self.path, os.O_RDONLY)
            except FileNotFoundError:
                return
        size = os.fstat(self._file).st_size
        if size < self.written:  # Half a frame was taken back: the ledger's disk is full.
            self._samples = [(at, min(length, size)) for at, length in self._samples]
        if size != self.written:
            self.written = size
            self._samples.append((now, size))
            if len(self._samples) > _SAMPLES_MAX:
                self._samples = [*self._samples[: _SAMPLES_MAX // 2 : 2], *self._samples[_SAMPLES_MAX // 2 :]]

    def confirm(self, up_to: int) -> None:
        """Note that so many bytes of it are lasting at the receiver."""
        self.confirmed = up_to
        self._samples = [sample for sample in self._samples if sample[1] > up_to]

    def waiting_since(self) -> float | None:
        """Since when there is something that is not confirmed."""
        return next((at for at, length in self._samples if length > self.confirmed), None)

    def whole_frames(self) -> bytes:
        """The next whole frames to send, about `FRAMES_BYTES` of them or one; b"" if none is there.

        Raises:
            OSError: if the file cannot be read.
            ValueError: if something else than a frame stands there.
        """
        if self._file is None or self.refused or self.written - self.sent < HEADER_BYTES:
            return b""
        content = os.pread(self._file, FRAMES_BYTES, self.sent)
        end = 0
        while len(content) - end >= HEADER_BYTES:
            length = _frame_bytes(content, end)
            if length is None and end:
                break
            if length is None:
                raise ValueError(f"{self.name} holds no frame at byte {self.sent}")
            if end + length > len(content):
                if end or self.sent + length > self.written:
                    break
                content = os.pread(self._file, length, self.sent)
                if len(content) < length:
                    break
            end += length
        return content[:end]

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            os.close(self._file)


def _frame_bytes(content: bytes, at: int) -> int | None:
    """How long the frame is whose header stands there; None if none does."""
    fields = content[at : at + HEADER.size]
    if fields[:4] != MAGIC or xxh3_64_intdigest(fields) != HEADER_CHECK.unpack_from(content, at + HEADER.size)[0]:
        return None
    return HEADER_BYTES + int(HEADER.unpack(fields)[4])
