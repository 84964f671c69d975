"""Opening files of a folder that may have come from somebody else: plain files, never what else stands in their place.

A symbolic link is not followed, and a pipe, a socket or a device is neither waited for nor touched.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from typing import BinaryIO

_KINDS = (
    (stat.S_ISLNK, errno.ELOOP, "it is a symbolic link, which is not followed"),
    (stat.S_ISDIR, errno.EISDIR, os.strerror(errno.EISDIR)),
    (stat.S_ISFIFO, errno.EINVAL, "it is a pipe and no file"),
    (stat.S_ISSOCK, errno.EINVAL, "it is a socket and no file"),
)


def open_plain(path: str | os.PathLike[str], flags: int = os.O_RDONLY, mode: int = 0o644) -> int:
    """Open a plain file; returns its descriptor.

    Args:
        path: the file.
        flags: as for `os.open`.
        mode: permissions of a file that is made by this.

    Raises:
        OSError: if it cannot be opened, or is no plain file.
    """
    try:
        _require_plain(os.lstat(path).st_mode, path)
    except FileNotFoundError:
        if not flags & os.O_CREAT:
            raise
    file = os.open(path, flags | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK, mode)
    try:
        _require_plain(os.fstat(file).st_mode, path)  # what was looked at may have been replaced meanwhile
    except OSError:
        os.close(file)
        raise
    return file


def read_plain(path: str | os.PathLike[str], buffer_bytes: int = -1) -> BinaryIO:
    """Open a plain file for reading, buffered: as is usual, or so many bytes at a time.

    Raises:
        OSError: if it cannot be opened, or is no plain file.
    """
    return os.fdopen(open_plain(path), "rb", buffering=buffer_bytes)


def create_plain(path: str | os.PathLike[str]) -> BinaryIO:
    """Make a file anew, in place of whatever stood under its name, and open it for writing, buffered.

    Raises:
        OSError: if it cannot be made, or a folder is in its place.
    """
    if os.path.lexists(path):
        os.unlink(path)
    return os.fdopen(open_plain(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL), "wb")


def replace_plain(path: str | os.PathLike[str], content: bytes) -> None:
    """Write a file so that a crash leaves either the old one or the new one; `sync_folder` makes the new one last.

    Raises:
        OSError: if it cannot be written; the old one then stands.
    """
    temporary = f"{os.fspath(path)}.partial"
    try:
        with create_plain(temporary) as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise


def sync_folder(path: str | os.PathLike[str]) -> None:
    """Make lasting which files there are in a folder.

    Raises:
        OSError: if that cannot be.
    """
    folder = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _require_plain(mode: int, path: str | os.PathLike[str]) -> None:
    if stat.S_ISREG(mode):
        return
    for is_kind, number, why in _KINDS:
        if is_kind(mode):
            raise OSError(number, why, os.fspath(path))
    raise OSError(errno.EINVAL, "it is a device and no file", os.fspath(path))
