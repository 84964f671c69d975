"""The sector-by-sector look at a block that is not whole: which write each sector came from, and which bits differ."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import numpy as np

from verify.blocks.encode import BlockMaker
from verify.blocks.layout import MAGIC, STAMP_BYTES, STAMP_DTYPE, VERSION, StreamLayout


CLAIMS_MAX = 8
"""At most so many writes named by the stamps of one block are rebuilt when looking for the nearest one."""


class Origin(Enum):
    """Where the bytes of one sector come from."""

    HERE = "here"
    """Exactly this sector of a write of this run to this slot."""
    ELSEWHERE = "elsewhere"
    """Exactly this sector of a write of this run to another slot of the stream."""
    FOREIGN = "foreign"
    """A stamp of this format with another run's tag."""
    BLANK = "blank"
    """One repeated 8-byte value."""
    UNKNOWN = "unknown"
    """Matches nothing."""


@dataclass(frozen=True)
class Sector:
    """One sector: its origin, and the slot and sequence number of its write where the origin is of this run."""

    origin: Origin
    slot: int = -1
    sequence: int = -1


@dataclass(frozen=True)
class Difference:
    """How the sectors that match nothing differ from the nearest write: differing bits in all, and which sectors.

    `slot` and `sequence` name the write nearest to the first of them.
    """

    slot: int
    sequence: int
    bits: int
    sectors: tuple[int, ...]


@dataclass(frozen=True)
class Dissection:
    """The sectors of one block, and for a damaged one the difference from the nearest write."""

    sectors: tuple[Sector, ...]
    difference: Difference | None = None

    def runs(self) -> list[tuple[int, int, Sector]]:
        """The sector map, run-length coded: (first sector, count, sector)."""
        out: list[tuple[int, int, Sector]] = []
        for index, sector in enumerate(self.sectors):
            if out and out[-1][2] == sector:
                out[-1] = (out[-1][0], out[-1][1] + 1, sector)
            else:
                out.append((index, 1, sector))
        return out

    def describe(self) -> str:
        """The sector map in words, such as "0-2 write 17, 3-7 write 12"."""
        parts = []
        for first, count, sector in self.runs():
            where = f"{first}" if count == 1 else f"{first}-{first + count - 1}"
            what = {
                Origin.HERE: f"write {sector.sequence}",
                Origin.ELSEWHERE: f"write {sector.sequence} of slot {sector.slot}",
                Origin.FOREIGN: "another run",
                Origin.BLANK: "blank",
                Origin.UNKNOWN: "no known write",
            }[sector.origin]
            parts.append(f"{where} {what}")
        return ", ".join(parts)


def dissect(block: bytes | memoryview, slot: int, maker: BlockMaker, expected_sequence: int = -1) -> Dissection:
    """Compare every sector of `block`, read at slot `slot`, with the recomputed write that its stamp names.

    Args:
        block: one block of the stream's size.
        slot: the slot it was read from, counted within the stream.
        maker: the block maker of the stream.
        expected_sequence: the write that was expected here, compared with where no stamp can be believed; -1 for none.

    Raises:
        ValueError: if `block` is not one block long.
    """
    layout = maker.layout
    if len(block) != layout.block_bytes:
        raise ValueError(f"{len(block)} bytes are not one block of {layout.block_bytes} bytes")
    rows = np.frombuffer(block, dtype=np.uint8).reshape(layout.sectors, layout.sector_bytes)
    stamps = np.ascontiguousarray(rows[:, :STAMP_BYTES]).view(STAMP_DTYPE)[:, 0]
    rebuild = _rebuilder(maker)
    sectors = tuple(_classify(rows, stamps, index, slot, maker, rebuild) for index in range(layout.sectors))
    difference = None
    if any(s.origin is Origin.UNKNOWN for s in sectors):
        difference = _nearest(rows, stamps, sectors, slot, maker, expected_sequence, rebuild)
    return Dissection(sectors, difference)


Rebuild = Callable[[int, int, int], np.ndarray]


def _rebuilder(maker: BlockMaker) -> Rebuild:
    layout = maker.layout
    known: dict[tuple[int, int, int], np.ndarray] = {}

    def rebuild(slot: int, lane: int, sequence: int) -> np.ndarray:
        key = (slot, lane, sequence)
        if key not in known:
            block = maker.block(slot, lane, sequence)
            known[key] = np.frombuffer(block, np.uint8).reshape(layout.sectors, layout.sector_bytes)
        return known[key]

    return rebuild


def _claim(stamp: np.void, layout: StreamLayout) -> tuple[int, int, int] | None:
    """The (slot, lane, sequence) that a stamp of this run and stream names, if it can name any."""
    claimed = layout.slot_at(int(stamp["address"]))
    if int(stamp["stream"]) != layout.stream or claimed is None:
        return None
    if claimed % layout.lanes != int(stamp["lane"]):
        return None
    return claimed, int(stamp["lane"]), int(stamp["sequence"])


def _classify(
    rows: np.ndarray, stamps: np.ndarray, index: int, slot: int, maker: BlockMaker, rebuild: Rebuild
) -> Sector:
    stamp, row = stamps[index], rows[index]
    if stamp["magic"] == MAGIC and stamp["version"] == VERSION:
        if int(stamp["tag"]) != maker.tag:
            return Sector(Origin.FOREIGN)
        claim = _claim(stamp, maker.layout)
        if claim is not None and np.array_equal(row, rebuild(*claim)[index]):
            origin = Origin.HERE if claim[0] == slot else Origin.ELSEWHERE
            return Sector(origin, claim[0], claim[2])
        return Sector(Origin.UNKNOWN)
    words = row.view(np.uint64)
    return Sector(Origin.BLANK if (words == words[0]).all() else Origin.UNKNOWN)


def _nearest(
    rows: np.ndarray,
    stamps: np.ndarray,
    sectors: tuple[Sector, ...],
    slot: int,
    maker: BlockMaker,
    expected_sequence: int,
    rebuild: Rebuild,
) -> Difference | None:
    """Set every sector that matches nothing against the nearest write that a stamp names or that was expected."""
    claims: set[tuple[int, int, int]] = set()
    for stamp in stamps:
        if int(stamp["tag"]) == maker.tag and len(claims) < CLAIMS_MAX:
            claim = _claim(stamp, maker.layout)
            if claim is not None:
                claims.add(claim)
    if expected_sequence >= 0:
        claims.add((slot, slot % maker.layout.lanes, expected_sequence))
    if not claims:
        return None
    unknown = [index for index, sector in enumerate(sectors) if sector.origin is Origin.UNKNOWN]
    candidates = sorted(claims)
    bits = np.array([np.bitwise_count(rows[unknown] ^ rebuild(*c)[unknown]).sum(axis=1) for c in candidates])
    slot_nearest, _, sequence_nearest = candidates[int(bits[:, 0].argmin())]
    return Difference(slot_nearest, sequence_nearest, int(bits.min(axis=0).sum()), tuple(unknown))
