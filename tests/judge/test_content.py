"""What a slot is seen to hold: the facts that its bytes alone give."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.judge.stories import SEED, TAG, make_run
from verify.blocks.encode import BlockMaker
from verify.judge.content import Content, Seen, look
from verify.load.schedule import Pattern


class TestLooking:
    RUN = make_run([(1, 2, 2), (1, 2, 4)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)
    MAKERS = tuple(BlockMaker(stream.layout, SEED, TAG) for stream in RUN.streams)

    def seen(self, block: bytes, slot: int = 0) -> Seen:
        return look(memoryview(block), slot, self.MAKERS[0], -1, self.MAKERS)

    def test_another_run_whole_or_in_pieces_is_foreign(self) -> None:
        alien = BlockMaker(self.RUN.streams[0].layout, SEED, TAG ^ 1)
        assert self.seen(alien.block(0, 0, 1)) == Seen(Content.FOREIGN, detail="a whole block of another run")
        pieces = self.seen(alien.block(0, 0, 1)[:512] + alien.block(0, 0, 2)[512:])
        assert (pieces.content, pieces.oldest, pieces.newest) == (Content.FOREIGN, -1, -1)

    def test_one_repeated_word_is_blank_and_told(self) -> None:
        seen = self.seen(b"\xde\xad\xbe\xef\0\0\0\1" * 128)
        assert seen == Seen(Content.BLANK, detail="every 8 bytes are deadbeef00000001")

    def test_sectors_of_one_write_of_another_stream_are_misplaced(self) -> None:
        """The first two of its four sectors: what a stream of smaller blocks reads of such a write."""
        there = self.MAKERS[1].block(1, 0, 5)
        seen = self.seen(there[:1024])
        assert (seen.content, seen.home_sequence) == (Content.MISPLACED, 5)
        assert seen.home_address == self.RUN.streams[1].layout.address(1)
        assert seen.detail == "sectors 0-1 write 5 of slot 1 of stream 1"
        mixed = self.seen(there[:512] + self.MAKERS[0].block(0, 0, 1)[512:])
        assert (mixed.content, mixed.newest, mixed.strange_sectors) == (Content.MIX, 1, True)

    def test_one_write_of_the_first_stream_is_misplaced_in_another_just_so(self) -> None:
        run = make_run([(1, 2, 4), (1, 2, 2)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)
        makers = [BlockMaker(stream.layout, SEED, TAG) for stream in run.streams]
        seen = look(memoryview(makers[0].block(1, 0, 5)[:1024]), 0, makers[1], -1, makers)
        assert (seen.content, seen.home_sequence) == (Content.MISPLACED, 5)
        assert seen.home_address == run.streams[0].layout.address(1)

    def test_a_whole_write_is_of_one_piece(self) -> None:
        assert self.seen(self.MAKERS[0].block(0, 0, 6)) == Seen(Content.WHOLE, 6, 6, grain_sectors=2)

    def test_of_a_whole_block_for_another_slot_it_is_told_which_write_it_is_and_where_it_belongs(self) -> None:
        seen = self.seen(self.MAKERS[0].block(1, 0, 5))
        home = self.RUN.streams[0].layout.address(1)
        assert (seen.content, seen.home_address, seen.home_sequence) == (Content.MISPLACED, home, 5)
        assert "write 5 of lane 0 of stream 0" in seen.detail
        assert str(home) in seen.detail

    def test_of_a_torn_block_the_sector_map_is_told(self) -> None:
        first, second = self.MAKERS[0].block(0, 0, 6), self.MAKERS[0].block(0, 0, 4)
        torn = self.seen(first[:512] + second[512:])
        assert torn == Seen(Content.MIX, 4, 6, grain_sectors=1, detail="sectors 0 write 6, 1 write 4")

    def test_of_a_damaged_one_the_differing_bits_too(self) -> None:
        spoilt = bytearray(self.MAKERS[0].block(0, 0, 6))
        spoilt[1000] ^= 0x81
        seen = self.seen(bytes(spoilt))
        assert (seen.content, seen.oldest, seen.newest, seen.bits) == (Content.PARTIAL, 6, 6, 2)
        assert seen.detail == "sectors 0 write 6, 1 no known write; 2 bits differ from write 6"

    @pytest.mark.parametrize(("numbers", "grain"), [
        ((6,) * 8, 8), ((6, 6, 6, 6, 4, 4, 4, 4), 4), ((6, 6, 4, 4, 4, 4, 4, 4), 2), ((6, 6, 6, 6, 6, 6, 4, 4), 2),
        ((6, 6, 6, 4, 4, 4, 4, 4), 1), ((6, 6, 6, 6, 4, 4, 4, 6), 1), ((6, 6, 4, 4, 4, 4, 6, 6), 2),
    ])  # fmt: skip
    def test_the_grain_of_a_mix_is_the_largest_aligned_unit_that_is_never_mixed(
        self, numbers: tuple[int, ...], grain: int
    ) -> None:
        maker = BlockMaker(make_run([(1, 2, 8)]).streams[0].layout, SEED, TAG)
        sectors = [maker.block(0, 0, n)[512 * i : 512 * i + 512] for i, n in enumerate(numbers)]
        assert look(memoryview(b"".join(sectors)), 0, maker, -1).grain_sectors == grain

    def test_in_the_ledger_facts_stand_as_they_always_did(self) -> None:
        first, second = self.MAKERS[0].block(0, 0, 6), self.MAKERS[0].block(0, 0, 4)
        assert json.dumps(self.seen(first[:512] + second[512:]).to_json()) == (
            '{"content": "mix", "oldest": 4, "newest": 6, "strange_sectors": false, "grain_sectors": 1, '
            '"home_address": -1, "home_sequence": -1, "bits": -1, "detail": "sectors 0 write 6, 1 write 4"}'
        )

    def test_in_the_ledger_contents_have_the_names_that_they_always_had(self) -> None:
        names = "whole mix partial misplaced foreign blank unmatched unreadable"
        assert [Seen(content).to_json()["content"] for content in Content] == names.split()

    @pytest.mark.parametrize("spoilt", [{"content": "rosy"}, {"oldest": None}, {"bits": "many"}])
    def test_facts_that_cannot_be_read_back_are_refused(self, spoilt: dict[str, Any]) -> None:
        facts = Seen(Content.MIX, 3, 5, True, 2, 512, 9, 77, "told").to_json()
        assert Seen.from_json(facts) == Seen(Content.MIX, 3, 5, True, 2, 512, 9, 77, "told")
        with pytest.raises(ValueError, match=r"lacks or misstates|invalid literal"):
            Seen.from_json({**facts, **spoilt})
