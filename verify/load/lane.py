"""One sequential writer as a state machine without I/O.

A lane is asked what it wants done next (`next`) and told what came of it (`completed`, `failed`). Threads, a ring, or a
test's virtual clock drive it alike. It has at most one operation outstanding, owns its slots alone, and says everything
that the judge needs to know to a ledger.
"""

from __future__ import annotations

import threading
from array import array
from collections.abc import Callable, Sequence
from typing import Any

from verify.blocks.encode import BlockMaker
from verify.judge.content import Content, look
from verify.ledger.frames import RECORD, SEQUENCE_MAX, Kind, operation_record
from verify.load.action import Action
from verify.load.run import Run
from verify.load.schedule import Flush
from verify.load.shared import LaneState, Phase, Shared

RETRY_AFTER_NS = 50_000_000
"""After a failed attempt the lane rests this long before it issues the same operation again."""

SHORT_TRANSFER = 255
"""Stands for an errno in an ERROR record where the device moved fewer bytes than asked."""

_PLANNED_AHEAD = 512
_FILL, _STOP = int(Phase.FILL), int(Phase.STOP)
_MUST_EXAMINE = 0xFFFFFFFF
"""Never an epoch: after a read found something odd, the slot is examined before it is overwritten, outage or not."""
_PACE_DEBT_NS_MAX = 1_000_000_000
"""A paced lane that fell behind by more than this does not hurry to make up for it."""

_pack = RECORD.pack
_WRITE, _READ, _EXAMINE, _FLUSH, _WAIT, _END = Action
"""The members by short names: looking one up in its class costs as much as a system call saves (Python 3.11)."""


class Lane:
    """One lane of a run.

    Args:
        run: the run.
        lane: counted within the run.
        shared: counters of the run.
        worker: index of the worker that owns the lane (its outage cell is `1 + worker`).
        record: takes ledger records and events.
        keep_specimen: takes the raw bytes of an abnormal block, returns where they were kept, or None if they were not.
        write_buffers: one block each; operation n is built in number n modulo their count. With two, a block can be
            built while the one before it is being written.
        read_buffer: one block.
        examine: whether to examine slots after an outage; only tests switch it off.
        door: held while what the lane has told changes; may be shared by lanes that one thread drives.

    After `next` has returned WRITE, READ or EXAMINE, `offset_bytes` and `buffer` say where and what.
    """

    __slots__ = (
        "_ahead_own", "_ahead_slot", "_alarm_ns", "_block_bytes", "_built", "_cell", "_closed", "_control", "_end",
        "_epoch", "_examine", "_fill_blocks", "_fill_end", "_fill_writes", "_flush_every", "_is_simple",
        "_keep_specimen", "_lanes", "_last_done", "_load_writes", "_newest", "_odd", "_outages", "_outages_now",
        "_outstanding", "_own_slot", "_pace_due_ns", "_pace_ns", "_planned_first", "_planned_slots", "_planned_writes",
        "_record", "_retrying", "_slot", "_start_bytes", "_touched", "_unflushed", "_write_word", "action", "buffer",
        "door", "first_issued_ns", "lane", "layout", "maker", "offset_bytes", "own_lane", "read_buffer", "schedule",
        "sequence", "shared", "stream", "through", "wait_until_ns", "write_buffers",
    )  # fmt: skip
    """So that the state of many lanes is near together in the processor's cache."""

    def __init__(
        self,
        run: Run,
        lane: int,
        shared: Shared,
        worker: int,
        record: Callable[[Any], None],
        keep_specimen: Callable[[memoryview], dict[str, Any] | None],
        write_buffers: Sequence[memoryview],
        read_buffer: memoryview,
        examine: bool = True,
        door: threading.Lock | None = None,
    ) -> None:
        self.lane = lane
        self.stream = run.stream_of_lane(lane)
        self.layout = self.stream.layout
        self.own_lane = lane - self.layout.first_lane
        self.maker = BlockMaker(self.layout, run.seed, run.tag)
        self.schedule = run.schedule(lane)
        self.through = self.stream.flush is Flush.WRITE
        self.shared = shared
        self._cell = 1 + worker
        self._record = record
        self._keep_specimen = keep_specimen
        self.write_buffers = write_buffers
        self._fill_blocks = [self.maker.filler(buffer, self.own_lane) for buffer in write_buffers]
        self._built = [-1] * len(write_buffers)
        self.read_buffer = read_buffer
        self._examine = examine
        self._alarm_ns = run.stall_ns // 2
        self._fill_end = self.schedule.fill_count
        self._end = SEQUENCE_MAX if run.operations is None else self._fill_end + run.operations
        own = self.schedule.own_slots
        self._newest = array("q", [-1]) * own
        self._touched = array("I", [0]) * own
        self._odd: dict[int, int] = {}
        self._epoch = 0
        self._control = shared.control
        self._outages_now = shared.outage_cells.tobytes
        self._outages = self._outages_now()
        self._write_word = int(Kind.WRITE_THROUGH if self.through else Kind.WRITE) | lane << 16
        self._lanes, self._start_bytes = self.layout.lanes, self.layout.start_bytes
        self._block_bytes = self.layout.block_bytes
        self._last_done, self._outstanding = shared.last_done_ns, shared.outstanding_ns
        self._load_writes, self._fill_writes = shared.load_writes, shared.fill_writes
        self._planned_first, self._planned_writes, self._planned_slots = 0, b"", array("q")
        self._flush_every = self.stream.flush_every if self.stream.flush is Flush.EVERY else 0
        self._unflushed = 0
        self._pace_ns = int(1e9 * self.layout.lanes / self.stream.pace) if self.stream.pace else 0
        self._pace_due_ns = 0
        self._is_simple = not self._flush_every and not self._pace_ns
        self.sequence = 0
        self.action = _WAIT
        self.first_issued_ns = 0
        """Issue time of the first attempt at the outstanding action, 0 if none is outstanding."""
        self.wait_until_ns = 0
        self.offset_bytes = 0
        self.buffer = write_buffers[0]
        self._own_slot = self._slot = 0
        self._ahead_slot, self._ahead_own = -1, 0
        """The slot of the write after the outstanding one, if that is plain and this is built; else -1."""
        self._retrying = self._closed = False
        self.door = door or threading.Lock()

    def outage_since_decided(self) -> bool:
        """Whether an outage was raised since `next` decided; then a write must not be issued but asked for anew."""
        return self._outages != self._outages_now()

    def next(self, now_ns: int) -> Action:
        """What to do now; the same failed operation again if the last attempt failed."""
        if self._retrying:
            return self._next_retry(now_ns)
        outages = self._outages_now()
        if outages != self._outages:
            self._outages = outages
            self._epoch += 1
        phase = self._control[0]
        sequence = self.sequence
        if phase == _STOP:
            return self._choose(_END)
        if sequence == self._fill_end and phase == _FILL:
            return self._next_before_load(now_ns)
        if sequence >= self._end:
            return self._choose(_FLUSH if self._unflushed and self._flush_every else _END)
        if self._flush_every and self._unflushed >= self._flush_every and sequence >= self._fill_end:
            return self._choose(_FLUSH)
        if self._pace_ns and sequence >= self._fill_end:
            if now_ns - self._pace_due_ns > _PACE_DEBT_NS_MAX:
                self._pace_due_ns = now_ns
            if now_ns < self._pace_due_ns:
                self.wait_until_ns = self._pace_due_ns
                return self._choose(_WAIT)
        return self._next_operation(sequence)

    def issued(self, now_ns: int) -> bool:
        """Note the moment just before the action is submitted; the first attempt's counts.

        Returns:
            False if the run was closed meanwhile; then nothing must be submitted any more.
        """
        with self.door:
            if self._closed:
                return False
            if not self.first_issued_ns:
                self.first_issued_ns = now_ns
                self._outstanding[self.lane] = now_ns
            return True

    def completed(self, done_ns: int) -> None:
        """The outstanding action succeeded at `done_ns`, a moment after the kernel said so."""
        with self.door:
            if not self._closed:
                self._complete(done_ns)

    def _complete(self, done_ns: int) -> None:
        action = self.action
        issued_ns = self.first_issued_ns
        if action is _WRITE:
            self._record(operation_record(self._write_word & 0xFF, self.lane, self.sequence, issued_ns, done_ns))
            self._acknowledged_write()
        elif action is _FLUSH:
            self._record(operation_record(Kind.FLUSH, self.lane, self.sequence, issued_ns, done_ns))
            self._unflushed = 0
        else:
            self._observed(action, issued_ns, done_ns)
        self._retrying = False
        self._ahead_slot = -1
        self.first_issued_ns = 0
        lane = self.lane
        self._outstanding[lane] = 0
        self._last_done[lane] = done_ns
        if done_ns - issued_ns > self._alarm_ns:
            self.shared.raise_outage(self._cell)

    def failed(self, attempt_ns: int, done_ns: int, code: int) -> None:
        """One attempt, issued at `attempt_ns`, failed with errno `code`; the same operation will be issued again."""
        with self.door:
            if self._closed:
                return
            self._record(operation_record(Kind.ERROR, self.lane, self.sequence, attempt_ns, done_ns, code & 0xFF))
            self.shared.errors[self.lane] += 1
            self.shared.raise_outage(self._cell)
            self._retrying = True
            self._ahead_slot = -1
            self.wait_until_ns = done_ns + RETRY_AFTER_NS

    def prepare(self) -> None:
        """Build the next write ahead, while an action is outstanding; nothing is decided by it.

        Where the outstanding action and the one after it are plain writes of the same phase, `turn` can follow.
        """
        sequence, action = self.sequence, self.action
        ahead = sequence + 1 if action is _WRITE or action is _READ else sequence
        if ahead >= self._end or len(self._built) == 1:
            return
        index = ahead - self._planned_first
        if not 0 <= index < len(self._planned_slots):
            self._plan(ahead)
            index = 0
        if not self._planned_writes[index]:
            return
        slot, which = self._planned_slots[index], ahead & 1
        if self._built[which] != ahead:
            self._fill_blocks[which](slot, ahead)
            self._built[which] = ahead
        own = self._ahead_own = slot // self._lanes
        if (
            action is _WRITE
            and self._is_simple
            and not self._odd
            and sequence != self._fill_end != ahead
            and (self._touched[own] == self._epoch or self._newest[own] < 0 or not self._examine)
        ):
            self._ahead_slot = slot

    def turn(self, done_ns: int, outages: bytes) -> bool:
        """`completed` and `next` in one for the plain case: a write acknowledged at `done_ns`, and the next one built.

        To be called with the door held, and then, unless an outage was raised since `outages` was read, the moment just
        before the submission must be put into `first_issued_ns` and into the lane's shared cell.

        Args:
            done_ns: as for `completed`.
            outages: the outage cells, read before the call.

        Returns:
            False if the case is not plain; then nothing was done.
        """
        slot, issued_ns = self._ahead_slot, self.first_issued_ns
        wait_ns = done_ns - issued_ns
        if slot < 0 or self._closed or outages != self._outages or not 0 <= wait_ns <= self._alarm_ns:
            return False
        sequence, own, lane = self.sequence, self._own_slot, self.lane
        self._record(_pack(self._write_word | (sequence & 0xFFFFFFFF) << 32, sequence >> 32 | wait_ns << 16, issued_ns))
        self._newest[own] = sequence
        self._touched[own] = self._epoch
        self._unflushed += 1
        counts = self._load_writes if sequence >= self._fill_end else self._fill_writes
        counts[lane] += 1
        self._last_done[lane] = done_ns
        self.first_issued_ns = 0
        sequence += 1
        self.sequence = sequence
        self._slot = slot
        self._own_slot = self._ahead_own
        self._ahead_slot = -1
        self.offset_bytes = self._start_bytes + slot * self._block_bytes
        self.buffer = self.write_buffers[sequence & 1]
        return True

    def close(self, now_ns: int) -> None:
        """Record what this lane leaves open when the run closes: an operation in flight, or nothing.

        May be called while another thread drives the lane: whatever that thread learns afterwards is no longer
        recorded, and it submits nothing more.
        """
        with self.door:
            self._closed = True
            kind, since_ns = Kind.LANE_END, now_ns
            if self.first_issued_ns:
                kind = Kind.IN_FLIGHT if self.action in (_WRITE, _READ) else Kind.PREFLIGHT
                since_ns = self.first_issued_ns
            self._record(operation_record(kind, self.lane, self.sequence, since_ns, now_ns))

    def _choose(self, action: Action) -> Action:
        self.action = action
        return action

    def _next_retry(self, now_ns: int) -> Action:
        if self._control[0] == _STOP:
            return _END
        if now_ns < self.wait_until_ns:
            return _WAIT
        return self.action

    def _next_before_load(self, now_ns: int) -> Action:
        if self._unflushed:
            return self._choose(_FLUSH)
        self.shared.lane_state[self.lane] = LaneState.FILLED
        self.wait_until_ns = now_ns + 2_000_000
        return self._choose(_WAIT)

    def _next_operation(self, sequence: int) -> Action:
        index = sequence - self._planned_first
        if not 0 <= index < len(self._planned_slots):
            self._plan(sequence)
            index = 0
        slot = self._slot = self._planned_slots[index]
        own = self._own_slot = slot // self._lanes
        self.offset_bytes = self._start_bytes + slot * self._block_bytes
        if not self._planned_writes[index]:
            self.buffer = self.read_buffer
            return self._choose(_READ)
        if self._touched[own] != self._epoch and self._newest[own] >= 0 and self._examine:
            self.buffer = self.read_buffer
            return self._choose(_EXAMINE)
        self._build(slot, sequence)
        self.buffer = self.write_buffers[sequence % len(self._built)]
        self.action = _WRITE
        return _WRITE

    def _build(self, slot: int, sequence: int) -> None:
        which = sequence % len(self._built)
        if self._built[which] != sequence:
            self._fill_blocks[which](slot, sequence)
            self._built[which] = sequence

    def _plan(self, sequence: int) -> None:
        operations = self.schedule.operations(sequence, _PLANNED_AHEAD)
        self._planned_first = sequence
        self._planned_writes = operations.writes.tobytes()
        self._planned_slots = array("q", operations.slots.tobytes())

    def _advance(self) -> None:
        sequence = self.sequence
        self.sequence = sequence + 1
        if sequence >= self._fill_end and self._pace_ns:
            self._pace_due_ns += self._pace_ns
        if sequence == self._fill_end:
            self.shared.lane_state[self.lane] = LaneState.LOADING

    def _acknowledged_write(self) -> None:
        own, sequence = self._own_slot, self.sequence
        self._newest[own] = sequence
        self._touched[own] = self._epoch
        self._odd.pop(own, None)
        self._unflushed += 1
        if sequence >= self._fill_end:
            self._load_writes[self.lane] += 1
        else:
            self._fill_writes[self.lane] += 1
        self._advance()

    def _observed(self, action: Action, issued_ns: int, done_ns: int) -> None:
        own, expected = self._own_slot, self._newest[self._own_slot]
        examining = action is _EXAMINE
        kind = Kind.EXAMINED if examining else Kind.READ
        if expected >= 0 and not self.maker.holds(self.read_buffer, self._slot, self.own_lane, expected):
            self._record_odd(examining, issued_ns, done_ns, expected)
            kind = Kind.EXAMINED_ODD if examining else Kind.READ_ODD
        else:
            self._odd.pop(own, None)
        self._record(operation_record(kind, self.lane, self.sequence, issued_ns, done_ns))
        self._touched[own] = _MUST_EXAMINE if kind is Kind.READ_ODD else self._epoch
        if not examining:
            self.shared.reads[self.lane] += 1
            self._advance()

    def _record_odd(self, examining: bool, issued_ns: int, done_ns: int, expected: int) -> None:
        """Tell the ledger what was seen; the same whole older write, seen again by a read, is told only once."""
        own = self._own_slot
        again = self._odd.get(own, -1)
        if not examining and again >= 0 and self.maker.holds(self.read_buffer, self._slot, self.own_lane, again):
            return
        seen = look(self.read_buffer, self._slot, self.maker, expected)
        self._odd[own] = seen.newest if seen.content is Content.WHOLE else -1
        event = {
            "event": "observation",
            "source": "examination" if examining else "read",
            "lane": self.lane,
            "slot": self._slot,
            "sequence": self.sequence,
            "expected": self._newest[own],
            "issued_ns": issued_ns,
            "done_ns": done_ns,
            "seen": seen.to_json(),
            "specimen": self._keep_specimen(self.read_buffer),
        }
        self._record(event)
