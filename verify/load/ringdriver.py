"""Driving lanes by a ring: one thread for all lanes of a worker, without a thread switch an operation.

Source of the numbers of operations and flags: `linux/io_uring.h` of the Linux kernel's user-space headers.
"""

from __future__ import annotations

import contextlib
import os
import struct
import threading
import time
from collections.abc import Callable, Sequence
from heapq import heappop, heappush
from typing import Protocol

from verify.load.action import Action
from verify.load.lane import SHORT_TRANSFER, Lane
from verify.load.lookout import LookOut
from verify.load.ring import SQE_BYTES, Ring, address_of
from verify.load.shared import Phase
from verify.load.threads import FAILURES_BEFORE_REOPEN, GONE, REOPEN_EVERY_NS, Reopener

ASK_AGAIN_NS = 20_000_000
"""A lane that waits is asked again at least so often, since the run may have stopped meanwhile."""

_HOLD_NS = 5_000_000
_LOOKS_PER_HOLD = 16
_BATCH = 8
"""So many operations are handed over before the next completions are dealt with, so that the volume need not wait."""

_LONG_TO_BUILD_BYTES = 16 << 10
"""Blocks of this size and more take long enough to build that completions are looked for after each of them."""

_LOOK_OUT_NS = 100_000
"""A wait that is likely to be shorter than this is spent looking out, since a processor that has gone to sleep is slow
to wake, and slow at first. Where waits turn out longer, nothing is lost but one such look; where looking out does not
pay at all, it is left off (`LookOut`)."""
_SLEEP_NS = 100_000_000
"""Where another process wanted the processor meanwhile, waits are slept through for so long: who sleeps is woken at
once, while who gives way waits for the other's whole turn."""

_OP_FSYNC, _OP_READ_FIXED, _OP_WRITE_FIXED, _OP_READ, _OP_WRITE = 3, 4, 5, 22, 23
_FSYNC_DATASYNC = 1
_SQE = struct.Struct("<BBHiQQIIQ24x")
"""opcode, flags, ioprio, fd, offset, address, length, rw_flags or fsync_flags, user_data; the index of the registered
buffer, always 0, is among what follows."""
_WRITE, _FLUSH, _WAIT, _END = Action.WRITE, Action.FLUSH, Action.WAIT, Action.END


class HasFd(Protocol):
    """What the ring needs of a volume: the descriptor that serves it, the same for as long as it is open."""

    @property
    def fd(self) -> int:
        """The file descriptor."""


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
        self._sqe_quads = ring.sqe_quads
        self._has_buffers = ring.has_buffers
        self._lanes = lanes
        self._volume = volume
        self._filled: list[Action] = [_WAIT] * len(lanes)
        self.addresses = [{id(b): address_of(b) for b in (*lane.write_buffers, lane.read_buffer)} for lane in lanes]
        """For each lane, where its buffers are, by their `id`."""

    def fill(self, index: int, action: Action) -> None:
        """Write the entry of lane `index` for what it wants done: whole, or what may have changed."""
        lane = self._lanes[index]
        if action is self._filled[index]:
            if action is not _FLUSH:
                self._sqe_quads[8 * index + 1] = lane.offset_bytes
                self._sqe_quads[8 * index + 2] = self.addresses[index][id(lane.buffer)]
            return
        self._filled[index] = action
        opcode, offset_bytes, address, length, flags = _OP_FSYNC, 0, 0, 0, _FSYNC_DATASYNC
        if action is not _FLUSH:
            offset_bytes, address, length = lane.offset_bytes, self.addresses[index][id(lane.buffer)], len(lane.buffer)
            flags = os.RWF_DSYNC if action is _WRITE and lane.through else 0
            if self._has_buffers:
                opcode = _OP_WRITE_FIXED if action is _WRITE else _OP_READ_FIXED
            else:
                opcode = _OP_WRITE if action is _WRITE else _OP_READ
        _SQE.pack_into(
            self._sqes, index * SQE_BYTES,
            opcode, 0, 0, self._volume.fd, offset_bytes, address, length, flags, index,
        )  # fmt: skip


class _LongWay:
    """What a lane does other than going from one plain write to the next."""

    def __init__(
        self, lanes: Sequence[Lane], entries: _Entries, reopener: Reopener, ended: Callable[[Lane], None]
    ) -> None:
        self._lanes = lanes
        self._entries = entries
        self._finder = _Finder(reopener)
        self._ended = ended
        self._failures = [0] * len(lanes)
        self.left = len(lanes)
        """How many lanes have not ended."""
        self.attempt_ns = [0] * len(lanes)
        """When the outstanding attempt of each lane was issued."""
        self.waiting: list[tuple[int, int]] = []
        """A heap: when a lane that waits is to be asked again, and which."""

    def issue(self, index: int) -> bool:
        """Have lane `index` decide and fill its entry; false if it has nothing to submit now."""
        lane, now = self._lanes[index], time.monotonic_ns
        while True:
            action = lane.next(now())
            issued_ns = now()
            if action is not _WRITE or lane.first_issued_ns or not lane.outage_since_decided():
                break
        if action is _WAIT:
            heappush(self.waiting, (min(lane.wait_until_ns, issued_ns + ASK_AGAIN_NS), index))
            return False
        if action is _END:
            self._ended(lane)
        if action is _END or not lane.issued(issued_ns):
            self.left -= 1
            return False
        self.attempt_ns[index] = issued_ns
        self._entries.fill(index, action)
        return True

    def finish(self, index: int, moved: int, done_ns: int) -> None:
        """Tell lane `index` what the kernel says of its operation: bytes moved, or an errno below zero, in 32 bits."""
        lane = self._lanes[index]
        if moved == (0 if lane.action is _FLUSH else lane.layout.block_bytes):
            self._failures[index] = 0
            lane.completed(done_ns)
            return
        self._failures[index] += 1
        code = (1 << 32) - moved if moved >> 31 else SHORT_TRANSFER
        lane.failed(self.attempt_ns[index], done_ns, code)
        if code in GONE or self._failures[index] % FAILURES_BEFORE_REOPEN == 0:
            self._finder.ask(done_ns)

    def hold(self, ready: Sequence[int], now_ns: int) -> None:
        """Let every lane that could be asked wait a little."""
        until_ns = now_ns + _HOLD_NS
        self.waiting = [(until_ns, index) for index in sorted([*ready, *(index for _, index in self.waiting)])]


def drive_ring(
    ring: Ring,
    lanes: Sequence[Lane],
    volume: HasFd,
    reopener: Reopener,
    hold: Callable[[], bool],
    ended: Callable[[Lane], None],
    count_delay: Callable[[int, int], None] = lambda delay_ns, operations: None,
    at_once: bool = True,
) -> None:
    """Drive all lanes of a worker until each has ended, in the calling thread.

    The counterpart of `threads.drive`. An operation that the kernel never returns leaves its lane as it is; the other
    lanes go on, and this does not return.

    A lane that goes from one plain write to the next, as nearly all do, is turned round in a few steps (`Lane.turn`);
    everything else takes the long way. What comes next is built while the volume is busy. Where building takes long,
    what has completed is recorded first, then lanes with nothing outstanding are issued, then what comes next is built.

    Args:
        ring: for at least as many operations as there are lanes; closed at the end.
        lanes: the lanes, which share one door.
        volume: where their operations go.
        reopener: asked when the volume vanished.
        hold: true while lanes must not issue anything, because the ledger's disk has fallen behind.
        ended: told of each lane that has nothing more to do.
        count_delay: told how long, at most, completions of the load had lain posted when they were recorded, and how
            many they were. For those found at once the time counts from the look before; those waited for were seen as
            they came.

        at_once: submit a few operations at a time. To be false where the volume's driver takes nothing without waiting
            (`ring.ring_slowness`): there a submission may wait in the kernel for as long as the volume stalls, and a
            lane that was not issued yet, and so had nothing outstanding, would hide that every lane waits.

    Raises:
        OSError: if the ring itself does not work.
    """
    ring.enable()
    now = time.monotonic_ns
    words, quads, sqe_quads = ring.words, ring.quads, ring.sqe_quads
    sq_mask, cq_mask, array_at = ring.sq_mask, ring.cq_mask, ring.array_at
    cq_head_at, cq_tail_at = ring.cq_head, ring.cq_tail
    result_at, data_at = ring.cqes_at // 4 + 2, ring.cqes_at // 8
    entries = _Entries(ring, lanes, volume)
    long_way = _LongWay(lanes, entries, reopener, ended)
    attempt_ns = long_way.attempt_ns
    addresses = [[address_of(buffer) for buffer in lane.write_buffers] for lane in lanes]
    whole = [lane.layout.block_bytes for lane in lanes]
    is_long = at_once and max(whole) >= _LONG_TO_BUILD_BYTES
    batch = 1 if is_long else _BATCH
    door, shared = lanes[0].door, lanes[0].shared
    control, outages_now, outstanding = shared.control, shared.outage_cells.tobytes, shared.outstanding_ns
    ready, issued, turned, others = list(range(len(lanes))), list[int](), list[int](), list[tuple[int, int]]()
    head, tail, submitted, looks, looked_ns, was_short, sleep_until_ns = words[cq_head_at], 0, 0, 0, now(), False, 0
    looking = LookOut(looked_ns)
    while True:
        looks += 1
        held = not looks % _LOOKS_PER_HOLD and hold()
        if held:
            looks -= 1
            long_way.hold(ready, now())
            ready = []
        asked, may_build = 0, True
        for index in ready:
            asked += 1
            if long_way.issue(index):
                words[array_at + (tail & sq_mask)] = index
                tail = (tail + 1) & 0xFFFFFFFF
                issued.append(index)
                if at_once and not len(issued) % batch:
                    ring.submit(tail)
                    submitted = tail
                if is_long and ring.has_completions(head):
                    may_build = False
                    break
        ready = ready[asked:]
        if not long_way.left:
            break
        if issued:
            if submitted != tail:
                ring.submit(tail)
                submitted = tail
            built = 0
            for index in issued if may_build else ():
                lanes[index].prepare()
                built += 1
                if is_long and ring.has_completions(head):
                    break
            del issued[:built]
        waiting = long_way.waiting
        were_there = ring.has_completions(head)
        wait_ns = now()
        looks_out = was_short and looking.wanted and not were_there and not waiting
        if looks_out and not ring.look_out(head, wait_ns + _LOOK_OUT_NS):
            sleep_until_ns = now() + _SLEEP_NS
        ring.submit_and_wait(tail, max(waiting[0][0] - wait_ns, 0) if waiting else None)
        outages, phase = outages_now(), control[0]
        may_turn = not held and phase != Phase.STOP
        before, cq_tail = head, words[cq_tail_at]
        looked_before_ns, looked_ns = looked_ns, now()
        was_short = looked_ns - wait_ns < _LOOK_OUT_NS and looked_ns > sleep_until_ns
        recorded_ns = looked_ns
        while head != cq_tail:
            with door:
                while head != cq_tail and len(turned) < _BATCH:
                    at = head & cq_mask
                    index, moved = quads[data_at + 2 * at], words[result_at + 4 * at]
                    head = (head + 1) & 0xFFFFFFFF
                    if may_turn and moved == whole[index] and lanes[index].turn(looked_ns, outages):
                        turned.append(index)
                    else:
                        others.append((index, moved))
                recorded_ns = now()
                may_turn = may_turn and outages_now() == outages
                for index in turned if may_turn else ():
                    lane = lanes[index]
                    lane.first_issued_ns = outstanding[lane.lane] = attempt_ns[index] = recorded_ns
                    at = 8 * index
                    sqe_quads[at + 1] = lane.offset_bytes
                    sqe_quads[at + 2] = addresses[index][lane.sequence & 1]
                    words[array_at + (tail & sq_mask)] = index
                    tail = (tail + 1) & 0xFFFFFFFF
            if turned:
                if may_turn:
                    if at_once:
                        ring.submit(tail)
                        submitted = tail
                    issued += turned
                else:
                    for index in turned:
                        outstanding[lanes[index].lane] = 0
                    ready += turned
                turned.clear()
        words[cq_head_at] = head
        if others:
            for index, moved in others:
                long_way.finish(index, moved, looked_ns)
                ready.append(index)
                if is_long and index in issued:  # its next block was not built yet, and is built when it is issued
                    issued.remove(index)
            others.clear()
            recorded_ns = now()
        if head != before and phase == Phase.LOAD:
            since_ns = looked_before_ns if were_there else looked_ns
            count_delay(recorded_ns - since_ns, (head - before) & 0xFFFFFFFF)
        looking.count((head - before) & 0xFFFFFFFF, looked_ns)
        while waiting and waiting[0][0] <= looked_ns:
            ready.append(heappop(waiting)[1])
    ring.close()
