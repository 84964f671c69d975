"""Small random histories of a run, kept as plain facts, and the ledger and volume that they would have left."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from verify.blocks.encode import BlockMaker
from verify.blocks.layout import StreamLayout
from verify.judge.content import look
from verify.ledger.frames import Kind, Records, clock_record, decode_records, operation_record
from verify.load.run import Run
from verify.load.schedule import Flush, Pattern, Stream

UNIT_NS = 100_000_000
"""Times in a story are whole units of 0.1 s, counted from `BEGIN_NS`."""

BEGIN_NS = 1_000_000_000_000
STALL, MERGE = 10, 50
SECTOR_BYTES = 512
TAG, SEED = 0xA11CE5, 20261124

Sector = tuple[Any, ...]
"""("write", slot, n): that sector of operation n's write to the slot; ("old",), ("zero",), ("alien",), ("junk",)."""

Content = tuple[Sector, ...] | None
"""What a slot holds, sector by sector; None where it cannot be read."""


@dataclass(frozen=True)
class Op:
    """One record of a lane; `saw` is what a read or an examination found, None for what was expected."""

    what: str
    n: int
    issued: int
    done: int
    saw: Content = None
    told: bool = True


@dataclass
class LaneLog:
    """What one lane's ledger holds, how it ends (None: open), and what the lane did beyond an open end."""

    ops: list[Op] = field(default_factory=list)
    closing: Op | None = None
    beyond: list[Op] = field(default_factory=list)


@dataclass(frozen=True)
class Mark:
    """A mark of a takeover (or a note), pressed and taken into the run; `watched` if no operator made it."""

    pressed: int
    accepted: int
    takeover: bool
    text: str
    watched: bool = False


@dataclass
class Story:
    """One run. `base` is the first operation of every lane; `checks` gives what each check saw of every slot, twice.

    `lost` gives for parts whose worker was lost when the supervisor saw that.
    """

    run: Run
    base: int
    lanes: list[LaneLog]
    beats: dict[int, list[int]]
    marks: list[Mark]
    stop: int | None
    close: int
    open_parts: set[int]
    checks: list[list[tuple[Content, Content]]]
    twice: bool
    does: Callable[[int, int], tuple[bool, int]]
    lost: dict[int, int] = field(default_factory=dict)


def doer(run: Run) -> Callable[[int, int], tuple[bool, int]]:
    """A function of (lane, n) that says whether operation n writes, and the slot (counted within the run)."""
    known: dict[tuple[int, int], tuple[bool, int]] = {}
    schedules = [run.schedule(lane) for lane in range(run.lanes)]

    def does(lane: int, n: int) -> tuple[bool, int]:
        if (lane, n) not in known:
            first = n // 64 * 64
            operations = schedules[lane].operations(first, 64)
            offset = run.stream_of_lane(lane).layout.first_slot
            for i, (writes, slot) in enumerate(
                zip(operations.writes.tolist(), operations.slots.tolist(), strict=True)
            ):
                known[lane, first + i] = (writes, slot + offset)
        return known[lane, n]

    return does


def make_run(
    shapes: Iterable[tuple[int, int, int]],
    *,
    promise: str = "completed",
    pattern: Pattern = Pattern.UNIFORM,
    read_share: float = 0.25,
    flush: Flush = Flush.NEVER,
    fill: bool = True,
    atomic_bytes: int = SECTOR_BYTES,
    workers: int = 1,
    operations: int | None = None,
) -> Run:
    """A run whose streams have the given (lanes, slots, sectors in a block)."""
    streams: list[Stream] = []
    start = lane = slot = 0
    for index, (lanes, slots, sectors) in enumerate(shapes):
        layout = StreamLayout(index, start, sectors * SECTOR_BYTES, SECTOR_BYTES, slots, lanes, lane, slot)
        streams.append(Stream(layout, pattern, read_share, flush, 3 if flush is Flush.EVERY else 0, 0.0, fill))
        start, lane, slot = layout.end_bytes, lane + lanes, slot + slots
    return Run(
        "story", SEED, TAG, tuple(streams), promise, STALL * UNIT_NS, MERGE * UNIT_NS, atomic_bytes, operations,
        tuple(1 + i % workers for i in range(lane)),
    )  # fmt: skip


def layout_of(run: Run, slot: int) -> StreamLayout:
    """The layout of the stream that owns a slot (counted within the run)."""
    return next(s.layout for s in run.streams if slot < s.layout.first_slot + s.layout.slots)


def lane_of(run: Run, slot: int) -> int:
    """The lane (counted within the run) that owns a slot (counted within the run)."""
    layout = layout_of(run, slot)
    return layout.first_lane + (slot - layout.first_slot) % layout.lanes


class Renderer:
    """Turns contents into bytes."""

    def __init__(self, run: Run) -> None:
        self.run = run
        self.makers = [BlockMaker(stream.layout, run.seed, run.tag) for stream in run.streams]
        self._others = [BlockMaker(stream.layout, run.seed, run.tag ^ 1) for stream in run.streams]
        self._known: dict[Any, bytes] = {}

    def bytes_of(self, slot: int, content: Content) -> bytes:
        """The bytes of a slot that holds `content`."""
        assert content is not None
        out = []
        for index, sector in enumerate(content):
            whole = self._whole(slot, sector)
            out.append(whole[index * SECTOR_BYTES : (index + 1) * SECTOR_BYTES])
        return b"".join(out)

    def maker_of(self, slot: int) -> tuple[BlockMaker, int]:
        """The maker of a slot's stream, and the slot counted within that stream."""
        layout = layout_of(self.run, slot)
        return self.makers[layout.stream], slot - layout.first_slot

    def _whole(self, slot: int, sector: Sector) -> bytes:
        key = (slot, sector) if sector[0] != "write" else sector
        if key not in self._known:
            self._known[key] = self._build(slot, sector)
        return self._known[key]

    def _build(self, slot: int, sector: Sector) -> bytes:
        layout = layout_of(self.run, slot)
        if sector[0] == "write":
            maker, own = self.maker_of(sector[1])
            return maker.block(own, own % maker.layout.lanes, sector[2])
        if sector[0] == "alien":
            own = slot - layout.first_slot
            return self._others[layout.stream].block(own, own % layout.lanes, 1)
        if sector[0] == "zero":
            return bytes(layout.block_bytes)
        return random.Random(f"{slot} {sector}").randbytes(layout.block_bytes)


def ledger_of(story: Story, renderer: Renderer, rng: random.Random) -> list[tuple[int, Any]]:
    """All items of all parts of the ledger, as its reader would give them."""
    items: list[tuple[int, Any]] = []
    boot = {"event": "open", "boot_id": "b", "monotonic_ns": ns(0), "wall_ns": wall_ns(0)}
    for part in sorted({0, *story.run.lane_workers}):
        stream: list[tuple[int, int, int, Any]] = [(0, -1, 0, boot)]
        for moment in story.beats[part]:
            stream.append((moment, 0, len(stream), clock_record(ns(moment), wall_ns(moment))))
        if part == 0:
            stream += _supervisor(story, len(stream))
        for lane, log in enumerate(story.lanes):
            if story.run.lane_workers[lane] == part:
                stream += _records(story, lane, log, renderer, len(stream))
        if part not in story.open_parts:
            close = {"event": "close", "monotonic_ns": ns(story.close), "wall_ns": wall_ns(story.close)}
            stream.append((story.close, 9, len(stream), close))
        stream.sort(key=lambda entry: entry[:3])
        items += [(part, item) for item in _gather([entry[3] for entry in stream], rng)]
    return items


def ns(moment: int) -> int:
    """A story's moment in monotonic nanoseconds."""
    return BEGIN_NS + moment * UNIT_NS


def wall_ns(moment: int) -> int:
    """A story's moment by the wall clock."""
    return 1_700_000_000_000_000_000 + moment * UNIT_NS


def _supervisor(story: Story, at: int) -> list[tuple[int, int, int, Any]]:
    out: list[tuple[int, int, int, Any]] = []
    for mark in story.marks:
        event = {
            "event": "mark", "text": mark.text, "takeover": mark.takeover, "pressed_ns": ns(mark.pressed),
            "pressed_wall_ns": wall_ns(mark.pressed), "accepted_ns": ns(mark.accepted),
            **({"watched": True} if mark.watched else {}),
        }  # fmt: skip
        out.append((mark.accepted, 1, at + len(out), event))
    for part, moment in story.lost.items():
        lanes = [lane for lane, own in enumerate(story.run.lane_workers) if own == part]
        event = {"event": "worker_lost", "monotonic_ns": ns(moment), "worker": part - 1, "lanes": lanes}
        out.append((moment, 1, at + len(out), event))
    if story.stop is not None:
        out.append((story.stop, 2, at + len(out), {"event": "stop", "monotonic_ns": ns(story.stop)}))
    return out


_KINDS = {
    "write": Kind.WRITE, "through": Kind.WRITE_THROUGH, "flush": Kind.FLUSH, "error": Kind.ERROR,
    "in flight": Kind.IN_FLIGHT, "end": Kind.LANE_END, "preflight": Kind.PREFLIGHT,
}  # fmt: skip


def _records(
    story: Story, lane: int, log: LaneLog, renderer: Renderer, at: int
) -> list[tuple[int, int, int, Any]]:
    out: list[tuple[int, int, int, Any]] = []
    newest: dict[int, int] = {}
    for op in [*log.ops, *([log.closing] if log.closing else [])]:
        if op.what in ("read", "exam"):
            odd = op.saw is not None
            if op.saw is not None and op.told:
                event = _observation(story, lane, op, newest, renderer)
                out.append((op.done, 1, at + len(out), event))
            plain = (Kind.READ, Kind.READ_ODD) if op.what == "read" else (Kind.EXAMINED, Kind.EXAMINED_ODD)
            kind = plain[odd]
        else:
            kind = _KINDS[op.what]
        order = 5 if op is log.closing else 1
        record = operation_record(kind, lane, op.n, ns(op.issued), ns(op.done), 5 if op.what == "error" else 0)
        out.append((op.done, order, at + len(out), record))
        if op.what in ("write", "through"):
            newest[story.does(lane, op.n)[1]] = op.n
    return out


def _observation(
    story: Story, lane: int, op: Op, newest: dict[int, int], renderer: Renderer
) -> dict[str, Any]:
    slot = story.does(lane, op.n)[1]
    maker, own = renderer.maker_of(slot)
    expected = newest[slot]
    seen = look(memoryview(renderer.bytes_of(slot, op.saw)), own, maker, expected)
    return {
        "event": "observation", "source": "examination" if op.what == "exam" else "read", "lane": lane, "slot": own,
        "sequence": op.n, "expected": expected, "issued_ns": ns(op.issued), "done_ns": ns(op.done),
        "seen": seen.to_json(), "specimen": None,
    }  # fmt: skip


def _gather(entries: list[Any], rng: random.Random) -> list[Records | dict[str, Any]]:
    """Lay neighbouring records together into stretches of random length, as frames come."""
    out: list[Records | dict[str, Any]] = []
    pending: list[bytes] = []
    room = rng.choice((2, 7, 30, 1000, 1000))
    for entry in entries:
        if isinstance(entry, bytes) and len(pending) < room:
            pending.append(entry)
            continue
        if pending:
            out.append(decode_records(b"".join(pending)))
        pending = [entry] if isinstance(entry, bytes) else []
        if isinstance(entry, dict):
            out.append(entry)
    if pending:
        out.append(decode_records(b"".join(pending)))
    return out


class StoryVolume:
    """A volume in memory that serves what a check of the story saw: the second read of a slot may differ."""

    sector_bytes = SECTOR_BYTES

    def __init__(self, run: Run, renderer: Renderer, looks: list[tuple[Content, Content]]) -> None:
        self.size_bytes = run.end_bytes
        self._run = run
        self._images = [
            [None if content is None else renderer.bytes_of(slot, content) for content in pair]
            for slot, pair in enumerate(looks)
        ]
        self._reads = np.zeros(run.slots, dtype=np.int64)

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        """Serve whole slots."""
        slots, at = [], offset_bytes
        while at < offset_bytes + len(buffer):
            stream = next(s.layout for s in self._run.streams if at < s.layout.end_bytes)
            slots.append(stream.first_slot + (at - stream.start_bytes) // stream.block_bytes)
            at += stream.block_bytes
        if any(self._images[slot][0] is None for slot in slots):
            raise OSError(5, "unreadable")
        data = b"".join(self._images[slot][min(self._reads[slot], 1)] or b"" for slot in slots)
        self._reads[slots] += 1
        buffer[:] = data
        return len(data)

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        """A check writes nothing."""
        raise AssertionError("a check wrote to the volume")

    def flush(self) -> None:
        """A check flushes nothing."""
        raise AssertionError("a check flushed the volume")

    def reopen(self) -> bool:
        """It never goes away."""
        return True

    def close(self) -> None:
        """Nothing to close."""


class NoSpecimens:
    """Takes raw blocks and keeps none."""

    def keep(self, block: memoryview) -> None:
        """Forget the block."""


