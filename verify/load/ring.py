"""Submission by a ring: one thread drives all lanes of a worker through io_uring, without a thread switch an operation.

Source of layouts, numbers and flags: `linux/io_uring.h` of the Linux kernel's user-space headers, and
io_uring_enter(2); of the system call numbers: `asm-generic/unistd.h` there.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import mmap
import os
import platform
import struct
import threading
import time
from collections.abc import Callable, Sequence
from heapq import heappop, heappush
from typing import Any, Protocol

from verify.load.lane import SHORT_TRANSFER, Action, Lane
from verify.load.threads import EIO_BEFORE_REOPEN, GONE, REOPEN_EVERY_NS, Reopener

ASK_AGAIN_NS = 20_000_000
"""A lane that waits is asked again at least so often, since the run may have stopped meanwhile."""

_HOLD_NS = 5_000_000
_IDLE_NS = 1_000_000_000
"""Nothing but a completion can change anything while every lane has an operation outstanding."""
_TURNS_PER_HOLD = 16
_BATCH = 8
"""So many operations are handed over while the next ones are still being prepared, so that the volume need not wait."""

_SYS_SETUP, _SYS_ENTER, _SYS_REGISTER = 425, 426, 427
_SETUP_R_DISABLED = 1 << 6
_SETUP_SUBMIT_ALL = 1 << 7
_SETUP_COOP_TASKRUN = 1 << 8
_SETUP_SINGLE_ISSUER = 1 << 12
_SETUP_DEFER_TASKRUN = 1 << 13
_FEAT_SINGLE_MMAP = 1 << 0
_FEAT_NODROP = 1 << 1
_FEAT_EXT_ARG = 1 << 8
_FEATURES = _FEAT_SINGLE_MMAP | _FEAT_NODROP | _FEAT_EXT_ARG
_OFF_SQ_RING, _OFF_SQES = 0, 0x1000_0000
_ENTER_GETEVENTS, _ENTER_EXT_ARG = 1 << 0, 1 << 3
_REGISTER_ENABLE_RINGS = 12
_OP_FSYNC, _OP_READ, _OP_WRITE = 3, 22, 23
_FSYNC_DATASYNC = 1
_SQE_BYTES, _CQE_BYTES = 64, 16
_SIGNAL_SET_BYTES = 8

_PARAMS = struct.Struct("<10I" + "8IQ" * 2)
_SQE = struct.Struct("<BBHiQQIIQ24x")
"""opcode, flags, ioprio, fd, offset, address, length, rw_flags or fsync_flags, user_data."""
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
    sets = [base | _SETUP_SUBMIT_ALL | _SETUP_SINGLE_ISSUER | _SETUP_DEFER_TASKRUN]
    if platform.machine() in _TOTAL_ORDER:
        sets += [base | _SETUP_SUBMIT_ALL | _SETUP_COOP_TASKRUN, base]
    return sets


class HasFd(Protocol):
    """What the ring needs of a volume: the descriptor that serves it, the same for as long as it is open."""

    @property
    def fd(self) -> int:
        """The file descriptor."""


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
        self._submit_arguments = (
            ctypes.c_long(_SYS_ENTER), ctypes.c_uint(self.fd), ctypes.c_uint(params[0]), ctypes.c_uint(0),
            ctypes.c_uint(0), None, ctypes.c_size_t(0),
        )  # fmt: skip
        self._timeout_ns = 0

    def enable(self) -> None:
        """Make the calling thread the only one that may submit.

        Raises:
            OSError: if the kernel refuses.
        """
        if self._call(_SYS_REGISTER, self.fd, _REGISTER_ENABLE_RINGS, None, 0) < 0:
            raise self._error()

    def submit(self, tail: int) -> None:
        """Submit everything before `tail` of the submission queue, or as much as the kernel takes now."""
        self.words[self._sq_tail] = tail
        self._syscall(*self._submit_arguments)

    def submit_and_wait(self, tail: int, timeout_ns: int) -> None:
        """Submit everything before `tail` of the submission queue and wait for one completion or the timeout.

        What the kernel could not take this time stays queued for the next call.

        Raises:
            OSError: if the ring itself does not work.
        """
        words = self.words
        words[self._sq_tail] = tail
        if timeout_ns != self._timeout_ns:
            self._timeout_ns = timeout_ns
            self._timeout[0], self._timeout[1] = divmod(timeout_ns, 1_000_000_000)
        self._to_submit.value = (tail - words[self._sq_head]) & 0xFFFFFFFF
        if self._syscall(*self._enter_arguments) < 0:
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
        self._entries = mmap.mmap(self.fd, _SQE_BYTES * sq_entries, flags=flags, offset=_OFF_SQES)
        self.words = memoryview(self._queues).cast("I")
        """Both queues as 32-bit words: heads, tails, the submission array from `array_at`, results."""
        self.quads = memoryview(self._queues).cast("Q")
        """Both queues as 64-bit words, for the `user_data` of completions."""
        self.sqes = memoryview(self._entries)
        self.sqe_quads = self.sqes.cast("Q")
        self._sq_head, self._sq_tail = sq[0] // 4, sq[1] // 4
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


class _Finder:
    """Has a vanished volume looked for by another thread, since that may take long."""

    def __init__(self, reopener: Reopener) -> None:
        self._reopener = reopener
        self._thread: threading.Thread | None = None
        self._last_ns = -REOPEN_EVERY_NS

    def ask(self, now_ns: int) -> None:
        """Look for the volume, unless that was done just now or is being done."""
        if now_ns - self._last_ns < REOPEN_EVERY_NS or (self._thread is not None and self._thread.is_alive()):
            return
        self._last_ns = now_ns
        self._thread = threading.Thread(target=self._reopener.try_now, daemon=True, name="finder")
        with contextlib.suppress(RuntimeError):
            self._thread.start()


class _Entries:
    """Fills the submission entries of a ring: entry i always belongs to lane i."""

    def __init__(self, ring: Ring, lanes: Sequence[Lane], volume: HasFd) -> None:
        self._sqes = ring.sqes
        self._lanes = lanes
        self._volume = volume
        self._addresses: list[dict[int, int]] = [{} for _ in lanes]

    def fill(self, index: int, action: Action) -> None:
        """Write the whole entry of lane `index` for what it wants done."""
        lane = self._lanes[index]
        opcode, offset_bytes, address, length, flags = _OP_FSYNC, 0, 0, 0, _FSYNC_DATASYNC
        if action is not Action.FLUSH:
            buffer = lane.buffer
            offset_bytes, address, length, flags = lane.offset_bytes, self._address(index, buffer), len(buffer), 0
            opcode = _OP_READ
            if action is Action.WRITE:
                opcode, flags = _OP_WRITE, os.RWF_DSYNC if lane.through else 0
        _SQE.pack_into(
            self._sqes, index * _SQE_BYTES,
            opcode, 0, 0, self._volume.fd, offset_bytes, address, length, flags, index,
        )  # fmt: skip

    def _address(self, index: int, buffer: memoryview) -> int:
        known = self._addresses[index]
        if id(buffer) not in known:
            known[id(buffer)] = ctypes.addressof(ctypes.c_char.from_buffer(buffer))
        return known[id(buffer)]


def drive_ring(
    ring: Ring,
    lanes: Sequence[Lane],
    volume: HasFd,
    reopener: Reopener,
    hold: Callable[[], bool],
    ended: Callable[[Lane], None],
) -> None:
    """Drive all lanes of a worker until each has ended, in the calling thread.

    The counterpart of `threads.drive`. An operation that the kernel never returns leaves its lane as it is; the other
    lanes go on, and this does not return.

    Args:
        ring: for at least as many operations as there are lanes; closed at the end.
        lanes: the lanes.
        volume: where their operations go.
        reopener: asked when the volume vanished.
        hold: true while lanes must not issue anything, because the ledger's disk has fallen behind.
        ended: told of each lane that has nothing more to do.

    Raises:
        OSError: if the ring itself does not work.
    """
    ring.enable()
    now = time.monotonic_ns
    write, flush, wait, end = Action.WRITE, Action.FLUSH, Action.WAIT, Action.END
    words, quads, sqe_quads = ring.words, ring.quads, ring.sqe_quads
    sq_mask, cq_mask, array_at = ring.sq_mask, ring.cq_mask, ring.array_at
    cq_head_at, cq_tail_at = ring.cq_head, ring.cq_tail
    result_at, data_at = ring.cqes_at // 4 + 2, ring.cqes_at // 8
    entries, finder = _Entries(ring, lanes, volume), _Finder(reopener)
    filled: list[Action] = [wait] * len(lanes)
    attempt_ns = [0] * len(lanes)
    failures = [0] * len(lanes)
    ready, waiting = list(range(len(lanes))), list[tuple[int, int]]()
    batch = max(_BATCH, len(lanes) // _BATCH)
    left, turns, tail, head = len(lanes), 0, 0, words[cq_head_at]
    while True:
        turns += 1
        if not turns % _TURNS_PER_HOLD and hold():
            turns -= 1
            until_ns = now() + _HOLD_NS
            waiting = [(until_ns, index) for index in sorted([*ready, *(index for _, index in waiting)])]
            ready = []
        for index in ready:
            lane = lanes[index]
            while True:
                action = lane.next(now())
                issued_ns = now()
                if action is not write or lane.first_issued_ns or not lane.outage_since_decided():
                    break
            if action is wait:
                heappush(waiting, (min(lane.wait_until_ns, issued_ns + ASK_AGAIN_NS), index))
                continue
            if action is end:
                ended(lane)
                left -= 1
                continue
            if not lane.issued(issued_ns):
                left -= 1
                continue
            attempt_ns[index] = issued_ns
            if action is not filled[index]:
                entries.fill(index, action)
                filled[index] = action
            elif action is not flush:
                sqe_quads[8 * index + 1] = lane.offset_bytes
            words[array_at + (tail & sq_mask)] = index
            tail = (tail + 1) & 0xFFFFFFFF
            if not tail % batch:
                ring.submit(tail)
        if not left:
            break
        timeout_ns = max(waiting[0][0] - now(), 0) if waiting else _IDLE_NS
        ring.submit_and_wait(tail, timeout_ns)
        cq_tail = words[cq_tail_at]
        done_ns = now()
        ready = []
        while head != cq_tail:
            at = head & cq_mask
            index, moved = quads[data_at + 2 * at], words[result_at + 4 * at]
            head = (head + 1) & 0xFFFFFFFF
            lane = lanes[index]
            ready.append(index)
            if moved == len(lane.buffer) if filled[index] is not flush else moved == 0:
                failures[index] = 0
                lane.completed(done_ns)
                continue
            failures[index] += 1
            code = (1 << 32) - moved if moved >> 31 else SHORT_TRANSFER
            lane.failed(attempt_ns[index], done_ns, code)
            if code in GONE or (code != SHORT_TRANSFER and failures[index] % EIO_BEFORE_REOPEN == 0):
                finder.ask(done_ns)
        words[cq_head_at] = head
        while waiting and waiting[0][0] <= done_ns:
            ready.append(heappop(waiting)[1])
    ring.close()
