"""Building the block of a given write, at load time and again whenever its bytes are questioned."""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np
from xxhash import xxh3_64_intdigest

from verify.blocks.layout import (
    CHECKSUM_BYTES,
    MAGIC,
    STAMP_BYTES,
    STAMP_DTYPE,
    VERSION,
    StreamLayout,
    first_word,
)
from verify.blocks.payload import payload_key, payload_maker

_CHECKSUM = struct.Struct("<Q")
_ADDRESS_WORD = 2
_SEQUENCE_WORD = 4
_FIRST_STAMP = struct.Struct("<QQQHHIQ")


class BlockMaker:
    """Builds the blocks of one stream of one run.

    Args:
        layout: the stream.
        seed, tag: the run's seed and random tag, unsigned 64-bit.

    May be shared between threads; what `filler` gives may not.
    """

    def __init__(self, layout: StreamLayout, seed: int, tag: int) -> None:
        self.layout = layout
        self.tag = tag
        self.key = payload_key(seed, tag)
        self._stamps = np.zeros(layout.sectors, dtype=STAMP_DTYPE)
        self._stamps["magic"] = MAGIC
        self._stamps["version"] = VERSION
        self._stamps["sector_shift"] = layout.sector_bytes.bit_length() - 1
        self._stamps["block_shift"] = layout.block_bytes.bit_length() - 1
        self._stamps["tag"] = tag
        self._stamps["stream"] = layout.stream
        self._stamps["sector"] = np.arange(layout.sectors)
        self._first_word = first_word(layout)

    def filler(self, buffer: memoryview, lane: int) -> Callable[[int, int], None]:
        """A function that writes blocks of one lane into one buffer, called with slot and sequence number.

        Everything that stays the same from block to block is prepared once, since this is the inner loop of a load: the
        hasher with its key, the stamps with their fixed fields, and views of what differs.

        Raises:
            ValueError: if the buffer is not one block long.
        """
        layout, stream = self.layout, self.layout.stream
        if len(buffer) != layout.block_bytes:
            raise ValueError(f"a buffer of {len(buffer)} bytes is not one block of {layout.block_bytes} bytes")
        size, start = layout.block_bytes, layout.start_bytes
        stamps = self._stamps.copy()
        stamps["lane"] = lane
        words = stamps.view(np.uint64).reshape(layout.sectors, STAMP_BYTES // 8)
        set_addresses, set_sequences = words[:, _ADDRESS_WORD].fill, words[:, _SEQUENCE_WORD].fill
        target = np.frombuffer(buffer, dtype=np.uint64).reshape(layout.sectors, layout.sector_bytes // 8)
        target = target[:, : STAMP_BYTES // 8]
        covered = buffer[: size - CHECKSUM_BYTES]
        checksum = buffer[size - CHECKSUM_BYTES :].cast("Q")
        payload = payload_maker(self.key, stream, lane, size)
        digest = xxh3_64_intdigest

        def fill(slot: int, sequence: int) -> None:
            buffer[:] = payload(slot, sequence)
            set_addresses(start + slot * size)
            set_sequences(sequence)
            target[:] = words
            checksum[0] = digest(covered)

        return fill

    def fill(self, buffer: memoryview, slot: int, lane: int, sequence: int) -> None:
        """Write the block of operation `sequence` of `lane` on `slot` into `buffer`, one block long."""
        self.filler(buffer, lane)(slot, sequence)

    def block(self, slot: int, lane: int, sequence: int) -> bytes:
        """The same block as new bytes."""
        out = bytearray(self.layout.block_bytes)
        self.fill(memoryview(out), slot, lane, sequence)
        return bytes(out)

    def holds(self, buffer: memoryview, slot: int, lane: int, sequence: int) -> bool:
        """Whether `buffer` is, whole, the block of that very write: the quick look at a read under load.

        The checksum covers every byte, and no fault of a device puts a right one on other bytes. So the
        stamps after the first are not compared here, as `decode_blocks` does.
        """
        end = self.layout.block_bytes - CHECKSUM_BYTES
        address, stream = self.layout.address(slot), self.layout.stream
        wanted = (self._first_word, self.tag, address, stream, lane, 0, sequence)
        if _FIRST_STAMP.unpack_from(buffer) != wanted:
            return False
        return bool(_CHECKSUM.unpack_from(buffer, end)[0] == xxh3_64_intdigest(buffer[:end]))
