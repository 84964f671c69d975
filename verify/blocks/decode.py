"""Reading blocks back: from the bytes alone, whole or not, and whose.

Checks run in a fixed order, and the first one broken names the state of a block (`State`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt
from xxhash import xxh3_64_intdigest

from verify.blocks.layout import (
    ADDRESS_MAX,
    CHECKSUM_BYTES,
    MAGIC,
    SEQUENCE_MAX,
    STAMP_BYTES,
    VERSION,
    StreamLayout,
    first_word,
)

NEAR_TAG_BITS = 8
"""Tags are random: one that differs from another in no more of its 64 bits is that one, damaged, but for 1 in 10**9."""


class State(IntEnum):
    """What the bytes of one block say of themselves."""

    WHOLE = 0
    """Every stamp agrees and the checksum is right; tag, address, lane and sequence can be believed."""
    BLANK = 1
    """One 8-byte value repeated throughout, such as all zero."""
    BROKEN = 2
    """Anything else: needs `verify.blocks.dissect`."""


@dataclass(frozen=True)
class DecodedBlocks:
    """What a run of neighbouring blocks says of itself; every array has one entry per block.

    `tag`, `address`, `stream`, `lane` and `sequence` mean something only where `state` is `State.WHOLE`.
    """

    state: npt.NDArray[np.uint8]
    tag: npt.NDArray[np.uint64]
    address: npt.NDArray[np.uint64]
    stream: npt.NDArray[np.uint16]
    lane: npt.NDArray[np.uint16]
    sequence: npt.NDArray[np.uint64]


def decode_blocks(data: memoryview, layout: StreamLayout) -> DecodedBlocks:
    """Decode `data`, a whole number of blocks of the stream's size, vectorised.

    Raises:
        ValueError: if `data` is not a whole number of blocks.
    """
    size = layout.block_bytes
    count, rest = divmod(len(data), size)
    if rest:
        raise ValueError(f"{len(data)} bytes are not a whole number of blocks of {size} bytes")
    words = np.frombuffer(data, dtype="<u8").reshape(count, layout.sectors, layout.sector_bytes // 8)
    # The checksums first: they go through memory in order, and the scattered stamps are then near at hand.
    end = size - CHECKSUM_BYTES
    computed = np.array([xxh3_64_intdigest(data[s : s + end]) for s in range(0, len(data), size)], dtype=np.uint64)
    stamps = words[:, :, : STAMP_BYTES // 8].copy()
    stamps[:, :, 3] -= np.arange(layout.sectors, dtype=np.uint64) << np.uint64(32)
    agree = (stamps == stamps[:, :1, :]).all(axis=(1, 2))
    head = stamps[:, 0, :]
    agree &= (head[:, 0] == np.uint64(first_word(layout))) & (head[:, 3] >> np.uint64(32) == 0)
    agree &= (head[:, 2] <= np.uint64(ADDRESS_MAX)) & (head[:, 4] <= np.uint64(SEQUENCE_MAX))
    state = np.full(count, State.BROKEN, dtype=np.uint8)
    state[agree & (computed == words[:, -1, -1])] = State.WHOLE
    broken = np.flatnonzero(state == State.BROKEN)
    if len(broken):
        flat = words.reshape(count, size // 8)
        even = broken[flat[broken, 0] == flat[broken, -1]]
        state[even[(flat[even] == flat[even, :1]).all(axis=1)]] = State.BLANK
    return DecodedBlocks(
        state=state,
        tag=head[:, 1],
        address=head[:, 2],
        stream=(head[:, 3] & np.uint64(0xFFFF)).astype(np.uint16),
        lane=((head[:, 3] >> np.uint64(16)) & np.uint64(0xFFFF)).astype(np.uint16),
        sequence=head[:, 4],
    )


def own_sectors(data: memoryview, layout: StreamLayout, tag: int) -> npt.NDArray[np.bool_]:
    """For each block of `data` whether any of its sectors carries a stamp of the run `tag`, of whichever stream."""
    words = _sector_words(data, layout)
    magic = words[:, :, 0] & np.uint64(0xFFFFFFFF) == np.uint64(int.from_bytes(MAGIC, "little"))
    stamped = magic & (words[:, :, 1] == np.uint64(tag))
    return np.asarray(stamped.any(axis=1))


def foreign_sectors(data: memoryview, layout: StreamLayout, tag: int) -> npt.NDArray[np.bool_]:
    """For each block of `data` whether every one of its sectors carries a stamp of a run other than `tag`."""
    words = _sector_words(data, layout)
    head = np.uint64(int.from_bytes(MAGIC + bytes([VERSION]), "little"))
    stamped = (words[:, :, 0] & np.uint64(0xFFFFFFFFFF) == head) & (words[:, :, 1] != np.uint64(tag))
    return np.asarray(stamped.all(axis=1))


def near_tags(data: memoryview, layout: StreamLayout, tag: int) -> npt.NDArray[np.bool_]:
    """For each block of `data` whether a sector has `tag`, or nearly (`NEAR_TAG_BITS`), where a stamp's tag stands."""
    differing = np.bitwise_count(_sector_words(data, layout)[:, :, 1] ^ np.uint64(tag))
    return np.asarray((differing <= NEAR_TAG_BITS).any(axis=1))


def _sector_words(data: memoryview, layout: StreamLayout) -> npt.NDArray[np.uint64]:
    count = len(data) // layout.block_bytes
    return np.frombuffer(data, dtype="<u8").reshape(count, layout.sectors, layout.sector_bytes // 8)
