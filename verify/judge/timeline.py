"""The first pass over a run's ledger: everything about time, and how far each lane got."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np

from verify.judge.arrays import BoolArray, Int64Array, flags, int64, zeros
from verify.judge.spans import Span, merge
from verify.ledger.frames import SEQUENCE_MAX, Kind, Records
from verify.load.run import Run

PAUSE_NS = 500_000_000
"""A heartbeat (one every 100 ms) missing for longer than this: the process or the guest stood still."""

CLOCK_STEP_NS = 500_000_000
ERROR_SPAN_GAP_NS = 1_000_000_000
TIME_NS_MAX = 2**62
"""No clock gets there: nanoseconds for 146 years."""


OPERATION_KINDS = (Kind.WRITE, Kind.WRITE_THROUGH, Kind.READ, Kind.READ_ODD)
WRITE_KINDS = (Kind.WRITE, Kind.WRITE_THROUGH)
_CLOSING_KINDS = (Kind.IN_FLIGHT, Kind.LANE_END, Kind.PREFLIGHT)
COMPLETED_KINDS = (*OPERATION_KINDS, Kind.FLUSH, Kind.EXAMINED, Kind.EXAMINED_ODD)
TIMED_KINDS = (*COMPLETED_KINDS, Kind.IN_FLIGHT, Kind.PREFLIGHT)
_KNOWN = flags(256)
_KNOWN[[int(kind) for kind in Kind]] = True


@lru_cache(maxsize=32)
def _table(kinds: tuple[Kind, ...]) -> BoolArray:
    table = flags(256)
    table[[int(kind) for kind in kinds]] = True
    return table


def kind_mask(records: Records, kinds: tuple[Kind, ...]) -> BoolArray:
    """Where the records are of one of the given kinds."""
    return _table(kinds)[records.kind]


def time_in(event: dict[str, Any], name: str) -> int:
    """A time of an event, in nanoseconds.

    Raises:
        KeyError, ValueError: if it is missing, or no clock can show it.
    """
    value = event[name]
    if type(value) is not int or not 0 <= value <= TIME_NS_MAX:
        raise ValueError(f"{name} is not a time")
    return value


def by_lane(records: Records) -> Iterator[tuple[int, Records]]:
    """Each lane that occurs, with its records in order; CLOCK records belong to no lane."""
    positions = np.flatnonzero(records.kind != Kind.CLOCK)
    lanes = records.lane[positions].astype(np.uint16)  # Two bytes in a record, and sorted without comparing.
    order = np.argsort(lanes, kind="stable")
    lanes = lanes[order]
    if not len(lanes):
        return
    gathered = records.take(positions[order])
    bounds = [0, *(np.flatnonzero(np.diff(lanes)) + 1).tolist(), len(lanes)]
    for start, end in pairwise(bounds):
        yield int(lanes[start]), gathered.take(slice(start, end))


@dataclass(frozen=True)
class LongWait:
    """One operation that waited longer than the stall threshold; `open` if it never ended."""

    lane: int
    issued_ns: int
    done_ns: int
    open: bool


@dataclass
class LaneTail:
    """How far one lane got.

    `next_sequence` is the first operation without an acknowledgement in the ledger; `last_completed_ns` is when
    the latest operation, examination or flush was done, `last_done_ns` the end of the latest record of any kind.
    """

    next_sequence: int = 0
    last_completed_ns: int = -1
    last_done_ns: int = -1
    last_issued_ns: int = -1
    """Issue of the latest operation, examination or flush."""
    closed: bool = False
    in_flight: tuple[int, int, int] | None = None
    """(sequence, issued, waited until) of an operation that was never acknowledged, in a closed ledger."""


@dataclass(frozen=True)
class ClockStep:
    """The wall clock was set: by `step_ns` at `monotonic_ns`."""

    monotonic_ns: int
    step_ns: int


@dataclass(frozen=True)
class Neighbour:
    """From `since_ns` on, `hardware_address` was seen behind the address; "" if none was known. `name` may be ""."""

    since_ns: int
    address: str
    hardware_address: str
    name: str


class Timeline:
    """Fed a ledger item by item (`feed`); then `finish`, and everything below may be read.

    Attributes:
        contradictions: for each part that contradicts itself, what is wrong; from there on nothing is taken of it.
        accepted: for each part, how many items were taken.
        pauses: stretches in which the process of some part, or the guest, stood still.
        silences: stretches without a heartbeat of some part that are long enough to be mistaken for a stall.
        lost_ns: for each part whose worker was lost, when the supervisor saw that.
    """

    def __init__(self, run: Run) -> None:
        self.run = run
        self.tails = [LaneTail() for _ in range(run.lanes)]
        self.counts = zeros(256)
        self.long_waits: list[LongWait] = []
        self.error_spans: list[Span] = []
        self.marks: list[dict[str, Any]] = []
        self.neighbours: list[Neighbour] = []
        self.clock_steps: list[ClockStep] = []
        self.pauses: list[Span] = []
        self.silences: list[Span] = []
        self.boot_ids: set[str] = set()
        self.load_began_ns = -1
        self.stop_ns = -1
        self.last_ns = -1
        self.heads: dict[str, str] = {}
        self.grounds = ""
        self.lost_ns: dict[int, int] = {}
        self.reopening_doubts: set[str] = set()
        self.contradictions: dict[int, str] = {}
        self.accepted: dict[int, int] = {}
        self.opened_ns: dict[int, int] = {}
        self.closed_parts: set[int] = set()
        self._flushes: list[Int64Array] = []
        self._clock: list[Int64Array] = []
        self._beats_ns = int64()
        self._last_beat: dict[int, tuple[int, int]] = {}
        self._silence_ns = min(PAUSE_NS, run.stall_ns)
        self._part_of = int64(run.lane_workers)
        self._operations = [
            SEQUENCE_MAX if run.operations is None else run.schedule(lane).fill_count + run.operations
            for lane in range(run.lanes)
        ]

    def feed(self, part: int, item: Records | dict[str, Any]) -> None:
        """Take the next item of one part of the ledger."""
        if part in self.contradictions:
            return
        wrong = self._feed_records(part, item) if isinstance(item, Records) else self._feed_event(part, item)
        if wrong:
            self.contradictions[part] = wrong
        else:
            self.accepted[part] = self.accepted.get(part, 0) + 1

    def finish(self) -> None:
        """Put what was gathered in order; lanes of a part without a close, or contradictory, stay open."""
        if 0 in self._last_beat and 0 not in self.closed_parts:
            self._note_silences(int64([self._last_beat[0][0], self.last_ns]))
        self.pauses = merge(self.pauses)
        self.silences = merge(self.silences)
        for lane, tail in enumerate(self.tails):
            part = int(self._part_of[lane])
            tail.closed = tail.closed and part in self.closed_parts and part not in self.contradictions
            if tail.in_flight is not None and tail.in_flight[0] < tail.next_sequence:
                tail.in_flight = None  # acknowledged in the last moment, between its closing record and the close

    def unknown_not_before_ns(self, lane: int) -> int:
        """A moment before which no operation beyond the lane's ledger was issued: its latest completion.

        Of a part of which nothing is left that is the beginning of all time.
        """
        opened_ns = self.opened_ns.get(int(self._part_of[lane]), 0)
        return max(self.tails[lane].last_completed_ns, opened_ns)

    @property
    def flushes(self) -> tuple[Int64Array, Int64Array]:
        """Issue and completion times of every completed flush, in the order of issue."""
        if not self._flushes:
            return int64(), int64()
        pairs = np.concatenate(self._flushes)
        pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
        return pairs[:, 0].copy(), pairs[:, 1].copy()

    def wall_ns(self, monotonic_ns: int) -> int:
        """The wall clock that stood beside a monotonic time, by the nearest heartbeat before it."""
        if not self._clock:
            return 0
        if len(self._clock) > 1 or not len(self._beats_ns):
            self._clock = [np.concatenate(self._clock)]
            self._beats_ns = self._clock[0][:, 0].copy()
        beat = self._clock[0][max(int(self._beats_ns.searchsorted(monotonic_ns, side="right")) - 1, 0)]
        return int(beat[1]) + monotonic_ns - int(beat[0])

    @property
    def watched_until_ns(self) -> int:
        """Until when the supervisor watched: to the stop, or to its last sign of life."""
        return self.stop_ns if self.stop_ns >= 0 else self._last_beat.get(0, (-1, -1))[0]

    def count(self, *kinds: Kind) -> int:
        """How many records of the given kinds there are."""
        return int(self.counts[[int(kind) for kind in kinds]].sum())

    def _feed_event(self, part: int, event: dict[str, Any]) -> str:
        kind = event.get("event")
        try:
            if kind == "open":
                self.boot_ids.add(str(event["boot_id"]))
                self.opened_ns.setdefault(part, time_in(event, "monotonic_ns"))
                self._clock_sample(part, self.opened_ns[part], time_in(event, "wall_ns"))
            elif kind == "close":
                closed_ns = time_in(event, "monotonic_ns")
                self.closed_parts.add(part)
                self.last_ns = max(self.last_ns, closed_ns)
                if part in self._last_beat:
                    self._note_silences(int64([self._last_beat[part][0], closed_ns]))
                self.heads.update({str(k): str(v) for k, v in event.get("heads", {}).items()})
            elif part == 0:
                self._feed_supervisor_event(kind, event)
            elif kind == "reopened":
                self.reopening_doubts |= {str(note)[:500] for note in list(event["notes"])}
        except (KeyError, TypeError, ValueError, AttributeError):
            return f"an event of kind {kind!r} lacks or misstates a field"
        return ""

    def _feed_supervisor_event(self, kind: Any, event: dict[str, Any]) -> None:
        if kind == "mark":
            mark = {"text": str(event["text"]), "takeover": bool(event["takeover"])}
            mark["watched"] = event.get("watched") is True
            for name in ("pressed_ns", "pressed_wall_ns", "accepted_ns"):
                mark[name] = time_in(event, name)
            self.marks.append(mark)
        elif kind == "neighbour":
            texts = [str(event[name])[:100] for name in ("address", "hardware_address", "name")]
            seen = Neighbour(time_in(event, "monotonic_ns"), *texts)
            if self.neighbours and seen.since_ns < self.neighbours[-1].since_ns:
                raise ValueError("the neighbours do not follow one another")
            self.neighbours.append(seen)
        elif kind == "grounds":
            self.grounds = str(event["digest"])
        elif kind == "load_began":
            self.load_began_ns = time_in(event, "monotonic_ns")
        elif kind == "stop":
            self.stop_ns = time_in(event, "monotonic_ns")
        elif kind == "worker_lost":
            self._note_lost_worker(event)

    def _note_lost_worker(self, event: dict[str, Any]) -> None:
        lanes = list(event["lanes"])
        if any(type(lane) is not int or not 0 <= lane < self.run.lanes for lane in lanes):
            raise ValueError("a lane that the run has not")
        for lane in lanes:
            self.lost_ns[self.run.lane_workers[lane]] = time_in(event, "monotonic_ns")

    def _clock_sample(self, part: int, monotonic_ns: int, wall_ns: int) -> None:
        self._feed_clock(part, int64([monotonic_ns, wall_ns]).reshape(1, 2))

    def _feed_clock(self, part: int, beats: Int64Array) -> None:
        before = [self._last_beat[part]] if part in self._last_beat else zeros((0, 2))
        joined = np.concatenate([before, beats])
        self._note_silences(joined[:, 0])
        if part == 0:
            self._clock.append(beats)
            step = np.diff(joined, axis=0)
            drift = step[:, 1] - step[:, 0]
            for index in np.flatnonzero(np.abs(drift) > CLOCK_STEP_NS).tolist():
                self.clock_steps.append(ClockStep(int(joined[index + 1, 0]), int(drift[index])))
        self._last_beat[part] = (int(joined[-1, 0]), int(joined[-1, 1]))
        self.last_ns = max(self.last_ns, int(joined[-1, 0]))

    def _note_silences(self, heard_ns: Int64Array) -> None:
        """Keep the stretches between signs of life of one part that are long enough to matter."""
        between_ns = np.diff(heard_ns)
        for longest_ns, kept in ((self._silence_ns, self.silences), (PAUSE_NS, self.pauses)):
            for index in np.flatnonzero(between_ns > longest_ns).tolist():
                kept.append((int(heard_ns[index]), int(heard_ns[index + 1])))

    def _feed_records(self, part: int, records: Records) -> str:
        wrong = self._wrong(part, records)
        if wrong:
            return wrong
        self.counts += np.bincount(records.kind, minlength=256)
        clock = records.kind == Kind.CLOCK
        if clock.any():
            self._feed_clock(part, _times(records, clock))
        flush = records.kind == Kind.FLUSH
        if flush.any():
            self._flushes.append(_times(records, flush))
        errors = records.kind == Kind.ERROR
        if errors.any():
            spans = [(issued_ns, done_ns) for issued_ns, done_ns in _times(records, errors).tolist()]
            self.error_spans = merge([*self.error_spans, *spans], ERROR_SPAN_GAP_NS)
        timed = kind_mask(records, TIMED_KINDS)
        long = np.flatnonzero(timed & (records.done_ns - records.issued_ns > self.run.stall_ns))
        for i in long.tolist():
            is_open = records.kind[i] in (Kind.IN_FLIGHT, Kind.PREFLIGHT)
            wait = LongWait(int(records.lane[i]), int(records.issued_ns[i]), int(records.done_ns[i]), is_open)
            self.long_waits.append(wait)
        if timed.any():
            self.last_ns = max(self.last_ns, int(records.done_ns[timed].max()))
        return ""

    def _wrong(self, part: int, records: Records) -> str:
        """Check the records against the run and one another, and if all is well move the lanes' tails on."""
        if not _KNOWN[records.kind].all():
            return "a record of unknown kind"
        for times in (records.issued_ns, records.done_ns):
            if (times < 0).any() or (times > TIME_NS_MAX).any():
                return "a time that no clock shows"
        beats_ns = records.issued_ns[records.kind == Kind.CLOCK]
        if len(beats_ns) and (beats_ns[0] < self._last_beat.get(part, (0, 0))[0] or (np.diff(beats_ns) < 0).any()):
            return "the clock goes back"
        moved: dict[int, LaneTail] = {}
        for lane, own in by_lane(records):
            if lane >= self.run.lanes or self._part_of[lane] != part:
                return f"a record of lane {lane}, which does not write to this file"
            tail = self.tails[lane]
            operations = kind_mask(own, OPERATION_KINDS)
            sequences = own.sequence[operations]
            expected = np.arange(tail.next_sequence, tail.next_sequence + len(sequences))
            if not np.array_equal(sequences, expected):
                return f"the operations of lane {lane} do not follow one another at {tail.next_sequence}"
            if tail.next_sequence + len(sequences) > self._operations[lane]:
                return f"lane {lane} goes on beyond its {self._operations[lane]} operations"
            upcoming = tail.next_sequence + np.cumsum(operations)
            if not np.array_equal(own.sequence[~operations], upcoming[~operations]):
                return f"a record of lane {lane} does not belong to its next operation"
            issued_ns = own.issued_ns[kind_mask(own, COMPLETED_KINDS)]
            if len(issued_ns) and (issued_ns[0] < tail.last_issued_ns or (issued_ns[1:] < issued_ns[:-1]).any()):
                return f"the times of lane {lane} go back"
            moved[lane] = _moved_on(tail, own, len(sequences))
        for lane, tail in moved.items():
            self.tails[lane] = tail
        return ""


def _times(records: Records, which: BoolArray) -> Int64Array:
    """Issue and end of some of the records, in shape (count, 2); of heartbeats monotonic and wall clock."""
    return np.stack([records.issued_ns[which], records.done_ns[which]], axis=1)


def _moved_on(tail: LaneTail, records: Records, operations: int) -> LaneTail:
    """The tail of a lane after further records of it, `operations` of them operations."""
    is_completed = kind_mask(records, COMPLETED_KINDS)
    completed, issued_ns = records.done_ns[is_completed], records.issued_ns[is_completed]
    tail = replace(
        tail,
        next_sequence=tail.next_sequence + operations,
        last_completed_ns=int(completed.max(initial=tail.last_completed_ns)),
        last_done_ns=max(tail.last_done_ns, int(records.done_ns.max())),
        last_issued_ns=int(issued_ns.max(initial=tail.last_issued_ns)),
    )
    for index in np.flatnonzero(kind_mask(records, _CLOSING_KINDS)).tolist():
        tail.closed = True
        if records.kind[index] == Kind.IN_FLIGHT:
            issued, until = int(records.issued_ns[index]), int(records.done_ns[index])
            tail.in_flight = (int(records.sequence[index]), issued, until)
    return tail
