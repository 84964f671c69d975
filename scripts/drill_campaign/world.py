"""One drill as it really went: the load, the faults at their moments, and what every check will be served."""

from __future__ import annotations

import errno
import random
from collections import Counter
from dataclasses import dataclass, field

from scripts.drill_campaign.contents import Content, Forge, Place, places_of
from scripts.drill_campaign.drive import Drive
from scripts.drill_campaign.ledger import PartLeft, left_of
from scripts.drill_campaign.mishaps import KINDS, Hand, replayed
from scripts.drill_campaign.pair import Pair
from scripts.drill_campaign.plan import Plan, PlannedCheck, PlannedFault
from verify.load.action import Action

Look = tuple[Content | None, Content | None]
"""What a check is served of a slot at its first read and at a second one; None where the read fails."""


@dataclass
class Served:
    """What one check meets: every slot, twice; `looks` is None if there is no volume to be opened."""

    planned: PlannedCheck
    looks: list[Look] | None


@dataclass
class World:
    """A drill after its load.

    `planted` counts the blocks that each kind of fault hit; `left` is what became of the ledger; `served` what each
    check meets; `heads_recorded` whether the run's end could be written down beside the ledger.
    """

    plan: Plan
    places: list[Place]
    drive: Drive
    left: list[PartLeft]
    served: list[Served]
    planted: Counter[str]
    heads_recorded: bool


@dataclass
class _Making:
    """A drill while it goes on."""

    plan: Plan
    places: list[Place]
    pair: Pair
    hand: Hand
    planted: Counter[str] = field(default_factory=Counter)
    due: list[PlannedFault] = field(default_factory=list)
    drive: Drive | None = None

    def strike(self, fault: PlannedFault, now: int) -> None:
        """Do one fault."""
        hand, pair = self.hand, self.pair
        hand.issued = {accepted.slot: accepted.n for accepted in pair.log}
        if fault.kind == "late replay":
            hand.replays.append((now + fault.later_ns, fault.strength, dict(pair.unanswered)))
            return
        if fault.kind == "torn in flight":
            self.planted[fault.kind] += self._tear_in_flight(fault.strength)
            return
        hit = KINDS[fault.kind](hand, fault.strength)
        self.planted[fault.kind] += len(hit)
        if fault.kind == "stale cache" and fault.later_ns:
            hand.ends.append((now + fault.later_ns, hit))

    def struck(self, takeover: int, now: int) -> None:
        """At a takeover, or at any other moment (-1): do what is due."""
        for fault in list(self.due):
            began = self.drive.load_began if self.drive else -1
            timed = fault.after_ns is not None and 0 <= began <= now - fault.after_ns
            if timed or (fault.takeover is not None and fault.takeover == takeover):
                self.due.remove(fault)
                self.strike(fault, now)
        if takeover < 0:
            self.go_on(now)

    def go_on(self, now: int | None) -> None:
        """Drop stale read caches whose time is over, and carry out late what was overtaken; at the end (None) all."""
        hand, pair = self.hand, self.pair
        hand.issued = {accepted.slot: accepted.n for accepted in pair.log}
        for end in [e for e in hand.ends if now is not None and e[0] <= now]:
            hand.ends.remove(end)
            for slot in end[1]:
                pair.stale.pop(slot, None)
        for replay in [r for r in hand.replays if now is None or r[0] <= now]:
            hit = replayed(hand, replay[2], replay[1])
            self.planted["late replay"] += len(hit)
            if hit or now is None:
                hand.replays.remove(replay)

    def _tear_in_flight(self, count: int) -> int:
        """Of writes that the lanes still wait for, sectors finer than the device's unit arrive."""
        assert self.drive is not None
        hit = 0
        for driven in self.drive.lanes:
            out = driven.out
            if hit == count or out is None or out.content is None or out.action is not Action.WRITE:
                continue
            place = self.places[out.slot]
            if place.sectors > 1 and self.hand.unit_sectors > 1:
                units = self.hand.forge.units(place, 1)
                self.pair.put(out.slot, self.hand.forge.mixed(self.pair.held(out.slot), out.content, units))
                hit += 1
        return hit


def make_world(plan: Plan) -> World:
    """Drive the drill from its beginning to the last check."""
    rng = random.Random(f"what befalls drill {plan.name}")
    places = places_of(plan.run)
    forge = Forge(plan.run, places, rng)
    pair = Pair(places, [_original(plan, forge, place, rng) for place in places], rng, plan.capacity_blocks,
                plan.mirrored, plan.honours_flush)  # fmt: skip
    making = _Making(plan, places, pair, Hand(plan.run, pair, places, forge, rng))
    making.due = list(plan.faults)
    drive = making.drive = Drive(plan, pair, places, making.struck)
    drive.run()
    making.go_on(None)
    _land(making, share=0.6)
    for fault in [f for f in making.due if f.takeover is None and f.after_ns is None]:
        making.strike(fault, drive.now)
    served = []
    for planned in plan.checks:
        for fault in planned.faults:
            making.strike(fault, drive.now)
        served.append(Served(planned, _serve(making, planned)))
        _land(making, share=0.3)
    if drive.cache_lost:
        making.planted[_lost_how(plan)] += drive.cache_lost
    harms = {harm.part: (harm.how, harm.share) for harm in plan.harms}
    left = list(left_of(drive.parts, harms))
    return World(plan, places, drive, left, served, making.planted, drive.parts[0].closed)


def _lost_how(plan: Plan) -> str:
    """What it is called that a loss of power took what was cached."""
    if plan.run.promise == "completed":
        return "cache not mirrored"
    return "allowed: lost unflushed" if plan.honours_flush else "flush ignored"


def _original(plan: Plan, forge: Forge, place: Place, rng: random.Random) -> Content:
    old = plan.old if plan.old != "some of each" else rng.choice(("zero", "junk", "alien"))
    if old == "zero":
        return forge.even(place, 0)
    return forge.junk(place) if old == "junk" else forge.alien(place)


def _land(making: _Making, share: float) -> None:
    """Writes that lanes still waited for at the end reach the pair or not, whole or torn at the device's unit."""
    assert making.drive is not None
    rng, pair, hand = making.hand.rng, making.pair, making.hand
    for driven in making.drive.lanes:
        out = driven.out
        if out is None or out.content is None or out.action is not Action.WRITE or out.landed:
            continue
        if rng.random() > share:
            continue
        place, unit = making.places[out.slot], hand.unit_sectors
        if place.sectors > unit and rng.random() < 0.5:
            mixed = hand.forge.mixed(pair.held(out.slot), out.content, hand.forge.units(place, unit))
            pair.put(out.slot, mixed)
        else:
            pair.accept(out.slot, out.n, out.content, True)
            pair.put(out.slot, out.content)
            out.landed = True


def _serve(making: _Making, planned: PlannedCheck) -> list[Look] | None:
    """What the check is served: a second read gives the same, but for blocks that are unstable or only now written."""
    pair, rng, forge = making.pair, making.hand.rng, making.hand.forge
    if planned.volume == "gone":
        making.planted["volume gone"] += len(making.places)
        return None
    if planned.volume == "other":
        blank = [forge.even(place, 0) for place in making.places]
        return [(content, content) for content in blank]
    first = [pair.served(place.slot) for place in making.places]
    if planned.twice:
        _land(making, share=0.3)
    second = [pair.served(place.slot) for place in making.places]
    if planned.unstable:
        versions = making.hand.versions()
        for slot in making.hand.some(list(range(len(making.places))), planned.unstable):
            place, held = making.places[slot], first[slot]
            if held is None:
                continue
            older = [c for c in versions.get(slot, []) if c.data != held.data]
            content = rng.choice(older) if older and rng.random() < 0.6 else forge.junk(place)
            second[slot] = content
            making.planted["unstable"] += 1
    return list(zip(first, second, strict=True))


class ServedVolume:
    """What one check reads from: whole slots, each read counted, gaps between streams as zeros.

    Args:
        places: the slots.
        looks: what each gives to its first and second read.
        size_bytes, sector_bytes: of the volume.
    """

    def __init__(self, places: list[Place], looks: list[Look], size_bytes: int, sector_bytes: int) -> None:
        self.size_bytes = size_bytes
        self.sector_bytes = sector_bytes
        self._places = places
        self._looks = looks
        self._reads = [0] * len(places)
        self._at = {place.address: place.slot for place in places}

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        """Serve whole slots; raises OSError where one of them cannot be read."""
        slot, length, at = self._at[offset_bytes], len(buffer), 0
        pieces = []
        first = slot
        while at < length:
            content = self._looks[slot][min(self._reads[slot], 1)]
            if content is None:
                raise OSError(errno.EIO, "this block cannot be read")
            pieces.append(content.data)
            at += self._places[slot].length
            slot += 1
        for done in range(first, slot):
            self._reads[done] += 1
        buffer[:] = b"".join(pieces)
        return length

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        """A check writes nothing; raises OSError."""
        raise OSError(errno.EROFS, f"a check wrote {len(buffer)} bytes at byte {offset_bytes} ({through=})")

    def flush(self) -> None:
        """Nothing to do."""

    def reopen(self) -> bool:
        """It never goes away."""
        return True

    def close(self) -> None:
        """Nothing to release."""
