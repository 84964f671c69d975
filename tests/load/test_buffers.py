"""The memory of a worker's lanes: blocks on page bounds, none over another."""

import ctypes
import mmap

import pytest

from verify.load.buffers import lane_buffers


@pytest.mark.parametrize("sizes", [[512], [4096, 512, 65536], [1 << 20] * 3])
def test_blocks_stand_apart_and_on_page_bounds(sizes: list[int]) -> None:
    memory, buffers = lane_buffers(sizes)
    blocks = [block for own in buffers for block in (*own.write, own.read)]
    assert [len(block) for block in blocks] == [size for size in sizes for _ in range(3)]
    for number, block in enumerate(blocks):
        assert ctypes.addressof(ctypes.c_char.from_buffer(block)) % mmap.PAGESIZE == 0
        assert not any(block)
        block[:] = bytes([number + 1]) * len(block)
    for number, block in enumerate(blocks):
        assert bytes(block) == bytes([number + 1]) * len(block)
    start = ctypes.addressof(ctypes.c_char.from_buffer(memory))
    for block in blocks:
        at = ctypes.addressof(ctypes.c_char.from_buffer(block)) - start
        assert 0 <= at <= len(memory) - len(block)
