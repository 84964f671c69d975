"""Takeovers, outages and what flushes cover, by the rules and in plain loops over the campaign's own log."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from scripts.drill_campaign.log import Op
from scripts.drill_campaign.pair import NS_PER_S
from scripts.drill_campaign.truth_ledger import LOOKS, WRITES, Known, Write
from verify.load.run import Run

MARK_BEFORE_NS = 10 * NS_PER_S
BEAT_LATE_NS = NS_PER_S // 2
ERRORS_APART_NS = NS_PER_S
MARK_UNDER_WAY_NS = NS_PER_S
END_OF_TIME = 2**63


@dataclass
class TrueTakeover:
    """A takeover as the evidence shows it; a look issued after `looks_from` may be one at what it left."""

    start: int
    end: int
    observed: bool
    looks_from: int
    in_flight: int = 0
    examined: int = 0
    left: int = 0
    unexamined: int = 0


def takeovers_of(run: Run, known: Known) -> list[TrueTakeover]:
    """Every takeover, with what was in flight and what became of the slots."""
    observed = _observed(run, known)
    moves: list[TrueTakeover] = []
    stop = known.stop
    marks = [mark for mark in known.marks if stop is None or mark[1] <= stop]
    for pressed, accepted, watched in marks:
        near = any(t.start - run.merge_ns <= accepted and pressed <= t.end + run.merge_ns for t in observed)
        if not watched or near:
            continue
        if moves and accepted <= moves[-1].end + run.merge_ns:
            moves[-1].end = accepted
        else:
            moves.append(TrueTakeover(accepted, accepted, False, min(pressed, accepted)))
    out = observed + moves
    for pressed, accepted, watched in marks:
        near = any(
            t.start - MARK_BEFORE_NS <= pressed <= t.end + run.merge_ns for t in (*observed, *moves)
        )
        if not watched and not near:
            out.append(TrueTakeover(accepted, accepted, False, min(pressed, accepted)))
    out.sort(key=lambda t: t.start)
    for before, after in pairwise(out):
        after.looks_from = max(after.looks_from, before.looks_from)
    for takeover in out:
        _count_around(known, takeover)
    return out


def _observed(run: Run, known: Known) -> list[TrueTakeover]:
    """Stretches in which every lane at work waited in one operation, none of them answered, and hearts beat on."""
    horizon = known.stop if known.stop is not None else known.last
    waits = [[op for op in lane.waits if op.done - op.issued > run.stall_ns] for lane in known.lanes]
    edges = {edge for some in waits for op in some for edge in (op.issued, op.done)}
    edges |= {lane.last for lane in known.lanes if not lane.closed}
    moments = sorted(edges)
    out: list[TrueTakeover] = []
    for start, end in pairwise(moments):
        at_work = [i for i, lane in enumerate(known.lanes) if lane.closed or lane.last > start]
        if not at_work or start >= horizon:
            continue
        if not all(any(op.issued <= start and end <= op.done for op in waits[i]) for i in at_work):
            continue
        for low, high in _with_heartbeat(run, known, start, end):
            if high - low <= run.stall_ns:
                continue
            if out and low - out[-1].end <= run.merge_ns:
                out[-1].end = high
            else:
                out.append(TrueTakeover(low, high, True, low))
    return out


def _with_heartbeat(run: Run, known: Known, start: int, end: int) -> list[tuple[int, int]]:
    """What is left of a stretch without those in which the heart of some process did not beat."""
    longest = min(BEAT_LATE_NS, run.stall_ns)
    pieces = [(start, end)]
    for part, beats in enumerate(known.beats):
        close = known.closes[part]
        if close is None and part == 0 and beats:
            close = known.last
        for a, b in zip(beats, [*beats[1:], *([close] if close is not None else [])], strict=False):
            if b - a > longest:
                pieces = [
                    piece
                    for low, high in pieces
                    for piece in ((low, min(high, a)), (max(low, b), high))
                    if piece[0] < piece[1]
                ]
    return pieces


def _count_around(known: Known, takeover: TrueTakeover) -> None:
    start, looks = takeover.start, takeover.looks_from
    takeover.in_flight = sum(
        any(
            (op.what in WRITES and op.done > looks) or (op.what == "in flight" and _writes(known, op))
            for op in lane.waits
            if op.issued <= start and (op.what in WRITES or lane.closed)
        )
        for lane in known.lanes
    )
    for lane in known.lanes:
        for slot in {op.slot for op in lane.ops if op.what in WRITES and op.issued <= start}:
            touch = first_touch(lane.ops, slot, looks, start)
            takeover.left += touch is None
            takeover.unexamined += touch is not None and touch.what in WRITES
            takeover.examined += touch is not None and touch.what in LOOKS


def _writes(known: Known, op: Op) -> bool:
    return known.in_flight.get(op.slot) == op.n


def first_touch(ops: list[Op], slot: int, looks_from: int, writes_from: int) -> Op | None:
    """The first look at a written slot after one moment, or write to it after another, whichever comes first."""
    written = False
    for op in ops:
        if op.slot != slot or op.what not in (*WRITES, *LOOKS):
            continue
        writes = op.what in WRITES
        if op.issued > writes_from or (not writes and written and op.issued > looks_from):
            return op
        written = written or writes
    return None


class Coverage:
    """What is covered under the promise: everything acknowledged, or under `flushed` what a flush made non-volatile."""

    def __init__(self, run: Run, known: Known, takeovers: list[TrueTakeover]) -> None:
        self._flushed = run.promise == "flushed"
        self._flushes = sorted((op.issued, op.done) for lane in known.lanes for op in lane.ops if op.what == "flush")
        self._outages = [(t.start, t.end) for t in takeovers]
        stop = known.stop
        self._outages += [(min(p, a), a) for p, a, _ in known.marks if stop is None or a <= stop]
        for lane in known.lanes:
            self._outages += [(op.issued, op.done) for op in lane.waits if op.done - op.issued > run.stall_ns]
        errors = sorted((op.issued, op.done) for lane in known.lanes for op in lane.ops if op.what == "error")
        for a, b in errors:
            if self._outages and self._last_error is not None and a - self._last_error <= ERRORS_APART_NS:
                self._outages.append((self._last_error, a))
            self._outages.append((a, b))
            self._last_error = b if self._last_error is None else max(b, self._last_error)
        # Of what came where the ledger is cut or harmed nobody can say that it was no outage; a lost worker met none.
        for lane, part in zip(known.lanes, run.lane_workers, strict=True):
            if not lane.closed:
                begin = lane.completed_last
                self._outages.append((begin, max(begin, known.losses.get(part, END_OF_TIME))))
        if stop is None:
            self._outages.append((max(known.beats[0], default=0) - MARK_UNDER_WAY_NS, END_OF_TIME))
        self._known: dict[int, float | None] = {}

    _last_error: int | None = None

    def since(self, write: Write) -> float | None:
        """When a write became covered: None if never, minus infinity if at an unknown time."""
        if not write.acknowledged:
            return None
        if not self._flushed or write.through:
            return float("-inf") if write.done is None else write.done
        if write.done is None:
            return None
        at = write.done
        if at not in self._known:
            # Of all flushes issued afterwards the first to end is the one with the least time for an outage.
            first = min((done for issued, done in self._flushes if issued > at), default=None)
            clear = first is not None and not any(begin < first and end > at for begin, end in self._outages)
            self._known[at] = first if clear else None
        return self._known[at]
