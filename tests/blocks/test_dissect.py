"""The close look at a broken block: whose each sector is, and exactly which bits differ, counted by the tests."""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.blocks.slow_blocks import OTHER_TAG, SEED, TAG, differing_bits, slow_block, stream_of
from verify.blocks.dissect import CANDIDATES_MAX, REBUILT_MAX, Difference, Dissection, Origin, Sector, dissect
from verify.blocks.encode import BlockMaker
from verify.blocks.layout import StreamLayout

SLOT, LANE = 6, 2
LAYOUT = stream_of(4096, 512)
MAKER = BlockMaker(LAYOUT, SEED, TAG)
UNKNOWN = Sector(Origin.UNKNOWN)
FOREIGN = Sector(Origin.FOREIGN)
BLANK = Sector(Origin.BLANK)


def here(sequence: int) -> Sector:
    return Sector(Origin.HERE, SLOT, sequence)


def write(sequence: int, slot: int = SLOT, layout: StreamLayout = LAYOUT, tag: int = TAG) -> list[bytes]:
    """The sectors of one write, from the slow encoder."""
    block = slow_block(layout, slot, slot % layout.lanes, sequence, tag=tag)
    return [block[at : at + layout.sector_bytes] for at in range(0, len(block), layout.sector_bytes)]


def look(parts: list[bytes], expected_sequence: int = -1, maker: BlockMaker = MAKER) -> Dissection:
    return dissect(b"".join(parts), SLOT, maker, expected_sequence)


def flip(sector: bytes, *bits: int) -> bytes:
    damaged = bytearray(sector)
    for bit in bits:
        damaged[bit // 8] ^= 1 << bit % 8
    return bytes(damaged)


class TestWhoseSectors:
    def test_every_mix_of_two_writes_is_told_apart(self) -> None:
        new, old = write(9), write(5)
        for mask in range(256):
            found = look([(old if mask >> i & 1 else new)[i] for i in range(8)], 9)
            assert found == Dissection(tuple(here(5 if mask >> i & 1 else 9) for i in range(8)))

    @pytest.mark.parametrize("sizes", [(512, 512), (1024, 512), (8192, 4096), (65536, 512), (1 << 22, 4096)])
    def test_whatever_the_sizes(self, sizes: tuple[int, int]) -> None:
        layout = stream_of(*sizes)
        new, old = write(9, layout=layout), write(5, layout=layout)
        cut = layout.sectors // 2
        found = look(old[:cut] + new[cut:], 9, BlockMaker(layout, SEED, TAG))
        assert found.sectors == (here(5),) * cut + (here(9),) * (layout.sectors - cut)
        assert found.difference is None

    def test_a_block_in_which_every_sector_is_of_another_write(self) -> None:
        layout = stream_of(65536, 512)
        parts = [write(100 + i, layout=layout)[i] for i in range(128)]
        found = look(parts, 9, BlockMaker(layout, SEED, TAG))
        assert found == Dissection(tuple(here(100 + i) for i in range(128)))

    def test_memory_is_bounded_however_many_writes_are_mixed(self) -> None:
        layout = stream_of(1 << 20, 4096)
        maker = BlockMaker(layout, SEED, TAG)
        block = bytearray(layout.block_bytes)
        for first in range(64):
            whole = maker.block(SLOT, LANE, first)
            for index in range(first, layout.sectors, 64):
                block[index * 4096 : (index + 1) * 4096] = whole[index * 4096 : (index + 1) * 4096]
        tracemalloc.start()
        found = dissect(bytes(block), SLOT, maker, 9)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert found == Dissection(tuple(here(index % 64) for index in range(256)))
        assert peak < (REBUILT_MAX + 8) << 20

    def test_sectors_of_a_write_to_another_slot_are_elsewhere(self) -> None:
        parts = write(9)
        parts[2:4] = write(7, slot=11)[2:4]
        found = look(parts, 9)
        assert found.sectors == (here(9),) * 2 + (Sector(Origin.ELSEWHERE, 11, 7),) * 2 + (here(9),) * 4
        assert found.difference is None
        assert found.describe() == "0-1 write 9, 2-3 write 7 of slot 11, 4-7 write 9"

    def test_sectors_at_another_place_of_the_right_slot_are_elsewhere(self) -> None:
        whole = write(9)
        found = look(whole[:2] + whole[4:6] + whole[2:4] + whole[6:], 9)
        assert found.sectors == (
            (here(9),) * 2
            + (Sector(Origin.ELSEWHERE, SLOT, 9, shift_sectors=2),) * 2
            + (Sector(Origin.ELSEWHERE, SLOT, 9, shift_sectors=-2),) * 2
            + (here(9),) * 2
        )
        assert found.describe() == (
            f"0-1 write 9, 2-3 write 9 of slot {SLOT} (its 4-5), 4-5 write 9 of slot {SLOT} (its 2-3), 6-7 write 9"
        )

    def test_a_volume_displaced_by_three_sectors_is_recognised(self) -> None:
        found = look(write(4, slot=5)[5:] + write(9)[:5], 9)
        assert found.sectors == (
            (Sector(Origin.ELSEWHERE, 5, 4, shift_sectors=5),) * 3
            + (Sector(Origin.ELSEWHERE, SLOT, 9, shift_sectors=-3),) * 5
        )

    def test_sectors_of_another_run_are_foreign(self) -> None:
        parts = write(9)
        parts[5:] = write(9, tag=OTHER_TAG)[5:]
        found = look(parts, 9)
        assert found == Dissection((here(9),) * 5 + (FOREIGN,) * 3)
        assert found.describe() == "0-4 write 9, 5-7 another run"

    def test_sectors_of_a_run_with_other_block_sizes_are_foreign(self) -> None:
        small = stream_of(1024, 512)
        parts = [sector for slot in range(4) for sector in write(3, slot, small, OTHER_TAG)]
        assert look(parts, 9) == Dissection((FOREIGN,) * 8)

    @pytest.mark.parametrize("word", [bytes(8), b"\xff" * 8, b"\xa5" * 8, b"12345678"])
    def test_sectors_of_one_repeated_value_are_blank(self, word: bytes) -> None:
        parts = write(9)
        parts[0], parts[7] = word * 64, word * 64
        found = look(parts, 9)
        assert found == Dissection((BLANK, *(here(9),) * 6, BLANK))
        assert found.describe() == "0 blank, 1-6 write 9, 7 blank"

    def test_the_last_operation_that_a_stamp_can_number_is_known_like_any_other(self) -> None:
        last = 2**48 - 1
        parts = write(9)
        parts[1] = write(last)[1]
        assert look(parts).sectors == (here(9), here(last), *(here(9),) * 6)
        parts[1] = flip(write(last)[1], 130)  # of the address
        assert look(parts) == Dissection((here(9), UNKNOWN, *(here(9),) * 6), Difference(SLOT, last, 1, (1,)))

    def test_a_sector_of_another_run_or_format_that_has_no_stamp_of_this_one_is_of_no_known_write(self) -> None:
        for bit in range(40):
            parts = write(9)
            parts[2] = flip(write(9, tag=OTHER_TAG)[2], bit)
            assert look(parts, 9).sectors == (*(here(9),) * 2, UNKNOWN, *(here(9),) * 5), bit

    def test_a_block_of_the_wrong_length_is_refused(self) -> None:
        for size in (0, 512, 4095, 4097, 8192):
            with pytest.raises(ValueError, match=f"{size} bytes are not one block of 4096 bytes"):
                dissect(bytes(size), SLOT, MAKER)

    def test_runs_join_only_what_is_alike(self) -> None:
        sectors = (here(9), here(9), here(5), BLANK, BLANK, UNKNOWN)
        assert Dissection(sectors).runs() == [(0, 2, here(9)), (2, 1, here(5)), (3, 2, BLANK), (5, 1, UNKNOWN)]
        assert Dissection(sectors).describe() == "0-1 write 9, 2 write 5, 3-4 blank, 5 no known write"


class TestWhichBits:
    @pytest.mark.parametrize("expected", [9, -1])
    def test_any_single_flipped_bit_is_told_with_its_sector(self, expected: int) -> None:
        layout = stream_of(1024, 512)
        maker, parts = BlockMaker(layout, SEED, TAG), write(9, layout=layout)
        for sector in range(2):
            for bit in range(4096):
                damaged = list(parts)
                damaged[sector] = flip(parts[sector], bit)
                found = look(damaged, expected, maker)
                assert found.sectors[sector] == UNKNOWN, bit
                assert found.sectors[1 - sector] == here(9), bit
                assert found.difference == Difference(SLOT, 9, 1, (sector,)), bit

    def test_even_where_the_block_is_one_sector(self) -> None:
        layout = stream_of(512, 512)
        maker, (sector,) = BlockMaker(layout, SEED, TAG), write(9, layout=layout)
        for bit in range(4096):
            found = look([flip(sector, bit)], 9, maker)
            assert found == Dissection((UNKNOWN,), Difference(SLOT, 9, 1, (0,))), bit

    def test_without_an_expected_write_only_a_damaged_sequence_number_hides_the_write(self) -> None:
        layout = stream_of(512, 512)
        maker, (sector,) = BlockMaker(layout, SEED, TAG), write(9, layout=layout)
        for bit in range(4096):
            found = look([flip(sector, bit)], -1, maker)
            assert found.sectors == (UNKNOWN,), bit
            if not 256 <= bit < 320:
                assert found.difference == Difference(SLOT, 9, 1, (0,)), bit
            elif found.difference is not None:
                named = found.difference.sequence
                assert found.difference.bits == differing_bits(flip(sector, bit), write(named, layout=layout)[0])

    def test_a_flipped_tag_does_not_make_a_sector_another_runs(self) -> None:
        for sector in range(8):
            for bit in range(64, 128):
                parts = write(9)
                parts[sector] = flip(parts[sector], bit)
                assert look(parts, 9).difference == Difference(SLOT, 9, 1, (sector,))
                assert look(parts).difference == Difference(SLOT, 9, 1, (sector,))

    @pytest.mark.parametrize(("bits", "told"), [(1023, UNKNOWN), (1024, FOREIGN)])
    def test_from_a_quarter_of_its_bits_on_a_sector_with_another_tag_is_another_runs(
        self, bits: int, told: Sector
    ) -> None:
        parts = write(9)
        parts[3] = flip(parts[3], 64, *range(320, 320 + bits - 1))
        found = look(parts, 9)
        assert found.sectors == (*(here(9),) * 3, told, *(here(9),) * 4)
        assert found.difference == (Difference(SLOT, 9, bits, (3,)) if told == UNKNOWN else None)

    def test_the_stamps_of_whole_sectors_tell_what_a_damaged_one_was(self) -> None:
        for bit in range(256, 320):  # of its sequence number
            parts = write(9)
            parts[3] = flip(parts[3], bit)
            found = look(parts)
            assert found.sectors == (*(here(9),) * 3, UNKNOWN, *(here(9),) * 4), bit
            assert found.difference == Difference(SLOT, 9, 1, (3,)), bit

    def test_a_sector_of_another_run_stays_foreign_though_it_is_damaged_too(self) -> None:
        parts = write(9)
        parts[3] = flip(write(9, tag=OTHER_TAG)[3], 3000, 3001)
        assert look(parts, 9) == Dissection((*(here(9),) * 3, FOREIGN, *(here(9),) * 4))

    def test_bits_of_several_sectors_add_up(self) -> None:
        parts = write(9)
        parts[1] = flip(parts[1], 0, 77, 4095)
        parts[6] = flip(parts[6], 2000, 2001)
        assert look(parts, 9).difference == Difference(SLOT, 9, 5, (1, 6))

    def test_a_damaged_sector_of_an_older_write_is_set_against_that_write(self) -> None:
        parts = write(9)
        parts[4] = flip(write(5)[4], 1111)
        assert look(parts, 9).difference == Difference(SLOT, 5, 1, (4,))

    def test_each_damaged_sector_is_set_against_its_own_write(self) -> None:
        parts = write(9)
        parts[2] = flip(write(5)[2], 1111)
        parts[3] = flip(parts[3], 5, 6)
        parts[4] = flip(write(7, slot=11)[4], 9)
        assert look(parts, 9).difference == Difference(SLOT, 5, 4, (2, 3, 4))

    def test_a_damaged_sector_finds_its_write_among_more_than_are_tried(self) -> None:
        layout = stream_of(65536, 512)
        parts = [write(100 + i, layout=layout)[i] for i in range(128)]
        assert len(parts) > CANDIDATES_MAX
        parts[127] = flip(parts[127], 4000)
        found = look(parts, 9, BlockMaker(layout, SEED, TAG))
        assert found.difference == Difference(SLOT, 227, 1, (127,))

    @pytest.mark.parametrize("before", [CANDIDATES_MAX - 1, CANDIDATES_MAX])
    def test_no_more_writes_are_tried_than_are_allowed(self, before: int) -> None:
        """So many sectors with 1,500 damaged bits name a write each, and then one with a single damaged bit."""
        layout = stream_of(8192, 512)
        writes = [write(100 + i, layout=layout) for i in range(before + 1)]
        parts = [flip(sectors[i], *range(320, 1820)) for i, sectors in enumerate(writes)]
        parts[before] = flip(writes[before][before], 4000)
        found = look(parts + writes[0][before + 1 :], -1, BlockMaker(layout, SEED, TAG))
        tried = writes[:CANDIDATES_MAX]
        least = [min(differing_bits(part, sectors[i]) for sectors in tried) for i, part in enumerate(parts)]
        assert (least[before] == 1) == (before < CANDIDATES_MAX)
        assert found.difference == Difference(SLOT, 100, sum(least), tuple(range(before + 1)))

    @pytest.mark.parametrize("expected", [0, 9])
    def test_noise_is_set_against_the_expected_write(self, expected: int) -> None:
        noise = random.Random(4).randbytes(512)
        parts = [noise] * 8
        wanted = sum(differing_bits(noise, sector) for sector in write(expected))
        found = look(parts, expected)
        assert found == Dissection((UNKNOWN,) * 8, Difference(SLOT, expected, wanted, tuple(range(8))))
        assert look(parts) == Dissection((UNKNOWN,) * 8)

    def test_a_stamp_without_its_payload_matches_nothing(self) -> None:
        whole = write(9)
        parts = [sector[:40] + bytes(472) for sector in whole]
        wanted = sum(differing_bits(part, sector) for part, sector in zip(parts, whole, strict=True))
        assert look(parts, 9) == Dissection((UNKNOWN,) * 8, Difference(SLOT, 9, wanted, tuple(range(8))))

    @pytest.mark.parametrize("sequence", [2**48, 2**63, 2**64 - 1])
    def test_a_sequence_number_that_no_operation_can_have_is_not_followed(self, sequence: int) -> None:
        parts = write(9)
        forged = write(sequence)
        found = look(forged, 9)
        wanted = sum(differing_bits(one, other) for one, other in zip(forged, parts, strict=True))
        assert found == Dissection((UNKNOWN,) * 8, Difference(SLOT, 9, wanted, tuple(range(8))))

    @pytest.mark.parametrize(("index", "bits"), [(8, 1), (9, 2), (2**32 - 1, 32)])
    def test_a_sector_index_beyond_the_block_is_not_followed(self, index: int, bits: int) -> None:
        parts = write(9)
        parts[0] = parts[0][:28] + index.to_bytes(4, "little") + parts[0][32:]
        assert look(parts, 9).difference == Difference(SLOT, 9, bits, (0,))


Part = tuple[bytes, Sector, int]
"""A sector's bytes, what must be said of it, and how many of its bits were flipped."""


def part_at(index: int, draw: random.Random) -> Part:
    """A sector of some kind for place `index` of the block."""

    def sector_of(sequence: int, slot: int = SLOT, tag: int = TAG, own_index: int = index) -> bytes:
        return write(sequence, slot, tag=tag)[own_index]

    def own() -> Part:
        sequence = draw.choice([5, 9, 2**40])
        return sector_of(sequence), here(sequence), 0

    def other_slot() -> Part:
        slot = draw.choice([0, 2, 39])
        return sector_of(9, slot), Sector(Origin.ELSEWHERE, slot, 9), 0

    def shifted() -> Part:
        place = draw.choice([i for i in range(8) if i != index])
        return sector_of(9, own_index=place), Sector(Origin.ELSEWHERE, SLOT, 9, place - index), 0

    def foreign() -> Part:
        return sector_of(9, tag=OTHER_TAG), FOREIGN, 0

    def blank() -> Part:
        return draw.choice([bytes(8), draw.randbytes(8)]) * 64, BLANK, 0

    def damaged() -> Part:
        bits = draw.sample([*range(256), *range(320, 4096)], draw.randint(1, 200))
        return flip(sector_of(9), *bits), UNKNOWN, len(bits)

    kinds: list[Callable[[], Part]] = [own, own, other_slot, shifted, foreign, blank, damaged]
    return draw.choice(kinds)()


class TestAnyMix:
    @settings(max_examples=400)
    @given(st.integers(0, 2**32))
    def test_every_sector_and_every_flipped_bit_is_told(self, seed: int) -> None:
        draw = random.Random(seed)
        parts = [part_at(index, draw) for index in range(8)]
        found = look([data for data, _, _ in parts], 9)
        assert found.sectors == tuple(sector for _, sector, _ in parts)
        damaged = tuple(index for index, (_, _, bits) in enumerate(parts) if bits)
        if damaged:
            assert found.difference == Difference(SLOT, 9, sum(bits for _, _, bits in parts), damaged)
        else:
            assert found.difference is None

    @settings(max_examples=300)
    @given(st.binary(min_size=1024, max_size=1024), st.integers(-1, 20))
    def test_garbage_is_never_an_error(self, data: bytes, expected: int) -> None:
        found = dissect(data, SLOT, BlockMaker(stream_of(1024, 512), SEED, TAG), expected)
        assert len(found.sectors) == 2
        assert found.describe()

    @settings(max_examples=400)
    @given(st.integers(0, 2**32))
    def test_garbage_behind_a_stamp_of_this_run_is_never_an_error(self, seed: int) -> None:
        draw = random.Random(seed)
        parts = []
        for sector in write(9):
            stamp = bytearray(sector[:40])
            for _ in range(draw.randrange(4)):
                at = draw.randrange(16, 40)
                stamp[at:] = draw.randbytes(40 - at)
            parts.append(bytes(stamp) + draw.choice([sector[40:], draw.randbytes(472)]))
        found = look(parts, draw.choice([-1, 9, 2**48 - 1]))
        unharmed = [part == whole for part, whole in zip(parts, write(9), strict=True)]
        assert found.sectors == tuple(here(9) if whole else UNKNOWN for whole in unharmed)
