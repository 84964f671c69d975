"""The supervisor: owns the clock, the marks, the signals, the outage counter and the end of a run.

It never touches the volume, so no stuck operation holds it up.
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from verify.errors import CannotRun
from verify.ledger.recorder import Recorder
from verify.load.delays import delays_to_json
from verify.load.neighbour_watch import NeighbourChange, NeighbourWatch
from verify.load.run import Run
from verify.load.shared import HEAD_BYTES, LaneState, Phase, Shared, WorkerState
from verify.load.worker import GRACE_S, WorkerTask, boot_id, run_worker, run_worker_process

TICK_S = 0.05
CLOCK_STEP_NS = 500_000_000
PAUSE_NS = 1_000_000_000
_CLOSE_PATIENCE_S = 3.0
_CLOSE_POLL_S = 0.02
_ENDED = (WorkerState.CLOSED, WorkerState.FAILED)
_FOLLOWER_PATIENCE_S = 1.0
_OUTAGE_QUIET_NS = 1_000_000_000

Event = dict[str, Any]


@dataclass(frozen=True)
class Snapshot:
    """How a run stands at one moment; rates are over the last second or so."""

    phase: Phase
    elapsed_s: float
    filled_share: float
    writes: int
    writes_per_second: float
    bytes_per_second: float
    in_flight: int
    errors: int
    last_acknowledged_s: float
    stalled_s: float
    """How long every lane has been waiting, once that exceeds the stall threshold; else 0."""


@dataclass(frozen=True)
class Outcome:
    """How a run ended."""

    reason: str
    load_began_ns: int
    load_ended_ns: int
    load_writes: int
    load_bytes: int
    reads: int
    heads: dict[str, str]
    workers_lost: tuple[int, ...]
    ledger_full: bool
    delays: dict[str, int] | None
    """How long completions had lain before they were recorded, where a ring counted that (`delays_to_json`)."""

    def result(self) -> dict[str, Any]:
        """The load alone, fill left out, as run.json holds it."""
        seconds = max(self.load_ended_ns - self.load_began_ns, 0) / 1e9 if self.load_began_ns else 0.0
        return {
            "seconds": round(seconds, 6),
            "acknowledged_writes": self.load_writes,
            "acknowledged_writes_per_second": round(self.load_writes / seconds, 3) if seconds else 0.0,
            "bytes_per_second": round(self.load_bytes / seconds, 3) if seconds else 0.0,
            "reads": self.reads,
            "completion_to_record": self.delays,
        }


class Supervisor:
    """Runs the workers of one run and watches over them.

    Args:
        run: the run.
        tasks: one per worker.
        ledger_path: the supervisor's own ledger file (part 0).
        seconds: length of the load after the fill, None for until stopped.
        take_marks: gives the marks that operators have made since the last call, each with `text`, `takeover`,
            `pressed_ns` and `pressed_wall_ns`.
        on_event: told of every event as it is recorded.
        on_tick: told how the run stands, several times a second; must not block.
        on_reopened: told, in a thread of its own, when a worker has found a vanished volume again.
        neighbour: watches what is behind the floating address; a change of it counts as a mark of a takeover.
        over: asked every tick; the reason why the load is to end now, "" to go on.
        grounds: digest of what a verdict will rest on beside the run; the ledger keeps it.
        look_again: asked every tick; whether lanes are to look at every slot once more before they overwrite it.
    """

    def __init__(
        self,
        run: Run,
        tasks: Sequence[WorkerTask],
        ledger_path: str,
        seconds: float | None,
        take_marks: Callable[[], list[Event]],
        on_event: Callable[[Event], None],
        on_tick: Callable[[Snapshot], None],
        on_reopened: Callable[[], object] = lambda: None,
        neighbour: NeighbourWatch | None = None,
        over: Callable[[], str] = str,
        grounds: str = "",
        look_again: Callable[[], bool] = bool,
    ) -> None:
        self.run_description = run
        self.shared = Shared(run.lanes, len(tasks))
        self._tasks = tasks
        self._seconds = seconds
        self._take_marks = take_marks
        self._on_event = on_event
        self._on_tick = on_tick
        self._on_reopened = on_reopened
        self._over = over
        self._look_again = look_again
        self._changes: deque[tuple[int, int, NeighbourChange]] = deque()
        self._follower = (
            None
            if neighbour is None
            else threading.Thread(target=self._follow_neighbour, args=(neighbour,), daemon=True, name="neighbour")
        )
        opening: Event = {
            "event": "open", "run": run.run_id, "description": run.digest, "part": 0, "lanes": [], "boot_id": boot_id(),
            "monotonic_ns": time.monotonic_ns(), "wall_ns": time.time_ns(), "process": os.getpid(),
        }  # fmt: skip
        self._recorder = Recorder(ledger_path, run.tag, 0, opening)
        self._recorder.append({"event": "grounds", "digest": grounds})
        self._pids: dict[int, int] = {}
        self._threads: dict[int, threading.Thread] = {}
        self._lost: list[int] = []
        self._stop_reason = ""
        self._began_ns = 0
        self._ended_ns = 0
        self._alarmed = False
        self._outage: Event | None = None
        self._errors_seen = 0
        self._error_ns = 0
        self._last_clock: tuple[int, int] | None = None
        self._rate: list[tuple[int, int, int]] = []
        self._block_bytes = [run.stream_of_lane(lane).layout.block_bytes for lane in range(run.lanes)]
        self._to_fill = sum(s.fill_operations(lane) for s in run.streams for lane in range(s.layout.lanes))
        self._reopens_seen = 0

    def stop(self, reason: str) -> None:
        """Ask the run to end; lanes finish the operation they are in. A second call stops waiting for those."""
        if self._stop_reason:
            self.shared.control[1] = 1
        else:
            self._stop_reason = reason

    @property
    def hurried(self) -> bool:
        """Whether it was asked a second time to stop."""
        return bool(self.shared.control[1])

    def run(self) -> Outcome:
        """Start the workers, watch until the end, close the ledger; whatever happens, the workers are told to stop."""
        try:
            self._start_workers()
            self._recorder.start()
            if self._follower is not None:
                self._follower.start()
            while not self._stop_reason:
                time.sleep(TICK_S)
                self._tick()
        finally:
            self.shared.phase = Phase.STOP
        if self._follower is not None:
            self._follower.join(_FOLLOWER_PATIENCE_S)
            self._record_neighbours()
        self._ended_ns = time.monotonic_ns()
        self._record({"event": "stop", "monotonic_ns": self._ended_ns, "reason": self._stop_reason})
        self._wait_for_workers()
        return self._close()

    def _start_workers(self) -> None:
        parent = os.getpid()
        for task in self._tasks:
            if task.process:
                pid = os.fork()
                if pid == 0:
                    run_worker_process(task, self.shared, parent)
                self._pids[task.index] = pid
            else:
                thread = threading.Thread(target=run_worker, args=(task, self.shared), daemon=True)
                thread.start()
                self._threads[task.index] = thread

    def _record(self, event: Event) -> None:
        self._recorder.append(event)
        self._on_event(event)

    def _tick(self) -> None:
        now_ns, wall_ns = time.monotonic_ns(), time.time_ns()
        self._watch_clock(now_ns, wall_ns)
        for mark in self._take_marks():
            self._accept_mark(mark)
        if self._look_again():
            self.shared.raise_outage(0)
        self._record_neighbours()
        self._watch_lanes(now_ns)
        self._watch_workers()
        if self.shared.reopens != self._reopens_seen:
            self._reopens_seen = self.shared.reopens
            threading.Thread(target=self._on_reopened, daemon=True, name="reopen").start()
        self._move_on(now_ns)
        self._stop_reason = self._stop_reason or self._over()
        self._on_tick(self.snapshot(now_ns))

    def _accept_mark(self, mark: Event) -> None:
        if mark["takeover"]:
            self.shared.raise_outage(0)
        self._record({"event": "mark", **mark, "accepted_ns": time.monotonic_ns()})

    def _follow_neighbour(self, neighbour: NeighbourWatch) -> None:
        """Tell all lanes at once when another controller is behind the floating address; the tick records it."""
        while not self._stop_reason:
            now_ns = time.monotonic_ns()
            change = neighbour.look(now_ns, time.time_ns())
            if change is not None:
                if change.moved is not None:
                    self.shared.raise_outage(0)
                self._changes.append((now_ns, time.monotonic_ns(), change))
            neighbour.wait(TICK_S)

    def _record_neighbours(self) -> None:
        """Record what is behind the floating address when that changed; another controller there is a takeover."""
        while self._changes:
            seen_ns, told_ns, change = self._changes.popleft()
            if change.moved is not None:
                self._record({"event": "mark", **change.moved, "accepted_ns": told_ns})
            self._record(
                {
                    "event": "neighbour", "monotonic_ns": seen_ns, "address": change.address,
                    "hardware_address": change.hardware_address, "name": change.name,
                }
            )  # fmt: skip

    def _watch_clock(self, now_ns: int, wall_ns: int) -> None:
        last, self._last_clock = self._last_clock, (now_ns, wall_ns)
        if last is None:
            return
        step_ns = (wall_ns - last[1]) - (now_ns - last[0])
        if abs(step_ns) > CLOCK_STEP_NS:
            self._record({"event": "clock_step", "monotonic_ns": now_ns, "step_ns": step_ns})
        if now_ns - last[0] > PAUSE_NS:
            self._record({"event": "paused", "monotonic_ns": now_ns, "pause_ns": now_ns - last[0]})

    def _watch_lanes(self, now_ns: int) -> None:
        """Raise the outage counter on long waits, and keep the log of outages."""
        shared, stall_ns = self.shared, self.run_description.stall_ns
        since = [started for started in shared.outstanding_ns if started]
        longest_ns = now_ns - min(since) if since else 0
        alarm = longest_ns > stall_ns // 2
        if alarm and not self._alarmed:
            shared.raise_outage(0)
        self._alarmed = alarm
        errors = sum(shared.errors)
        if errors > self._errors_seen:
            self._errors_seen, self._error_ns = errors, now_ns
        troubled = longest_ns > stall_ns or (self._error_ns and now_ns - self._error_ns < _OUTAGE_QUIET_NS)
        if troubled and self._outage is None:
            began = min(since) if longest_ns > stall_ns else now_ns
            self._outage = {"event": "outage_began", "monotonic_ns": now_ns, "since_ns": began, "errors": errors}
            self._record(self._outage)
        elif not troubled and self._outage is not None:
            self._record({"event": "outage_ended", "monotonic_ns": now_ns, "errors": errors})
            self._outage = None

    def _watch_workers(self) -> None:
        for index, pid in list(self._pids.items()):
            done, status = os.waitpid(pid, os.WNOHANG)
            if done:
                del self._pids[index]
                if self.shared.worker_state[index] != WorkerState.CLOSED:
                    self._lose_worker(index, f"status {os.waitstatus_to_exitcode(status)}")
        for index, thread in list(self._threads.items()):
            if not thread.is_alive():
                del self._threads[index]
                if self.shared.worker_state[index] != WorkerState.CLOSED:
                    self._lose_worker(index, "it failed")
        full = max(self.shared.worker_full, default=0)
        if full or self._recorder.full or self._recorder.failure is not None:
            is_full = full == 1 or self._recorder.full
            why = "the ledger's disk is full" if is_full else "the ledger cannot be written"
            self._stop_reason = self._stop_reason or why

    def _lose_worker(self, index: int, why: str) -> None:
        self._lost.append(index)
        lanes, outstanding = list(self._tasks[index].lanes), self.shared.outstanding_ns
        in_flight = {str(lane): outstanding[lane] for lane in lanes if outstanding[lane]}
        for lane in lanes:
            outstanding[lane] = 0
        now_ns = time.monotonic_ns()
        self._record({"event": "worker_lost", "monotonic_ns": now_ns, "worker": index, "lanes": lanes,
                      "in_flight": in_flight, "why": why})  # fmt: skip

    def _active_lanes(self) -> list[int]:
        return [lane for task in self._tasks if task.index not in self._lost for lane in task.lanes]

    def _move_on(self, now_ns: int) -> None:
        shared = self.shared
        active = self._active_lanes()
        states = [shared.lane_state[lane] for lane in active]
        if not active:
            self._stop_reason = self._stop_reason or "every worker was lost"
        elif all(state == LaneState.ENDED for state in states):
            self._stop_reason = self._stop_reason or "all operations are done"
        elif shared.phase == Phase.FILL and all(s in (LaneState.FILLED, LaneState.ENDED) for s in states):
            self._began_ns = time.monotonic_ns()
            self._record({"event": "load_began", "monotonic_ns": self._began_ns, "wall_ns": time.time_ns()})
            shared.phase = Phase.LOAD
        elif self._began_ns and self._seconds is not None and now_ns - self._began_ns >= self._seconds * 1e9:
            self._stop_reason = self._stop_reason or "the time is over"

    def snapshot(self, now_ns: int) -> Snapshot:
        """How the run stands at `now_ns`."""
        shared = self.shared
        fill_writes = sum(shared.fill_writes)
        writes = fill_writes + sum(shared.load_writes)
        moved = self._load_bytes() + sum(n * b for n, b in zip(shared.fill_writes, self._block_bytes, strict=True))
        self._rate.append((now_ns, writes, moved))
        while len(self._rate) > 2 and now_ns - self._rate[0][0] > 1_000_000_000:
            self._rate.pop(0)
        then_ns, then_writes, then_moved = self._rate[0]
        seconds = max((now_ns - then_ns) / 1e9, 1e-9)
        active = self._active_lanes()
        waiting = [shared.outstanding_ns[lane] for lane in active if shared.outstanding_ns[lane]]
        last = max(shared.last_done_ns, default=0)
        stalled_ns = now_ns - max(waiting) if waiting and len(waiting) == len(active) else 0
        return Snapshot(
            phase=Phase(shared.phase),
            elapsed_s=max(now_ns - self._began_ns, 0) / 1e9 if self._began_ns else 0.0,
            filled_share=fill_writes / self._to_fill if self._to_fill else 1.0,
            writes=writes,
            writes_per_second=(writes - then_writes) / seconds,
            bytes_per_second=(moved - then_moved) / seconds,
            in_flight=len(waiting),
            errors=sum(shared.errors),
            last_acknowledged_s=max(now_ns - last, 0) / 1e9 if last else 0.0,
            stalled_s=stalled_ns / 1e9 if stalled_ns > self.run_description.stall_ns else 0.0,
        )

    def _load_bytes(self) -> int:
        """Bytes read and written by the load, fill left out."""
        cells = zip(self.shared.load_writes, self.shared.reads, self._block_bytes, strict=True)
        return sum((writes + reads) * block_bytes for writes, reads, block_bytes in cells)

    def _wait_for_workers(self) -> None:
        deadline = time.monotonic() + GRACE_S + _CLOSE_PATIENCE_S
        while time.monotonic() < deadline:
            self._watch_workers()
            if all(map(self._has_ended, self._tasks)):
                return
            self._on_tick(self.snapshot(time.monotonic_ns()))
            time.sleep(_CLOSE_POLL_S)

    def _has_ended(self, task: WorkerTask) -> bool:
        """Whether a worker is lost, or did its last and its process is gone, which holds the record's lock."""
        is_done = self.shared.worker_state[task.index] in _ENDED
        return task.index in self._lost or (is_done and (task.index not in self._pids or self.hurried))

    def _close(self) -> Outcome:
        heads: dict[str, str] = {}
        for task in self._tasks:
            if self.shared.worker_state[task.index] == WorkerState.CLOSED:
                at = task.index * HEAD_BYTES
                heads[str(task.part)] = bytes(self.shared.heads[at : at + HEAD_BYTES]).hex()
        now_ns = time.monotonic_ns()
        self._recorder.close({"event": "close", "monotonic_ns": now_ns, "wall_ns": time.time_ns(), "heads": heads})
        heads["0"] = self._recorder.head
        outcome = Outcome(
            reason=self._stop_reason,
            load_began_ns=self._began_ns,
            load_ended_ns=self._ended_ns,
            load_writes=sum(self.shared.load_writes),
            load_bytes=self._load_bytes(),
            reads=sum(self.shared.reads),
            heads=heads,
            workers_lost=tuple(self._lost),
            ledger_full=self._recorder.full or 1 in list(self.shared.worker_full),
            delays=delays_to_json(self.shared.delays.tolist()),
        )
        if not self._began_ns and len(self._lost) == len(self._tasks):
            raise CannotRun("no worker could start its load; what it said stands above this line")
        return outcome
