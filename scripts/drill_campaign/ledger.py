"""The ledger of a drill: real frames, in memory, with the harm that befell them."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Iterator
from typing import Any

from blake3 import blake3

from verify.ledger.frames import RECORDS_MAX, FrameKind, chain_start, encode_event, encode_frame
from verify.ledger.reader import SECTOR_BYTES, LedgerFile

ZEROED_BYTES_MIN = 512
IN_MEMORY = "/dev/shm"

class PartBeingWritten:
    """One file of the ledger as the writer fills it.

    `items` are all records and events ever handed to it, in order; `frames` gives of every frame its end in bytes and
    how many items it and those before it hold.
    """

    def __init__(self, tag: int, part: int) -> None:
        self.part = part
        self.items: list[bytes | dict[str, Any]] = []
        self.frames: list[tuple[int, int]] = []
        self.data = bytearray()
        self.lost = False
        self.closed = False
        self._framed = 0
        self._head = chain_start(tag, part)
        self.append = self.items.append

    @property
    def head(self) -> str:
        """The BLAKE3 of the last frame."""
        return self._head.hex()

    def flush(self) -> None:
        """Put what has gathered into frames."""
        if self.lost:
            return
        while self._framed < len(self.items):
            item = self.items[self._framed]
            if isinstance(item, dict):
                self._add(FrameKind.EVENT, encode_event(item), 1)
                continue
            records: list[bytes] = []
            for record in self.items[self._framed : self._framed + RECORDS_MAX]:
                if isinstance(record, dict):
                    break
                records.append(record)
            self._add(FrameKind.OPERATIONS, b"".join(records), len(records))

    def close(self, event: dict[str, Any]) -> None:
        """Add the closing event; nothing comes after it."""
        self.append(event)
        self.flush()
        self.closed = True

    def _add(self, kind: FrameKind, body: bytes, items: int) -> None:
        frame = encode_frame(kind, len(self.frames), self._head, body, items)
        self._head = blake3(frame).digest()
        self.data += frame
        self._framed += items
        self.frames.append((len(self.data), self._framed))


class PartLeft:
    """One file of the ledger as the check finds it.

    Attributes:
        items_left: how many items stand in frames that are still whole.
        harmed: "" or what makes the part one that cannot be trusted beyond them; a torn end of a part that was
            never closed is none.
    """

    def __init__(self, written: PartBeingWritten, how: str, share: float) -> None:
        self.part = written.part
        self.missing = how == "missing"
        data, last = bytearray(written.data), len(written.data)
        at = last - 1 - int(share * (last - 1))
        self.harmed = how if how in ("flipped", "missing") else ""
        if how == "cut":
            del data[at:]
        elif how == "zeroed":
            at = at // SECTOR_BYTES * SECTOR_BYTES
            data[at:] = bytes(max(last - at, ZEROED_BYTES_MIN))
        elif how == "flipped":
            data[at] ^= 1 << int(share * 1e6) % 8
        elif self.missing:
            data.clear()
        self.data = bytes(data)
        same = last if self.data == written.data else _same_until(self.data, written.data)
        whole = [items for end, items in written.frames if end <= same]
        self.items_left = whole[-1] if whole else 0
        self.closed = written.closed and len(whole) == len(written.frames) and how != "missing"
        self.is_cut = len(whole) < len(written.frames)


def _same_until(left: bytes, written: bytearray) -> int:
    """How many bytes of what was written still stand there, from the beginning on."""
    low, high = 0, min(len(left), len(written))
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if left[:middle] == written[:middle] else (low, middle - 1)
    return low


class MemoryFolder:
    """Stands where a check looks for the record folder's ledger files; they lie in memory if they may."""

    def __init__(self, parts: Iterable[PartLeft]) -> None:
        place = IN_MEMORY if os.path.isdir(IN_MEMORY) and os.access(IN_MEMORY, os.W_OK) else None
        self._folder = tempfile.TemporaryDirectory(prefix="ackproof-campaign-", dir=place)
        for part in parts:
            if not part.missing:
                with open(self._path(part.part), "wb") as file:
                    file.write(part.data)

    def ledger_file(self, part: int, tag: int) -> LedgerFile:
        """The reader of one part."""
        return LedgerFile(self._path(part), tag, part)

    def _path(self, part: int) -> str:
        return os.path.join(self._folder.name, f"{part:03d}.ledger")

    def __enter__(self) -> MemoryFolder:
        return self

    def __exit__(self, *_: object) -> None:
        self._folder.cleanup()


def left_of(parts: Iterable[PartBeingWritten], harms: dict[int, tuple[str, float]]) -> Iterator[PartLeft]:
    """What is left of every part, each harmed as told."""
    for part in parts:
        how, share = harms.get(part.part, ("", 0.0))
        yield PartLeft(part, how, share)
