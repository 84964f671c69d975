"""Takeovers: observed where every lane waited, attested where an operator's mark says so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from verify.judge.spans import Span, merge, subtract
from verify.judge.timeline import Timeline

MARK_BEFORE_NS = 10_000_000_000
"""A takeover mark made up to so long before an observed takeover began belongs to it."""


@dataclass
class Takeover:
    """One takeover; times are monotonic nanoseconds.

    An observed takeover starts when the last lane began to wait and ends with the first acknowledgement after that; its
    stall leaves out stretches in which our own process stood still. An attested one is a moment: when the mark was
    taken into the run.
    """

    start_ns: int
    end_ns: int
    observed: bool
    stall_ns: int = 0
    longest_wait_ns: int = 0
    never_ended: bool = False
    marks: list[str] = field(default_factory=list)


def find_takeovers(timeline: Timeline) -> list[Takeover]:
    """All takeovers of a run, in order of their start."""
    observed = _observed(timeline)
    out = list(observed)
    for mark in timeline.marks:
        if not mark["takeover"]:
            continue
        owner = _owner(observed, mark, timeline.run.merge_ns)
        if owner is not None:
            owner.marks.append(mark["text"])
            continue
        at = mark["accepted_ns"]
        waits = [w.done_ns - w.issued_ns for w in timeline.long_waits if w.issued_ns <= at < w.done_ns]
        out.append(Takeover(at, at, False, longest_wait_ns=max(waits, default=0), marks=[mark["text"]]))
    return sorted(out, key=lambda takeover: takeover.start_ns)


def outages(timeline: Timeline, takeovers: Sequence[Takeover]) -> list[Span]:
    """Every stretch in which a lane waited over the threshold or met errors, or a takeover was attested."""
    spans = [(wait.issued_ns, wait.done_ns) for wait in timeline.long_waits]
    spans += timeline.error_spans
    spans += [(takeover.start_ns, takeover.end_ns) for takeover in takeovers]
    return merge(spans)


def _owner(observed: Sequence[Takeover], mark: dict[str, Any], merge_ns: int) -> Takeover | None:
    for takeover in observed:
        if takeover.start_ns - MARK_BEFORE_NS <= mark["pressed_ns"] <= takeover.end_ns + merge_ns:
            return takeover
    return None


def _observed(timeline: Timeline) -> list[Takeover]:
    pieces: list[tuple[Span, Span]] = []
    for span in _all_waiting(timeline):
        for piece in subtract(span, timeline.pauses):
            if piece[1] - piece[0] > timeline.run.stall_ns:
                pieces.append((piece, span))
    out: list[Takeover] = []
    for (start, end), whole in pieces:
        if out and start - out[-1].end_ns <= timeline.run.merge_ns:
            out[-1].end_ns = end
            out[-1].stall_ns += end - start
        else:
            out.append(Takeover(start, end, True, stall_ns=end - start))
        out[-1].never_ended = whole[1] == end and any(w.open and w.done_ns >= end for w in timeline.long_waits)
    for takeover in out:
        spanning = [
            wait.done_ns - wait.issued_ns
            for wait in timeline.long_waits
            if wait.issued_ns <= takeover.end_ns and wait.done_ns >= takeover.start_ns
        ]
        takeover.longest_wait_ns = max(spanning)
    return out


def _all_waiting(timeline: Timeline) -> list[Span]:
    """Stretches in which every lane still at work was in an operation that waited over the threshold.

    They must begin before the first lane had done all its operations and before the run was stopped: after that "every
    lane" would mean too little.
    """
    run = timeline.run
    horizon = timeline.stop_ns if timeline.stop_ns >= 0 else timeline.last_ns
    changes: list[tuple[int, int, int]] = []
    for tail in timeline.tails:
        if tail.closed and tail.in_flight is None and run.operations is not None:
            horizon = min(horizon, tail.last_done_ns)
        if not tail.closed and tail.last_done_ns >= 0:
            changes.append((tail.last_done_ns, 0, -1))
        elif tail.last_done_ns < 0:
            changes.append((-1, 0, -1))
    for wait in timeline.long_waits:
        changes.append((wait.issued_ns, 1, 0))
        changes.append((wait.done_ns, -1, 0))
    changes.sort()
    out: list[Span] = []
    waiting, at_work = 0, run.lanes
    for index, (now, waits, lanes) in enumerate(changes):
        waiting += waits
        at_work += lanes
        later = changes[index + 1][0] if index + 1 < len(changes) else now
        if waiting == at_work > 0 and later > now and now < horizon:
            out.append((now, later))
    return merge(out)
