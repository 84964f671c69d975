"""The sector-by-sector look at a block that is not whole: whose each sector is, and which bits differ."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from verify.blocks.encode import BlockMaker
from verify.blocks.layout import MAGIC, SEQUENCE_MAX, STAMP_BYTES, STAMP_DTYPE, VERSION, StreamLayout

CANDIDATES_MAX = 8
"""At most so many writes are rebuilt when looking for the one nearest to bytes that match nothing."""

REBUILT_MAX = 16
"""So many rebuilt writes are kept at a time while one block is dissected, whatever its stamps name."""

KIN_SHARE = 0.25
"""A sector that differs from a write in a smaller share of its bits is that write, damaged.

Unrelated sectors differ in half of them."""


class Origin(Enum):
    """Where the bytes of one sector come from."""

    HERE = "here"
    """Exactly this sector of a write of this run to this slot."""
    ELSEWHERE = "elsewhere"
    """Exactly a sector of a write of this run, but of another slot, or another place in it."""
    FOREIGN = "foreign"
    """A stamp of this format with another run's tag, on bytes that are not those of a write of this run."""
    BLANK = "blank"
    """One repeated 8-byte value."""
    UNKNOWN = "unknown"
    """Matches nothing."""


@dataclass(frozen=True)
class Sector:
    """One sector: its origin, and the slot and sequence number of its write where the origin is of this run.

    Where the origin is `Origin.ELSEWHERE`, it belongs `shift_sectors` sectors further on in its block; the slot is
    counted within `stream`, -1 for the stream that owns the place.
    """

    origin: Origin
    slot: int = -1
    sequence: int = -1
    shift_sectors: int = 0
    stream: int = -1


@dataclass(frozen=True)
class Difference:
    """How the sectors that match nothing differ from the nearest write: differing bits, and which sectors.

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
        return ", ".join(
            f"{_stretch(first, count)} {_what(first, count, sector)}" for first, count, sector in self.runs()
        )


def _stretch(first: int, count: int) -> str:
    return f"{first}" if count == 1 else f"{first}-{first + count - 1}"


def _what(first: int, count: int, sector: Sector) -> str:
    if sector.origin is Origin.HERE:
        return f"write {sector.sequence}"
    if sector.origin is Origin.ELSEWHERE:
        there = f" (its {_stretch(first + sector.shift_sectors, count)})" if sector.shift_sectors else ""
        stream = f" of stream {sector.stream}" if sector.stream >= 0 else ""
        return f"write {sector.sequence} of slot {sector.slot}{stream}{there}"
    return {Origin.FOREIGN: "another run", Origin.BLANK: "blank"}.get(sector.origin, "no known write")


Claim = tuple[int, int, int]
"""Slot, lane and sequence number of a write of the stream."""

Rows = npt.NDArray[np.uint8]
Rebuild = Callable[[Claim], Rows]


def dissect(
    block: bytes | memoryview,
    slot: int,
    maker: BlockMaker,
    expected_sequence: int = -1,
    others: Sequence[BlockMaker] = (),
) -> Dissection:
    """Compare every sector of `block`, read at slot `slot`, with the recomputed write that its stamp names.

    Args:
        block: one block of the stream's size.
        slot: the slot it was read from, counted within the stream.
        maker: the block maker of the stream.
        expected_sequence: the write that was expected here, to compare with where no stamp can be believed;
            -1 for none.
        others: the block makers of all streams, to recognise sectors of another stream by.

    Raises:
        ValueError: if `block` is not one block long.
    """
    layout = maker.layout
    if len(block) != layout.block_bytes:
        raise ValueError(f"{len(block)} bytes are not one block of {layout.block_bytes} bytes")
    rows = np.frombuffer(block, dtype=np.uint8).reshape(layout.sectors, layout.sector_bytes)
    stamps = np.ascontiguousarray(rows[:, :STAMP_BYTES]).view(STAMP_DTYPE)[:, 0]
    rebuild = _rebuilder(maker)
    known = _Elsewhere(others)
    sectors = [_classify(rows[i], stamps[i], i, slot, maker, rebuild, known) for i in range(layout.sectors)]
    strange = [i for i, sector in enumerate(sectors) if sector.origin in (Origin.UNKNOWN, Origin.FOREIGN)]
    if not strange:
        return Dissection(tuple(sectors))
    candidates = _candidates(_named_writes(stamps, strange, slot, layout, expected_sequence))
    if not candidates:
        return Dissection(tuple(sectors))
    bits = np.stack([_differing_bits(rows, rebuild(claim), strange) for claim in candidates])
    for index in np.flatnonzero(bits.min(axis=0) < KIN_SHARE * 8 * layout.sector_bytes).tolist():
        sectors[strange[index]] = Sector(Origin.UNKNOWN)
    unknown = [i for i, index in enumerate(strange) if sectors[index].origin is Origin.UNKNOWN]
    if not unknown:
        return Dissection(tuple(sectors))
    bits = bits[:, unknown]
    nearest_slot, _, nearest_sequence = candidates[int(bits[:, 0].argmin())]
    damaged = tuple(strange[i] for i in unknown)
    difference = Difference(nearest_slot, nearest_sequence, int(bits.min(axis=0).sum()), damaged)
    return Dissection(tuple(sectors), difference)


def _rebuilder(maker: BlockMaker) -> Rebuild:
    layout = maker.layout

    @lru_cache(maxsize=REBUILT_MAX)
    def rebuild(claim: Claim) -> Rows:
        return np.frombuffer(maker.block(*claim), np.uint8).reshape(layout.sectors, layout.sector_bytes)

    return rebuild


def _claim(stamp: Any, layout: StreamLayout) -> Claim | None:
    """The write that a stamp of this run names, if one of this stream can have that name."""
    slot, lane, sequence = layout.slot_at(int(stamp["address"])), int(stamp["lane"]), int(stamp["sequence"])
    if slot is None or int(stamp["stream"]) != layout.stream or slot % layout.lanes != lane:
        return None
    return (slot, lane, sequence) if sequence <= SEQUENCE_MAX else None


class _Elsewhere:
    """Recognises sectors of the run's other streams; what the block's own stream can have written is known before."""

    def __init__(self, makers: Sequence[BlockMaker]) -> None:
        self._makers = {maker.layout.stream: maker for maker in makers}
        self._rebuild: dict[int, Rebuild] = {}

    def sector(self, row: Rows, stamp: Any, index: int) -> Sector | None:
        """The sector as one of another stream's, None if it is not."""
        stream = int(stamp["stream"])
        maker = self._makers.get(stream)
        claim = None if maker is None else _claim(stamp, maker.layout)
        own_index = int(stamp["sector"])
        if maker is None or claim is None or own_index >= maker.layout.sectors:
            return None
        rebuild = self._rebuild.setdefault(stream, _rebuilder(maker))
        if not np.array_equal(row, rebuild(claim)[own_index]):
            return None
        return Sector(Origin.ELSEWHERE, claim[0], claim[2], own_index - index, stream)


def _classify(
    row: Rows, stamp: Any, index: int, slot: int, maker: BlockMaker, rebuild: Rebuild, elsewhere: _Elsewhere
) -> Sector:
    """The origin of the sector at `index` of a block read at `slot`."""
    if stamp["magic"] != MAGIC or stamp["version"] != VERSION:
        words = row.view(np.uint64)
        return Sector(Origin.BLANK if words.min() == words.max() else Origin.UNKNOWN)
    if int(stamp["tag"]) != maker.tag:
        return Sector(Origin.FOREIGN)
    claim, own_index = _claim(stamp, maker.layout), int(stamp["sector"])
    if claim is None or own_index >= maker.layout.sectors:
        return elsewhere.sector(row, stamp, index) or Sector(Origin.UNKNOWN)
    if not np.array_equal(row, rebuild(claim)[own_index]):
        return Sector(Origin.UNKNOWN)
    at_home = claim[0] == slot and own_index == index
    return Sector(Origin.HERE if at_home else Origin.ELSEWHERE, claim[0], claim[2], own_index - index)


def _candidates(named: Iterable[Claim]) -> list[Claim]:
    """The first `CANDIDATES_MAX` of the named writes, each once."""
    out: list[Claim] = []
    for claim in named:
        if claim not in out:
            out.append(claim)
        if len(out) == CANDIDATES_MAX:
            break
    return out


def _named_writes(
    stamps: npt.NDArray[Any], strange: Sequence[int], slot: int, layout: StreamLayout, expected_sequence: int
) -> Iterator[Claim]:
    """The writes that strange sectors may have been: the expected one, then those that stamps name.

    A stamp names two: the write that it says, and, should its address or lane be damaged, the one to this
    slot with its sequence number. The strange sectors' own stamps come first.
    """
    lane = slot % layout.lanes
    if expected_sequence >= 0:
        yield slot, lane, expected_sequence
    among_strange = set(strange)
    for index in (*strange, *(i for i in range(layout.sectors) if i not in among_strange)):
        claim, sequence = _claim(stamps[index], layout), int(stamps[index]["sequence"])
        if claim is not None:
            yield claim
        if sequence <= SEQUENCE_MAX:
            yield slot, lane, sequence


def _differing_bits(rows: Rows, rebuilt: Rows, which: Sequence[int]) -> npt.NDArray[np.uint64]:
    """Count of differing bits of each sector in `which`, in shape (len(which),)."""
    return np.asarray(np.bitwise_count(rows[which] ^ rebuilt[which]).sum(axis=1))
