"""One controller of the pair: a write-back cache of limited size, and the mirror link to its partner."""

from __future__ import annotations

import random
from collections import deque
from itertools import islice
from typing import Literal, get_args

from verify.errors import UsageError
from verify.rehearsal.backing import Backing

DestageOrder = Literal["oldest", "address", "random"]

DAMAGED_ORDINAL = -1
"""Stands for content that is no whole version of its block."""

ORIGINAL_ORDINAL = 0
"""Stands for what the medium held before the first write to the block."""


class CachedWrite:
    """The newest content of one block as a cache holds it.

    Attributes:
        data: the block's bytes.
        ordinal: which acknowledged version of the block it is, from 1.
        mirrored: false while the mirror link still has it to carry; such a write is not destaged.
    """

    __slots__ = ("data", "mirrored", "ordinal")

    def __init__(self, data: bytes, ordinal: int) -> None:
        self.data = data
        self.ordinal = ordinal
        self.mirrored = True


class Controller:
    """A controller's dirty cache, its copy of the partner's, and the order in which it destages.

    Args:
        name: "A" or "B".
        capacity_blocks: destaging starts when more blocks than this are dirty.
        order: "oldest" (first dirtied first), "address" (ascending, going round), or "random".
        rng: draws the random order.

    Raises:
        UsageError: no room for a block, or an unknown order.
    """

    def __init__(self, name: str, capacity_blocks: int, order: DestageOrder, rng: random.Random) -> None:
        if capacity_blocks < 1:
            raise UsageError(f"a cache of {capacity_blocks} blocks holds nothing: give at least 1")
        if order not in get_args(DestageOrder):
            raise UsageError(
                f"unknown destage order {order!r}: give one of {', '.join(get_args(DestageOrder))}"
            )
        self.name = name
        self.capacity_blocks = capacity_blocks
        self.dirty: dict[int, CachedWrite] = {}
        self.partner_copy: dict[int, CachedWrite] = {}
        self.may_destage = True
        self._order = order
        self._rng = rng
        self._batch_blocks = max(1, capacity_blocks // 8)
        self._cursor_bytes = 0

    def due(self) -> list[int]:
        """Offsets to destage now, in order, so that a batch of new blocks has room again."""
        ready = (offset for offset, write in self.dirty.items() if write.mirrored)
        count = len(self.dirty) - self.capacity_blocks + self._batch_blocks
        if self._order == "oldest":
            return list(islice(ready, count))
        if self._order == "random":
            everything = list(ready)
            return self._rng.sample(everything, min(count, len(everything)))
        ascending = sorted(ready)
        ahead = [offset for offset in ascending if offset >= self._cursor_bytes]
        chosen = (ahead + ascending[: len(ascending) - len(ahead)])[:count]
        if chosen:
            self._cursor_bytes = chosen[-1] + 1
        return chosen


class MirrorLink:
    """Carries every write of one controller's cache to its partner before the acknowledgement, or late.

    Args:
        source: the controller that serves.
        partner: the one that keeps the copies.
        up: false if there is no mirror at all.
        lag_writes: how many writes the copies are behind; 0 for a sound link.
    """

    def __init__(self, source: Controller, partner: Controller, up: bool, lag_writes: int) -> None:
        self._source = source
        self._partner = partner
        self.up = up
        self._lag_writes = lag_writes
        self.waiting: deque[tuple[int, CachedWrite]] = deque()
        self.last_carried: tuple[int, CachedWrite] | None = None

    def carry(self, offset_bytes: int, write: CachedWrite) -> None:
        """Copy a write of the source's cache to the partner, as far behind as the link is."""
        if not self.up:
            return
        if not self._lag_writes:
            self._partner.partner_copy[offset_bytes] = write
            return
        write.mirrored = False
        self.waiting.append((offset_bytes, write))
        while len(self.waiting) > self._lag_writes:
            self._deliver()

    def catch_up(self) -> None:
        """Carry everything that still waits, as a flush and a write through make the link do."""
        while self.waiting:
            self._deliver()

    def forget(self, offset_bytes: int) -> None:
        """Tell the partner that the block is on the medium and its copy no longer needed."""
        if self.up:
            self._partner.partner_copy.pop(offset_bytes, None)

    def _deliver(self) -> None:
        offset_bytes, write = self.waiting.popleft()
        write.mirrored = True
        self._partner.partner_copy[offset_bytes] = write
        self.last_carried = (offset_bytes, write)


class Disk:
    """The medium that both controllers share, and which version of each block lies on it."""

    def __init__(self, backing: Backing) -> None:
        self._backing = backing
        self._ordinals: dict[int, int] = {}

    def ordinal(self, offset_bytes: int) -> int:
        """The version on the medium: from 1, or ORIGINAL_ORDINAL, or DAMAGED_ORDINAL."""
        return self._ordinals.get(offset_bytes, ORIGINAL_ORDINAL)

    def put(self, offset_bytes: int, data: bytes, ordinal: int) -> None:
        """Store a block's content and note which version it is."""
        self._backing.write(offset_bytes, data)
        self._ordinals[offset_bytes] = ordinal

    def read_into(self, offset_bytes: int, view: memoryview) -> None:
        """Fill `view` from the medium."""
        self._backing.read_into(offset_bytes, view)

    def content(self, offset_bytes: int, length_bytes: int) -> bytes:
        """What the medium holds at a range."""
        content = bytearray(length_bytes)
        with memoryview(content) as view:
            self._backing.read_into(offset_bytes, view)
        return bytes(content)
