"""Takeovers: observed where every lane waited, attested where an operator's mark or the watched address says so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from verify.judge.arrays import int64
from verify.judge.spans import Span, merge, subtract
from verify.judge.timeline import TIME_NS_MAX, Timeline

MARK_BEFORE_NS = 10_000_000_000
"""A takeover mark made up to so long before a takeover that was observed, or seen by the watch, belongs to it."""

MARK_UNDER_WAY_NS = 1_000_000_000
"""A mark is taken in within a few ticks of 50 ms; one that the ledger does not tell any more may have been made so long
before the ledger ends."""

NEVER_NS = TIME_NS_MAX + 1
"""The end of a stretch that has none: after every time that a ledger can tell."""

TAKEOVERS_MAX = 10_000
"""A takeover a minute for a week. What is kept of each slot grows with their number, and so does the time."""

WATCHED_MARKS_MAX = 4
"""Of marks that the watch over the floating address made, a takeover keeps so many."""


class TooManyTakeovers(ValueError):
    """A ledger tells of more takeovers than can be judged in one run."""


@dataclass
class Takeover:
    """One takeover; times are monotonic nanoseconds.

    An observed takeover starts when the last lane began to wait and ends with the first acknowledgement after
    that; its stall leaves out stretches in which our own process stood still. An attested one is a moment: when
    the mark was taken into the run, and every lane had been told; if the floating address was seen to move several
    times, from the first to the last of these. `looks_from_ns` is when it may have come: the same moment, but of an
    attested one when the mark was pressed. A look at a slot since then is a look at what the takeover left, for
    lanes are told in between. `longest_wait_ns` knows of waits over the stall threshold only, until the second pass
    over the ledger (`verify.judge.slots.SlotState`) has seen the others.
    """

    start_ns: int
    end_ns: int
    observed: bool
    stall_ns: int = 0
    longest_wait_ns: int = 0
    never_ended: bool = False
    marks: list[str] = field(default_factory=list)
    looks_from_ns: int = -1

    def __post_init__(self) -> None:
        if self.looks_from_ns < 0:
            self.looks_from_ns = self.start_ns


def find_takeovers(timeline: Timeline) -> list[Takeover]:
    """All takeovers of a run, in order of their start.

    Raises:
        TooManyTakeovers: if there are more than `TAKEOVERS_MAX`.
    """
    observed, merge_ns = _observed(timeline), timeline.run.merge_ns
    moves: list[Takeover] = []
    marks = _takeover_marks(timeline)
    for mark in marks:
        if mark["watched"] and not _attach(mark, observed, merge_ns):
            last = moves[-1] if moves else None
            if last is not None and 0 <= mark["accepted_ns"] - last.end_ns <= merge_ns:
                last.end_ns = mark["accepted_ns"]
                _name(last, mark)
            else:
                moves.append(_attested(mark))
    out = observed + moves
    for mark in marks:
        if not mark["watched"] and not _attach(mark, observed + moves, merge_ns):
            out.append(_attested(mark))
    if len(out) > TAKEOVERS_MAX:
        raise TooManyTakeovers(f"the ledger tells of {len(out):,} takeovers; at most {TAKEOVERS_MAX:,} can be judged")
    issued_ns = int64([wait.issued_ns for wait in timeline.long_waits])
    done_ns = int64([wait.done_ns for wait in timeline.long_waits])
    for takeover in out:
        meant = (issued_ns <= takeover.end_ns) & (done_ns >= takeover.start_ns)
        takeover.longest_wait_ns = int((done_ns - issued_ns).max(where=meant, initial=0))
    out.sort(key=lambda takeover: takeover.start_ns)
    for before, takeover in pairwise(out):
        takeover.looks_from_ns = max(takeover.looks_from_ns, before.looks_from_ns)
    return out


def _attested(mark: dict[str, Any]) -> Takeover:
    at = mark["accepted_ns"]
    return Takeover(at, at, False, marks=[mark["text"]], looks_from_ns=min(mark["pressed_ns"], at))


def _attach(mark: dict[str, Any], takeovers: Sequence[Takeover], merge_ns: int) -> bool:
    """Give a mark to the takeover that it belongs to, if there is one."""
    owner = _owner(takeovers, mark, merge_ns)
    if owner is not None:
        _name(owner, mark)
    return owner is not None


def _name(takeover: Takeover, mark: dict[str, Any]) -> None:
    """Add a mark's text; an address that moves on and on would otherwise add thousands."""
    if not mark["watched"] or len(takeover.marks) < WATCHED_MARKS_MAX:
        takeover.marks.append(mark["text"])


def outages(timeline: Timeline, takeovers: Sequence[Takeover]) -> list[Span]:
    """Every stretch in which a lane waited over the threshold or met errors, or a takeover was marked.

    What is untold (`untold_stretches`) may be one as well.
    """
    spans = [(wait.issued_ns, wait.done_ns) for wait in timeline.long_waits]
    spans += timeline.error_spans
    spans += [(takeover.start_ns, takeover.end_ns) for takeover in takeovers]
    marks = [(mark["pressed_ns"], mark["accepted_ns"]) for mark in _takeover_marks(timeline)]
    spans += [(min(pressed, accepted), accepted) for pressed, accepted in marks]
    return merge([*spans, *untold_stretches(timeline)])


def untold_stretches(timeline: Timeline) -> list[Span]:
    """Every stretch in which lanes may have waited or met errors, or marks been made, and nothing tells of it.

    For an open lane from its last completion on, until its worker was seen to be lost; for the supervisor, unless it
    told of the stop, from `MARK_UNDER_WAY_NS` before its last sign of life on. `NEVER_NS` is the end of what has none.
    """
    spans = []
    for lane, part in enumerate(timeline.run.lane_workers):
        if not timeline.tails[lane].closed:
            begin_ns = timeline.unknown_not_before_ns(lane)
            spans.append((begin_ns, max(begin_ns, timeline.lost_ns.get(part, NEVER_NS))))
    if timeline.stop_ns < 0:
        spans.append((timeline.watched_until_ns - MARK_UNDER_WAY_NS, NEVER_NS))
    return merge(spans)


def _takeover_marks(timeline: Timeline) -> list[dict[str, Any]]:
    """The marks of a takeover that were made in time: while the run had not been stopped."""
    stop_ns = timeline.stop_ns
    return [m for m in timeline.marks if m["takeover"] and (stop_ns < 0 or m["accepted_ns"] <= stop_ns)]


def _owner(takeovers: Sequence[Takeover], mark: dict[str, Any], merge_ns: int) -> Takeover | None:
    """The takeover that a mark belongs to: the nearest of those that it is near enough to.

    An operator may press long before; the watch sees a move as it happens, so for that the merge time is enough.
    """
    pressed_ns = mark["pressed_ns"]
    before_ns, latest_ns = (merge_ns, mark["accepted_ns"]) if mark["watched"] else (MARK_BEFORE_NS, pressed_ns)
    near = [t for t in takeovers if t.start_ns - before_ns <= latest_ns and pressed_ns <= t.end_ns + merge_ns]
    return min(near, key=lambda t: max(t.start_ns - pressed_ns, pressed_ns - t.end_ns, 0), default=None)


def _observed(timeline: Timeline) -> list[Takeover]:
    out: list[Takeover] = []
    never_ended_ns = {wait.done_ns for wait in timeline.long_waits if wait.open}
    never_ended_ns -= {wait.done_ns for wait in timeline.long_waits if not wait.open}
    for span in _all_waiting(timeline):
        for start, end in subtract(span, timeline.silences):
            if end - start <= timeline.run.stall_ns:
                continue
            if out and start - out[-1].end_ns <= timeline.run.merge_ns:
                out[-1].end_ns = end
                out[-1].stall_ns += end - start
            else:
                out.append(Takeover(start, end, True, stall_ns=end - start))
            out[-1].never_ended = end in never_ended_ns
    return out


def _all_waiting(timeline: Timeline) -> list[Span]:
    """Stretches without an acknowledgement in which every lane waited over the threshold, in order.

    They must begin before the run was stopped: after that lanes end one by one, and "every lane" would mean too
    little. A lane with an open ledger counts up to its last record.
    """
    run = timeline.run
    horizon = timeline.stop_ns if timeline.stop_ns >= 0 else timeline.last_ns
    changes = [(tail.last_done_ns, 0, -1) for tail in timeline.tails if not tail.closed]
    for wait in timeline.long_waits:
        changes.append((wait.issued_ns, 1, 0))
        changes.append((wait.done_ns, -1, 0))
    changes.sort()
    out: list[Span] = []
    waiting, at_work = 0, run.lanes
    for (now, waits, lanes), (later, _, _) in pairwise(changes):
        waiting += waits
        at_work += lanes
        if waiting == at_work and now < horizon:
            out.append((now, later))
    return out
