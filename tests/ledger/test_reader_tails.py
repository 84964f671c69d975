"""What crashes leave at the end of a ledger: the whole frames count, and the torn rest is told."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from tests.ledger.slow_ledger import (
    CLOSE,
    MARK,
    OPEN,
    PART,
    TAG,
    Frame,
    Item,
    build,
    flat,
    items_of,
    read,
    slow_record,
    small_frames,
    writes,
)
from verify.ledger import reader
from verify.ledger.frames import HEADER_BYTES
from verify.ledger.reader import CHUNK_BYTES, SECTOR_BYTES, ZERO_TAIL_BYTES_MIN, LedgerFile, LedgerState


def whole_frames(frames: list[bytes], data: bytes) -> list[bytes]:
    """The frames that stand unchanged at the beginning of `data`."""
    count, end = 0, 0
    while count < len(frames) and data[end : end + len(frames[count])] == frames[count]:
        end += len(frames[count])
        count += 1
    return frames[:count]


def read_bytes(path: Path, data: bytes) -> tuple[list[Item], LedgerState]:
    path.unlink(missing_ok=True)  # Some file systems hold up who writes over a file.
    path.write_bytes(data)
    return read(path)


def frame_of(length: int) -> bytes:
    """The first frame of a ledger, an event, made so many bytes long."""
    rest = length - HEADER_BYTES - len(OPEN) - len(',"z":""')
    (frame,) = build([Frame(OPEN[:-1] + b',"z":"' + b"z" * rest + b'"}')])
    assert len(frame) == length
    return frame


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "001.ledger"


class TestCutShort:
    @pytest.mark.parametrize("closed", [True, False])
    def test_at_every_byte(self, path: Path, closed: bool) -> None:
        frames = build(small_frames(closed))
        data = b"".join(frames)
        ends = [sum(map(len, frames[:count])) for count in range(len(frames) + 1)]
        for cut in range(len(data) + 1):
            count = max(n for n, end in enumerate(ends) if end <= cut)
            found, state = read_bytes(path, data[:cut])
            assert found == items_of(frames[:count])
            assert (state.frames, state.good_bytes, state.size_bytes) == (count, ends[count], cut)
            assert state.damaged == ""
            assert state.closed == (closed and cut == len(data))
            rest = cut - ends[count]
            if not cut:
                assert state.torn == "the file is empty"
            elif rest:
                part = "header" if rest < HEADER_BYTES else "body"
                assert state.torn == f"frame {count} at byte {ends[count]} ends within its {part}"
            else:
                assert state.torn == ""

    def test_what_it_opened_and_closed_with_is_told(self, path: Path) -> None:
        frames = build(small_frames())
        _, state = read_bytes(path, b"".join(frames))
        assert state.opening == json.loads(OPEN)
        assert state.closing == json.loads(CLOSE)
        _, state = read_bytes(path, b"".join(frames[:-1]))
        assert (state.opening, state.closing) == (json.loads(OPEN), {})

    def test_an_earlier_pass_can_set_the_end(self, path: Path) -> None:
        """A file that grew since is read as far as it was then."""
        frames = build(small_frames())
        path.write_bytes(b"".join(frames))
        for count in range(len(frames) + 1):
            file = LedgerFile(str(path), TAG, PART, end_bytes=sum(map(len, frames[:count])))
            found = [one for item in file.items() for one in flat(item)]
            assert found == items_of(frames[:count])
            assert file.state.frames == count
            assert file.state.damaged == ""


class TestZeroFilled:
    """A crash may leave a file in its new length, and its last sectors never written."""

    FRAMES = build([*small_frames(closed=False), Frame(writes(0, 4, 60)), Frame(MARK), Frame(writes(1, 7, 25))])
    DATA = b"".join(FRAMES)

    def assert_torn(self, path: Path, data: bytes) -> None:
        kept = whole_frames(self.FRAMES, data)
        found, state = read_bytes(path, data)
        assert found == items_of(kept)
        assert state.good_bytes == sum(map(len, kept))
        assert state.damaged == ""
        assert state.torn.startswith(f"frame {len(kept)} at byte {state.good_bytes} "), data[-40:]

    def test_from_every_sector_on(self, path: Path) -> None:
        assert len(self.DATA) > 6 * SECTOR_BYTES
        for start in range(0, len(self.DATA) - ZERO_TAIL_BYTES_MIN, SECTOR_BYTES):
            self.assert_torn(path, self.DATA[:start] + bytes(len(self.DATA) - start))

    @pytest.mark.parametrize("grown", [16, 71, 72, 512, 4096, 100_000, 3 << 20])
    def test_from_every_sector_on_in_a_file_that_grew_further(self, path: Path, grown: int) -> None:
        for start in range(0, len(self.DATA), SECTOR_BYTES):
            self.assert_torn(path, self.DATA[:start] + bytes(len(self.DATA) - start + grown))

    def test_from_the_end_of_every_frame_on(self, path: Path) -> None:
        end = 0
        for frame in self.FRAMES:
            end += len(frame)
            for grown in (1, 71, 72, 511, 4096):
                self.assert_torn(path, self.DATA[:end] + bytes(grown))

    def test_from_the_end_of_a_frame_that_ends_in_zero_bytes_itself(self, path: Path) -> None:
        frames = build([Frame(OPEN), Frame(slow_record(8, 0, 4, 5, 0))])
        assert frames[1].endswith(bytes(7))
        found, state = read_bytes(path, b"".join(frames) + bytes(1000))
        assert found == items_of(frames)
        assert state.torn == f"frame 2 at byte {sum(map(len, frames))} was never written"

    def test_what_the_reason_says(self, path: Path) -> None:
        start = -(-len(b"".join(self.FRAMES[:6])) // SECTOR_BYTES) * SECTOR_BYTES
        _, state = read_bytes(path, self.DATA[:start] + bytes(len(self.DATA) - start))
        assert state.torn == f"frame {state.frames} at byte {state.good_bytes} was written in part"
        _, state = read_bytes(path, bytes(4096))
        assert state.torn == "frame 0 at byte 0 was never written"

    def test_but_not_from_within_a_sector_is_damage(self, path: Path) -> None:
        ends = {sum(map(len, self.FRAMES[:count])) for count in range(len(self.FRAMES) + 1)}
        for start in range(1, len(self.DATA) - 600, 61):
            data = self.DATA[:start] + bytes(len(self.DATA) - start)
            content_end = len(data.rstrip(b"\0"))
            boundary = -(-content_end // SECTOR_BYTES) * SECTOR_BYTES
            kept = whole_frames(self.FRAMES, data)
            found, state = read_bytes(path, data)
            assert found == items_of(kept)
            low = state.good_bytes
            frame_end = low + len(self.FRAMES[len(kept)])
            damaged_header = data[low : low + HEADER_BYTES] != self.DATA[low : low + HEADER_BYTES]
            reach = low + HEADER_BYTES if damaged_header else frame_end
            if content_end <= low or start in ends or boundary < reach:
                assert (state.damaged, bool(state.torn)) == ("", True), start
            else:
                assert (bool(state.damaged), state.torn) == (True, ""), start

    @pytest.mark.parametrize("end", [2 * SECTOR_BYTES - 1, 2 * SECTOR_BYTES, 2 * SECTOR_BYTES + 1])
    @pytest.mark.parametrize("grown", [ZERO_TAIL_BYTES_MIN, 4096])
    def test_but_only_behind_a_frame_is_damage_of_the_frame(self, path: Path, end: int, grown: int) -> None:
        """One that ends with its sector, or a byte before or behind that, was written to its end."""
        for place in (0, end // 2, end - 1):
            damaged = bytearray(frame_of(end) + bytes(grown))
            damaged[place] ^= 1
            found, state = read_bytes(path, bytes(damaged))
            assert (found, state.torn) == ([], ""), place
            assert state.damaged.startswith("frame 0 at byte 0: the "), place

    @pytest.mark.parametrize("zeros", [1, ZERO_TAIL_BYTES_MIN - 1, ZERO_TAIL_BYTES_MIN, ZERO_TAIL_BYTES_MIN + 1])
    def test_but_fewer_zero_bytes_than_a_record_may_end_with_are_damage(self, path: Path, zeros: int) -> None:
        frame = frame_of(2 * SECTOR_BYTES + zeros)
        found, state = read_bytes(path, frame[: 2 * SECTOR_BYTES] + bytes(zeros))
        assert found == []
        assert (bool(state.torn), bool(state.damaged)) == (zeros >= ZERO_TAIL_BYTES_MIN, zeros < ZERO_TAIL_BYTES_MIN)

    def test_but_a_hole_before_later_content_is_damage(self, path: Path) -> None:
        for start in range(0, len(self.DATA) - 2 * SECTOR_BYTES, SECTOR_BYTES):
            data = self.DATA[:start] + bytes(SECTOR_BYTES) + self.DATA[start + SECTOR_BYTES :]
            kept = whole_frames(self.FRAMES, data)
            found, state = read_bytes(path, data)
            assert found == items_of(kept)
            assert state.damaged
            assert state.torn == ""

    def test_but_a_closed_file_has_no_tail(self, path: Path) -> None:
        frames = build(small_frames())
        _, state = read_bytes(path, b"".join(frames) + bytes(4096))
        assert "stands after the close" in state.damaged


class TestLongFiles:
    @pytest.mark.parametrize(
        ("most", "stretches"), [(1, [1] * 7), (2, [2, 2, 2, 1]), (3, [3, 3, 1]), (7, [7]), (8, [7])]
    )
    def test_a_stretch_ends_with_the_frame_that_fills_it(
        self, path: Path, monkeypatch: pytest.MonkeyPatch, most: int, stretches: list[int]
    ) -> None:
        """Or it would take more memory than it was given; here each frame holds one record."""
        monkeypatch.setattr(reader, "CHUNK_BYTES", most * 24)
        path.write_bytes(b"".join(build([Frame(writes(0, number, 1)) for number in range(7)])))
        assert [len(item) for item in LedgerFile(str(path), TAG, PART).items()] == stretches

    def test_records_come_in_stretches_that_join_to_all_of_them(self, path: Path) -> None:
        """More records than one stretch, in frames of odd sizes, with events between some of them."""
        draw = random.Random(8)
        frames, total = [Frame(OPEN)], 0
        while total * 24 < 2.5 * CHUNK_BYTES:
            count = draw.randrange(1, 60_000)
            frames.append(Frame(writes(0, total, 1) + slow_record(1, 0, total + 1, 7, 8) * (count - 1)))
            total += count
            if draw.random() < 0.1:
                frames.append(Frame(MARK))
        path.write_bytes(b"".join(build(frames)))
        file = LedgerFile(str(path), TAG, PART)
        stretches, events = [], 0
        for item in file.items():
            if isinstance(item, dict):
                events += 1
            else:
                stretches.append(item)
        assert sum(map(len, stretches)) == total
        assert events == sum(frame.body[:1] == b"{" for frame in frames)
        assert max(map(len, stretches)) * 24 < CHUNK_BYTES + 60_000 * 24
        assert len(stretches) >= 3
        firsts = [int(s) for stretch in stretches for s in stretch.sequence[stretch.issued_ns != 7]]
        assert firsts == sorted(firsts)
        assert len(firsts) == len(frames) - events
