"""Memory that direct I/O can be done from and into."""

from __future__ import annotations

import mmap

from verify.errors import UsageError


def aligned_buffer(size_bytes: int) -> memoryview:
    """Make a writable, zeroed buffer of `size_bytes` that starts on a memory page.

    The pages are private to the process and are freed when the last view of them is gone.

    Raises:
        UsageError: `size_bytes` is not positive.
    """
    if size_bytes <= 0:
        raise UsageError(f"a buffer must hold at least one byte, not {size_bytes}")
    return memoryview(mmap.mmap(-1, size_bytes, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS))
