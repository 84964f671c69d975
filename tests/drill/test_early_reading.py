"""Reading that begins before the ledger was gone through: it changes nothing but the time a check takes."""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from xxhash import xxh3_64_intdigest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import check_on, load_on, losses_of, write_here
from verify.blocks.decode import State
from verify.blocks.encode import BlockMaker
from verify.blocks.layout import StreamLayout
from verify.drill import observed, readahead
from verify.drill.checking import CheckResult, check_record
from verify.drill.observed import EarlyLook, look_at
from verify.drill.opening import open_and_begin
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.readahead import READS_AT_ONCE, Piece, ReadAhead, Span
from verify.drill.record import RecordFolder
from verify.errors import UsageError

BLOCK = 4096
LAYOUT = StreamLayout(0, 0, BLOCK, 512, 16, 2, 0, 0)
STREAMS = (StreamRequest(BLOCK, 4, 512 << 10), StreamRequest(BLOCK, 2, 256 << 10))
SLOTS = (768 << 10) // BLOCK
SECONDS = 10.0


@pytest.fixture(autouse=True)
def small_pieces() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readahead, "PIECE_BYTES", 4 * BLOCK)
        yield


class LosingVolume(MemoryVolume):
    """After the first write of every block, every seventh write gets lost; a few blocks are spoilt when told."""

    def __init__(self, size_bytes: int) -> None:
        super().__init__(size_bytes)
        self.writes = 0

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        self.writes += 1
        if self.writes > SLOTS and self.writes % 7 == 0:
            return len(buffer)
        return super().write(offset_bytes, buffer, through)

    def spoil(self) -> None:
        self.data[5 * BLOCK : 6 * BLOCK] = bytes(BLOCK)
        self.data[50 * BLOCK + 700] ^= 1
        self.data[90 * BLOCK : 91 * BLOCK] = self.data[91 * BLOCK : 92 * BLOCK]


class TestPiecesLookedAtEarly:
    maker = BlockMaker(LAYOUT, 3, 4)

    def piece(self, *blocks: bytes) -> Piece:
        piece = Piece(0, 6, len(blocks))
        piece.data = memoryview(bytearray(b"".join(blocks)))
        return piece

    def block(self, slot: int, sequence: int) -> bytes:
        return self.maker.block(slot, slot % 2, sequence)

    def test_bytes_given_up_are_made_again(self) -> None:
        blocks = [self.block(6, 100), self.block(7, 2**40), self.block(8, 0)]
        seen = look_at(self.piece(*blocks), LAYOUT, 4)
        small = seen.give_up_bytes()
        assert small is not seen
        small.piece.data = memoryview(b"")
        assert [bytes(small.block(index, self.maker) or b"") for index in range(3)] == blocks
        for name in ("state", "readable", "own", "at_home", "sequence"):
            assert np.array_equal(getattr(small, name), getattr(seen, name))
        kept = [array for array in vars(small).values() if isinstance(array, np.ndarray)]
        assert sum(array.base.nbytes if 0 in array.strides else array.nbytes for array in kept) <= 3 * 16 + 4

    def test_a_block_that_only_has_a_right_checksum_is_not_made_up(self) -> None:
        strange = bytearray(self.block(7, 9))
        strange[3000] ^= 1
        strange[-8:] = xxh3_64_intdigest(strange[:-8]).to_bytes(8, "little")
        small = look_at(self.piece(self.block(6, 5), bytes(strange)), LAYOUT, 4).give_up_bytes()
        assert list(small.state) == [State.WHOLE, State.WHOLE]
        assert small.block(0, self.maker) == self.block(6, 5)
        assert small.block(1, self.maker) is None

    @pytest.mark.parametrize(
        "other",
        [bytes(BLOCK), b"\1" * (BLOCK - 1) + b"\2", BlockMaker(LAYOUT, 3, 5).block(7, 1, 2), maker.block(9, 1, 2)],
        ids=["blank", "broken", "another run's", "another slot's"],
    )
    def test_a_piece_with_anything_else_in_it_keeps_its_bytes(self, other: bytes) -> None:
        seen = look_at(self.piece(self.block(6, 5), other), LAYOUT, 4)
        assert seen.give_up_bytes() is seen
        assert seen.block(1, self.maker) == other

    def test_so_does_one_with_a_block_that_could_not_be_read(self) -> None:
        piece = self.piece(self.block(6, 5), self.block(7, 5))
        piece.unreadable = [1]
        seen = look_at(piece, LAYOUT, 4)
        assert seen.give_up_bytes() is seen
        assert list(seen.at_home) == [True, False]


class TestReadAhead:
    span = Span(2 * BLOCK, BLOCK, 30)

    def test_everything_comes_in_order_and_what_cannot_be_read_is_named(self) -> None:
        class Volume(MemoryVolume):
            def read(self, offset_bytes: int, buffer: memoryview) -> int:
                if offset_bytes <= 9 * BLOCK < offset_bytes + len(buffer):
                    raise OSError(errno.EIO, "")
                time.sleep(0.002 * (offset_bytes // BLOCK % 3))
                return super().read(offset_bytes, buffer)

        volume = Volume(40 * BLOCK)
        for slot in range(40):
            volume.data[slot * BLOCK : (slot + 1) * BLOCK] = bytes([slot]) * BLOCK
        ahead = ReadAhead(volume, [self.span, Span(32 * BLOCK, 2 * BLOCK, 3)], [1, 0])
        found, unreadable = [], []
        while (piece := ahead.take()) is not None:
            size = ahead.spans[piece.stream].block_bytes
            unreadable += [(piece.stream, piece.first + index) for index in piece.unreadable]
            found += [(piece.stream, piece.first + i, piece.data[i * size]) for i in range(piece.count)]
            assert 0 < piece.times[0] <= piece.times[1]
            ahead.give_back(piece)
        ahead.close()
        assert unreadable == [(0, 7)]
        expected = [(0, slot, slot + 2) for slot in range(1, 30)] + [(1, slot, 32 + 2 * slot) for slot in range(3)]
        assert [entry for entry in found if entry[:2] != (0, 7)] == [e for e in expected if e[:2] != (0, 7)]

    def test_no_more_is_read_than_there_are_buffers_for(self) -> None:
        volume = MemoryVolume(40 * BLOCK)
        reads = []
        original = volume.read
        volume.read = lambda at, buffer: (reads.append(at), original(at, buffer))[1]  # type: ignore[method-assign]
        ahead = ReadAhead(volume, [self.span], ahead_bytes=1)
        assert ahead.buffers == READS_AT_ONCE
        pieces: list[Any] = [ahead.take() for _ in range(READS_AT_ONCE)]
        assert len(reads) == READS_AT_ONCE
        ahead.give_back(pieces[0])
        assert ahead.take().first == 4 * READS_AT_ONCE  # type: ignore[union-attr]
        assert len(reads) == READS_AT_ONCE + 1
        ahead.close()

    def test_memory_is_given_up_when_it_settles(self) -> None:
        ahead = ReadAhead(MemoryVolume(400 * BLOCK), [Span(0, BLOCK, 400)], ahead_bytes=4 * BLOCK * 50)
        assert ahead.buffers == 50
        pieces: list[Any] = [ahead.take() for _ in range(40)]
        for piece in pieces[:20]:
            ahead.give_back(piece)
        ahead.settle()
        for piece in pieces[20:]:
            ahead.give_back(piece)
        while (piece := ahead.take()) is not None:
            ahead.give_back(piece)
        assert len(ahead._free) == ahead._made == ahead.buffers == readahead.SETTLED_BUFFERS
        ahead.close()

    def test_what_a_read_raises_is_raised_by_who_takes_the_piece(self) -> None:
        volume = MemoryVolume(40 * BLOCK)
        volume.read = lambda at, buffer: 1 // 0  # type: ignore[method-assign]
        ahead = ReadAhead(volume, [self.span])
        with pytest.raises(ZeroDivisionError):
            ahead.take()
        ahead.close()

    def test_closing_ends_its_threads(self) -> None:
        ahead = ReadAhead(MemoryVolume(40 * BLOCK), [self.span], ahead_bytes=1)
        ahead.close()
        assert not any(thread.is_alive() for thread in ahead._threads)


def test_a_check_finds_the_same_early_and_late(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    volume, record = LosingVolume(SLOTS * BLOCK), tmp_path / "record"
    load_on(volume, record, RunRequest(STREAMS, seed=5, operations=60))
    volume.spoil()
    finish = EarlyLook.finish
    looked_at: list[tuple[int, int]] = []

    def found(early: bool) -> tuple[CheckResult, list[bytes]]:
        def finish_early(look: EarlyLook) -> Any:
            if early:
                look._thread.join(SECONDS)
            out = finish(look)
            looked_at.append((sum(len(o.checksums) > 0 for o in out), len(out)))
            return out

        with monkeypatch.context() as patch:
            patch.setattr(EarlyLook, "finish", finish_early)
            if not early:
                patch.setattr(observed, "EARLY_SLOTS_MAX", 0)
            result = check_on(volume, record)
        kept = (record / "specimens" / f"check-{result.folder.name}.bin").read_bytes()
        return result, sorted(kept[at : at + BLOCK] for at in range(0, len(kept), BLOCK))

    (first, first_kept), (second, second_kept) = found(early=True), found(early=False)
    assert looked_at == [(SLOTS // 4 - 3, SLOTS // 4), (0, 0)]
    assert first_kept == second_kept
    assert len(first_kept) > 5
    for name in ("verdict", "lost", "coverage", "writes"):
        assert first.verdict[name] == second.verdict[name]
    assert first.verdict["findings"]["lost"] > 5
    told = []
    for result in (first, second):
        rows = losses_of(result.folder)
        told.append([{**row, "seen_at": "", "detail": row["detail"].partition("; bytes")[0]} for row in rows])
    assert told[0] == told[1]


class TestBeforeAnythingElseIsLoaded:
    @pytest.fixture
    def record(self, tmp_path: Path) -> Path:
        write_here(tmp_path / "volume", tmp_path / "record", RunRequest(STREAMS, seed=5, operations=20))
        return tmp_path / "record"

    def test_nothing_is_read_while_a_run_may_still_write(self, record: Path) -> None:
        folder = RecordFolder(str(record))
        folder._take_lock()
        assert open_and_begin(str(record), None) is None
        folder.release()
        opened = open_and_begin(str(record), None)
        assert opened is not None
        assert opened.ahead is not None
        opened.close()

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "[]",
            '{"run": {"streams": [{"start_bytes": 0}]}}',
            '{"run": {"streams": [{"start_bytes": 0, "block_bytes": 0, "slots": 1}]}}',
        ],
    )
    def test_nothing_is_read_by_a_description_that_is_none(self, record: Path, text: str) -> None:
        (record / "run.json").write_text(text)
        assert open_and_begin(str(record), None) is None
        assert open_and_begin(str(record / "elsewhere"), None) is None

    def test_what_is_written_after_reading_began_is_seen_by_a_resumed_check(self, record: Path, tmp_path: Path) -> None:
        opened = open_and_begin(str(record), None)
        assert opened is not None
        with open(tmp_path / "volume", "r+b") as file:
            file.write(bytes(BLOCK))

        def interrupt(done: int, total: int) -> None:
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            check_record(RecordFolder.open(str(record)), opened, progress=interrupt)
        opened.close()
        again = open_and_begin(str(record), None)
        assert again is not None
        with pytest.raises(UsageError, match="no longer the same: the volume's state;"):
            check_record(RecordFolder.open(str(record)), again, resume=True)
        again.close()

    def test_a_check_goes_on_with_what_was_begun(self, record: Path) -> None:
        opened = open_and_begin(str(record), None)
        assert opened is not None
        before = threading.active_count()
        result = check_record(RecordFolder.open(str(record)), opened)
        assert threading.active_count() <= before
        assert result.verdict["coverage"]["bytes_read"] == SLOTS * BLOCK
        assert result.verdict["verdict"] == "INCONCLUSIVE"
        opened.close()
