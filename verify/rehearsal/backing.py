"""What lies behind the two controllers: one local file, or memory for tests."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Protocol

from verify.errors import CannotRun, UsageError

SECTOR_BYTES = 512


class Backing(Protocol):
    """The non-volatile medium that both controllers reach; only whole ranges inside it are asked for."""

    @property
    def size_bytes(self) -> int:
        """Size of the medium in bytes."""

    def read_into(self, offset_bytes: int, view: memoryview) -> None:
        """Fill `view` from `offset_bytes`; raises OSError."""

    def write(self, offset_bytes: int, data: bytes) -> None:
        """Store `data` at `offset_bytes`; raises OSError."""

    def close(self) -> None:
        """Release the medium with everything stored on it."""


def _require_whole_sectors(size_bytes: int) -> None:
    if size_bytes <= 0 or size_bytes % SECTOR_BYTES:
        raise UsageError(
            f"a simulated volume of {size_bytes} bytes is not possible: "
            f"give a size above zero that is a multiple of {SECTOR_BYTES} bytes"
        )


class MemoryBacking:
    """A medium in memory, all zeros at first.

    Args:
        size_bytes: a multiple of 512.

    Raises:
        UsageError: the size is not a positive multiple of 512.
    """

    def __init__(self, size_bytes: int) -> None:
        _require_whole_sectors(size_bytes)
        self._content = bytearray(size_bytes)

    @property
    def size_bytes(self) -> int:
        """Size of the medium in bytes."""
        return len(self._content)

    def read_into(self, offset_bytes: int, view: memoryview) -> None:
        """Fill `view` from `offset_bytes`."""
        with memoryview(self._content) as whole:
            view[:] = whole[offset_bytes : offset_bytes + len(view)]

    def write(self, offset_bytes: int, data: bytes) -> None:
        """Store `data` at `offset_bytes`."""
        self._content[offset_bytes : offset_bytes + len(data)] = data

    def close(self) -> None:
        """Nothing to release: the content stays readable."""


class FileBacking:
    """A plain file, created and lengthened as needed.

    Args:
        path: the file.
        size_bytes: a multiple of 512; a longer file keeps its tail, which is out of reach.

    Raises:
        UsageError: the size is not a positive multiple of 512.
        CannotRun: the file cannot be opened or lengthened.
    """

    def __init__(self, path: Path, size_bytes: int) -> None:
        _require_whole_sectors(size_bytes)
        self._size_bytes = size_bytes
        try:
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise CannotRun(
                f"the simulated pair's file {path} cannot be opened ({error.strerror}): name a writable place"
            ) from error
        try:
            if os.fstat(self._descriptor).st_size < size_bytes:
                os.ftruncate(self._descriptor, size_bytes)
        except OSError as error:
            os.close(self._descriptor)
            raise CannotRun(
                f"the simulated pair's file {path} cannot be made {size_bytes} bytes long "
                f"({error.strerror}): name a plain file on a file system with room for it"
            ) from error

    @property
    def size_bytes(self) -> int:
        """Size of the reachable part of the file in bytes."""
        return self._size_bytes

    def read_into(self, offset_bytes: int, view: memoryview) -> None:
        """Fill `view` from `offset_bytes`."""
        done_bytes = os.preadv(self._descriptor, [view], offset_bytes)
        while done_bytes < len(view):
            more_bytes = os.preadv(self._descriptor, [view[done_bytes:]], offset_bytes + done_bytes)
            if not more_bytes:
                raise OSError(errno.EIO, "the simulated pair's file was cut short")
            done_bytes += more_bytes

    def write(self, offset_bytes: int, data: bytes) -> None:
        """Store `data` at `offset_bytes`."""
        done_bytes = os.pwrite(self._descriptor, data, offset_bytes)
        while done_bytes < len(data):
            done_bytes += os.pwrite(self._descriptor, data[done_bytes:], offset_bytes + done_bytes)

    def close(self) -> None:
        """Write everything out to the file's device and close it."""
        try:
            os.fdatasync(self._descriptor)
        finally:
            os.close(self._descriptor)
