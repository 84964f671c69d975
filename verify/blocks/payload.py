"""The bytes that fill a block: a keyed BLAKE3 extended output of what the block is.

Source of the construction: BLAKE3 specification, sections 2.3 (keyed hash, derive key) and 2.6 (extended
output).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from functools import lru_cache

from blake3 import blake3

PAYLOAD_CONTEXT = "ackproof 2026-11-24 block payload key v1"
_KEY_MATERIAL = struct.Struct("<QQ")
_MESSAGE = struct.Struct("<QQQQ")


def payload_key(seed: int, tag: int) -> bytes:
    """The 32-byte key of a run's payload, derived from its seed and its random tag (both unsigned 64-bit)."""
    return blake3(_KEY_MATERIAL.pack(seed, tag), derive_key_context=PAYLOAD_CONTEXT).digest()


def payload(key: bytes, stream: int, slot: int, lane: int, sequence: int, size_bytes: int) -> bytes:
    """The payload of one write: `size_bytes` of extended output, before stamps and checksum come over it."""
    return blake3(_MESSAGE.pack(stream, slot, lane, sequence), key=key).digest(length=size_bytes)


@lru_cache(maxsize=8)
def _keyed(key: bytes) -> blake3:
    """A hasher that has taken in nothing but its key: one for all lanes, so that it stays in the processor's cache."""
    return blake3(key=key)


def payload_maker(key: bytes, stream: int, lane: int, size_bytes: int) -> Callable[[int, int], bytes]:
    """`payload` for one lane, called with slot and sequence number: the same bytes, with the key taken in once."""
    keyed, pack = _keyed(key).copy, _MESSAGE.pack

    def make(slot: int, sequence: int) -> bytes:
        return keyed().update(pack(stream, slot, lane, sequence)).digest(size_bytes)

    return make
