"""The campaign's own pair: two controllers with write-back caches over one medium, without threads or waiting.

It carries contents (bytes, and whose each sector is), so what it served at any moment is known write by write. It
knows nothing of ledgers and judges. What goes wrong with it is done by `mishaps`.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field

from scripts.drill_campaign.contents import Content, Place

NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Accepted:
    """A write that a controller took: to which slot, which operation, its block, and what was held there before."""

    slot: int
    n: int
    content: Content
    before: Content


@dataclass
class Pair:
    """Both controllers, their mirror and the medium.

    Attributes:
        medium: what each slot holds there.
        caches: the dirty blocks of either controller, in the order they were dirtied.
        copies: the passive controller's copies of the active one's dirty blocks.
        mirrored: whether writes are copied; without it a takeover loses what is only cached (a loss of power).
        honours_flush: whether a flush and a write through reach the medium.
        stale: what the active controller's read cache serves instead of the truth.
        unreadable: slots that cannot be read.
        open_from_ns: until then nobody answers.
        unanswered: writes that a lost controller had received and not answered: slot to content.
        log: every write taken, in order.
    """

    places: Sequence[Place]
    medium: list[Content]
    rng: random.Random
    capacity_blocks: int
    mirrored: bool = True
    honours_flush: bool = True
    active: int = 0
    caches: tuple[dict[int, Content], dict[int, Content]] = field(default_factory=lambda: ({}, {}))
    copies: dict[int, Content] = field(default_factory=dict)
    stale: dict[int, Content] = field(default_factory=dict)
    unreadable: set[int] = field(default_factory=set)
    open_from_ns: int = 0
    unanswered: dict[int, Content] = field(default_factory=dict)
    log: list[Accepted] = field(default_factory=list)

    @property
    def dirty(self) -> dict[int, Content]:
        """The active controller's dirty blocks."""
        return self.caches[self.active]

    def held(self, slot: int) -> Content:
        """What the active controller holds for a slot, whatever its read cache says."""
        return self.dirty.get(slot) or self.medium[slot]

    def served(self, slot: int) -> Content | None:
        """What a read gets now; None if it fails."""
        if slot in self.unreadable:
            return None
        return self.stale.get(slot) or self.held(slot)

    def accept(self, slot: int, n: int, content: Content, through: bool) -> None:
        """Take a write."""
        self.log.append(Accepted(slot, n, content, self.held(slot)))
        self.stale.pop(slot, None)
        if through and self.honours_flush:
            self.put(slot, content)
            return
        dirty = self.dirty
        dirty[slot] = content
        if self.mirrored:
            self.copies[slot] = content
        if len(dirty) > self.capacity_blocks:
            some = self.rng.sample(sorted(dirty), max(len(dirty) // 4, 1))
            for victim in some:
                self.destage(victim)

    def destage(self, slot: int) -> None:
        """Move one block from the active controller's cache to the medium."""
        self.medium[slot] = self.dirty.pop(slot)
        self.copies.pop(slot, None)

    def flush(self) -> None:
        """Empty the active controller's cache onto the medium, or say so."""
        if self.honours_flush:
            for slot in list(self.dirty):
                self.destage(slot)

    def put(self, slot: int, content: Content) -> None:
        """Make the pair hold this for a slot, on the medium and nowhere else."""
        self.dirty.pop(slot, None)
        self.copies.pop(slot, None)
        self.medium[slot] = content

    def lose_power(self) -> int:
        """A random part of the cache reaches the medium in random order; returns how many blocks do not."""
        for slot in self.rng.sample(sorted(self.dirty), self.rng.randint(0, len(self.dirty))):
            self.destage(slot)
        return len(self.dirty)

    def take_over(self, now_ns: int, stall_ns: int) -> None:
        """The active controller is lost with its cache; the other serves from its copies once the stall is over."""
        self.caches[self.active].clear()
        self.active = 1 - self.active
        self.caches[self.active].clear()
        self.caches[self.active].update(self.copies)
        if not self.mirrored:
            self.copies.clear()
        self.stale.clear()
        self.open_from_ns = now_ns + stall_ns
