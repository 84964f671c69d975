"""What was really lost: images compared byte by byte. This module knows nothing of what the blocks hold."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

_CHUNK_BYTES = 8 << 20


def differing_blocks(one: Path, other: Path, block_bytes: int, length_bytes: int) -> set[int]:
    """Offsets, in bytes, of the blocks in which two images of the same volume differ."""
    out: set[int] = set()
    with open(one, "rb") as first, open(other, "rb") as second:
        for start in range(0, length_bytes, _CHUNK_BYTES):
            size = min(_CHUNK_BYTES, length_bytes - start)
            left, right = first.read(size), second.read(size)
            if left == right:
                continue
            pair = (np.frombuffer(data, np.uint8).reshape(-1, block_bytes) for data in (left, right))
            different = np.flatnonzero((next(pair) != next(pair)).any(axis=1))
            out.update((start + different * block_bytes).tolist())
    return out


def copy_image(source: Path, target: Path) -> None:
    """Copy an image as it stands at this moment, sparse where it is."""
    with open(source, "rb") as reader, open(target, "wb") as writer:
        os.posix_fadvise(reader.fileno(), 0, 0, os.POSIX_FADV_SEQUENTIAL)
        while chunk := reader.read(_CHUNK_BYTES):
            writer.write(chunk)
