"""The memory that the operations of a worker's lanes are done from and into."""

from __future__ import annotations

import mmap
from collections.abc import Sequence
from dataclasses import dataclass

from verify.volume.memory import aligned_buffer

_HUGE_BYTES = 2 * 1024 * 1024
_PER_LANE = 3


@dataclass(frozen=True)
class LaneBuffers:
    """Two blocks to write from by turns, and one to read into."""

    write: tuple[memoryview, memoryview]
    read: memoryview


def lane_buffers(block_bytes: Sequence[int]) -> tuple[memoryview, list[LaneBuffers]]:
    """One stretch of memory for all lanes of a worker, and how it is shared out.

    In large pages where the kernel has them: a block then is fewer pieces of memory to the device.

    Args:
        block_bytes: the block size of each lane.
    """
    page = mmap.PAGESIZE
    sizes = [-(-size // page) * page for size in block_bytes]
    whole_bytes = _PER_LANE * sum(sizes)
    memory = aligned_buffer(whole_bytes)
    if whole_bytes >= _HUGE_BYTES and isinstance(memory.obj, mmap.mmap):
        memory.obj.madvise(mmap.MADV_HUGEPAGE)
    out: list[LaneBuffers] = []
    at = 0
    for size, used in zip(sizes, block_bytes, strict=True):
        first, second, third = (memory[at + i * size : at + i * size + used] for i in range(_PER_LANE))
        out.append(LaneBuffers((first, second), third))
        at += _PER_LANE * size
    return memory, out
