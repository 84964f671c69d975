"""Simple numbered blocks for the tests of the simulated pair."""

from __future__ import annotations

import random

from verify.rehearsal.backing import MemoryBacking
from verify.rehearsal.clock import VirtualClock
from verify.rehearsal.pair import SimulatedPair
from verify.rehearsal.state import PairSettings
from verify.volume.protocol import Volume

BLOCK_BYTES = 4096
BLOCKS = 256


def bytes_of(number: int, length_bytes: int = BLOCK_BYTES) -> bytes:
    return random.Random(number).randbytes(length_bytes)


def put(volume: Volume, offset_bytes: int, data: bytes, through: bool = False) -> None:
    assert volume.write(offset_bytes, memoryview(bytearray(data)), through) == len(data)


def get(volume: Volume, offset_bytes: int, length_bytes: int = BLOCK_BYTES) -> bytes:
    buffer = bytearray(length_bytes)
    return bytes(buffer[: volume.read(offset_bytes, memoryview(buffer))])


def make_pair(
    fault: str = "sound", backing: MemoryBacking | None = None, **changed: object
) -> tuple[SimulatedPair, MemoryBacking]:
    backing = backing or MemoryBacking(BLOCKS * BLOCK_BYTES)
    pair_settings = PairSettings(**{"cache_blocks": 16, "lag_writes": 8, **changed})  # type: ignore[arg-type]
    return SimulatedPair(backing, fault, pair_settings, VirtualClock()), backing


def on_medium(backing: MemoryBacking, offset_bytes: int, length_bytes: int = BLOCK_BYTES) -> bytes:
    content = bytearray(length_bytes)
    backing.read_into(offset_bytes, memoryview(content))
    return bytes(content)
