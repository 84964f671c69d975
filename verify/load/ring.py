"""One io_uring with its queues mapped into this process.

Source of layouts, numbers and flags: `linux/io_uring.h` of the Linux kernel's user-space headers, and
io_uring_enter(2); of the system call numbers: `asm-generic/unistd.h` there.
"""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import platform
import struct
import time
from collections.abc import Callable
from typing import Any

from verify.volume.memory import aligned_buffer

_SYS_SETUP, _SYS_ENTER, _SYS_REGISTER = 425, 426, 427
_SETUP_R_DISABLED = 1 << 6
_SETUP_SUBMIT_ALL = 1 << 7
_SETUP_COOP_TASKRUN = 1 << 8
_SETUP_TASKRUN_FLAG = 1 << 9
_SETUP_SINGLE_ISSUER = 1 << 12
_SETUP_DEFER_TASKRUN = 1 << 13
_FEAT_SINGLE_MMAP = 1 << 0
_FEAT_NODROP = 1 << 1
_FEAT_EXT_ARG = 1 << 8
_FEATURES = _FEAT_SINGLE_MMAP | _FEAT_NODROP | _FEAT_EXT_ARG
_OFF_SQ_RING, _OFF_SQES = 0, 0x1000_0000
_ENTER_GETEVENTS, _ENTER_EXT_ARG = 1 << 0, 1 << 3
_REGISTER_BUFFERS, _REGISTER_ENABLE_RINGS = 0, 12
_SQ_TASKRUN = 1 << 2
_BUFFER_BYTES_MAX = 1 << 30
SQE_BYTES, _CQE_BYTES = 64, 16
_SIGNAL_SET_BYTES = 8

_PARAMS = struct.Struct("<10I" + "8IQ" * 2)
PUT_ASIDE_NS = 300_000
"""Longer than any interrupt takes, and shorter than a turn of another process on the processor."""

_VECTOR = struct.Struct("@PN")
"""Address and length of a buffer, readv(2)."""
_GETEVENTS = struct.Struct("<QIIQ")
"""sigmask, its size, padding, address of the timeout."""

_TOTAL_ORDER = frozenset({"x86_64", "i686", "i586", "AMD64"})
_TRY_AGAIN = frozenset({errno.ETIME, errno.EINTR, errno.EAGAIN, errno.EBUSY})


def _flag_sets() -> list[int]:
    """Ways to set a ring up, the best first.

    With deferred work the kernel posts completions only inside our own calls, which needs no memory barrier here.
    Without, another processor may post them, and only a processor that keeps stores in order shows them in order.
    """
    base = _SETUP_R_DISABLED
    flagged = base | _SETUP_SUBMIT_ALL | _SETUP_TASKRUN_FLAG
    sets = [flagged | _SETUP_SINGLE_ISSUER | _SETUP_DEFER_TASKRUN]
    if platform.machine() in _TOTAL_ORDER:
        sets += [flagged | _SETUP_COOP_TASKRUN, base]
    return sets


def address_of(buffer: memoryview) -> int:
    """Where a writable buffer begins in this process's memory."""
    return ctypes.addressof(ctypes.c_char.from_buffer(buffer))


class Ring:
    """One io_uring, its queues mapped; made anywhere, enabled by the thread that will use it.

    Args:
        operations: how many operations may be outstanding at once; entry i of `sqes` is for operation i alone.

    Raises:
        OSError: if the kernel refuses it; ENOSYS also where it lacks something that is needed here.
    """

    def __init__(self, operations: int) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        self._syscall: Callable[..., int] = libc.syscall
        libc.syscall.restype = ctypes.c_long
        entries = 1 << max(operations - 1, 0).bit_length()
        self.fd, params = self._set_up(entries)
        try:
            if params[5] & _FEATURES != _FEATURES:
                raise OSError(errno.ENOSYS, "this kernel's io_uring is too old")
            self._map(params)
        except BaseException:
            os.close(self.fd)
            raise
        self._timeout = (ctypes.c_int64 * 2)()
        self._argument = ctypes.create_string_buffer(_GETEVENTS.size)
        _GETEVENTS.pack_into(self._argument, 0, 0, _SIGNAL_SET_BYTES, 0, ctypes.addressof(self._timeout))
        self._to_submit = ctypes.c_uint(0)
        self._enter_arguments = (
            ctypes.c_long(_SYS_ENTER), ctypes.c_uint(self.fd), self._to_submit, ctypes.c_uint(1),
            ctypes.c_uint(_ENTER_GETEVENTS | _ENTER_EXT_ARG), ctypes.c_void_p(ctypes.addressof(self._argument)),
            ctypes.c_size_t(_GETEVENTS.size),
        )  # fmt: skip
        self._patient_arguments = (
            *self._enter_arguments[:4], ctypes.c_uint(_ENTER_GETEVENTS), None, ctypes.c_size_t(0),
        )  # fmt: skip
        self._submit_arguments = (
            ctypes.c_long(_SYS_ENTER), ctypes.c_uint(self.fd), ctypes.c_uint(params[0]), ctypes.c_uint(0),
            ctypes.c_uint(0), None, ctypes.c_size_t(0),
        )  # fmt: skip
        self.has_buffers = False
        """Whether `register` has made known the memory that operations use."""

    def enable(self) -> None:
        """Make the calling thread the only one that may submit.

        Raises:
            OSError: if the kernel refuses.
        """
        if self._call(_SYS_REGISTER, self.fd, _REGISTER_ENABLE_RINGS, None, 0) < 0:
            raise self._error()

    def register(self, buffers: memoryview) -> None:
        """Make one stretch of memory known to the kernel, so that it need not look it up for every operation.

        Where the kernel refuses, for want of memory that it may lock, operations go on without.
        """
        if len(buffers) <= _BUFFER_BYTES_MAX:
            vector = ctypes.create_string_buffer(_VECTOR.pack(address_of(buffers), len(buffers)))
            self.has_buffers = self._call(_SYS_REGISTER, self.fd, _REGISTER_BUFFERS, vector, 1) >= 0

    def has_completions(self, head: int) -> bool:
        """Whether completions from `head` of the completion queue on are there, or would be after a call."""
        words = self.words
        return words[self.cq_tail] != head or bool(words[self._sq_flags] & _SQ_TASKRUN)

    def look_out(self, head: int, until_ns: int) -> bool:
        """Return as soon as `has_completions`, or after `until_ns`; whoever else needs the processor may have it.

        Returns:
            False if somebody took the processor for longer than `PUT_ASIDE_NS`.
        """
        words, tail_at, flags_at = self.words, self.cq_tail, self._sq_flags
        now, give_way = time.monotonic_ns, os.sched_yield
        looked_ns = now()
        while words[tail_at] == head and not words[flags_at] & _SQ_TASKRUN and looked_ns < until_ns:
            give_way()
            before_ns, looked_ns = looked_ns, now()
            if looked_ns - before_ns > PUT_ASIDE_NS:
                return False
        return True

    def submit(self, tail: int) -> None:
        """Submit everything before `tail` of the submission queue, or as much as the kernel takes now."""
        self.words[self._sq_tail] = tail
        self._syscall(*self._submit_arguments)

    def submit_and_wait(self, tail: int, timeout_ns: int | None) -> None:
        """Submit everything before `tail` of the submission queue and wait for one completion or the timeout.

        Without a timeout nothing but a completion, or a signal, ends the wait. What the kernel could not take this
        time stays queued for the next call.

        Raises:
            OSError: if the ring itself does not work.
        """
        words = self.words
        words[self._sq_tail] = tail
        arguments: tuple[Any, ...] = self._patient_arguments
        if timeout_ns is not None:
            arguments = self._enter_arguments
            self._timeout[0], self._timeout[1] = divmod(timeout_ns, 1_000_000_000)
        self._to_submit.value = (tail - words[self._sq_head]) & 0xFFFFFFFF
        if self._syscall(*arguments) < 0:
            code = ctypes.get_errno()
            if code not in _TRY_AGAIN:
                raise OSError(code, f"io_uring_enter: {os.strerror(code)}")

    def close(self) -> None:
        """Give the ring up; to be called when no operation is outstanding."""
        os.close(self.fd)
        for view in (self.words, self.quads, self.sqes, self.sqe_quads):
            view.release()
        self._queues.close()
        self._entries.close()

    def _set_up(self, entries: int) -> tuple[int, tuple[int, ...]]:
        for flags in _flag_sets():
            params = ctypes.create_string_buffer(_PARAMS.size)
            struct.pack_into("<I", params, 8, flags)
            fd = self._call(_SYS_SETUP, entries, ctypes.byref(params))
            if fd >= 0:
                return fd, _PARAMS.unpack(params)
            error = self._error()
            if error.errno != errno.EINVAL:
                break
        raise error

    def _map(self, params: tuple[int, ...]) -> None:
        sq, cq = params[10:19], params[19:28]
        sq_entries, cq_entries = params[0], params[1]
        queue_bytes = max(sq[6] + 4 * sq_entries, cq[5] + _CQE_BYTES * cq_entries)
        flags = mmap.MAP_SHARED | mmap.MAP_POPULATE
        self._queues = mmap.mmap(self.fd, -(-queue_bytes // 8) * 8, flags=flags, offset=_OFF_SQ_RING)
        self._entries = mmap.mmap(self.fd, SQE_BYTES * sq_entries, flags=flags, offset=_OFF_SQES)
        self.words = memoryview(self._queues).cast("I")
        """Both queues as 32-bit words: heads, tails, the submission array from `array_at`, results."""
        self.quads = memoryview(self._queues).cast("Q")
        """Both queues as 64-bit words, for the `user_data` of completions."""
        self.sqes = memoryview(self._entries)
        self.sqe_quads = self.sqes.cast("Q")
        self._sq_head, self._sq_tail, self._sq_flags = sq[0] // 4, sq[1] // 4, sq[4] // 4
        self.cq_head, self.cq_tail = cq[0] // 4, cq[1] // 4
        self.sq_mask, self.cq_mask = self.words[sq[2] // 4], self.words[cq[2] // 4]
        self.array_at, self.cqes_at = sq[6] // 4, cq[5]

    def _call(self, *arguments: Any) -> int:
        return self._syscall(*(ctypes.c_long(a) if isinstance(a, int) else a for a in arguments))

    @staticmethod
    def _error() -> OSError:
        code = ctypes.get_errno()
        return OSError(code, os.strerror(code))


def why_refused(error: OSError) -> str:
    """Why a ring could not be had, in words."""
    if error.errno == errno.ENOSYS:
        return "this kernel has no io_uring, or too old a one"
    if error.errno in (errno.EPERM, errno.EACCES):
        return "io_uring is forbidden here, by kernel.io_uring_disabled or by what confines this process"
    return f"io_uring cannot be set up: {error.strerror}"


def ring_refusal(operations: int = 1) -> str:
    """Why a ring for so many operations cannot be had here, "" if it can."""
    try:
        Ring(operations).close()
    except OSError as error:
        return why_refused(error)
    return ""


def ring_slowness(fd: int) -> str:
    """Why a ring would be slower than threads on an open volume, "" if it would not.

    Where a volume's driver cannot take an operation without waiting, the kernel hands each one to a thread of its own;
    preadv2(2) then says EOPNOTSUPP to RWF_NOWAIT.
    """
    try:
        os.preadv(fd, (aligned_buffer(mmap.PAGESIZE),), 0, os.RWF_NOWAIT)
    except OSError as error:
        if error.errno == errno.EOPNOTSUPP:
            return "the volume's driver takes no operation without waiting, so a ring would be slower"
    return ""
