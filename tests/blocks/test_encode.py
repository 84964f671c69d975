"""Building blocks: set against a slow building from the format page, and what a payload must not be."""

from __future__ import annotations

import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.blocks.slow_blocks import OTHER_TAG, SEED, SIZES, TAG, slow_block, stream_of
from verify.blocks.encode import BlockMaker
from verify.blocks.payload import payload, payload_key, payload_maker


class TestBuilding:
    @pytest.mark.parametrize(("block_bytes", "sector_bytes"), [*SIZES, (1 << 22, 512), (1 << 22, 4096)])
    def test_a_block_is_what_the_format_page_says(self, block_bytes: int, sector_bytes: int) -> None:
        layout = stream_of(block_bytes, sector_bytes)
        assert BlockMaker(layout, SEED, TAG).block(6, 2, 9) == slow_block(layout, 6, 2, 9)

    @settings(max_examples=300)
    @given(
        sizes=st.sampled_from(SIZES),
        seed=st.integers(0, 2**64 - 1),
        tag=st.integers(0, 2**64 - 1),
        stream=st.integers(0, 2**16 - 1),
        start_sectors=st.integers(0, 2**49),
        slot=st.integers(0, 39),
        lane=st.integers(0, 2**16 - 1),
        sequence=st.integers(0, 2**48 - 1),
    )
    def test_whatever_the_numbers(
        self,
        sizes: tuple[int, int],
        seed: int,
        tag: int,
        stream: int,
        start_sectors: int,
        slot: int,
        lane: int,
        sequence: int,
    ) -> None:
        layout = stream_of(*sizes, stream=stream, start_bytes=start_sectors * sizes[1])
        made = BlockMaker(layout, seed, tag).block(slot, lane, sequence)
        assert made == slow_block(layout, slot, lane, sequence, seed, tag)

    def test_nothing_of_an_earlier_block_is_left_in_a_maker_or_its_buffer(self) -> None:
        layout = stream_of(4096, 512)
        maker = BlockMaker(layout, SEED, TAG)
        buffer = memoryview(bytearray(b"\xff" * 4096))
        for slot, lane, sequence in [(39, 3, 2**48 - 1), (0, 0, 0), (21, 1, 7), (39, 3, 2**48 - 1)]:
            maker.fill(buffer, slot, lane, sequence)
            assert bytes(buffer) == slow_block(layout, slot, lane, sequence)

    def test_fill_refuses_a_buffer_of_another_size(self) -> None:
        maker = BlockMaker(stream_of(1024, 512), SEED, TAG)
        for size in (0, 512, 1023, 1025, 2048):
            with pytest.raises(ValueError, match="not one block"):
                maker.fill(memoryview(bytearray(size)), 0, 0, 0)


class TestHolds:
    @pytest.mark.parametrize(("block_bytes", "sector_bytes"), SIZES)
    def test_it_knows_the_very_write_and_no_other(self, block_bytes: int, sector_bytes: int) -> None:
        layout = stream_of(block_bytes, sector_bytes)
        maker = BlockMaker(layout, SEED, TAG)
        block = memoryview(maker.block(6, 2, 9))
        assert maker.holds(block, 6, 2, 9)
        assert not maker.holds(block, 6, 2, 8)
        assert not maker.holds(block, 6, 1, 9)
        assert not maker.holds(block, 5, 2, 9)
        assert not BlockMaker(layout, SEED, OTHER_TAG).holds(block, 6, 2, 9)
        elsewhere = stream_of(block_bytes, sector_bytes, start_bytes=1 << 21)
        assert not BlockMaker(elsewhere, SEED, TAG).holds(block, 6, 2, 9)
        other_stream = stream_of(block_bytes, sector_bytes, stream=4)
        assert not BlockMaker(other_stream, SEED, TAG).holds(block, 6, 2, 9)

    def test_any_flipped_bit_is_noticed(self) -> None:
        maker = BlockMaker(stream_of(1024, 512), SEED, TAG)
        block = bytearray(maker.block(6, 2, 9))
        for bit in range(len(block) * 8):
            block[bit // 8] ^= 1 << bit % 8
            assert not maker.holds(memoryview(block), 6, 2, 9), bit
            block[bit // 8] ^= 1 << bit % 8
        assert maker.holds(memoryview(block), 6, 2, 9)

    def test_any_sector_of_another_write_is_noticed(self) -> None:
        maker = BlockMaker(stream_of(4096, 512), SEED, TAG)
        new, old = maker.block(6, 2, 9), maker.block(6, 2, 5)
        for mask in range(1, 256):
            parts = [(old if mask >> i & 1 else new)[i * 512 : (i + 1) * 512] for i in range(8)]
            assert not maker.holds(memoryview(b"".join(parts)), 6, 2, 9), mask


class TestPayload:
    def test_of_one_lane_is_the_same(self) -> None:
        key = payload_key(SEED, TAG)
        make = payload_maker(key, 3, 5, 4096)
        for slot, sequence in ((0, 0), (2**40, 7), (9, 2**48 - 1), (0, 0)):
            assert make(slot, sequence) == payload(key, 3, slot, 5, sequence, 4096)

    def test_it_does_not_compress(self) -> None:
        """Common practice, no source: what zlib cannot shorten, no storage will."""
        key = payload_key(SEED, TAG)
        for sequence in range(16):
            data = payload(key, 0, 1, 1, sequence, 65536)
            assert len(zlib.compress(data, 9)) > len(data)
        many = b"".join(payload(key, 0, slot, slot % 4, 3, 4096) for slot in range(256))
        assert len(zlib.compress(many, 9)) > len(many)

    def test_a_block_compresses_by_no_more_than_its_stamps(self) -> None:
        layout = stream_of(65536, 512)
        block = BlockMaker(layout, SEED, TAG).block(1, 1, 1)
        assert len(zlib.compress(block, 9)) > len(block) - 40 * layout.sectors

    def test_no_piece_of_it_repeats(self) -> None:
        """Sixteen bytes at a time, within a block and over writes, slots, lanes, streams, seeds and runs."""
        pieces: list[bytes] = []
        keys = [payload_key(seed, tag) for seed in (0, 1, SEED) for tag in (0, 1, TAG, OTHER_TAG)]
        for key in keys:
            for stream, slot, lane, sequence in [(0, 0, 0, 0), (0, 0, 0, 1), (0, 0, 1, 0), (0, 1, 0, 0), (1, 0, 0, 0)]:
                data = payload(key, stream, slot, lane, sequence, 8192)
                pieces += [data[at : at + 16] for at in range(0, len(data), 16)]
        assert len(set(pieces)) == len(pieces) == 12 * 5 * 512

    def test_no_two_sectors_are_alike_at_the_grain_of_deduplication(self) -> None:
        layout = stream_of(4096, 512)
        maker = BlockMaker(layout, SEED, TAG)
        sectors = set()
        for sequence in range(50):
            block = maker.block(6, 2, sequence)
            sectors |= {block[at + 40 : at + 504] for at in range(0, 4096, 512)}
        assert len(sectors) == 50 * 8
