"""Keeping the raw bytes of abnormal blocks beside the record."""

from __future__ import annotations

import contextlib
import os
import threading
from typing import Any

from verify.plain_file import open_plain

SPECIMEN_BYTES_MAX = 256 * 1024 * 1024
"""Beyond this a file of specimens takes no more; the facts stay in the ledger."""


class SpecimenFile:
    """One file of raw blocks laid end to end, made when the first block comes.

    Args:
        path: the file.
    """

    def __init__(self, path: str) -> None:
        self.path = path
        self._file: int | None = None
        self._size_bytes = 0
        self._lock = threading.Lock()

    def has_room(self, size_bytes: int) -> bool:
        """Whether a block of so many bytes may be kept, as far as the file's own limit goes."""
        return self._size_bytes + size_bytes <= SPECIMEN_BYTES_MAX

    def keep(self, block: memoryview) -> dict[str, Any] | None:
        """Append one block; returns where it stands, or None if it could not be kept."""
        with self._lock:
            if self._size_bytes + len(block) > SPECIMEN_BYTES_MAX:
                return None
            try:
                if self._file is None:
                    self._file = open_plain(self.path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
                    self._size_bytes = os.fstat(self._file).st_size
                written = os.write(self._file, block)
                if written != len(block):
                    os.ftruncate(self._file, self._size_bytes)
                    return None
            except OSError:
                return None
            offset = self._size_bytes
            self._size_bytes += written
            return {"file": os.path.basename(self.path), "offset": offset, "length": written}

    def close(self) -> None:
        """Close the file."""
        with self._lock, contextlib.suppress(OSError):
            if self._file is not None:
                os.close(self._file)
                self._file = None
