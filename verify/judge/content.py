"""What a slot was seen to hold, as facts that the decision table can judge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise
from typing import Any

from verify.blocks.decode import State, decode_blocks
from verify.blocks.dissect import Dissection, Origin, dissect
from verify.blocks.encode import BlockMaker

_NO_WRITE = (Origin.UNKNOWN, Origin.BLANK, Origin.FOREIGN)


class Content(IntEnum):
    """The kinds of content, from the bytes alone."""

    WHOLE = 0
    """One whole write of this run to this slot."""
    MIX = 1
    """Every sector is exactly that of some write of this run, but not all of the same one."""
    PARTIAL = 2
    """Some sectors are exactly those of writes of this run, the others match nothing."""
    MISPLACED = 3
    """A whole block of this run stamped for another slot."""
    FOREIGN = 4
    """A block of another run, or sectors of such throughout."""
    BLANK = 5
    """One repeated value."""
    UNMATCHED = 6
    """Bytes that match nothing."""
    UNREADABLE = 7
    """An I/O error, or no volume to read from."""


@dataclass(frozen=True)
class Seen:
    """One slot as seen once.

    `oldest` and `newest` are the lowest and highest sequence numbers of this slot's own writes found in it (the
    same for a whole one), -1 where there are none. `strange_sectors` tells whether sectors of writes to other slots
    are among a mix. `grain_sectors` is the largest power of two such that every aligned unit of so many sectors
    comes from one write, or is of no write at all. `home_address` is where a misplaced block belongs. `bits` counts
    differing bits against the nearest write.
    """

    content: Content
    oldest: int = -1
    newest: int = -1
    strange_sectors: bool = False
    grain_sectors: int = 0
    home_address: int = -1
    home_sequence: int = -1
    bits: int = -1
    detail: str = ""

    def to_json(self) -> dict[str, Any]:
        """The facts as a JSON object."""
        return {
            "content": self.content.name.lower(), "oldest": self.oldest, "newest": self.newest,
            "strange_sectors": self.strange_sectors, "grain_sectors": self.grain_sectors,
            "home_address": self.home_address, "home_sequence": self.home_sequence, "bits": self.bits,
            "detail": self.detail,
        }  # fmt: skip

    @classmethod
    def from_json(cls, value: dict[str, Any]) -> Seen:
        """The facts from a JSON object.

        Raises:
            ValueError: if a field is missing or has the wrong type.
        """
        try:
            return cls(
                Content[str(value["content"]).upper()], int(value["oldest"]), int(value["newest"]),
                bool(value["strange_sectors"]), int(value["grain_sectors"]), int(value["home_address"]),
                int(value["home_sequence"]), int(value["bits"]), str(value["detail"]),
            )  # fmt: skip
        except (KeyError, TypeError) as error:
            raise ValueError(f"an observation lacks or misstates a field: {error}") from None


def look(
    block: memoryview, slot: int, maker: BlockMaker, expected_sequence: int, others: Sequence[BlockMaker] = ()
) -> Seen:
    """Say what `block`, read at slot `slot` of the maker's stream, holds.

    Args:
        block: one block.
        slot: counted within the stream.
        maker: the stream's block maker.
        expected_sequence: the write that was expected, for comparing damaged bytes with; -1 for none.
        others: the block makers of all streams of the run, to recognise a write misdirected between them.
    """
    layout = maker.layout
    decoded = decode_blocks(block, layout)
    if decoded.state[0] == State.WHOLE:
        sequence = int(decoded.sequence[0])
        if int(decoded.tag[0]) != maker.tag:
            return Seen(Content.FOREIGN, detail="a whole block of another run")
        address, stream, lane = int(decoded.address[0]), int(decoded.stream[0]), int(decoded.lane[0])
        if address == layout.address(slot) and stream == layout.stream and lane == slot % layout.lanes:
            return Seen(Content.WHOLE, sequence, sequence, grain_sectors=layout.sectors)
        return Seen(
            Content.MISPLACED, home_address=address, home_sequence=sequence,
            detail=f"write {sequence} of lane {lane} of stream {stream}, stamped for offset {address}",
        )  # fmt: skip
    if decoded.state[0] == State.BLANK:
        return Seen(Content.BLANK, detail=f"every 8 bytes are {bytes(block[:8]).hex()}")
    found = dissect(block, slot, maker, expected_sequence, others)
    return _misdirected(found, others) or _seen_in(found)


def _misdirected(found: Dissection, others: Sequence[BlockMaker]) -> Seen | None:
    """What is seen where all sectors are of one write of another stream, one after another; None elsewhere."""
    first = found.sectors[0]
    if first.stream < 0 or any(sector != first for sector in found.sectors):
        return None
    home = next(maker.layout for maker in others if maker.layout.stream == first.stream)
    return Seen(
        Content.MISPLACED, home_address=home.address(first.slot), home_sequence=first.sequence,
        detail="sectors " + found.describe(),
    )  # fmt: skip


def _seen_in(found: Dissection) -> Seen:
    here = [sector.sequence for sector in found.sectors if sector.origin is Origin.HERE]
    elsewhere = any(sector.origin is Origin.ELSEWHERE for sector in found.sectors)
    alien = any(sector.origin in _NO_WRITE for sector in found.sectors)
    content = Content.MIX if not alien else Content.PARTIAL if here or elsewhere else Content.UNMATCHED
    if all(sector.origin is Origin.FOREIGN for sector in found.sectors):
        content = Content.FOREIGN
    detail = "sectors " + found.describe()
    bits = -1
    if found.difference is not None:
        bits = found.difference.bits
        detail += f"; {bits} bits differ from write {found.difference.sequence}"
    return Seen(
        content, min(here, default=-1), max(here, default=-1), elsewhere, _grain(found), bits=bits, detail=detail
    )


def _grain(found: Dissection) -> int:
    sources = [None if s.origin in _NO_WRITE else s for s in found.sectors]
    grain = len(sources)
    for index, (before, at) in enumerate(pairwise(sources), start=1):
        while index % grain and at != before:
            grain //= 2
    return grain
