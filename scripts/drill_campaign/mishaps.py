"""What goes wrong with the pair: each kind of fault, at any strength down to one block."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from scripts.drill_campaign.contents import Content, Forge, Place
from scripts.drill_campaign.pair import Pair
from verify.load.run import Run

LOOKED_AHEAD = 200
"""So many operations beyond a lane's newest are looked through for one that a forger would choose."""


@dataclass
class Hand:
    """What a fault needs to be done.

    `issued` gives the newest operation that ever wrote a slot; `ends` are stale read caches to be dropped, and
    `replays` writes to be carried out late, each with its time.
    """

    run: Run
    pair: Pair
    places: list[Place]
    forge: Forge
    rng: random.Random
    issued: dict[int, int] = field(default_factory=dict)
    ends: list[tuple[int, list[int]]] = field(default_factory=list)
    replays: list[tuple[int, int, dict[int, Content]]] = field(default_factory=list)

    @property
    def unit_sectors(self) -> int:
        """Sectors that the device writes whole or not at all."""
        return max(self.run.atomic_bytes // self.run.streams[0].layout.sector_bytes, 1)

    def versions(self) -> dict[int, list[Content]]:
        """Of every slot ever written: what it held before, and every write taken, oldest first."""
        out: dict[int, list[Content]] = {}
        for accepted in self.pair.log:
            out.setdefault(accepted.slot, [accepted.before]).append(accepted.content)
        return out

    def some(self, slots: list[int], count: int) -> list[int]:
        """Up to so many of the slots."""
        return self.rng.sample(slots, min(count, len(slots)))


def _older(hand: Hand, versions: list[Content], held: Content) -> Content | None:
    """An older version than what is held, mostly one that a lane wrote."""
    older = [content for content in versions[:-1] if content is not held]
    if len(older) > 1 and hand.rng.random() < 0.85:
        older = older[1:]
    return hand.rng.choice(older[-3:]) if older else None


def dropped(hand: Hand, count: int) -> list[int]:
    """Blocks that were only cached are gone: the medium's older content comes to light."""
    pair = hand.pair
    hit = hand.some(sorted(pair.dirty), count)
    for slot in hit:
        del pair.dirty[slot]
        pair.copies.pop(slot, None)
    return hit


def rolled_back(hand: Hand, count: int) -> list[int]:
    """The last writes taken, so many of them, never were: the volume goes back to one moment."""
    last = hand.pair.log[-count:]
    for accepted in reversed(last):
        hand.pair.put(accepted.slot, accepted.before)
    return sorted({accepted.slot for accepted in last})


def reverted(hand: Hand, count: int) -> list[int]:
    """Blocks show an older version, each its own."""
    hit = []
    versions = hand.versions()
    for slot in hand.some(sorted(versions), count):
        older = _older(hand, versions[slot], hand.pair.held(slot))
        if older is not None:
            hand.pair.put(slot, older)
            hit.append(slot)
    return hit


def torn(hand: Hand, count: int) -> list[int]:
    """Some sectors of a block are of another write, mostly an older one of the slot."""
    hit = []
    versions = hand.versions()
    for slot in hand.some([s for s in sorted(versions) if hand.places[s].sectors > 1], count):
        place, held = hand.places[slot], hand.pair.held(slot)
        other = _older(hand, versions[slot], held)
        alike = [s for s in versions if hand.places[s].length == place.length and s != slot]
        if alike and hand.rng.random() < 0.15:
            other = versions[hand.rng.choice(alike)][-1]
        if other is not None:
            unit = hand.unit_sectors if place.sectors > hand.unit_sectors and hand.rng.random() < 0.5 else 1
            hand.pair.put(slot, hand.forge.mixed(held, other, hand.forge.units(place, unit)))
            hit.append(slot)
    return hit


def misdirected(hand: Hand, count: int) -> list[int]:
    """Blocks were written where others belong; at home the older content stays, or the write is there too."""
    pair, rng, hit = hand.pair, hand.rng, []
    versions = hand.versions()
    sector_bytes = hand.run.streams[0].layout.sector_bytes
    for home in hand.some(sorted(versions), count):
        block, target = versions[home][-1], rng.choice(hand.places)
        if target.slot == home:
            continue
        start = target.address + (rng.choice((-1, 1)) * sector_bytes if rng.random() < 0.08 else 0)
        end = start + len(block.data)
        older = _older(hand, versions[home], block)
        if older is not None and rng.random() < 0.7:
            pair.put(home, older)
        for place in hand.places:
            if place.address < end and start < place.address + place.length:
                below = pair.held(place.slot)
                pair.put(place.slot, hand.forge.laid_over(block, start, place.address, below))
                hit.append(place.slot)
    return hit


def blanked(hand: Hand, count: int) -> list[int]:
    """A run of neighbouring blocks reads as zeros, or as one repeated value."""
    first = hand.rng.randrange(len(hand.places))
    value = hand.rng.choice((0, 0, 2**64 - 1, hand.rng.getrandbits(64)))
    hit = list(range(first, min(first + count, len(hand.places))))
    for slot in hit:
        hand.pair.put(slot, hand.forge.even(hand.places[slot], value))
    return hit


def alien(hand: Hand, count: int) -> list[int]:
    """Blocks of another run lie there, whole or sectors of several."""
    hit = hand.some(list(range(len(hand.places))), count)
    for slot in hit:
        place = hand.places[slot]
        content = hand.forge.alien(place)
        if place.sectors > 1 and hand.rng.random() < 0.2:
            content = hand.forge.mixed(content, hand.forge.alien(place), hand.forge.units(place, 1))
        hand.pair.put(slot, content)
    return hit


def forged(hand: Hand, count: int) -> list[int]:
    """Whole blocks of writes that no lane issued: later ones, or ones that belong to no write of the slot."""
    hit = hand.some(list(range(len(hand.places))), count)
    for slot in hit:
        newest, how = hand.issued.get(slot, 0), hand.rng.randrange(3)
        n = newest + hand.rng.randint(1, 200) if how else hand.rng.randint(0, newest + 1)
        if how == 2:
            n = _next_write(hand, hand.places[slot], newest + 1)
        hand.pair.put(slot, hand.forge.claimed(hand.places[slot], n))
    return hit


def _next_write(hand: Hand, place: Place, first: int) -> int:
    """The operation with which the lane would have come to the slot again; some later one if that is far away."""
    layout = hand.run.streams[place.stream].layout
    own = (place.address - layout.start_bytes) // layout.block_bytes
    operations = hand.run.schedule(place.lane).operations(first, LOOKED_AHEAD)
    found = np.flatnonzero(operations.writes & (operations.slots == own))
    return first + int(found[hand.rng.randrange(len(found))]) if len(found) else first + LOOKED_AHEAD


def damaged(hand: Hand, count: int) -> list[int]:
    """Bits are flipped, sectors or whole blocks are random bytes."""
    hit = hand.some(list(range(len(hand.places))), count)
    for slot in hit:
        place, held, how = hand.places[slot], hand.pair.held(slot), hand.rng.randrange(5)
        content = hand.forge.flipped(held, (1, 1, 7, 0, 0)[how]) if how < 3 else hand.forge.junk(place)
        if how == 3 and place.sectors > 1:
            content = hand.forge.mixed(held, content, hand.forge.units(place, 1))
        hand.pair.put(slot, content)
    return hit


def stale_cache(hand: Hand, count: int) -> list[int]:
    """The read cache serves older versions; what is held is right."""
    hit = []
    versions = hand.versions()
    for slot in hand.some(sorted(versions), count):
        older = _older(hand, versions[slot], hand.pair.held(slot))
        if older is not None:
            hand.pair.stale[slot] = older
            hit.append(slot)
    return hit


def unreadable(hand: Hand, count: int) -> list[int]:
    """Blocks cannot be read."""
    hit = hand.some(list(range(len(hand.places))), count)
    hand.pair.unreadable.update(hit)
    return hit


def replayed(hand: Hand, contents: Mapping[int, Content], count: int) -> list[int]:
    """The lost controller finishes writes that it never answered, over newer ones."""
    newer = [slot for slot, content in contents.items() if hand.issued.get(slot, -1) > content.sectors[0][2]]
    hit = hand.some(sorted(newer), count)
    for slot in hit:
        hand.pair.put(slot, contents[slot])
    return hit


KINDS: dict[str, Callable[[Hand, int], list[int]]] = {
    "dropped": dropped, "rolled back": rolled_back, "reverted": reverted, "torn": torn, "misdirected": misdirected,
    "blanked": blanked, "alien": alien, "forged": forged, "damaged": damaged, "stale cache": stale_cache,
    "unreadable": unreadable,
}  # fmt: skip
"""Those that are done at once; a late replay, a tear in flight, an ignored flush and unstable reads are not."""
