"""Making a file to test on."""

from __future__ import annotations

import errno
import os

from verify.errors import CannotRun, UsageError
from verify.plain_file import sync_folder
from verify.volume.kernel import allocate

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def create_file(path: str, size_bytes: int) -> None:
    """Create a new file of `size_bytes` with all its room reserved, where the file system can do that.

    Raises:
        UsageError: the size is not positive.
        CannotRun: there is something at `path` already, its folder is missing or not writable, or there is no
            room; no file is left behind.
    """
    if size_bytes <= 0:
        raise UsageError(f"a file to test on needs a size above 0, not {size_bytes}")
    try:
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    except (OSError, ValueError) as error:
        raise CannotRun(_why_not_created(path, error)) from error
    try:
        try:
            _reserve(fd, path, size_bytes)
            os.fsync(fd)
        finally:
            os.close(fd)
        sync_folder(os.path.dirname(path) or ".")
    except BaseException as error:
        os.unlink(path)
        if isinstance(error, OSError):
            raise CannotRun(_why_no_room(path, size_bytes, error)) from error
        raise


def _reserve(fd: int, path: str, size_bytes: int) -> None:
    """Ask first whether there is room: an allocation that must fail would fill the disk for a moment."""
    free_bytes = _free_bytes(path)
    if free_bytes is not None and free_bytes < size_bytes:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    if not allocate(fd, size_bytes):
        os.ftruncate(fd, size_bytes)


def _free_bytes(path: str) -> int | None:
    try:
        room = os.statvfs(os.path.dirname(path) or ".")
    except OSError:
        return None
    return room.f_bavail * room.f_frsize


def _why_not_created(path: str, error: OSError | ValueError) -> str:
    if isinstance(error, ValueError):
        return f"cannot create {path!r}: {error}"
    reasons = {
        errno.EEXIST: f"{path} exists already; give another name, or allow it to be overwritten",
        errno.ENOENT: f"cannot create {path}: its folder does not exist; make it first",
        errno.ENOTDIR: f"cannot create {path}: its folder is not a folder",
        errno.EACCES: f"no permission to create {path}; choose a folder that this account may write to",
        errno.EROFS: f"cannot create {path}: its file system is read-only",
    }
    return reasons.get(error.errno or 0, f"cannot create {path}: {error.strerror}")


def _why_no_room(path: str, size_bytes: int, error: OSError) -> str:
    if error.errno not in _NO_ROOM:
        return f"cannot create {path}: {error.strerror}"
    free_bytes = _free_bytes(path)
    free = f"{free_bytes} are free" if free_bytes is not None else "less is free"
    return (
        f"no room for {path}: it needs {size_bytes} bytes, and {free}; free some, or ask for a smaller span"
    )
