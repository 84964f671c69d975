"""A second judge, slow and plain: dictionaries, loops and brute force over a story, sharing nothing with the first.

It follows the rules alone: floor and ceiling, the table of findings, takeovers, coverage by flushes, and the order of a
loss. Times are whole units, and every question about time is answered by trying every unit.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.judge.stories import MERGE, SECTOR_BYTES, STALL, Content, Op, Story, lane_of
from verify.judge.decision import Finding
from verify.load.schedule import Flush

MARK_BEFORE = 100
PAUSE = 5
ERRORS_APART = 10
MARK_UNDER_WAY = 10
WRITES = ("write", "through")
CONVICTING = set(Finding) - {Finding.INTACT, Finding.UNTOUCHED, Finding.TEAR_IN_FLIGHT}


@dataclass
class Write:
    """One write to a slot; `acknowledged` None if never, `issued` None if only the volume proves it."""

    n: int
    issued: int | None
    acknowledged: int | None
    through: bool
    proven: bool = False


@dataclass
class SlowTakeover:
    """One takeover in units."""

    start: int
    end: int
    observed: bool
    looks_from: int = -1
    stall: int = 0
    never_ended: bool = False
    longest: int = 0
    marks: list[str] = field(default_factory=list)
    in_flight: int = 0
    errors: int = 0
    examined: int = 0
    left: int = 0
    unexamined: int = 0


@dataclass
class Judged:
    """What became of one observation."""

    finding: Finding
    floor: int
    lost: list[int]
    late_replay: bool


class SlowJudge:
    """Judges a story; `looks` is what the check in question saw, `earlier` what the checks before it saw."""

    def __init__(
        self,
        story: Story,
        looks: list[tuple[Content, Content]],
        earlier: list[list[tuple[Content, Content]]],
    ) -> None:
        self.story = story
        self.looks = looks
        self.flushed = story.run.promise == "flushed"
        self.does: Callable[[int, int], tuple[bool, int]] = story.does
        self.open = [log.closing is None for log in story.lanes]
        self.tail = [
            story.base + sum(op.what in (*WRITES, "read") for op in log.ops) for log in story.lanes
        ]
        self.writes: dict[int, list[Write]] = {slot: [] for slot in range(story.run.slots)}
        for lane, log in enumerate(story.lanes):
            for op in log.ops:
                if op.what in WRITES:
                    write = Write(op.n, op.issued, op.done, op.what == "through")
                    self.writes[self.does(lane, op.n)[1]].append(write)
        self.in_flight: dict[int, int] = {}
        for lane, log in enumerate(story.lanes):
            if log.closing and log.closing.what == "in flight":
                writes, slot = self.does(lane, log.closing.n)
                if writes:
                    self.in_flight[slot] = log.closing.n
                    self.writes[slot].append(Write(log.closing.n, log.closing.issued, None, False))
        self.takeovers = self._find_takeovers()
        self.outages = self._find_outages()
        self.flushes = [(op.issued, op.done) for log in story.lanes for op in log.ops if op.what == "flush"]
        for takeover, before in zip(self.takeovers, [None, *self.takeovers], strict=False):
            if before is not None:  # no look is at what an earlier takeover left before one at what a later one did
                takeover.looks_from = max(takeover.looks_from, before.looks_from)
            self._count_around(takeover)
        self.seen_before: dict[int, int] = {}
        for seen in earlier:
            for slot, content in self._served(seen):
                n = whole_here(slot, content)
                if n is not None and self._beyond_acknowledged(slot, n):
                    self.seen_before[slot] = max(n, self.seen_before.get(slot, -1))
        self._prove(looks)

    # Proof

    def _served(self, looks: list[tuple[Content, Content]]) -> list[tuple[int, Content]]:
        """What a check got of each slot, at its second read too if there was one."""
        reads = 2 if self.story.twice else 1
        return [(slot, content) for slot, pair in enumerate(looks) for content in pair[:reads]]

    def _beyond_acknowledged(self, slot: int, n: int) -> bool:
        return self.in_flight.get(slot) == n or self._may_be_beyond(slot, n)

    def _may_be_beyond(self, slot: int, n: int) -> bool:
        """Whether operation n may be a write to the slot that an open ledger never heard of."""
        lane = lane_of(self.story.run, slot)
        if not self.open[lane] or not self.tail[lane] <= n < self.tail[lane] + 2**33:
            return False
        return self.does(lane, n) == (True, slot)

    def _prove(self, looks: list[tuple[Content, Content]]) -> None:
        found: dict[int, int] = {}
        seen = list(self.seen_before.items())
        for _, content in self._served(looks):
            seen += [(s[1], s[2]) for s in content or () if s[0] == "write"]
        for slot, n in seen:
            if self._may_be_beyond(slot, n):
                lane = lane_of(self.story.run, slot)
                found[lane] = max(n, found.get(lane, -1))
        for lane, highest in found.items():
            through = self.story.run.stream_of_lane(lane).flush is Flush.WRITE
            for n in range(self.tail[lane], highest + 1):
                writes, slot = self.does(lane, n)
                if writes:
                    # The last one may never have been acknowledged; that of the others is proved, not its time.
                    done = -1 if n < highest else None
                    self.writes[slot].append(Write(n, None, done, through and n < highest, True))

    # Time

    def _lane_ops(self, lane: int) -> list[Op]:
        log = self.story.lanes[lane]
        ops = [op for op in log.ops if op.what != "error"]
        return ops + ([log.closing] if log.closing and log.closing.what != "end" else [])

    def _find_takeovers(self) -> list[SlowTakeover]:
        story = self.story
        ends = [
            None if not is_open else max((op.done for op in log.ops), default=-1)
            for is_open, log in zip(self.open, story.lanes, strict=True)
        ]
        paused = set()
        last = max([0, story.close, *(beat for beats in story.beats.values() for beat in beats)])
        for part, beats in story.beats.items():
            closed = [] if part in story.open_parts else [story.close]
            closed = [last] if part == 0 and part in story.open_parts else closed
            for a, b in itertools.pairwise([0, *beats, *closed]):
                if b - a > min(PAUSE, STALL):
                    paused |= set(range(a, b))
        ops = [self._lane_ops(lane) for lane in range(story.run.lanes)]
        pieces: list[tuple[int, int]] = []
        horizon = story.stop if story.stop is not None else last
        state: tuple[int | None, ...] = ()
        stretch, began = -1, -1  # the last unit of the stretch that is on, and where that began
        for k in range(last + 1):
            at_work = [lane for lane in range(story.run.lanes) if ends[lane] is None or k < (ends[lane] or 0)]
            now = tuple(
                next((i for i, op in enumerate(ops[lane]) if op.issued <= k < op.done), None) for lane in at_work
            )
            began = began if now == state else k
            if now and None not in now and k not in paused and began < horizon:
                if now == state and stretch == k - 1 and pieces:
                    pieces[-1] = (pieces[-1][0], k + 1)
                else:
                    pieces.append((k, k + 1))
                stretch = k
            state = now
        out: list[SlowTakeover] = []
        for start, end in pieces:
            if end - start <= STALL:
                continue
            stops = [op for lane in range(story.run.lanes) for op in self._lane_ops(lane) if op.done == end]
            spanning = [op for op in stops if op.issued <= start]
            never = bool(spanning) and all(op.what in ("in flight", "preflight") for op in spanning)
            if out and start - out[-1].end <= MERGE:
                out[-1].end, out[-1].never_ended = end, never
                out[-1].stall += end - start
            else:
                out.append(SlowTakeover(start, end, True, start, end - start, never))
        for watched in (True, False):
            owners, latest = list(out), None
            for mark in story.marks:
                if not mark.takeover or mark.watched != watched:
                    continue
                near = [
                    (max(t.start - mark.pressed, mark.pressed - t.end, 0), not t.observed, t.start, t)
                    for t in owners
                    if mark.pressed <= t.end + MERGE
                    and (t.start - MERGE <= mark.accepted if watched else t.start - MARK_BEFORE <= mark.pressed)
                ]
                if near:
                    min(near, key=lambda entry: entry[:3])[3].marks.append(mark.text)
                elif watched and latest is not None and mark.accepted <= latest.end + MERGE:
                    latest.end = mark.accepted
                    latest.marks.append(mark.text)
                else:
                    latest = SlowTakeover(mark.accepted, mark.accepted, False, mark.pressed, marks=[mark.text])
                    out.append(latest)
        return sorted(out, key=lambda takeover: takeover.start)

    def _find_outages(self) -> list[tuple[int, int]]:
        spans = [(t.start, t.end) for t in self.takeovers]
        spans += [(mark.pressed, mark.accepted) for mark in self.story.marks if mark.takeover]
        errors = []
        for lane, log in enumerate(self.story.lanes):
            spans += [(op.issued, op.done) for op in self._lane_ops(lane) if op.done - op.issued > STALL]
            errors += [(op.issued, op.done) for op in log.ops if op.what == "error"]
        spans += errors
        for (_, a), (b, _) in itertools.product(errors, errors):
            if a < b <= a + ERRORS_APART:
                spans.append((a, b))
        for lane, log in enumerate(self.story.lanes):
            if self.open[lane]:
                end = self.story.lost.get(self.story.run.lane_workers[lane], 2**62)
                begin = max((op.done for op in log.ops if op.what != "error"), default=0)
                spans.append((begin, max(begin, end)))
        if self.story.stop is None:
            spans.append((max(self.story.beats[0], default=0) - MARK_UNDER_WAY, 2**62))
        return spans

    def covered_at(self, write: Write) -> int | None:
        """When a write became covered, None if never."""
        if not self.flushed or write.through:
            return write.acknowledged
        if write.acknowledged is None or write.proven:
            return None
        moments = [
            done
            for issued, done in self.flushes
            if issued > write.acknowledged
            and not any(begin < done and end > write.acknowledged for begin, end in self.outages)
        ]
        return min(moments, default=None)

    def _count_around(self, takeover: SlowTakeover) -> None:
        start, end = takeover.start, takeover.end
        for lane, log in enumerate(self.story.lanes):
            takeover.errors += sum(
                op.what == "error" and op.done >= start and op.issued <= end for op in log.ops
            )
            for op in self._lane_ops(lane):
                if op.issued <= end and op.done >= start:
                    takeover.longest = max(takeover.longest, op.done - op.issued)
        busy = {
            lane_of(self.story.run, slot)
            for slot, writes in self.writes.items()
            for w in writes
            if w.issued is not None and w.issued <= start
            and (w.acknowledged is None or w.acknowledged > takeover.looks_from)
        }  # fmt: skip
        takeover.in_flight = len(busy)
        for slot, writes in self.writes.items():
            if not any(w.issued <= start for w in writes if w.issued is not None and w.acknowledged is not None):
                continue
            touch = self.first_touch(slot, takeover.looks_from, start)
            takeover.left += touch is None
            takeover.unexamined += touch is not None and touch.what in WRITES
            takeover.examined += touch is not None and touch.what not in WRITES

    def first_touch(self, slot: int, looks_from: int, writes_from: int) -> Op | None:
        """The first look at a written slot after one moment, or write to it after another, whichever comes first."""
        lane = lane_of(self.story.run, slot)
        written = False
        for op in self.story.lanes[lane].ops:
            if op.what not in (*WRITES, "read", "exam") or self.does(lane, op.n)[1] != slot:
                continue
            writes = op.what in WRITES
            if op.issued > writes_from or (not writes and written and op.issued > looks_from):
                return op
            written = written or writes
        return None

    # Findings

    def judge_load(self, lane: int, op: Op) -> Judged:
        """Judge what a read or an examination of a lane saw."""
        slot = self.does(lane, op.n)[1]
        known = [w for w in self.writes[slot] if w.n < op.n and w.acknowledged is not None and not w.proven]
        return self._judge(slot, op.saw, known, known, None, False, op.what == "read", op.issued)

    def judge_check(self, slot: int) -> Judged:
        """Judge what the check saw of a slot."""
        first, second = self.looks[slot]
        known = [w for w in self.writes[slot] if w.acknowledged is not None]
        unstable = False
        if self.story.twice and first != second and first is not None:
            newest = max([s[2] for s in second or () if s[:2] == ("write", slot)], default=-1)
            lane = lane_of(self.story.run, slot)
            explained = slot in self.in_flight or (self.open[lane] and newest >= self.tail[lane])
            unstable = not explained
        seen = second if self.story.twice else first
        issued = self.writes[slot]
        return self._judge(slot, seen, known, issued, self.seen_before.get(slot), unstable, False, None)

    def _judge(
        self, slot: int, seen: Content, known: list[Write], issued: list[Write], seen_before: int | None,
        unstable: bool, by_read: bool, moment: int | None,
    ) -> Judged:  # fmt: skip
        covered = []
        for write in known:
            at = self.covered_at(write)
            if at is not None and (moment is None or at <= moment):
                covered.append(write.n)
        acknowledged_floor = max(covered, default=-1)
        floor = acknowledged_floor
        if not self.flushed and seen_before is not None:
            floor = max(floor, seen_before)
        may_be = {w.n for w in issued}
        beyond = moment is None

        def possible(n: int) -> bool:
            return n in may_be or (beyond and self._may_be_beyond(slot, n))

        finding = self._finding(slot, seen, floor, possible, unstable, by_read)
        lost: list[int] = []
        survivor = whole_here(slot, seen)
        if finding in CONVICTING - {Finding.UNSTABLE} and not by_read and acknowledged_floor >= 0:
            lost = [acknowledged_floor]
            if finding is Finding.LOST and survivor is not None:
                lost = [n for n in covered if n > survivor]
        late = finding in (Finding.LOST, Finding.STALE_READ) and any(
            w.n == survivor and w.issued is not None and w.issued <= t.start
            and (w.acknowledged is None or w.acknowledged > t.start)
            for w in self.writes[slot] for t in self.takeovers
        )  # fmt: skip
        return Judged(finding, floor, lost, late)

    def _finding(
        self, slot: int, seen: Content, floor: int, possible: Callable[[int], bool], unstable: bool, by_read: bool
    ) -> Finding:
        if seen is None:
            return Finding.UNREADABLE
        if unstable:
            return Finding.UNSTABLE
        own = [s for s in seen if s[0] == "write"]
        one = len(set(seen)) == 1
        if one and own:
            if own[0][1] != slot:
                return Finding.MISPLACED
            if not possible(own[0][2]):
                return Finding.UNISSUED
            if own[0][2] >= floor:
                return Finding.INTACT
            return Finding.STALE_READ if by_read else Finding.LOST
        if not own and floor < 0:
            return Finding.UNTOUCHED
        if not own:
            return {"zero": Finding.BLANK, "alien": Finding.FOREIGN}.get(seen[0][0] if one else "", Finding.DAMAGED)
        if floor >= 0 and len(own) < len(seen):
            return Finding.DAMAGED
        allowed = all(s[1] == slot and s[2] >= floor and possible(s[2]) for s in own)
        return Finding.TEAR_IN_FLIGHT if allowed and self._coarse(seen) else Finding.TORN

    def _coarse(self, seen: tuple[tuple[object, ...], ...]) -> bool:
        """Whether every unit that the device writes whole comes from one write, or is old content throughout."""
        unit = self.story.run.atomic_bytes // SECTOR_BYTES
        if unit > len(seen):
            return False
        sources = [s if s[0] == "write" else "old" for s in seen]
        return all(len(set(sources[i : i + unit])) == 1 for i in range(0, len(seen), unit))


def whole_here(slot: int, seen: Content) -> int | None:
    """The sequence number of the one write of the slot that it holds, None if it holds something else."""
    if seen is None or len(set(seen)) > 1 or seen[0][:2] != ("write", slot):
        return None
    return int(seen[0][2])


