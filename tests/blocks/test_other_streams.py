"""Sectors of the run's other streams: recognised by the stamp only if every byte is that of the write it names."""

from __future__ import annotations

import pytest

from tests.blocks.slow_blocks import SEED, TAG
from verify.blocks.dissect import Difference, Origin, Sector, dissect
from verify.blocks.encode import BlockMaker
from verify.blocks.layout import StreamLayout

OWN = StreamLayout(0, 0, 1024, 512, 8, 2, 0, 0)
WIDE = StreamLayout(1, 8192, 4096, 512, 8, 2, 2, 8)
NARROW = StreamLayout(2, 40960, 512, 512, 8, 2, 4, 16)
COARSE = StreamLayout(3, 45056, 8192, 4096, 8, 2, 6, 24)
MAKERS = tuple(BlockMaker(layout, SEED, TAG) for layout in (OWN, WIDE, NARROW, COARSE))
SLOT = 3
HERE = Sector(Origin.HERE, SLOT, 9)
UNKNOWN = Sector(Origin.UNKNOWN)


def sectors(stream: int, slot: int, sequence: int) -> list[bytes]:
    block = MAKERS[stream].block(slot, slot % 2, sequence)
    return [block[at : at + 512] for at in range(0, len(block), 512)]


@pytest.mark.parametrize(("stream", "index", "shift"), [(1, 0, -1), (1, 1, 0), (1, 5, 4), (2, 0, -1)])
def test_a_sector_of_a_write_to_another_stream_is_told_with_its_place(stream: int, index: int, shift: int) -> None:
    parts = [sectors(0, SLOT, 9)[0], sectors(stream, 5, 7)[index]]
    found = dissect(b"".join(parts), SLOT, MAKERS[0], 9, MAKERS)
    assert found.sectors == (HERE, Sector(Origin.ELSEWHERE, 5, 7, shift, stream))
    assert found.difference is None


def test_several_streams_in_one_block() -> None:
    found = dissect(sectors(2, 1, 4)[0] + sectors(1, 6, 8)[1], SLOT, MAKERS[0], 9, MAKERS)
    assert found.sectors == (Sector(Origin.ELSEWHERE, 1, 4, 0, 2), Sector(Origin.ELSEWHERE, 6, 8, 0, 1))
    assert found.describe() == "0 write 4 of slot 1 of stream 2, 1 write 8 of slot 6 of stream 1"


def test_the_first_stream_is_named_like_any_other() -> None:
    found = dissect(sectors(0, 5, 7)[1] + b"".join(sectors(1, SLOT, 9)[1:]), SLOT, MAKERS[1], 9, MAKERS)
    assert found.sectors[0] == Sector(Origin.ELSEWHERE, 5, 7, 1, 0)
    assert found.describe() == "0 write 7 of slot 5 of stream 0 (its 1), 1-7 write 9"


def test_one_flipped_bit_and_it_is_of_no_known_write() -> None:
    spoilt = bytearray(sectors(1, 5, 7)[1])
    spoilt[300] ^= 4
    found = dissect(sectors(0, SLOT, 9)[0] + bytes(spoilt), SLOT, MAKERS[0], 9, MAKERS)
    assert found.sectors == (HERE, UNKNOWN)
    assert found.difference is not None
    assert found.difference.sectors == (1,)


def test_without_the_other_streams_makers_it_is_of_no_known_write() -> None:
    for others in ((), MAKERS[:1], MAKERS[2:]):
        found = dissect(sectors(0, SLOT, 9)[0] + sectors(1, 5, 7)[1], SLOT, MAKERS[0], 9, others)
        assert found.sectors == (HERE, UNKNOWN)


def test_a_stamp_that_no_write_of_the_other_stream_has_is_not_believed() -> None:
    """An index beyond the block, a lane that does not own the slot, an offset outside every stream."""
    sound = sectors(1, 5, 7)[1]
    outside = sectors(1, 5, 7)[1].replace(WIDE.address(5).to_bytes(8, "little"), (1 << 40).to_bytes(8, "little"))
    assert outside != sound
    wider = BlockMaker(StreamLayout(2, 40960, 1024, 512, 4, 2, 4, 16), SEED, TAG)
    narrow, beyond = wider.block(1, 1, 4)[512:], wider.block(2, 0, 4)[512:]
    other_lane, own_other_lane = MAKERS[1].block(5, 0, 7)[512:1024], MAKERS[0].block(SLOT, 0, 7)[512:]
    for part in (outside, narrow, beyond, other_lane, own_other_lane):
        found = dissect(sectors(0, SLOT, 9)[0] + part, SLOT, MAKERS[0], 9, MAKERS)
        assert found.sectors == (HERE, UNKNOWN)


def test_streams_of_another_sector_size_are_not_looked_for_sector_by_sector() -> None:
    piece = MAKERS[3].block(1, 1, 4)[:512]
    found = dissect(sectors(0, SLOT, 9)[0] + piece, SLOT, MAKERS[0], 9, MAKERS)
    assert found.sectors == (HERE, UNKNOWN)


def test_the_nearest_write_is_that_which_was_expected_where_no_stamp_can_be_believed() -> None:
    spoilt = bytearray(sectors(0, SLOT, 9)[1])
    spoilt[0] ^= 1  # the magic
    spoilt[511] ^= 0x80
    found = dissect(sectors(0, SLOT, 9)[0] + bytes(spoilt), SLOT, MAKERS[0], 9, MAKERS)
    assert (found.sectors, found.difference) == ((HERE, UNKNOWN), Difference(SLOT, 9, 2, (1,)))
