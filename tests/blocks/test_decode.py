"""Reading blocks back from their bytes alone: everything that is damaged is told, and nothing that is whole."""

from __future__ import annotations

import random
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.blocks.slow_blocks import (
    OTHER_TAG,
    SEED,
    SIZES,
    TAG,
    SlowDecoded,
    refixed,
    slow_block,
    slow_decode,
    stream_of,
    u16,
    u32,
    u64,
)
from verify.blocks.decode import (
    DecodedBlocks,
    State,
    decode_blocks,
    foreign_sectors,
    near_tags,
    own_sectors,
)
from verify.blocks.encode import BlockMaker
from verify.blocks.layout import StreamLayout

SMALL = stream_of(1024, 512)
SMALL_BLOCK = slow_block(SMALL, 6, 2, 9)


def decoded(data: bytes | bytearray, layout: StreamLayout) -> list[SlowDecoded]:
    """What the vectorised decoder says, block by block, in the slow decoder's terms."""
    found = decode_blocks(memoryview(data), layout)
    names = ("tag", "address", "stream", "lane", "sequence")
    out = []
    for index, state in enumerate(found.state.tolist()):
        name = State(state).name
        facts = {n: int(getattr(found, n)[index]) for n in names} if name == "WHOLE" else {}
        out.append(SlowDecoded(name, **facts))
    return out


def states(data: bytes | bytearray, layout: StreamLayout) -> list[int]:
    return [int(state) for state in decode_blocks(memoryview(data), layout).state]


class TestWhole:
    @pytest.mark.parametrize(("block_bytes", "sector_bytes"), [*SIZES, (1 << 22, 512), (1 << 22, 4096)])
    def test_every_block_of_a_maker_is_whole_and_tells_whose_it_is(self, block_bytes: int, sector_bytes: int) -> None:
        layout = stream_of(block_bytes, sector_bytes)
        maker = BlockMaker(layout, SEED, TAG)
        writes = [(6, 2, 9), (39, 3, 2**48 - 1), (0, 0, 0)]
        data = b"".join(maker.block(*write) for write in writes)
        assert decoded(data, layout) == [
            SlowDecoded("WHOLE", TAG, (1 << 20) + slot * block_bytes, 3, lane, sequence)
            for slot, lane, sequence in writes
        ]

    def test_a_block_of_another_run_is_whole_as_well(self) -> None:
        (found,) = decoded(BlockMaker(SMALL, SEED, OTHER_TAG).block(6, 2, 9), SMALL)
        assert (found.state, found.tag) == ("WHOLE", OTHER_TAG)

    def test_no_block_at_all_is_no_finding(self) -> None:
        assert states(b"", SMALL) == []

    def test_every_field_is_as_wide_as_the_format_has_it(self) -> None:
        found = decode_blocks(memoryview(SMALL_BLOCK), SMALL)
        widths = {"state": 1, "tag": 8, "address": 8, "stream": 2, "lane": 2, "sequence": 8}
        assert {f.name for f in fields(DecodedBlocks)} == set(widths)
        for name, width in widths.items():
            assert getattr(found, name).dtype == np.dtype(f"u{width}"), name

    @pytest.mark.parametrize("size", [1, 511, 1023, 1025, 1536, 3071])
    def test_half_a_block_is_refused(self, size: int) -> None:
        with pytest.raises(ValueError, match=f"{size} bytes are not a whole number of blocks of 1024 bytes"):
            decode_blocks(memoryview(bytes(size)), SMALL)


class TestDamage:
    @pytest.mark.parametrize(("block_bytes", "sector_bytes"), [(512, 512), (1024, 512), (2048, 512)])
    def test_no_block_with_a_single_flipped_bit_is_whole(self, block_bytes: int, sector_bytes: int) -> None:
        layout = stream_of(block_bytes, sector_bytes)
        block = np.frombuffer(slow_block(layout, 6, 2, 9), dtype=np.uint8)
        flipped = np.repeat(block[np.newaxis], block_bytes * 8, axis=0)
        bits = np.arange(block_bytes * 8)
        flipped[bits, bits // 8] ^= (1 << bits % 8).astype(np.uint8)
        assert set(states(flipped.tobytes(), layout)) == {State.BROKEN}

    @pytest.mark.parametrize(("block_bytes", "sector_bytes"), SIZES)
    def test_no_block_with_a_changed_byte_of_a_stamp_or_the_checksum_is_whole(
        self, block_bytes: int, sector_bytes: int
    ) -> None:
        layout = stream_of(block_bytes, sector_bytes)
        block = slow_block(layout, 6, 2, 9)
        places = [s + at for s in range(0, block_bytes, sector_bytes) for at in range(40)]
        for place in [*places, *range(block_bytes - 8, block_bytes)]:
            for change in (0x01, 0x80, 0xFF, block[place]):
                damaged = bytearray(block)
                damaged[place] ^= change
                assert states(damaged, layout) == [State.BROKEN if damaged != block else State.WHOLE], place

    @pytest.mark.parametrize(("block_bytes", "sector_bytes"), SIZES[:-1])
    def test_a_block_cut_short_anywhere_and_filled_with_zeros_is_not_whole(
        self, block_bytes: int, sector_bytes: int
    ) -> None:
        layout = stream_of(block_bytes, sector_bytes)
        block = slow_block(layout, 6, 2, 9)
        assert block[-1]
        for end in range(1, block_bytes, 7):
            assert states(block[:end] + bytes(block_bytes - end), layout) == [State.BROKEN], end
        assert states(bytes(block_bytes), layout) == [State.BLANK]

    def test_a_block_that_begins_anywhere_else_is_not_whole(self) -> None:
        data = SMALL_BLOCK * 3
        for start in range(1, 1024):
            assert states(data[start : start + 1024], SMALL) == [State.BROKEN], start

    @pytest.mark.parametrize(("block_bytes", "sector_bytes"), [(1024, 512), (4096, 512), (8192, 4096)])
    def test_no_mix_of_two_writes_is_whole(self, block_bytes: int, sector_bytes: int) -> None:
        layout = stream_of(block_bytes, sector_bytes)
        new, old = slow_block(layout, 6, 2, 9), slow_block(layout, 6, 2, 5)
        cuts = range(0, block_bytes, sector_bytes)
        mixes = []
        for mask in range(1, 2**layout.sectors - 1):
            parts = ((old if mask >> i & 1 else new)[at : at + sector_bytes] for i, at in enumerate(cuts))
            mixes.append(b"".join(parts))
        assert set(states(b"".join(mixes), layout)) == {State.BROKEN}

    @pytest.mark.parametrize(("block_bytes", "sector_bytes"), [(512, 512), (2048, 512), (4096, 4096), (8192, 4096)])
    def test_blocks_of_another_shape_are_not_whole(self, block_bytes: int, sector_bytes: int) -> None:
        layout = stream_of(block_bytes, sector_bytes)
        data = slow_block(layout, 6, 2, 9)
        for other in SIZES[:-1]:
            if other != (block_bytes, sector_bytes):
                whole = (data * 16)[: max(other[0], block_bytes)]
                assert set(states(whole, stream_of(*other))) == {State.BROKEN}, other


class TestRightChecksumOverWrongStamps:
    """Checksums made right again after the damage, so that the stamps themselves are judged."""

    LAYOUT = stream_of(4096, 512)
    BLOCK = slow_block(LAYOUT, 6, 2, 9)

    @pytest.mark.parametrize("sector", range(8))
    @pytest.mark.parametrize("at", range(40))
    def test_a_changed_byte_in_one_stamp_of_eight_is_noticed(self, sector: int, at: int) -> None:
        for change in (0x01, 0x80, 0xFF):
            damaged = bytearray(self.BLOCK)
            damaged[sector * 512 + at] ^= change
            assert states(refixed(damaged), self.LAYOUT) == [State.BROKEN]

    @pytest.mark.parametrize("sector", range(8))
    def test_a_stamp_of_another_write_of_the_same_slot_is_noticed(self, sector: int) -> None:
        other = slow_block(self.LAYOUT, 6, 2, 10)
        damaged = bytearray(self.BLOCK)
        damaged[sector * 512 : sector * 512 + 40] = other[sector * 512 : sector * 512 + 40]
        assert states(refixed(damaged), self.LAYOUT) == [State.BROKEN]

    @pytest.mark.parametrize(
        ("field", "at", "value", "state"),
        [
            ("version", 4, bytes([2]), State.BROKEN),
            ("sector_shift", 5, bytes([12]), State.BROKEN),
            ("block_shift", 6, bytes([13]), State.BROKEN),
            ("reserved", 7, bytes([1]), State.BROKEN),
            ("tag", 8, u64(OTHER_TAG), State.WHOLE),
            ("address", 16, u64(2**63 - 1), State.WHOLE),
            ("address", 16, u64(2**63), State.BROKEN),
            ("stream", 24, u16(65535), State.WHOLE),
            ("lane", 26, u16(65535), State.WHOLE),
            ("sequence", 32, u64(2**48 - 1), State.WHOLE),
            ("sequence", 32, u64(2**48), State.BROKEN),
            ("sequence", 32, u64(2**64 - 1), State.BROKEN),
        ],
    )
    def test_a_value_that_all_stamps_agree_on_is_taken_or_refused(
        self, field: str, at: int, value: bytes, state: State
    ) -> None:
        changed = bytearray(self.BLOCK)
        for sector in range(8):
            changed[sector * 512 + at : sector * 512 + at + len(value)] = value
        found = decode_blocks(memoryview(refixed(changed)), self.LAYOUT)
        assert found.state.tolist() == [state]
        if state is State.WHOLE:
            assert int(getattr(found, field)[0]) == int.from_bytes(value, "little")

    @pytest.mark.parametrize("first", [1, 2, 7, 2**32 - 1])
    def test_sector_indices_that_do_not_begin_at_nought_are_noticed(self, first: int) -> None:
        changed = bytearray(self.BLOCK)
        for sector in range(8):
            changed[sector * 512 + 28 : sector * 512 + 32] = u32((first + sector) % 2**32)
        assert states(refixed(changed), self.LAYOUT) == [State.BROKEN]

    def test_two_sectors_in_each_others_place_are_noticed(self) -> None:
        for one in range(8):
            for other in range(one):
                parts = [self.BLOCK[i * 512 : (i + 1) * 512] for i in range(8)]
                parts[one], parts[other] = parts[other], parts[one]
                assert states(refixed(b"".join(parts)), self.LAYOUT) == [State.BROKEN]

    def test_a_changed_payload_is_for_the_judge_to_find(self) -> None:
        changed = bytearray(self.BLOCK)
        changed[1000] ^= 1
        assert states(changed, self.LAYOUT) == [State.BROKEN]
        assert states(refixed(changed), self.LAYOUT) == [State.WHOLE]

    def test_a_checksum_byte_by_byte_in_the_other_order_is_wrong(self) -> None:
        assert states(self.BLOCK[:-8] + self.BLOCK[-8:][::-1], self.LAYOUT) == [State.BROKEN]


class TestBlank:
    @pytest.mark.parametrize(("block_bytes", "sector_bytes"), [*SIZES, (1 << 22, 4096)])
    @pytest.mark.parametrize("word", [bytes(8), b"\xff" * 8, b"\x5a" * 8, b"aKpf\x01\x09\x09\x00", b"12345678"])
    def test_one_repeated_value_is_blank(self, block_bytes: int, sector_bytes: int, word: bytes) -> None:
        layout = stream_of(block_bytes, sector_bytes)
        assert states(word * (block_bytes // 8), layout) == [State.BLANK]

    @pytest.mark.parametrize("place", [0, 1, 7, 8, 511, 512, 1000, 1023])
    def test_but_for_one_byte_is_not(self, place: int) -> None:
        for word in (bytes(8), b"12345678"):
            data = bytearray(word * 128)
            data[place] ^= 0x10
            assert states(data, SMALL) == [State.BROKEN]

    def test_a_value_of_sixteen_bytes_is_not(self) -> None:
        assert states(b"1234567812345679" * 64, SMALL) == [State.BROKEN]


def one_block(draw: random.Random, layout: StreamLayout) -> bytes:
    """One block of any kind that a volume may hold, or a forger may make."""
    size, sector = layout.block_bytes, layout.sector_bytes

    def write() -> bytes:
        slot = draw.randrange(layout.slots)
        lane = draw.choice([slot % layout.lanes, draw.randrange(65536)])
        return slow_block(layout, slot, lane, draw.choice([0, 1, 9, 2**48 - 1]), tag=draw.choice([TAG, OTHER_TAG]))

    kind = draw.randrange(9)
    if kind == 0:
        return write()
    if kind == 1:
        return draw.choice([bytes(8), draw.randbytes(8), b"\xff" * 8]) * (size // 8)
    if kind == 2:
        return draw.randbytes(size)
    if kind == 3:
        word = draw.randbytes(8)
        return word + draw.randbytes(size - 16) + word
    if kind == 4:
        one, other = write(), write()
        return b"".join(draw.choice([one, other])[at : at + sector] for at in range(0, size, sector))
    if kind == 5:
        shaped_otherwise = stream_of(*draw.choice(SIZES[:-1]))
        return (slow_block(shaped_otherwise, 6, 2, 9) * (size // 512))[:size]
    damaged = bytearray(write())
    for _ in range(draw.choice([1, 1, 2, 8])):
        place = draw.choice([draw.randrange(size), draw.randrange(0, size, sector) + draw.randrange(40)])
        damaged[place] ^= 1 << draw.randrange(8)
    return bytes(damaged) if kind < 8 else refixed(damaged)


class TestAgainstTheSlowDecoder:
    @settings(max_examples=250)
    @given(seed=st.integers(0, 2**32), sizes=st.sampled_from(SIZES[:-1]), count=st.integers(1, 24))
    def test_any_run_of_blocks_is_read_alike(self, seed: int, sizes: tuple[int, int], count: int) -> None:
        draw, layout = random.Random(seed), stream_of(*sizes)
        blocks = [one_block(draw, layout) for _ in range(count)]
        assert decoded(b"".join(blocks), layout) == [slow_decode(block, layout) for block in blocks]

    @settings(max_examples=200)
    @given(seed=st.integers(0, 2**32), sizes=st.sampled_from(SIZES[:-1]))
    def test_a_maker_holds_no_other_block_than_the_one_it_makes(self, seed: int, sizes: tuple[int, int]) -> None:
        draw, layout = random.Random(seed), stream_of(*sizes)
        maker = BlockMaker(layout, SEED, TAG)
        block = bytearray(slow_block(layout, 6, 2, 9))
        for _ in range(draw.randrange(3)):
            block[draw.randrange(len(block))] ^= 1 << draw.randrange(8)
        wanted = SlowDecoded("WHOLE", TAG, layout.address(6), layout.stream, 2, 9)
        assert maker.holds(memoryview(block), 6, 2, 9) == (slow_decode(bytes(block), layout) == wanted)

    @settings(max_examples=150)
    @given(seed=st.integers(0, 2**32), sizes=st.sampled_from(SIZES[:-1]), count=st.integers(0, 16))
    def test_sectors_of_this_run_are_found_wherever_they_stand(
        self, seed: int, sizes: tuple[int, int], count: int
    ) -> None:
        draw, layout = random.Random(seed), stream_of(*sizes)
        blocks = [one_block(draw, layout) for _ in range(count)]
        starts = range(0, layout.block_bytes, layout.sector_bytes)
        wanted = [any(b[at : at + 4] == b"aKpf" and b[at + 8 : at + 16] == u64(TAG) for at in starts) for b in blocks]
        assert own_sectors(memoryview(b"".join(blocks)), layout, TAG).tolist() == wanted

    @pytest.mark.parametrize("sector", [0, 5])
    @pytest.mark.parametrize(("flipped", "near"), [(0, True), (1, True), (8, True), (9, False), (64, False)])
    def test_a_tag_with_a_few_flipped_bits_is_near_this_run_s(self, sector: int, flipped: int, near: bool) -> None:
        layout = stream_of(4096, 512)
        far = slow_block(layout, 6, 2, 9, tag=TAG ^ (2**64 - 1))
        block = bytearray(far)
        at = 512 * sector + 8
        block[at : at + 8] = u64(TAG ^ sum(1 << bit for bit in random.Random(flipped).sample(range(64), flipped)))
        assert near_tags(memoryview(far + block), layout, TAG).tolist() == [False, near]

    @settings(max_examples=150)
    @given(seed=st.integers(0, 2**32), sizes=st.sampled_from(SIZES[:-1]), count=st.integers(0, 16))
    def test_blocks_of_nothing_but_other_runs_are_found(self, seed: int, sizes: tuple[int, int], count: int) -> None:
        draw, layout = random.Random(seed), stream_of(*sizes)
        blocks = [one_block(draw, layout) for _ in range(count)]
        starts = range(0, layout.block_bytes, layout.sector_bytes)
        wanted = [
            all(b[at : at + 5] == b"aKpf\x01" and b[at + 8 : at + 16] != u64(TAG) for at in starts) for b in blocks
        ]
        assert foreign_sectors(memoryview(b"".join(blocks)), layout, TAG).tolist() == wanted


class TestWhoseRun:
    LAYOUT = stream_of(4096, 512)
    OWN = slow_block(LAYOUT, 6, 2, 9)
    FOREIGN = slow_block(LAYOUT, 6, 2, 9, tag=OTHER_TAG)

    def told(self, block: bytes | bytearray) -> tuple[bool, bool]:
        """Whether any of its sectors is this run's, and whether all are other runs', asked beside a block of each."""
        data = memoryview(self.OWN + bytes(block) + self.FOREIGN)
        own, foreign = own_sectors(data, self.LAYOUT, TAG), foreign_sectors(data, self.LAYOUT, TAG)
        assert (own[[0, 2]].tolist(), foreign[[0, 2]].tolist()) == ([True, False], [False, True])
        return bool(own[1]), bool(foreign[1])

    @pytest.mark.parametrize("sector", [0, 3, 7])
    def test_one_sector_decides(self, sector: int) -> None:
        at = slice(sector * 512, sector * 512 + 512)
        for ground, told in ((self.FOREIGN, (False, True)), (self.OWN, (True, False)), (bytes(4096), (False, False))):
            block = bytearray(ground)
            assert self.told(block) == told
            block[at] = self.OWN[at]
            assert self.told(block) == (True, False)
        for other in (bytes(512), b"\xff" * 512, self.FOREIGN[at][::-1]):
            block = bytearray(self.FOREIGN)
            block[at] = other
            assert self.told(block) == (False, False)

    @pytest.mark.parametrize("place", range(40))
    def test_a_stamp_of_another_run_is_known_by_magic_version_and_tag(self, place: int) -> None:
        """Whatever else is damaged; one flipped bit makes the other tag that is tried here this run's."""
        for bit in range(8):
            block = bytearray(self.FOREIGN)
            block[3 * 512 + place] ^= 1 << bit
            own = block[3 * 512 + 8 : 3 * 512 + 16] == u64(TAG)
            assert self.told(block) == (own, place >= 5 and not own), bit
            block = bytearray(self.OWN[:512] + bytes(3584))
            block[place] ^= 1 << bit
            assert self.told(block) == (place >= 4 and not 8 <= place < 16, False), bit
