"""Locking the process in memory, since the guest's own root may sit on the storage under test."""

from __future__ import annotations

import ctypes
import os

_MCL_CURRENT = 1
_MCL_FUTURE = 2
_MCL_ONFAULT = 4


def lock_memory(only_what_is_used: bool = False) -> str | None:
    """Lock all present and future pages; returns None, or the reason why it could not be done.

    Args:
        only_what_is_used: lock pages as they are touched. A forked worker would otherwise be given a copy of all its
            parent's memory; the program's files stay in memory because the parent has locked them whole.

    Source of the flag values: `asm-generic/mman.h` of the Linux kernel [from memory].
    """
    libc = ctypes.CDLL(None, use_errno=True)
    flags = _MCL_CURRENT | _MCL_FUTURE | (_MCL_ONFAULT if only_what_is_used else 0)
    if libc.mlockall(flags) == 0:
        return None
    return os.strerror(ctypes.get_errno())


def unlock_memory() -> None:
    """Undo `lock_memory`."""
    ctypes.CDLL(None).munlockall()
