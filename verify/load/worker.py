"""A worker: owns some lanes, their ledger file and their handle on the volume, in a process or a thread of its own."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from verify.ledger.recorder import Recorder
from verify.load.lane import Lane
from verify.load.memory import lock_memory
from verify.load.run import Run
from verify.load.shared import HEAD_BYTES, LaneState, Phase, Shared, WorkerState
from verify.load.specimens import SpecimenFile
from verify.load.threads import Reopener, drive
from verify.volume.direct import aligned_buffer
from verify.volume.protocol import Volume

GRACE_S = 2.0
"""How long a worker waits at the end for operations that the kernel has not returned."""

_POLL_S = 0.02
_STACK_BYTES = 512 * 1024


@dataclass(frozen=True)
class WorkerTask:
    """What one worker is to do.

    `part` is the number of its ledger file (1...). `open_volume` gives the worker a handle of its own. With
    `process`, the worker runs in a process forked for it; otherwise in a thread of the caller's.
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
    lanes = [_make_lane(task, lane, shared, recorder, specimens) for lane in task.lanes]
    threading.stack_size(_STACK_BYTES)
    threads = [
        threading.Thread(
            target=drive,
            args=(lane, volume, reopener, lambda: recorder.behind, _ender(shared, lane.lane)),
            name=f"lane {lane.lane}",
            daemon=True,
        )
        for lane in lanes
    ]
    shared.worker_state[task.index] = WorkerState.RUNNING
    for thread in threads:
        thread.start()
    threading.stack_size(0)
    _watch(task, shared, recorder, parent)
    now_ns = time.monotonic_ns()
    for lane in lanes:
        lane.close(now_ns)
    recorder.close({"event": "close", "monotonic_ns": now_ns, "wall_ns": time.time_ns()})
    at = task.index * HEAD_BYTES
    shared.heads[at : at + HEAD_BYTES] = bytes.fromhex(recorder.head)
    shared.worker_state[task.index] = WorkerState.CLOSED
    if not any(thread.is_alive() for thread in threads):
        volume.close()


def _watch(task: WorkerTask, shared: Shared, recorder: Recorder, parent: int | None) -> None:
    """Wait until every lane of the task has ended, or the run stops and the grace is over."""
    deadline: float | None = None
    while any(shared.lane_state[lane] != LaneState.ENDED for lane in task.lanes):
        time.sleep(_POLL_S)
        if recorder.full or recorder.failure is not None:
            shared.worker_full[task.index] = 1 if recorder.full else 2
        orphaned = parent is not None and os.getppid() != parent
        if (orphaned or shared.phase == Phase.STOP) and deadline is None:
            shared.phase = Phase.STOP
            deadline = time.monotonic() + GRACE_S
        if deadline is not None and (time.monotonic() > deadline or shared.control[1]):
            return


def _make_lane(task: WorkerTask, lane: int, shared: Shared, recorder: Recorder, specimens: SpecimenFile) -> Lane:
    block_bytes = task.run.stream_of_lane(lane).layout.block_bytes
    return Lane(
        run=task.run,
        lane=lane,
        shared=shared,
        worker=task.index,
        record=recorder.append,
        keep_specimen=specimens.keep,
        write_buffer=aligned_buffer(block_bytes),
        read_buffer=aligned_buffer(block_bytes),
        examine=task.examine,
    )


def _ender(shared: Shared, lane: int) -> Callable[[], None]:
    def ended() -> None:
        shared.lane_state[lane] = LaneState.ENDED

    return ended


def _opening(task: WorkerTask) -> dict[str, Any]:
    return {
        "event": "open",
        "run": task.run.run_id,
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
