"""A worker: owns some lanes, their ledger file and their handle on the volume, in a process or a thread of its own."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, cast

from verify.errors import CannotRun
from verify.ledger.recorder import Recorder
from verify.load.buffers import LaneBuffers, lane_buffers
from verify.load.delays import CLASSES, counter
from verify.load.lane import Lane
from verify.load.memory import lock_memory
from verify.load.ring import Ring, ring_slowness, why_refused
from verify.load.ringdriver import HasFd, drive_ring
from verify.load.run import Run
from verify.load.shared import HEAD_BYTES, LaneState, Phase, Shared, WorkerState
from verify.load.specimens import SpecimenFile
from verify.load.threads import Reopener, drive
from verify.volume.protocol import Volume

GRACE_S = 2.0
"""How long a worker waits at the end for operations that the kernel has not returned."""

AUTO, THREADS, RING = SUBMISSIONS = ("auto", "threads", "ring")
"""How a worker submits operations; `AUTO` is a ring where one can be had."""

_POLL_S = 0.02
SWITCH_INTERVAL_S = 0.0005
"""Where one thread drives all lanes, it must not wait long for the interpreter while the ledger is being written."""

_STACK_BYTES = 512 * 1024

@dataclass(frozen=True)
class WorkerTask:
    """What one worker is to do.

    `part` is the number of its ledger file (1...). `open_volume` gives the worker a handle of its own. With
    `process`, the worker runs in a process forked for it; otherwise in a thread of the caller's. `submit` is one of
    `SUBMISSIONS`.
    """

    run: Run
    index: int
    part: int
    lanes: Sequence[int]
    open_volume: Callable[[], Volume]
    ledger_path: str
    specimen_path: str
    examine: bool = True
    process: bool = True
    submit: str = AUTO


def run_worker(task: WorkerTask, shared: Shared) -> None:
    """Drive the task's lanes until they end or the run stops, then close the ledger file."""
    try:
        _run(task, shared)
    except BaseException:
        shared.worker_state[task.index] = WorkerState.FAILED
        raise


def run_worker_process(task: WorkerTask, shared: Shared, parent: int) -> None:
    """The body of a forked worker process; never returns."""
    code = 1
    try:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        lock_memory(only_what_is_used=True)
        _run(task, shared, parent)
        code = 0
    except BaseException as error:  # noqa: BLE001  (a forked child must never return into its parent's code)
        shared.worker_state[task.index] = WorkerState.FAILED
        with contextlib.suppress(OSError):
            os.write(2, f"worker {task.index}: {type(error).__name__}: {error}\n".encode())
    finally:
        os._exit(code)


def _run(task: WorkerTask, shared: Shared, parent: int | None = None) -> None:
    run = task.run
    recorder = Recorder(task.ledger_path, run.tag, task.part, _opening(task))
    volume = task.open_volume()
    recorder.start()
    specimens = SpecimenFile(task.specimen_path)

    def found_again() -> None:
        notes = list(getattr(volume, "reopened", ()))
        recorder.append({"event": "reopened", "monotonic_ns": time.monotonic_ns(), "notes": notes})
        shared.raise_outage(1 + task.index)
        shared.count_reopen()

    reopener = Reopener(volume, found_again)
    memory, buffers = lane_buffers([run.stream_of_lane(lane).layout.block_bytes for lane in task.lanes])
    ring, why = _ring_for(task, volume)
    recorder.append({"event": "submission", "how": THREADS if ring is None else RING, "why": why})
    door = None
    if ring is not None:
        ring.register(memory)
        door = threading.Lock()
    lanes = [
        _make_lane(task, lane, shared, recorder, specimens, own, door)
        for lane, own in zip(task.lanes, buffers, strict=True)
    ]
    drivers = _Drivers(task, shared, lanes, volume, reopener, recorder, ring)
    shared.worker_state[task.index] = WorkerState.RUNNING
    drivers.start()
    try:
        _watch(task, shared, recorder, parent, drivers)
    except CannotRun:
        recorder.close(None)
        raise
    now_ns = time.monotonic_ns()
    for lane in lanes:
        lane.close(now_ns)
    recorder.close({"event": "close", "monotonic_ns": now_ns, "wall_ns": time.time_ns()})
    at = task.index * HEAD_BYTES
    shared.heads[at : at + HEAD_BYTES] = bytes.fromhex(recorder.head)
    shared.worker_state[task.index] = WorkerState.CLOSED
    if drivers.over:
        volume.close()


class _Drivers:
    """What drives the lanes of a worker: a thread each, or one thread with a ring."""

    def __init__(
        self,
        task: WorkerTask,
        shared: Shared,
        lanes: Sequence[Lane],
        volume: Volume,
        reopener: Reopener,
        recorder: Recorder,
        ring: Ring | None,
    ) -> None:
        self._has_process = task.process
        self._shared = shared
        self._delays = shared.delays[task.index * CLASSES : (task.index + 1) * CLASSES]
        self._volume = volume
        self._reopener = reopener
        self._recorder = recorder
        self.failure: OSError | None = None
        """Why the ring stopped working, if it did."""
        if ring is None:
            self._threads = [
                threading.Thread(target=self._drive_lane, args=(lane,), name=f"lane {lane.lane}", daemon=True)
                for lane in lanes
            ]
        else:
            self._threads = [threading.Thread(target=self._drive_all, args=(ring, lanes), name="ring", daemon=True)]

    def start(self) -> None:
        """Start to drive."""
        if self._has_process and len(self._threads) == 1:
            sys.setswitchinterval(SWITCH_INTERVAL_S)
        threading.stack_size(_STACK_BYTES)
        for thread in self._threads:
            thread.start()
        threading.stack_size(0)

    @property
    def over(self) -> bool:
        """Whether nothing will be submitted any more and nothing is outstanding."""
        return not any(thread.is_alive() for thread in self._threads)

    def _drive_lane(self, lane: Lane) -> None:
        drive(lane, self._volume, self._reopener, self._behind, lambda: self._ended(lane))

    def _drive_all(self, ring: Ring, lanes: Sequence[Lane]) -> None:
        try:
            volume = cast(HasFd, self._volume)
            at_once = not ring_slowness(volume.fd)
            drive_ring(ring, lanes, volume, self._reopener, self._behind, self._ended, counter(self._delays), at_once)
        except OSError as error:
            self.failure = error

    def _behind(self) -> bool:
        return self._recorder.behind

    def _ended(self, lane: Lane) -> None:
        self._shared.lane_state[lane.lane] = LaneState.ENDED


def _ring_for(task: WorkerTask, volume: Volume) -> tuple[Ring | None, str]:
    """A ring for the task, or None, and why it is so.

    Raises:
        CannotRun: if a ring was asked for and cannot be had.
    """
    if task.submit == THREADS:
        return None, "threads were asked for"
    fd = getattr(volume, "fd", None)
    why = "the volume has no file descriptor" if fd is None else ""
    if fd is not None and task.submit == AUTO:
        why = ring_slowness(fd)
    if not why:
        try:
            return Ring(len(task.lanes)), ""
        except OSError as error:
            why = why_refused(error)
    if task.submit == RING:
        raise CannotRun(f"there can be no ring: {why}")
    return None, why


def _watch(task: WorkerTask, shared: Shared, recorder: Recorder, parent: int | None, drivers: _Drivers) -> None:
    """Wait until every lane of the task has ended, or the run stops and the grace is over.

    Raises:
        CannotRun: if the ring stopped working.
    """
    deadline: float | None = None
    while any(shared.lane_state[lane] != LaneState.ENDED for lane in task.lanes):
        time.sleep(_POLL_S)
        if drivers.failure is not None:
            raise CannotRun(f"the ring stopped working: {drivers.failure}")
        if recorder.full or recorder.failure is not None:
            shared.worker_full[task.index] = 1 if recorder.full else 2
        orphaned = parent is not None and os.getppid() != parent
        if (orphaned or shared.phase == Phase.STOP) and deadline is None:
            shared.phase = Phase.STOP
            deadline = time.monotonic() + GRACE_S
        if deadline is not None and (time.monotonic() > deadline or shared.control[1]):
            return


def _make_lane(
    task: WorkerTask,
    lane: int,
    shared: Shared,
    recorder: Recorder,
    specimens: SpecimenFile,
    buffers: LaneBuffers,
    door: threading.Lock | None,
) -> Lane:
    return Lane(
        run=task.run,
        lane=lane,
        shared=shared,
        worker=task.index,
        record=recorder.append,
        keep_specimen=specimens.keep,
        write_buffers=buffers.write,
        read_buffer=buffers.read,
        examine=task.examine,
        door=door,
    )


def _opening(task: WorkerTask) -> dict[str, Any]:
    return {
        "event": "open",
        "run": task.run.run_id,
        "description": task.run.digest,
        "part": task.part,
        "lanes": list(task.lanes),
        "boot_id": boot_id(),
        "monotonic_ns": time.monotonic_ns(),
        "wall_ns": time.time_ns(),
        "process": os.getpid(),
    }


def boot_id() -> str:
    """The kernel's random identity of this boot; monotonic times of different boots cannot be compared."""
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as file:
            return file.read().strip()
    except OSError:
        return "unknown"
