"""What one drill is to be: drawn from its seed before anything happens.

Everything random about a drill comes from generators seeded with its name, so its seed replays it exactly.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from verify.blocks.layout import StreamLayout
from verify.load.run import Run
from verify.load.schedule import Flush, Operations, Pattern, Schedule, Stream

MS = 1_000_000

AT_TAKEOVER = ("dropped", "rolled back", "reverted", "torn", "misdirected", "blanked", "alien", "forged", "damaged",
               "stale cache", "late replay")  # fmt: skip
ANY_TIME = tuple(kind for kind in AT_TAKEOVER if kind not in ("late replay", "dropped"))
AT_END = (*(kind for kind in ANY_TIME if kind != "stale cache"), "unreadable")
PLANNED_OPERATIONS = 1024
SMALL_SHARE = 0.6
"""Most drills are small: of one stream, a few slots and few operations, for in those most things can go wrong too."""
STRENGTHS = (1, 1, 1, 2, 2, 3, 4, 6, 9, 14)


class PlannedOnce(Schedule):
    """A schedule that works out a stretch of operations once for everybody who asks."""

    def __init__(self, stream: Stream, lane: int, seed: int) -> None:
        super().__init__(stream, lane, seed)
        self._known = super().operations(0, PLANNED_OPERATIONS)

    def operations(self, first: int, count: int) -> Operations:
        """As of every schedule."""
        if first + count > PLANNED_OPERATIONS:
            return super().operations(first, count)
        known = self._known
        return Operations(first, known.writes[first : first + count], known.slots[first : first + count])


class DrillRun(Run):
    """A run whose schedules are worked out once."""

    def schedule(self, lane: int) -> Schedule:
        """As of every run."""
        known: dict[int, Schedule] = self.__dict__.setdefault("_schedules", {})
        if lane not in known:
            stream = self.stream_of_lane(lane)
            known[lane] = PlannedOnce(stream, lane - stream.layout.first_lane, self.seed)
        return known[lane]


@dataclass(frozen=True)
class PlannedTakeover:
    """A takeover `after_ns` after the load began; `mark` is "", "operator" or "watched"."""

    after_ns: int
    stall_ns: int
    mark: str


@dataclass(frozen=True)
class PlannedFault:
    """A fault of so many blocks: at takeover number `takeover`, or at a time of the load, or (both None) at its end.

    `later_ns` is how long after that a late replay, or the end of a stale cache, comes.
    """

    kind: str
    strength: int
    takeover: int | None = None
    after_ns: int | None = None
    later_ns: int = 0


@dataclass(frozen=True)
class PlannedCheck:
    """One check: `volume` is "", "page cache", "gone", "other" (without a block of the run) or "same by blocks"."""

    twice: bool
    volume: str = ""
    unstable: int = 0
    faults: tuple[PlannedFault, ...] = ()


@dataclass(frozen=True)
class Harm:
    """What became of one part of the ledger: "cut" or "zeroed" so far from its end, a bit "flipped", or "missing"."""

    part: int
    how: str
    share: float


@dataclass
class Plan:
    """One drill."""

    name: str
    run: Run
    old: str
    capacity_blocks: int
    mirrored: bool
    honours_flush: bool
    latency_ns: tuple[int, int]
    by_ring: bool
    examines: bool
    load_ns: int
    takeovers: list[PlannedTakeover] = field(default_factory=list)
    faults: list[PlannedFault] = field(default_factory=list)
    error_share: float = 0.0
    pause: tuple[int, int] | None = None
    idle_marks: int = 0
    killed_after_ns: int | None = None
    killed_parts: frozenset[int] = frozenset()
    harms: list[Harm] = field(default_factory=list)
    checks: list[PlannedCheck] = field(default_factory=list)

    @property
    def is_sound(self) -> bool:
        """Whether nothing is planted that the pair may not do."""
        return not self.faults and self.honours_flush and not any(c.unstable or c.faults for c in self.checks)

    @property
    def circumstances(self) -> list[str]:
        """What sort of drill it is, beside its faults."""
        moves = len(self.takeovers)
        out = [f"promise {self.run.promise}", f"{moves} takeover{'' if moves == 1 else 's'} planned"]
        out += [f"ledger part {harm.how}" for harm in self.harms]
        said = {
            "errors and retries": self.error_share > 0, "writer killed": self.killed_after_ns is not None,
            "guest paused": self.pause is not None, "lanes that do not examine": not self.examines,
            "no fill": not self.run.streams[0].fill, "several streams": len(self.run.streams) > 1,
            "no fault": self.is_sound, "several checks": len(self.checks) > 1,
            "read twice": any(check.twice for check in self.checks),
            "several kinds of fault": len({fault.kind for fault in self.faults}) > 1,
            "one block hit at most": sum(fault.strength for fault in self.faults) == 1,
        }  # fmt: skip
        return out + [text for text, is_so in said.items() if is_so]


def draw_plan(name: str) -> Plan:
    """The drill of this name."""
    rng = random.Random(f"plan of drill {name}")
    promise = "flushed" if rng.random() < 0.3 else "completed"
    is_small = rng.random() < SMALL_SHARE
    run = _draw_run(rng, promise, is_small)
    latency = rng.choice((1, 2, 4, 8)) * MS
    operations = rng.choice((10, 20, 30) if is_small else (15, 30, 50, 80, 130))
    plan = Plan(
        name=name,
        run=run,
        old=rng.choice(("zero", "zero", "junk", "alien", "some of each")),
        capacity_blocks=rng.choice((1, 4, 16, 64, 1000)),
        mirrored=promise == "completed",
        honours_flush=True,
        latency_ns=(latency // 2, latency * 2),
        by_ring=rng.random() < 0.5,
        examines=rng.random() > 0.07,
        load_ns=operations * latency * 5 // 4 // run.lanes + 20 * MS,
    )
    _draw_takeovers(rng, plan)
    if rng.random() < 0.25:
        plan.error_share = rng.choice((0.003, 0.02, 0.06))
    if rng.random() < 0.05:
        plan.pause = (rng.randrange(plan.load_ns), rng.choice((300, 700, 1500)) * MS)
    if rng.random() < 0.05:
        plan.idle_marks = rng.choice((1, 2))
    sound = rng.random() < 0.15
    if not sound:
        _draw_faults(rng, plan)
    _draw_end(rng, plan)
    _draw_checks(rng, plan, sound)
    return plan


def _draw_run(rng: random.Random, promise: str, is_small: bool) -> Run:
    sector_bytes = 512 if rng.random() < 0.85 else 4096
    shapes = (512, 1024, 2048, 4096, 4096, 8192) if sector_bytes == 512 else (4096, 8192, 16384)
    streams: list[Stream] = []
    start, lane, slot = rng.choice((0, 0, 1, 7)) * 4096, 0, 0
    count = 1 if is_small else rng.choice((1, 1, 2, 2, 3))
    fill = rng.random() < 0.75
    same = rng.choice(shapes) if rng.random() < 0.4 else None
    for index in range(count):
        lanes = rng.choice((1, 1, 2, 3) if is_small else (1, 1, 2, 2, 3, 4))
        most = 16 if is_small else rng.choices((16, 24, 40, 80, 160), (4, 6, 4, 2, 1))[0]
        slots = rng.randint(max(lanes, 16 // count), most // count + 4)
        layout = StreamLayout(index, start, same or rng.choice(shapes), sector_bytes, slots, lanes, lane, slot)
        flush = rng.choice(tuple(Flush)) if promise == "completed" or rng.random() < 0.15 else (
            Flush.WRITE if rng.random() < 0.3 else Flush.EVERY
        )  # fmt: skip
        streams.append(
            Stream(
                layout,
                rng.choice(tuple(Pattern)),
                rng.choice((0.0, 0.1, 0.3, 0.6)),
                flush,
                rng.choice((1, 2, 5, 12)) if flush is Flush.EVERY else 0,
                rng.choice((20.0, 60.0)) if rng.random() < 0.05 else 0.0,
                fill,
            )
        )
        start = layout.end_bytes + rng.choice((0, 0, 1, 3)) * 4096
        lane, slot = lane + lanes, slot + slots
    stall_ns = rng.choice((150, 150, 250, 400)) * MS
    workers = 1 if lane == 1 else rng.choice((1, 1, 1, 2))
    atomic = sector_bytes * rng.choice((1, 2, 2, 4)) if rng.random() < 0.6 else 512
    return DrillRun(
        "drill", rng.getrandbits(64), rng.getrandbits(64), tuple(streams), promise, stall_ns,
        rng.choice((0, 100, 1000, 5000)) * MS, atomic,
        rng.choice((5, 20, 60)) if rng.random() < 0.12 else None,
        tuple(1 + index % workers for index in range(lane)),
    )  # fmt: skip


def _draw_takeovers(rng: random.Random, plan: Plan) -> None:
    stall_ns = plan.run.stall_ns
    after = 0
    for _ in range(rng.choices((0, 1, 2, 3), (8, 70, 16, 6))[0]):
        after = rng.randrange(after, max(plan.load_ns, after + 1))
        quick = rng.random() < 0.12
        stall = rng.randrange(stall_ns // 20, stall_ns * 3 // 4) if quick else round(stall_ns * rng.uniform(1.25, 2.5))
        mark = rng.choice(("", "operator", "watched")) if quick or rng.random() < 0.3 else ""
        if plan.run.promise == "flushed":
            mark = mark or "watched"  # a loss of power that nobody could notice may not keep a flush's promise
        plan.takeovers.append(PlannedTakeover(after, stall, mark))
        after += stall + rng.choice((5, 50, 400)) * MS
        plan.load_ns = max(plan.load_ns + stall, after if rng.random() < 0.8 else 0)


def _draw_faults(rng: random.Random, plan: Plan) -> None:
    if plan.run.promise == "flushed" and plan.takeovers and rng.random() < 0.5:
        plan.honours_flush = False
        plan.capacity_blocks = rng.choice((16, 64, 1000))
    elif plan.run.promise == "completed" and plan.takeovers and rng.random() < 0.15:
        plan.mirrored = False
        plan.capacity_blocks = rng.choice((4, 16))
    if rng.random() < 0.1:
        plan.faults.append(PlannedFault("torn in flight", 14))
    for _ in range(rng.choice((1, 1, 2, 3, 4))):
        strength, draw = rng.choice(STRENGTHS), rng.random()
        later = rng.choice((5, 30, 150)) * MS
        if draw < 0.6 and plan.takeovers:
            index = rng.randrange(len(plan.takeovers))
            kind = rng.choice((*AT_TAKEOVER, "late replay", "late replay", "stale cache", "dropped"))
            if kind == "late replay":  # what it replays must have been overtaken by then
                plan.load_ns += 60 * plan.latency_ns[1] // plan.run.lanes
            plan.faults.append(PlannedFault(kind, strength, takeover=index, later_ns=later))
        elif draw < 0.8:
            kind = rng.choice(ANY_TIME)
            plan.faults.append(PlannedFault(kind, strength, after_ns=rng.randrange(plan.load_ns), later_ns=later))
        else:
            plan.faults.append(PlannedFault(rng.choice((*AT_END, "unreadable")), strength))


def _draw_end(rng: random.Random, plan: Plan) -> None:
    """Killed writers and harmed ledgers."""
    parts = plan.run.ledger_parts
    torn = any(fault.kind == "torn in flight" for fault in plan.faults)
    if torn or rng.random() < 0.18:
        plan.killed_after_ns = rng.randrange(plan.load_ns)
        workers = frozenset(parts[1:])
        one = frozenset({rng.choice(parts[1:])})
        plan.killed_parts = rng.choice((frozenset(parts), frozenset(parts), workers, one, frozenset({0})))
        plan.killed_parts = frozenset(parts) if torn else plan.killed_parts
    for part in parts:
        if part in plan.killed_parts and rng.random() < 0.5:
            plan.harms.append(Harm(part, rng.choice(("cut", "cut", "zeroed")), rng.random() ** 3))
        elif rng.random() < 0.025:
            plan.harms.append(Harm(part, rng.choice(("cut", "zeroed", "flipped", "flipped", "missing")), rng.random()))


def _draw_checks(rng: random.Random, plan: Plan, sound: bool) -> None:
    for number in range(rng.choices((1, 2, 3), (82, 13, 5))[0]):
        twice = rng.random() < 0.25
        volume = ""
        if rng.random() < 0.16:
            volume = rng.choice(("page cache", "gone", "other", "same by blocks"))
        if volume == "gone" and sound:
            volume = "page cache"
        unstable = rng.choice(STRENGTHS) if twice and not sound and rng.random() < 0.6 else 0
        faults: tuple[PlannedFault, ...] = ()
        if number and not sound and rng.random() < 0.4:
            faults = (PlannedFault(rng.choice(AT_END), rng.choice(STRENGTHS)),)
        plan.checks.append(PlannedCheck(twice, volume, unstable, faults))
