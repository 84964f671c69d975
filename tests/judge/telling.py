"""Telling random stories: lanes that write, read, examine, flush, stall and fail, and checks that see anything."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from hypothesis import strategies as st

from tests.judge.stories import Content, LaneLog, Mark, Op, Sector, Story, doer, lane_of, layout_of, make_run
from verify.load.run import PROMISES, Run
from verify.load.schedule import Flush, Pattern

START = 5
"""Lanes begin about here, so that marks and beats can come before them."""


@dataclass
class _Pen:
    """What is needed while one lane's log is written."""

    run: Run
    rng: random.Random
    stalls: list[tuple[int, int]]
    log: LaneLog = field(default_factory=LaneLog)
    newest: dict[int, int] = field(default_factory=dict)
    pool: dict[int, list[int]] = field(default_factory=dict)
    odd: dict[int, int] = field(default_factory=dict)
    now: int = START

    def wait(self) -> int:
        """When an operation issued now is done: mostly soon, seldom late, and never within a stall."""
        rng = self.rng
        done = self.now + (rng.randint(6, 25) if rng.random() < 0.04 else rng.choice((0, 1, 1, 2, 3)))
        for begin, end in self.stalls:
            if self.now < end and done > begin:
                done = max(done, end + rng.randint(0, 2))
        return done


@st.composite
def shapes(draw: st.DrawFn) -> Run:
    """A tiny run: one or two streams with one to three lanes and two to six slots each."""
    streams = []
    for _ in range(draw(st.integers(1, 2))):
        lanes = draw(st.integers(1, 3))
        streams.append((lanes, draw(st.integers(max(lanes, 2), 6)), draw(st.sampled_from((1, 2, 4)))))
    return make_run(
        streams,
        promise=draw(st.sampled_from(PROMISES)),
        pattern=draw(st.sampled_from(tuple(Pattern))),
        read_share=draw(st.sampled_from((0.0, 0.3))),
        flush=draw(st.sampled_from(tuple(Flush))),
        fill=draw(st.booleans()),
        atomic_bytes=draw(st.sampled_from((512, 1024))),
        workers=draw(st.integers(1, 2)),
        operations=draw(st.sampled_from((None, None, 25))),
    )


def tell(run: Run, seed: int, base: int = 0) -> Story:
    """The story that a seed gives for a run whose lanes begin with operation `base`."""
    rng = random.Random(seed)
    stop = START + rng.randint(5, rng.choice((30, 80, 160)))
    close = stop + rng.randint(0, 25)
    stalls = []
    for _ in range(rng.choice((0, 1, 1, 2, 3))):
        begin = rng.randint(START, stop)
        stalls.append((begin, begin + rng.randint(4, 35)))
    pens = [_Pen(run, rng, stalls) for _ in range(run.lanes)]
    logs, twice = [pen.log for pen in pens], rng.random() < 0.25
    story = Story(run, base, logs, {}, [], stop, close, set(), [], twice, doer(run))
    for lane, pen in enumerate(pens):
        _write_lane(story, lane, pen)
    _leave_open(story, rng)
    _add_beats_and_marks(story, rng)
    for _ in range(rng.choice((1, 1, 2, 3))):
        story.checks.append([_look(story, slot, pens, rng) for slot in range(run.slots)])
    return story


def _write_lane(story: Story, lane: int, pen: _Pen) -> None:
    run, rng, stop, close = story.run, pen.rng, story.stop or 0, story.close
    fill = run.schedule(lane).fill_count
    end = None if run.operations is None else max(fill - story.base, 0) + run.operations
    main = "through" if run.stream_of_lane(lane).flush is Flush.WRITE else "write"
    n = story.base
    pen.now += rng.randint(0, 3)
    while pen.now < stop and (end is None or n - story.base < end):
        writes, slot = story.does(lane, n)
        if rng.random() < 0.12 and not _do(pen, "flush", n, slot, close):
            return
        known = slot in pen.newest
        if writes and known and rng.random() < 0.4 and not _do(pen, "exam", n, slot, close):
            return
        if pen.now >= stop:
            break
        if writes:
            pen.pool.setdefault(slot, []).append(n)
        if not _do(pen, main if writes else "read", n, slot, close):
            return
        if writes:
            pen.newest[slot] = n
            pen.odd.pop(slot, None)
        n += 1
    pen.log.closing = Op("end", n, close, close)


def _do(pen: _Pen, what: str, n: int, slot: int, close: int) -> bool:
    """Write one operation with its failed attempts; False if it was still outstanding at the close."""
    rng, issued = pen.rng, pen.now
    while rng.random() < 0.04 and pen.now + 4 < close:
        failed = pen.now + rng.randint(0, 3)
        pen.log.ops.append(Op("error", n, pen.now, failed))
        pen.now = failed + 1
    done = pen.wait()
    if done > close:
        what = "in flight" if what in ("write", "through", "read") else "preflight"
        pen.log.closing = Op(what, n, issued, close)
        return False
    saw: Content = None
    if what in ("read", "exam") and slot in pen.newest and rng.random() < 0.3:
        saw = content(pen.run, slot, pen.pool, rng)
        if saw == _whole(pen.run, slot, pen.newest[slot]):
            saw = None
    told = True
    if saw is not None:
        number = saw[0][2] if len(set(saw)) == 1 and saw[0][:2] == ("write", slot) else -1
        told = what == "exam" or number < 0 or pen.odd.get(slot, -1) != number
        if told:
            pen.odd[slot] = number
    elif what in ("read", "exam"):
        pen.odd.pop(slot, None)
    pen.log.ops.append(Op(what, n, issued, done, saw, told))
    pen.now = done + rng.choice((0, 0, 1, 1, 2, 5))
    return True


def _leave_open(story: Story, rng: random.Random) -> None:
    """Cut the ledgers of some parts, or of all, as a kill does."""
    kind = rng.random()
    parts = {0, *story.run.lane_workers}
    if kind < 0.6:
        return
    story.open_parts = parts if kind < 0.85 else {rng.choice(sorted(parts - {0}))}
    killed = rng.randint(START, story.close)
    for lane, log in enumerate(story.lanes):
        if story.run.lane_workers[lane] not in story.open_parts:
            continue
        rest = [op for op in log.ops if op.done > killed]
        log.ops = [op for op in log.ops if op.done <= killed]
        log.beyond = rest + ([log.closing] if log.closing and log.closing.what == "in flight" else [])
        log.closing = None
    if 0 in story.open_parts:
        story.stop, story.close = None, killed
    elif rng.random() < 0.7:
        story.lost = {part: min(killed + rng.randint(0, 3), story.close) for part in story.open_parts}


def _add_beats_and_marks(story: Story, rng: random.Random) -> None:
    for part in {0, *story.run.lane_workers}:
        beats = list(range(0, story.close + 1, 3))
        if rng.random() < 0.15:
            begin = rng.randint(0, story.close)
            gone = range(begin, begin + rng.randint(3, 30))
            beats = [beat for beat in beats if beat not in gone]
        story.beats[part] = beats
    last = story.close if story.stop is None else story.stop
    for number in range(rng.choice((0, 0, 1, 2, 4))):
        accepted = rng.randint(1, last)
        pressed = max(accepted - rng.choice((0, 0, 1, 30)), 0)
        watched = rng.random() < 0.4
        story.marks.append(Mark(pressed, accepted, watched or rng.random() < 0.8, f"mark {number}", watched))
    story.marks.sort(key=lambda mark: mark.accepted)


def _look(story: Story, slot: int, pens: list[_Pen], rng: random.Random) -> tuple[Content, Content]:
    """What one check sees of a slot, at its first read and at a second one."""
    run = story.run
    pen = pens[lane_of(run, slot)]
    pool = dict(pen.pool)
    first = _one_look(run, slot, pen.newest, pool, rng)
    if first is None or not story.twice or rng.random() < 0.7:
        return first, first
    second = _one_look(run, slot, pen.newest, pool, rng)
    return first, first if second is None else second


def _one_look(
    run: Run, slot: int, newest: dict[int, int], pool: dict[int, list[int]], rng: random.Random
) -> Content:
    kind = rng.random()
    if kind < 0.45:
        return _whole(run, slot, newest[slot]) if slot in newest else _sectors(run, slot, ("old",))
    if kind < 0.6 and pool.get(slot):
        return _whole(run, slot, pool[slot][-1])
    if kind < 0.64:
        return None
    return content(run, slot, pool, rng)


def content(run: Run, slot: int, pool: dict[int, list[int]], rng: random.Random) -> Content:
    """Something strange or old for a slot to hold; `pool` gives the writes of every slot of its lane."""
    kind = rng.random()
    mine = pool.get(slot, [])
    if kind < 0.4 and mine:
        return _whole(run, slot, rng.choice(mine[-4:] if rng.random() < 0.7 else mine))
    if kind < 0.46:
        return _whole(run, slot, rng.randint(0, 60) if rng.random() < 0.7 else 2**40 + rng.randint(0, 9))
    if kind < 0.54:
        return _sectors(run, slot, _stranger(run, slot, rng, any_stream=True))
    if kind < 0.84:
        sources: list[Sector] = [("write", slot, n) for n in mine[-3:]]
        sources += [_stranger(run, slot, rng, any_stream=False)] if rng.random() < 0.15 else []
        while len(sources) < 2 or rng.random() < 0.15:
            sources.append(rng.choice((("old",), ("zero",), ("alien",), ("junk", rng.randint(0, 9)))))
        two = [sources[0], *rng.choices(sources, k=1)] if rng.random() < 0.6 else sources
        count = layout_of(run, slot).sectors
        if rng.random() < 0.5:
            cut = rng.randint(0, count)
            return (two[0],) * cut + (two[-1],) * (count - cut)
        return tuple(rng.choice(two) for _ in range(count))
    return _sectors(run, slot, rng.choice((("old",), ("zero",), ("alien",), ("junk", 0))))


def _stranger(run: Run, slot: int, rng: random.Random, any_stream: bool) -> Sector:
    """A write to another slot with blocks of the same size, or to this one where there is no other."""
    mine = layout_of(run, slot)
    others = [
        other
        for other in range(run.slots)
        if other != slot
        and layout_of(run, other).block_bytes == mine.block_bytes
        and (any_stream or layout_of(run, other) == mine)
    ]
    return ("write", rng.choice(others or [slot]), rng.randint(0, 20))


def _whole(run: Run, slot: int, n: int) -> Content:
    return _sectors(run, slot, ("write", slot, n))


def _sectors(run: Run, slot: int, sector: Sector) -> Content:
    return (sector,) * layout_of(run, slot).sectors
