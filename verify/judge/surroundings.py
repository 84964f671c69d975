"""What the ledger tells around a takeover: rate and latency before and after, what was in flight, what failed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from verify.judge.arrays import Int64Array, zeros
from verify.judge.takeovers import Takeover
from verify.judge.timeline import TIMED_KINDS, WRITE_KINDS, Timeline, kind_mask
from verify.ledger.frames import Kind, Records
from verify.load.run import Run

WINDOW_NS = 10_000_000_000
"""Rate and latency before and after a takeover are taken over up to so long."""

LOOK_KINDS = (Kind.EXAMINED, Kind.EXAMINED_ODD)


@dataclass
class Window:
    """Acknowledged operations in a stretch of time."""

    start_ns: int
    end_ns: int
    latencies: list[Int64Array] = field(default_factory=list)
    bytes_moved: int = 0
    examinations: int = 0
    """Looks that lanes took at slots of their own accord in this time, which cost time too."""

    @property
    def seconds(self) -> float:
        """How long it is."""
        return (self.end_ns - self.start_ns) / 1e9

    @property
    def writes(self) -> int:
        """How many writes were acknowledged."""
        return sum(len(some) for some in self.latencies)

    def latency_ns(self, share: float) -> float:
        """What this share of the writes took at most; there must be one."""
        return float(np.quantile(np.concatenate(self.latencies), share))

    def summary(self) -> dict[str, Any] | None:
        """Rate and latency of the writes acknowledged in the window; None if the window is empty."""
        if self.seconds <= 0:
            return None
        out: dict[str, Any] = {
            "seconds": round(self.seconds, 3),
            "writes_per_second": round(self.writes / self.seconds, 1),
            "bytes_per_second": round(self.bytes_moved / self.seconds, 1),
        }
        for name, share in (("p50", 0.5), ("p95", 0.95), ("p99", 0.99), ("max", 1.0)):
            out[f"latency_{name}_ms"] = round(self.latency_ns(share) / 1e6, 3) if self.writes else None
        return out


@dataclass
class AroundTakeover:
    """What the ledger tells around one takeover."""

    takeover: Takeover
    before: Window
    after: Window
    in_flight: int = 0
    """Lanes with a write in flight when it came: of an attested one, at any moment from the mark to its acceptance."""
    writing_lanes: set[int] = field(default_factory=set)
    errors: int = 0
    examined: int = 0
    left_to_check: int = 0
    unexamined: int = 0


def windows(timeline: Timeline, takeovers: Sequence[Takeover], index: int) -> tuple[Window, Window]:
    """The time before and after one of several takeovers, as far as its neighbours and the load leave it."""
    takeover = takeovers[index]
    end = timeline.stop_ns if timeline.stop_ns >= 0 else timeline.last_ns
    low = max(timeline.load_began_ns, takeovers[index - 1].end_ns if index else 0)
    high = takeovers[index + 1].start_ns if index + 1 < len(takeovers) else end
    before = Window(max(takeover.start_ns - WINDOW_NS, low), takeover.start_ns)
    after = Window(takeover.end_ns, min(takeover.end_ns + WINDOW_NS, high))
    return before, after


def gather(around: AroundTakeover, records: Records, run: Run) -> None:
    """Take what falls around one takeover out of a stretch of records."""
    writes, looks = kind_mask(records, WRITE_KINDS), kind_mask(records, LOOK_KINDS)
    start, end = around.takeover.start_ns, around.takeover.end_ns
    in_flight = writes & (records.issued_ns <= start) & (records.done_ns > around.takeover.looks_from_ns)
    around.writing_lanes.update(np.unique(records.lane[in_flight]).tolist())
    near = records.take(np.flatnonzero((records.done_ns >= start) & (records.issued_ns <= end)))
    around.errors += int((near.kind == Kind.ERROR).sum())
    timed = kind_mask(near, TIMED_KINDS)
    waits = near.done_ns[timed] - near.issued_ns[timed]
    around.takeover.longest_wait_ns = int(waits.max(initial=around.takeover.longest_wait_ns))
    for window in (around.before, around.after):
        during = (records.done_ns >= window.start_ns) & (records.done_ns < window.end_ns)
        window.examinations += int((looks & during).sum())
        inside = np.flatnonzero(writes & during)
        if len(inside):
            window.latencies.append(records.done_ns[inside] - records.issued_ns[inside])
            window.bytes_moved += _bytes_of(records.lane[inside], run)


def _bytes_of(lanes: Int64Array, run: Run) -> int:
    per_lane = zeros(run.lanes)
    for stream in run.streams:
        layout = stream.layout
        per_lane[layout.first_lane : layout.first_lane + layout.lanes] = layout.block_bytes
    return int(per_lane[lanes].sum())
