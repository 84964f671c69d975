"""The proof that direct I/O is direct: what is read leaves nothing in this guest's page cache."""

from __future__ import annotations

import mmap
import os
from typing import TYPE_CHECKING

from verify.volume.identity import VolumeIdentity
from verify.volume.kernel import direct_alignment, memory_file_system, resident_pages
from verify.volume.memory import aligned_buffer
from verify.volume.mounts import devices_under, read_mounts
from verify.volume.sysfs import BlockTree, device_number_text

if TYPE_CHECKING:
    from verify.volume.direct import DirectVolume

WINDOW_BYTES = 64 * 1024
WINDOW_COUNT = 8
ATTEMPT_COUNT = 3
"""Another program may read the same place in the same moment; a cached read leaves its pages every time."""


def prove_direct(volume: DirectVolume, sysfs: str = "/sys", proc: str = "/proc") -> str | None:
    """Find out whether this guest's page cache stands between the tests and the volume.

    Reads a few places through the volume, first asking the kernel to drop what is cached of it, then asks
    which pages of the places read are cached. Cached pages that other programs keep do not count. Loop
    devices underneath must do direct I/O to their backing files themselves. Reads only; what other programs
    wrote and the kernel has not yet written out is written out first.

    Returns:
        None where reads bypass the page cache, else one sentence that says what stands in the way.

    Raises:
        OSError: the volume cannot be read.
    """
    path = volume.identity.path
    if not volume.direct:
        return f"{path} was opened without direct I/O, so this guest's page cache is in the way"
    if volume.identity.is_file and (name := memory_file_system(volume.fd)):
        return f"{path} is on {name}, which keeps its files in this guest's page cache"
    if volume.identity.is_file and (direct_alignment(path) or (1, 1))[1] == 0:
        return f"the file system of {path} says that it does no direct I/O on this file"
    return indirect_loop(volume.identity, sysfs, proc) or _what_reads_leave(volume)


def indirect_loop(identity: VolumeIdentity, sysfs: str = "/sys", proc: str = "/proc") -> str | None:
    """Find a loop device in or under a volume that goes through the page cache; one sentence, or None."""
    tree = BlockTree(sysfs)
    node = tree.by_number(identity.device_number)
    waiting = [node] if node is not None else []
    if identity.is_file:
        waiting = devices_under(identity.path, tree, read_mounts(proc), identity.device_number)
    seen: set[str] = set()
    while waiting:
        root = waiting.pop(0)
        if root.device_number in seen:
            continue
        seen.add(root.device_number)
        for lower in tree.below(root):
            backing = lower.text("loop/backing_file")
            if not backing:
                continue
            if lower.number("loop/dio") != 1:
                return (
                    f"the loop device {tree.device_path(lower)} reads and writes {backing} through this "
                    "guest's page cache; attach it with direct I/O"
                )
            try:
                number = device_number_text(os.stat(backing).st_dev)
            except OSError:
                continue
            if name := _memory_file_system_of(backing):
                return f"the loop device {tree.device_path(lower)} stands on {backing}, a file in {name}"
            waiting += devices_under(backing, tree, read_mounts(proc), number)
    return None


def _memory_file_system_of(path: str) -> str:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return ""
    try:
        return memory_file_system(fd)
    finally:
        os.close(fd)


def _what_reads_leave(volume: DirectVolume) -> str | None:
    path = volume.identity.path
    length_bytes = min(WINDOW_BYTES, volume.size_bytes // volume.sector_bytes * volume.sector_bytes)
    if length_bytes == 0:
        return f"{path} is too small to find out whether direct I/O bypasses this guest's page cache"
    _write_out(volume.fd)
    buffer = aligned_buffer(length_bytes)
    proven = 0
    for offset_bytes in _windows(volume, length_bytes):
        try:
            left_pages = _least_pages_added(volume, offset_bytes, buffer)
        except _CannotAsk as problem:
            return (
                f"the kernel does not tell whether reads of {path} bypass this guest's page cache: {problem}"
            )
        if left_pages:
            return (
                f"reading {length_bytes} bytes at offset {offset_bytes} of {path} left {left_pages} pages "
                "of it in this guest's page cache, although direct I/O was accepted"
            )
        proven += left_pages == 0
    if proven == 0:
        return (
            f"{path} is kept in this guest's page cache, and the kernel would not drop it: it is mapped or "
            "locked in memory, or this account may not ask"
        )
    return None


class _CannotAsk(Exception):
    pass


def _windows(volume: DirectVolume, length_bytes: int) -> list[int]:
    """Spread places over the volume, in a file those with data: reads of holes may leave nothing."""
    span_bytes = volume.size_bytes - length_bytes
    places = [span_bytes * index // max(WINDOW_COUNT - 1, 1) for index in range(WINDOW_COUNT)]
    if volume.identity.is_file:
        places = [_next_data(volume.fd, place) for place in places]
    step_bytes = max(mmap.PAGESIZE, volume.sector_bytes)
    return sorted({min(place, span_bytes) // step_bytes * step_bytes for place in places})


def _next_data(fd: int, offset_bytes: int) -> int:
    try:
        return os.lseek(fd, offset_bytes, os.SEEK_DATA)
    except OSError:
        return offset_bytes


def _write_out(fd: int) -> None:
    try:
        os.fdatasync(fd)
    except OSError:
        return


def _least_pages_added(volume: DirectVolume, offset_bytes: int, buffer: memoryview) -> int | None:
    """Count the fewest pages that a read adds to the page cache; None where some there would not go."""
    least: int | None = None
    for _ in range(ATTEMPT_COUNT):
        os.posix_fadvise(volume.fd, 0, 0, os.POSIX_FADV_DONTNEED)
        if _resident(volume.fd, offset_bytes, buffer):
            continue
        volume.read(offset_bytes, buffer)
        added = _resident(volume.fd, offset_bytes, buffer)
        least = added if least is None else min(least, added)
        if least == 0:
            break
    return least


def _resident(fd: int, offset_bytes: int, buffer: memoryview) -> int:
    try:
        return resident_pages(fd, offset_bytes, len(buffer))
    except OSError as error:
        raise _CannotAsk(error.strerror) from error
