"""What the pair consists of at any moment: two controllers, their link, and the medium."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from verify.errors import UsageError
from verify.rehearsal.backing import SECTOR_BYTES, Backing
from verify.rehearsal.controller import CachedWrite, Controller, DestageOrder, Disk, MirrorLink
from verify.rehearsal.truth import Kind, Truth


@dataclass(frozen=True, slots=True)
class PairSettings:
    """How the pair is built.

    Attributes:
        cache_blocks: dirty blocks that each controller's cache holds before it destages.
        destage_order: "oldest", "address" or "random".
        stall_s: how long callers wait for a takeover, in seconds.
        blocks_hit: most blocks a fault may hit, where it does not hit a whole cache.
        lag_writes: how many writes a lagging mirror is behind.
        seed: of everything that is drawn.
    """

    cache_blocks: int = 256
    destage_order: DestageOrder = "oldest"
    stall_s: float = 0.4
    blocks_hit: int = 40
    lag_writes: int = 64
    seed: int = 0

    def __post_init__(self) -> None:
        """Refuse what cannot be meant; raises UsageError."""
        if self.stall_s < 0:
            raise UsageError(f"a stall of {self.stall_s} s is not possible: give 0 or more")
        if self.blocks_hit < 1:
            raise UsageError(f"a fault that hits {self.blocks_hit} blocks is none: give at least 1")
        if self.lag_writes < 1:
            raise UsageError(f"a mirror that lags by {self.lag_writes} writes does not lag: give at least 1")


@dataclass(frozen=True, slots=True)
class Mark:
    """What a fault did to one block on purpose: the kind, and the whole version left, if any."""

    kind: Kind
    detail: str
    surviving_ordinal: int | None = None


@dataclass(slots=True)
class Outcome:
    """What a fault did at one moment.

    Attributes:
        marks: the blocks that it hit on purpose.
        torn_in_service: the blocks torn under an unanswered write, which nobody is owed whole.
        went_back_to_ns: as in `Moment`.
    """

    marks: dict[int, Mark] = field(default_factory=dict)
    torn_in_service: set[int] = field(default_factory=set)
    went_back_to_ns: tuple[int, int] | None = None


class PairState:
    """The parts of the pair, without any notion of waiting.

    Args:
        backing: the shared medium.
        settings: how the pair is built.
        truth: the record kept apart.
        mirror_up: whether A's writes are copied to B at all.
        lag_writes: how many writes the copies are behind.
    """

    def __init__(
        self, backing: Backing, settings: PairSettings, truth: Truth, mirror_up: bool, lag_writes: int
    ) -> None:
        self.settings = settings
        self.truth = truth
        self.rng = random.Random(f"what the faults hit: {settings.seed}")
        order_rng = random.Random(f"what is destaged: {settings.seed}")
        self.disk = Disk(backing)
        self.a = Controller("A", settings.cache_blocks, settings.destage_order, order_rng)
        self.b = Controller("B", settings.cache_blocks, settings.destage_order, order_rng)
        self.link = MirrorLink(self.a, self.b, mirror_up, lag_writes)
        self.stale: dict[int, bytes] = {}
        self.in_service: dict[int, bytes] = {}
        self.unanswered: dict[int, bytes] = {}
        self.cut_ns: int | None = None
        self.last_through_ns = 0

    def destage(self, controller: Controller, offset_bytes: int) -> None:
        """Move one block from a cache to the medium; the block stays cached if the medium fails."""
        write = controller.dirty[offset_bytes]
        self.disk.put(offset_bytes, write.data, write.ordinal)
        del controller.dirty[offset_bytes]
        self.link.forget(offset_bytes)

    def destage_all(self, controller: Controller) -> None:
        """Empty a cache onto the medium."""
        for offset_bytes in list(controller.dirty):
            self.destage(controller, offset_bytes)

    def hand_over(self) -> None:
        """A is gone with its cache; B serves from its copies and the medium."""
        self.link.up = False
        self.link.waiting.clear()
        self.a.dirty.clear()
        self.b.dirty.update(self.b.partner_copy)
        self.b.partner_copy.clear()

    def content(self, controller: Controller, offset_bytes: int) -> tuple[bytes, int]:
        """(bytes, version) of a block as a controller would serve it from its cache or the medium."""
        write = controller.dirty.get(offset_bytes)
        if write is not None:
            return write.data, write.ordinal
        length_bytes = self.truth.lengths[offset_bytes]
        return self.disk.content(offset_bytes, length_bytes), self.disk.ordinal(offset_bytes)

    def replace(self, controller: Controller, offset_bytes: int, data: bytes, ordinal: int) -> None:
        """Put other content in a block where the controller holds it now: in its cache, or on the medium."""
        if offset_bytes in controller.dirty:
            controller.dirty[offset_bytes] = CachedWrite(data, ordinal)
        else:
            self.disk.put(offset_bytes, data, ordinal)

    def dirty_with_older_below(self, controller: Controller) -> list[int]:
        """Cached blocks over a whole older version on the medium, by offset, but for those in service."""
        return [
            offset_bytes
            for offset_bytes, write in sorted(controller.dirty.items())
            if offset_bytes not in self.in_service and 1 <= self.disk.ordinal(offset_bytes) < write.ordinal
        ]

    def draw(self, candidates: list[int]) -> list[int]:
        """Up to `blocks_hit` of the candidates, drawn without repeats, in the order drawn."""
        return self.rng.sample(candidates, min(self.settings.blocks_hit, len(candidates)))

    def mix_sectors(self, old: bytes, new: bytes) -> tuple[bytes, str]:
        """Some sectors of `new` over `old`, at least one of each: (bytes, which sectors are new).

        A block of one sector cannot be torn: it stays `old`.
        """
        count = len(new) // SECTOR_BYTES
        if count < 2:
            return old, ""
        shape = self.rng.choice(("head", "tail", "scattered"))
        size = self.rng.randint(1, count - 1)
        if shape == "head":
            chosen = list(range(size))
        elif shape == "tail":
            chosen = list(range(count - size, count))
        else:
            chosen = sorted(self.rng.sample(range(count), size))
        mixed = bytearray(old)
        for index in chosen:
            span = slice(index * SECTOR_BYTES, (index + 1) * SECTOR_BYTES)
            mixed[span] = new[span]
        return bytes(mixed), ", ".join(map(str, chosen))
