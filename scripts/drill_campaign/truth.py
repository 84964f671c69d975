"""The truth of one check: what the surviving evidence decides about every slot, write by write."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

from scripts.drill_campaign.contents import Content, Source
from scripts.drill_campaign.truth_content import (
    ALLOWED,
    LOST,
    STALE,
    UNISSUED,
    UNREADABLE,
    UNSTABLE,
    finding_of,
    made_out,
    newest_own,
)
from scripts.drill_campaign.truth_ledger import LOOKS, WRITES, Known, Write, known_of, whole
from scripts.drill_campaign.truth_order import FirstLook, TrueOrder, order_of
from scripts.drill_campaign.truth_time import Coverage, TrueTakeover, first_touch, takeovers_of
from scripts.drill_campaign.world import Look, Served, World
from verify.load.schedule import Flush

CHECK = -1
Key = tuple[int, str, int]
"""Slot, who looked ("exam", "read" or "check"), and when the look was issued (`CHECK` for a check)."""


@dataclass(frozen=True)
class TrueLook:
    """What one look amounts to. `lost`: the covered writes that it shows to be lost."""

    finding: str
    floor: int
    lost: tuple[int, ...]
    late_replay: bool


@dataclass
class TrueCheck:
    """What the verdict of one check must say."""

    looks: dict[Key, TrueLook]
    lost: set[tuple[int, int]]
    verdict: str
    doubts: set[str]
    takeovers: list[TrueTakeover]
    orders: list[TrueOrder | None]


class Truth:
    """Judges the checks of a drill in turn; each may see what earlier ones saw."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._run = world.plan.run
        self._places = world.places
        self.known = known_of(world)
        self.takeovers = takeovers_of(self._run, self.known)
        self._coverage = Coverage(self._run, self.known, self.takeovers)
        self._flushed = self._run.promise == "flushed"
        self._unit = self._run.atomic_bytes / self._run.streams[0].layout.sector_bytes
        self._schedules = [self._run.schedule(lane) for lane in range(self._run.lanes)]
        self._does: dict[tuple[int, int], int] = {}
        self._seen_before: dict[int, int] = {}
        self._of_load = self._judge_load()

    def check(self, served: Served) -> TrueCheck:
        """The truth of the next check."""
        known = self._with_proof(served)
        has_other_name = served.planned.volume in ("other", "same by blocks")
        is_other = has_other_name and not self._is_of_the_run(served)
        looks = dict(self._of_load)
        if not is_other:
            looks |= {(p.slot, "check", CHECK): self._judge_slot(known, served, p.slot) for p in self._places}
        lost = {(key[0], n) for key, look in looks.items() for n in look.lost}
        doubts = self._doubts(served, looks, is_other)
        fails = any(look.finding not in ALLOWED for look in looks.values())
        verdict = "FAIL" if fails else "INCONCLUSIVE" if doubts else "PASS"
        orders = [
            order_of(
                known, lambda slot: self._places[slot].lane, takeover.looks_from,
                lambda slot, later, t=takeover: self._first_look(t, slot, later, looks, served),  # type: ignore[misc]
            )
            for takeover in self.takeovers
        ]  # fmt: skip
        if not is_other:
            self._remember(served)
        return TrueCheck(looks, lost, verdict, doubts, self.takeovers, orders)

    # Proof by the volume

    def _may_be_beyond(self, slot: int, n: int) -> bool:
        """Whether operation n may be a write to the slot of which an open ledger never heard."""
        lane = self._places[slot].lane
        known = self.known.lanes[lane]
        if known.closed or n < known.tail:
            return False
        if (lane, n) not in self._does:
            first = n // 64 * 64
            operations = self._schedules[lane].operations(first, 64)
            offset = self._run.stream_of_lane(lane).layout.first_slot
            does = zip(operations.writes.tolist(), operations.slots.tolist(), strict=True)
            self._does |= {(lane, first + i): own + offset if writes else -1 for i, (writes, own) in enumerate(does)}
        return self._does[lane, n] == slot

    def _with_proof(self, served: Served) -> Known:
        """What is known, with what operations found on the volume beyond an open ledger prove."""
        found: dict[int, int] = {}
        seen = list(self._seen_before.items())
        for pair in served.looks or []:
            seen += [(s[1], s[2]) for s in _sectors(pair, served.planned.twice) if s[0] == "write"]
        for slot, n in set(seen):
            if self._may_be_beyond(slot, n):
                lane = self._places[slot].lane
                found[lane] = max(n, found.get(lane, -1))
        if not found:
            return self.known
        known = copy(self.known)
        known.writes = {slot: list(writes) for slot, writes in self.known.writes.items()}
        for lane, highest in found.items():
            first, layout = known.lanes[lane].tail, self._run.stream_of_lane(lane).layout
            through = self._run.stream_of_lane(lane).flush is Flush.WRITE
            operations = self._schedules[lane].operations(first, highest + 1 - first)
            for index in range(highest + 1 - first):
                if operations.writes[index]:
                    n = first + index
                    slot = int(operations.slots[index]) + layout.first_slot
                    known.writes[slot].append(Write(n, None, None, through, proven=n < highest))
        return known

    def _remember(self, served: Served) -> None:
        """Keep what this check saw of writes above the acknowledged ones: a later check must find them again."""
        for place, looks in zip(self._places, served.looks or [], strict=False):
            for content in looks[: 1 + served.planned.twice]:
                n = whole(place.slot, content) if content else None
                if n is None:
                    continue
                if self.known.in_flight.get(place.slot) == n or self._may_be_beyond(place.slot, n):
                    self._seen_before[place.slot] = max(n, self._seen_before.get(place.slot, -1))

    # Findings

    def _judge_load(self) -> dict[Key, TrueLook]:
        out: dict[Key, TrueLook] = {}
        for index, lane in enumerate(self.known.lanes):
            newest: dict[int, int] = {}
            for op in (*lane.ops, *([lane.last_look] if lane.last_look else [])):
                if op.what in WRITES:
                    newest[op.slot] = op.n
                elif op.what in LOOKS and op.slot in newest and (index, op.n) not in self.known.untold:
                    assert op.saw is not None
                    if whole(op.slot, op.saw) != newest[op.slot]:
                        writes = [w for w in self.known.writes[op.slot] if w.n < op.n and w.done is not None]
                        out[op.slot, op.what, op.issued] = self._judge(op.slot, op.saw, writes, op.what, op.issued)
        return out

    def _judge_slot(self, known: Known, served: Served, slot: int) -> TrueLook:
        if served.looks is None:
            return self._judge(slot, None, known.writes[slot], "check", None)
        first, second = served.looks[slot]
        if not served.planned.twice:
            return self._judge(slot, first, known.writes[slot], "check", None)
        unstable = False
        if first is not None and second is not None and first.data != second.data:
            n, lane = newest_own(self._places[slot], second), self.known.lanes[self._places[slot].lane]
            unstable = not (slot in self.known.in_flight or (not lane.closed and n >= lane.tail))
        return self._judge(slot, second, known.writes[slot], "check", None, unstable)

    def _judge(
        self, slot: int, seen: Content | None, writes: list[Write], by: str, moment: int | None, unstable: bool = False
    ) -> TrueLook:
        place, covered = self._places[slot], []
        for write in writes:
            since = self._coverage.since(write)
            if since is not None and (moment is None or since <= moment):
                covered.append(write.n)
        owed = max(covered, default=-1)
        floor = owed
        if by == "check" and not self._flushed:
            floor = max(floor, self._seen_before.get(slot, -1))
        issued = {write.n for write in writes}

        def possible(n: int) -> bool:
            return n in issued or (by == "check" and self._may_be_beyond(slot, n))

        finding = finding_of(place, self._places, seen, floor, possible, by, unstable, self._unit)
        n = whole(slot, seen) if seen is not None else None
        lost: tuple[int, ...] = ()
        if finding not in (*ALLOWED, UNSTABLE) and by != "read" and owed >= 0:
            lost = tuple(w for w in covered if w > n) if finding == LOST and n is not None else (owed,)
        late = finding in (LOST, STALE) and any(
            w.n == n and w.issued is not None and w.issued <= t.start and (w.done is None or w.done > t.start)
            for w in writes for t in self.takeovers
        )  # fmt: skip
        return TrueLook(finding, floor, lost, late)

    # Verdict and order

    def _is_of_the_run(self, served: Served) -> bool:
        """Whether the volume holds a whole block of this run, or of an operation beyond an open ledger any sector."""
        for place, looks in zip(self._places, served.looks or [], strict=False):
            if any(s[0] == "write" and self._may_be_beyond(s[1], s[2]) for s in _sectors(looks, served.planned.twice)):
                return True
            sectors = _sectors(looks, False)
            if sectors and sectors[0][0] == "write" and self._places[sectors[0][1]].sectors == place.sectors:
                _, home, n, _ = sectors[0]
                if all(s == ("write", home, n, i) for i, s in enumerate(sectors)):
                    return True
        return False

    def _doubts(self, served: Served, looks: dict[Key, TrueLook], is_other: bool) -> set[str]:
        out = set()
        if not self.takeovers:
            out.add("no takeover")
        if any(not t.in_flight for t in self.takeovers):
            out.add("nothing in flight")
        if any(t.unexamined for t in self.takeovers):
            out.add("unexamined")
        if is_other:
            out.add("another volume")
            if all(look.finding != UNREADABLE for look in looks.values()):
                out.add("unread")
        if served.planned.volume == "page cache":
            out.add("page cache")
        if self.known.damaged:
            out.add("damaged ledger")
        if self._flushed and not any(
            self._coverage.since(w) is not None for some in self.known.writes.values() for w in some
        ):
            out.add("nothing covered")
        return out

    def _first_look(
        self, takeover: TrueTakeover, slot: int, unknown_later: bool, looks: dict[Key, TrueLook], served: Served
    ) -> FirstLook:
        lane = self._places[slot].lane
        touch = first_touch(self.known.lanes[lane].ops, slot, takeover.looks_from, takeover.looks_from)
        if touch is not None and touch.what in WRITES:
            return FirstLook(overwritten=True)
        if touch is not None:
            look = looks.get((slot, touch.what, touch.issued))
            if (lane, touch.n) in self.known.untold and touch.what == "read":
                return FirstLook()
            return self._as_first(slot, touch.saw, look, touch.what)
        look = looks.get((slot, "check", CHECK))
        if unknown_later or look is None:
            return FirstLook(overwritten=True)
        pair = served.looks[slot] if served.looks is not None else (None, None)
        return self._as_first(slot, pair[1] if served.planned.twice else pair[0], look, "check")

    def _as_first(self, slot: int, seen: Content | None, look: TrueLook | None, by: str) -> FirstLook:
        convicts = look is not None and look.finding not in ALLOWED
        if seen is None or (look is not None and look.finding in (UNISSUED, UNSTABLE)):
            return FirstLook(None, convicts)
        place = self._places[slot]
        if any(made_out(place, self._places, source, by)[0] != "write" for source in seen.sectors):
            return FirstLook(None, convicts)
        newest = newest_own(place, seen)
        return FirstLook(newest if newest >= 0 else None, convicts)


def _sectors(looks: Look, twice: bool) -> tuple[Source, ...]:
    """The sectors that a check was served of one slot, at its second read too if there was one."""
    return tuple(source for content in looks[: 1 + twice] if content is not None for source in content.sectors)
