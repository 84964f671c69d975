"""The memory that the supervisor and its workers share: counters and flags, each cell with one writing process."""

from __future__ import annotations

import mmap
import threading
from enum import IntEnum

from verify.load.delays import CLASSES

CELL_BYTES = 8
WORKERS_MAX = 64
HEAD_BYTES = 32


class Phase(IntEnum):
    """How far the run has come; only the supervisor moves it on."""

    FILL = 0
    LOAD = 1
    STOP = 2
    """Lanes end after the operation they are in."""


class LaneState(IntEnum):
    """What a lane is doing."""

    FILLING = 0
    FILLED = 1
    """Waiting for every other lane to have filled."""
    LOADING = 2
    ENDED = 3


class WorkerState(IntEnum):
    """What a worker is doing."""

    STARTING = 0
    RUNNING = 1
    CLOSED = 2
    """Its ledger file is closed; operations may still be stuck in the kernel."""
    FAILED = 3


class Shared:
    """Counters and flags in anonymous shared memory, inherited by forked workers.

    Every array is a memoryview of signed 64-bit cells. `outage_cells[0]` belongs to the supervisor,
    `outage_cells[1 + w]` to worker w; a change of any of them means an outage since. `delays` holds a histogram of
    `verify.load.delays` for each worker.
    """

    def __init__(self, lanes: int, workers: int) -> None:
        per_lane = ("outstanding_ns", "last_done_ns", "load_writes", "reads", "errors",
                    "lane_state", "fill_writes")  # fmt: skip
        per_worker = ("worker_state", "worker_full")
        sizes = {"control": 8, "outage_cells": 1 + workers, "delays": CLASSES * workers}
        sizes |= dict.fromkeys(per_worker, workers) | dict.fromkeys(per_lane, lanes)
        cells = sum(sizes.values())
        self._memory = mmap.mmap(-1, cells * CELL_BYTES + workers * HEAD_BYTES)
        view = memoryview(self._memory)
        all_cells = view[: cells * CELL_BYTES].cast("q")
        arrays: dict[str, memoryview[int]] = {}
        at = 0
        for name, size in sizes.items():
            arrays[name] = all_cells[at : at + size]
            at += size
        self.lanes = lanes
        self.workers = workers
        self.control = arrays["control"]
        self.outage_cells = arrays["outage_cells"]
        self.delays = arrays["delays"]
        self.worker_state = arrays["worker_state"]
        self.worker_full = arrays["worker_full"]
        self.outstanding_ns = arrays["outstanding_ns"]
        self.last_done_ns = arrays["last_done_ns"]
        self.load_writes = arrays["load_writes"]
        self.reads = arrays["reads"]
        self.errors = arrays["errors"]
        self.lane_state = arrays["lane_state"]
        self.fill_writes = arrays["fill_writes"]
        self.heads = view[cells * CELL_BYTES :]
        self._lock = threading.Lock()

    @property
    def phase(self) -> int:
        """The current `Phase`."""
        return self.control[0]

    @phase.setter
    def phase(self, value: int) -> None:
        self.control[0] = value

    @property
    def reopens(self) -> int:
        """How often workers have found a vanished volume again."""
        return self.control[2]

    def count_reopen(self) -> None:
        """Note that a worker has found the volume again; a count lost between two workers does no harm."""
        self.control[2] += 1

    def raise_outage(self, cell: int) -> None:
        """Tell every lane that an outage happened; `cell` is 0 for the supervisor, 1 + w for worker w."""
        with self._lock:
            self.outage_cells[cell] += 1
