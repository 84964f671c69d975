"""What the surviving ledger tells, as plain lists: the campaign's own log, cut where the ledger was cut.

A record counts if its frame, and every frame before it in its part, is still whole. Nothing is read back from the
ledger's bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from scripts.drill_campaign.contents import Content
from scripts.drill_campaign.log import Op
from scripts.drill_campaign.world import World

WRITES = ("write", "through")
LOOKS = ("read", "exam")


@dataclass(slots=True)
class Write:
    """A write to a slot.

    `issued` is None if only the volume tells of it; `done` None if it was never acknowledged, or if that is only
    `proven`: then it was, at an unknown time.
    """

    n: int
    issued: int | None
    done: int | None
    through: bool
    proven: bool = False

    @property
    def acknowledged(self) -> bool:
        """Whether it is known to have been acknowledged."""
        return self.proven or self.done is not None


@dataclass
class LaneKnown:
    """What is known of one lane.

    `tail` is its first operation without an acknowledgement, `closed` whether it is known that it did nothing more than
    what stands there. `last_look` is one whose observation is told and whose record, which comes after, is not: a
    finding like any other, but nothing that an order rests on.
    """

    ops: list[Op]
    last_look: Op | None
    closing: Op | None
    closed: bool
    tail: int
    opened: int

    @property
    def completed_last(self) -> int:
        """When the latest operation, examination or flush was done; the opening of the ledger if there was none."""
        return max([self.opened, *(op.done for op in self.ops if op.what != "error")])

    @property
    def last(self) -> int:
        """The end of the latest thing that is told, -1 if nothing is."""
        ends = [op.done for op in self.ops] + ([self.closing.done] if self.closing is not None else [])
        return max(ends, default=-1)

    @property
    def waits(self) -> list[Op]:
        """Everything that the lane waited for, what was open at the close included."""
        waits = [op for op in self.ops if op.what != "error"]
        if self.closing is not None and self.closing.what != "end":
            waits.append(self.closing)
        return waits


@dataclass
class Known:
    """What the surviving ledger tells of the whole run; `writes` gives those of each slot, oldest first."""

    lanes: list[LaneKnown]
    writes: dict[int, list[Write]]
    in_flight: dict[int, int]
    marks: list[tuple[int, int, bool]]
    beats: list[list[int]]
    closes: list[int | None]
    stop: int | None
    last: int
    damaged: bool
    untold: set[tuple[int, int]] = field(default_factory=set)
    losses: dict[int, int] = field(default_factory=dict)


def known_of(world: World) -> Known:
    """Cut the log where the ledger was cut."""
    drive, left = world.drive, {part.part: part for part in world.left}
    lanes: list[LaneKnown] = []
    writes: dict[int, list[Write]] = {place.slot: [] for place in world.places}
    in_flight: dict[int, int] = {}
    untold: set[tuple[int, int]] = set()
    for index, driven in enumerate(drive.lanes):
        part = left[driven.part.part]
        ops = [op for op in driven.ops if op.items <= part.items_left]
        closing = driven.closing if driven.closing and driven.closing.items <= part.items_left else None
        tail = sum(op.what in (*WRITES, "read") for op in ops)
        opened = drive.beats[part.part][0][0] if part.items_left else 0
        last_look = next((o for o in driven.ops if o.first_item <= part.items_left < o.items and o.what in LOOKS), None)
        lanes.append(LaneKnown(ops, last_look, closing, part.closed, tail, opened))
        for op in ops:
            if op.what in WRITES:
                writes[op.slot].append(Write(op.n, op.issued, op.done, op.what == "through"))
        if part.closed and closing and closing.what == "in flight" and _writes(world, index, closing.n):
            in_flight[closing.slot] = closing.n
            writes[closing.slot].append(Write(closing.n, closing.issued, None, False))
        untold |= _untold(index, ops)
    beats = [[at for at, items in drive.beats[p.part] if items <= p.items_left] for p in world.left]
    closes = [drive.now if p.closed else None for p in world.left]
    supervisor = left[0].items_left
    stop = drive.stopped if 0 <= drive.stop_items <= supervisor else None
    told = [at for some in beats for at in some] + [at for at in closes if at is not None]
    told += [op.done for lane in lanes for op in lane.waits]
    return Known(
        lanes, writes, in_flight,
        [(m.pressed, m.accepted, m.watched) for m in drive.marks if m.items <= supervisor],
        beats, closes, stop, max(told, default=-1), _damaged(world), untold,
        {part: at for part, (at, items) in drive.losses.items() if items <= supervisor},
    )  # fmt: skip


def _writes(world: World, lane: int, n: int) -> bool:
    return bool(world.plan.run.schedule(lane).operations(n, 1).writes[0])


def _damaged(world: World) -> bool:
    """Whether a part of the ledger cannot be trusted beyond what stands before some place in it.

    A torn end alone does not make it so, unless the part is known to have been closed: its head was written down.
    """
    supervisor_closed = any(part.part == 0 and part.closed for part in world.left)
    for part in world.left:
        noted = world.heads_recorded or (supervisor_closed and part.part != 0)
        if part.harmed or (noted and part.is_cut and str(part.part) in world.drive.heads):
            return True
    return False


def _untold(lane: int, ops: list[Op]) -> set[tuple[int, int]]:
    """The reads that found once more the whole older write that the look before had told of: (lane, operation)."""
    out: set[tuple[int, int]] = set()
    told: dict[int, Content] = {}
    newest: dict[int, int] = {}
    for op in ops:
        if op.what in WRITES:
            newest[op.slot] = op.n
            told.pop(op.slot, None)
        elif op.what in LOOKS and op.slot in newest:
            assert op.saw is not None
            n = whole(op.slot, op.saw)
            if n == newest[op.slot]:
                told.pop(op.slot, None)
            elif op.what == "read" and n is not None and op.slot in told and n == whole(op.slot, told[op.slot]):
                out.add((lane, op.n))
            else:
                told[op.slot] = op.saw
    return out


def whole(slot: int, seen: Content) -> int | None:
    """The write of the slot that stands there whole, None if there is none."""
    kind, home, n, _ = (*seen.sectors[0], None, None, None)[:4]
    if kind != "write" or home != slot:
        return None
    same = all(source == ("write", slot, n, index) for index, source in enumerate(seen.sectors))
    return int(n) if same else None
