"""The block format once more, slowly and from FORMAT.md alone, and streams to try it on.

Nothing of `verify.blocks` does any work here; what it gives is compared with this.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from blake3 import blake3
from xxhash import xxh3_64

from verify.blocks.layout import StreamLayout

SEED = 0xFEDCBA9876543210
TAG = 0x0123456789ABCDEF
OTHER_TAG = 0x0123456789ABCDEE
KEY_CONTEXT = "ackproof 2026-11-24 block payload key v1"

SIZES = [(512, 512), (1024, 512), (2048, 512), (4096, 512), (4096, 4096), (8192, 4096), (65536, 512)]
"""Block and sector sizes worth trying each in full."""


def stream_of(
    block_bytes: int, sector_bytes: int, stream: int = 3, start_bytes: int = 1 << 20, slots: int = 40, lanes: int = 4
) -> StreamLayout:
    return StreamLayout(
        stream=stream,
        start_bytes=start_bytes,
        block_bytes=block_bytes,
        sector_bytes=sector_bytes,
        slots=slots,
        lanes=lanes,
        first_lane=0,
        first_slot=0,
    )


def u16(number: int) -> bytes:
    return bytes([number & 0xFF, number >> 8])


def u32(number: int) -> bytes:
    return u16(number & 0xFFFF) + u16(number >> 16)


def u64(number: int) -> bytes:
    return u32(number & 0xFFFFFFFF) + u32(number >> 32)


def slow_block(
    layout: StreamLayout, slot: int, lane: int, sequence: int, seed: int = SEED, tag: int = TAG
) -> bytes:
    key = blake3(u64(seed) + u64(tag), derive_key_context=KEY_CONTEXT).digest()
    hasher = blake3(key=key)
    for number in (layout.stream, slot, lane, sequence):
        hasher.update(u64(number))
    payload = hasher.digest(length=layout.block_bytes)
    block = b""
    for sector in range(layout.block_bytes // layout.sector_bytes):
        stamp = b"aKpf" + bytes([1, log2(layout.sector_bytes), log2(layout.block_bytes), 0])
        stamp += u64(tag) + u64(layout.start_bytes + slot * layout.block_bytes)
        stamp += u16(layout.stream) + u16(lane) + u32(sector) + u64(sequence)
        block += stamp + payload[len(block) + 40 : len(block) + layout.sector_bytes]
    return block[:-8] + u64(xxh3_64(block[:-8], seed=0).intdigest())


def log2(number: int) -> int:
    power = 0
    while 2**power < number:
        power += 1
    assert 2**power == number
    return power


@dataclass(frozen=True)
class SlowDecoded:
    state: str
    tag: int = 0
    address: int = 0
    stream: int = 0
    lane: int = 0
    sequence: int = 0


def slow_decode(block: bytes, layout: StreamLayout) -> SlowDecoded:
    if block == block[:8] * (len(block) // 8):
        return SlowDecoded("BLANK")
    first = None
    for index in range(len(block) // layout.sector_bytes):
        stamp = block[index * layout.sector_bytes :][:40]
        magic, version, sector_shift, block_shift, reserved, tag, address, stream, lane, sector, sequence = (
            struct.unpack("<4sBBBBQQHHIQ", stamp)
        )
        sizes = (2**sector_shift, 2**block_shift)
        if (magic, version, reserved) != (b"aKpf", 1, 0) or sizes != (layout.sector_bytes, layout.block_bytes):
            return SlowDecoded("BROKEN")
        facts = SlowDecoded("WHOLE", tag, address, stream, lane, sequence)
        first = first or facts
        if sector != index or facts != first or address >= 2**63 or sequence >= 2**48:
            return SlowDecoded("BROKEN")
    assert first is not None
    return first if block[-8:] == u64(xxh3_64(block[:-8]).intdigest()) else SlowDecoded("BROKEN")


def refixed(block: bytes | bytearray) -> bytes:
    """The block with the checksum made right again over whatever it holds."""
    return bytes(block[:-8]) + u64(xxh3_64(bytes(block[:-8])).intdigest())


def differing_bits(one: bytes, other: bytes) -> int:
    assert len(one) == len(other)
    return (int.from_bytes(one, "little") ^ int.from_bytes(other, "little")).bit_count()
