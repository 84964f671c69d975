"""Questions to the Linux kernel for which the standard library has no function.

Structures and numbers are those of the kernel's own interface headers: `struct statx`
(include/uapi/linux/stat.h), `struct cachestat` (include/uapi/linux/mman.h), file system magics
(include/uapi/linux/magic.h) [from memory].
"""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import struct

_libc = ctypes.CDLL(None, use_errno=True)

_AT_FDCWD = -100
_STATX_DIOALIGN = 0x2000
_STATX_BTIME = 0x800
_STATX_BIRTH_OFFSET_BYTES = 80
_AT_SYMLINK_NOFOLLOW = 0x100
_STATX_SIZE_BYTES = 256
_STATX_DIRECT_ALIGNMENT_OFFSET_BYTES = 152

_CACHESTAT_SYSCALL = 451
_FALLOCATE_DEFAULT_MODE = 0

MEMORY_FILE_SYSTEMS = {
    0x01021994: "tmpfs",
    0x858458F6: "ramfs",
    0x958458F6: "hugetlbfs",
}


class _CacheRange(ctypes.Structure):
    _fields_ = (("offset_bytes", ctypes.c_uint64), ("length_bytes", ctypes.c_uint64))


class _CacheCounts(ctypes.Structure):
    _fields_ = (
        ("cached_pages", ctypes.c_uint64),
        ("dirty_pages", ctypes.c_uint64),
        ("writeback_pages", ctypes.c_uint64),
        ("evicted_pages", ctypes.c_uint64),
        ("recently_evicted_pages", ctypes.c_uint64),
    )


def _check(result: int, what: str) -> None:
    if result < 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), what)


def direct_alignment(path: str) -> tuple[int, int] | None:
    """Ask what direct I/O on `path` must be aligned to.

    Returns:
        (memory alignment, offset and length alignment) in bytes, both 0 where the file system does no direct
        I/O on this file; None where the kernel does not tell.
    """
    try:
        statx = _libc.statx
    except AttributeError:
        return None
    answer = ctypes.create_string_buffer(_STATX_SIZE_BYTES)
    if statx(_AT_FDCWD, os.fsencode(path), 0, ctypes.c_uint(_STATX_DIOALIGN), answer) != 0:
        return None
    (mask,) = struct.unpack_from("=I", answer, 0)
    if not mask & _STATX_DIOALIGN:
        return None
    memory_bytes, offset_bytes = struct.unpack_from("=II", answer, _STATX_DIRECT_ALIGNMENT_OFFSET_BYTES)
    return memory_bytes, offset_bytes


def birth_ns(path: str) -> int:
    """When the file at `path` was made, in nanoseconds since 1970; 0 where its file system does not keep that.

    An inode's number comes back with the next file, its time of birth does not. A symbolic link is not followed.
    """
    try:
        statx = _libc.statx
    except AttributeError:
        return 0
    answer = ctypes.create_string_buffer(_STATX_SIZE_BYTES)
    flags, wanted = ctypes.c_int(_AT_SYMLINK_NOFOLLOW), ctypes.c_uint(_STATX_BTIME)
    if statx(_AT_FDCWD, os.fsencode(path), flags, wanted, answer) != 0:
        return 0
    (mask,) = struct.unpack_from("=I", answer, 0)
    seconds, nanoseconds = struct.unpack_from("=qI", answer, _STATX_BIRTH_OFFSET_BYTES)
    return int(seconds * 1_000_000_000 + nanoseconds) if mask & _STATX_BTIME else 0


def memory_file_system(fd: int) -> str:
    """Name the file system of an open file if it keeps its files in memory alone, else return ""."""
    answer = ctypes.create_string_buffer(512)
    if _libc.fstatfs(fd, answer) != 0:
        return ""
    magic = ctypes.c_long.from_buffer(answer).value & 0xFFFFFFFF
    return MEMORY_FILE_SYSTEMS.get(magic, "")


def allocate(fd: int, size_bytes: int) -> bool:
    """Reserve `size_bytes` of room for an open file; False where its file system cannot reserve room.

    Unlike `posix_fallocate` it never writes zeros through the page cache instead.

    Raises:
        OSError: with ENOSPC, EDQUOT, EFBIG... where there is not that much room.
    """
    function = _libc.fallocate64 if hasattr(_libc, "fallocate64") else _libc.fallocate
    arguments = (ctypes.c_int(_FALLOCATE_DEFAULT_MODE), ctypes.c_int64(0), ctypes.c_int64(size_bytes))
    if function(ctypes.c_int(fd), *arguments) == 0:
        return True
    number = ctypes.get_errno()
    if number in (errno.EOPNOTSUPP, errno.ENOSYS):
        return False
    raise OSError(number, os.strerror(number))


def resident_pages(fd: int, offset_bytes: int, length_bytes: int) -> int:
    """Count the memory pages of a stretch of an open file or block device that are in the page cache.

    Asks cachestat(2), and where the kernel has none or does not let us, mincore(2) over a mapping. The latter
    counts every page as cached where this process may not write to the file and does not own it.

    Args:
        offset_bytes: a multiple of the page size.

    Raises:
        OSError: neither question can be asked.
    """
    try:
        return _cached_by_cachestat(fd, offset_bytes, length_bytes)
    except OSError:
        return _cached_by_mincore(fd, offset_bytes, length_bytes)


def _cached_by_cachestat(fd: int, offset_bytes: int, length_bytes: int) -> int:
    counts = _CacheCounts()
    asked = _CacheRange(offset_bytes, length_bytes)
    result = _libc.syscall(
        ctypes.c_long(_CACHESTAT_SYSCALL),
        ctypes.c_uint(fd),
        ctypes.byref(asked),
        ctypes.byref(counts),
        ctypes.c_uint(0),
    )
    _check(result, "cachestat")
    return int(counts.cached_pages)


def _cached_by_mincore(fd: int, offset_bytes: int, length_bytes: int) -> int:
    pages = -(-length_bytes // mmap.PAGESIZE)
    map_memory = _libc.mmap64 if hasattr(_libc, "mmap64") else _libc.mmap
    map_memory.restype = ctypes.c_void_p
    address = map_memory(
        None,
        ctypes.c_size_t(length_bytes),
        ctypes.c_int(mmap.PROT_READ),
        ctypes.c_int(mmap.MAP_SHARED),
        ctypes.c_int(fd),
        ctypes.c_int64(offset_bytes),
    )
    if address is None or address == ctypes.c_void_p(-1).value:
        _check(-1, "mmap")
    try:
        states = ctypes.create_string_buffer(pages)
        _check(_libc.mincore(ctypes.c_void_p(address), ctypes.c_size_t(length_bytes), states), "mincore")
        return sum(state & 1 for state in states.raw[:pages])
    finally:
        _libc.munmap(ctypes.c_void_p(address), ctypes.c_size_t(length_bytes))
