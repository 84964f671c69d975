"""Locking the process in memory, since the guest's own root may sit on the storage under test."""

from __future__ import annotations

import ctypes
import os

_MCL_CURRENT = 1
_MCL_FUTURE = 2


def lock_memory() -> str | None:
    """Lock all present and future pages; returns None, or the reason why it could not be done.

    Source of the flag values: `asm-generic/mman.h` of the Linux kernel [from memory].
    """
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mlockall(_MCL_CURRENT | _MCL_FUTURE) == 0:
        return None
    return os.strerror(ctypes.get_errno())


def unlock_memory() -> None:
    """Undo `lock_memory`."""
    ctypes.CDLL(None).munlockall()
