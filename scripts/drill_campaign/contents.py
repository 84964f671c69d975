"""What a slot holds: its bytes, and beside them, sector by sector, where those come from.

The pair of the campaign carries both through every step, so that its truth never has to read a byte back.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any

from verify.blocks.encode import BlockMaker
from verify.blocks.layout import STAMP_BYTES
from verify.load.run import Run

Source = tuple[Any, ...]
"""Of one sector: ("write", slot, n, index) is that sector of operation n's write to the slot (counted within the
run); ("even", value) repeats 8 bytes; ("alien",) is of a block of another run; ("junk", number) is nobody's."""


@dataclass(frozen=True, slots=True)
class Content:
    """What one slot holds."""

    data: bytes
    sectors: tuple[Source, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """One slot (counted within the run): where it stands, how long it is, who owns it (a lane of the run)."""

    slot: int
    stream: int
    address: int
    length: int
    sectors: int
    lane: int


def places_of(run: Run) -> list[Place]:
    """Every slot of a run, in order."""
    out: list[Place] = []
    for stream in run.streams:
        layout = stream.layout
        for own in range(layout.slots):
            lane = layout.first_lane + own % layout.lanes
            address = layout.start_bytes + own * layout.block_bytes
            sectors = layout.block_bytes // layout.sector_bytes
            out.append(Place(len(out), layout.stream, address, layout.block_bytes, sectors, lane))
    return out


def written(data: bytes, place: Place, n: int) -> Content:
    """The block that operation n wrote."""
    return Content(data, tuple(("write", place.slot, n, index) for index in range(place.sectors)))


class Forge:
    """Makes contents that no lane wrote.

    Args:
        run: the run.
        places: its slots.
        rng: draws what is left open.
    """

    def __init__(self, run: Run, places: list[Place], rng: random.Random) -> None:
        self._run = run
        self._places = places
        self._rng = rng
        self._sector_bytes = run.streams[0].layout.sector_bytes
        self._makers = [BlockMaker(stream.layout, run.seed, run.tag) for stream in run.streams]
        self._aliens = [BlockMaker(stream.layout, run.seed, run.tag ^ 0x5A5A) for stream in run.streams]
        self._junk = 0

    def claimed(self, place: Place, n: int) -> Content:
        """The block that operation n would write there, whether it ever does or not."""
        return written(self._block(self._makers, place, n), place, n)

    def alien(self, place: Place) -> Content:
        """A block of another run, for this slot."""
        return Content(self._block(self._aliens, place, self._rng.randrange(99)), (("alien",),) * place.sectors)

    def even(self, place: Place, value: int) -> Content:
        """One value of 8 bytes throughout."""
        return Content(value.to_bytes(8, "little") * (place.length // 8), (("even", value),) * place.sectors)

    def junk(self, place: Place) -> Content:
        """Random bytes."""
        return Content(self._rng.randbytes(place.length), tuple(self._nobodys() for _ in range(place.sectors)))

    def mixed(self, below: Content, above: Content, taken: set[int]) -> Content:
        """The sectors in `taken` from `above`, the others from `below`."""
        size, data = self._sector_bytes, bytearray(below.data)
        for index in taken:
            data[index * size : (index + 1) * size] = above.data[index * size : (index + 1) * size]
        sectors = tuple(
            above.sectors[i] if i in taken else below.sectors[i] for i in range(len(below.sectors))
        )
        return Content(bytes(data), sectors)

    def flipped(self, content: Content, bits: int) -> Content:
        """The same with some bits flipped in one sector that a lane wrote; unchanged if there is none.

        Of several bits none is in the stamp: of a stamp with two wrong fields nobody could say whose it was.
        """
        size = self._sector_bytes
        wrote = [i for i, source in enumerate(content.sectors) if source[0] == "write"]
        if not wrote:
            return content
        sector = self._rng.choice(wrote)
        data, sectors = bytearray(content.data), list(content.sectors)
        for bit in self._rng.sample(range(0 if bits == 1 else STAMP_BYTES * 8, size * 8), bits):
            data[sector * size + bit // 8] ^= 1 << bit % 8
        sectors[sector] = self._nobodys()
        return Content(bytes(data), tuple(sectors))

    def laid_over(self, content: Content, start: int, address: int, below: Content) -> Content:
        """`below`, at `address`, with the part of `content` over it that reaches there when it is put at `start`."""
        size = self._sector_bytes
        data, sectors = bytearray(below.data), list(below.sectors)
        for index, source in enumerate(content.sectors):
            at = (start - address) // size + index
            if 0 <= at < len(sectors):
                data[at * size : (at + 1) * size] = content.data[index * size : (index + 1) * size]
                sectors[at] = source
        return Content(bytes(data), tuple(sectors))

    def units(self, place: Place, unit_sectors: int) -> set[int]:
        """Some of the slot's units of so many sectors, not none and not all: the sectors in them."""
        count = place.sectors // unit_sectors
        shape, size = self._rng.randrange(3), self._rng.randint(1, count - 1)
        chosen = range(size) if shape == 0 else range(count - size, count)
        units = self._rng.sample(range(count), size) if shape == 2 else list(chosen)
        return {unit * unit_sectors + index for unit in units for index in range(unit_sectors)}

    def _block(self, makers: list[BlockMaker], place: Place, n: int) -> bytes:
        maker = makers[place.stream]
        own = (place.address - maker.layout.start_bytes) // maker.layout.block_bytes
        return maker.block(own, place.lane - maker.layout.first_lane, n)

    def _nobodys(self) -> Source:
        self._junk += 1
        return ("junk", self._junk)
