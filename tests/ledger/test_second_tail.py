"""A ledger file read as it grows: whole frames and nothing else, and since when something waits."""

from __future__ import annotations

import os
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.ledger.slow_ledger import OPEN, Frame, build, writes
from verify.ledger import second_tail
from verify.ledger.frames import HEADER_BYTES, RECORD_BYTES
from verify.ledger.second_tail import Tail

FRAMES = build([Frame(OPEN), *(Frame(writes(0, 10 * number, 1 + number)) for number in range(6))])
WHOLE = b"".join(FRAMES)
WINDOW = 1000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "001.ledger"


@pytest.fixture
def tail(path: Path) -> Iterator[Tail]:
    made = Tail(str(path))
    yield made
    made.close()


def frame_of(records: int) -> bytes:
    (frame,) = build([Frame(writes(0, 0, records))])
    return frame


def seen(tail: Tail, path: Path, content: bytes) -> Tail:
    """The same tail, after the file became that and was looked at."""
    path.write_bytes(content)
    tail.look(0.0)
    return tail


class TestTheFile:
    def test_before_anything_was_looked_at(self, tail: Tail, path: Path) -> None:
        assert (tail.path, tail.name) == (str(path), "001.ledger")
        assert (tail.written, tail.sent, tail.confirmed, tail.refused) == (0, 0, 0, "")
        assert (tail.waiting_since(), tail.whole_frames()) == (None, b"")

    def test_it_need_not_be_there_yet(self, tail: Tail, path: Path) -> None:
        tail.look(1.0)
        assert (tail.written, tail.whole_frames()) == (0, b"")
        path.write_bytes(WHOLE)
        assert tail.whole_frames() == b"", "it was not looked at since"
        tail.look(2.0)
        assert (tail.written, tail.whole_frames(), tail.waiting_since()) == (len(WHOLE), WHOLE, 2.0)

    def test_one_that_cannot_be_opened_is_an_os_error(self, path: Path) -> None:
        (path.parent / "file").write_bytes(b"")
        with pytest.raises(NotADirectoryError):
            Tail(str(path.parent / "file" / "001.ledger")).look(1.0)

    def test_it_is_the_same_file_for_good_and_is_given_back(self, path: Path) -> None:
        files = os.listdir("/proc/self/fd")
        tail = seen(Tail(str(path)), path, WHOLE)
        os.replace(path, f"{path}.moved")
        path.write_bytes(b"")
        tail.look(1.0)
        assert tail.whole_frames() == WHOLE
        tail.close()
        assert os.listdir("/proc/self/fd") == files


class TestFrames:
    @pytest.mark.parametrize("beyond", [0, 1, 4, HEADER_BYTES - 1, HEADER_BYTES, HEADER_BYTES + 1])
    def test_what_is_there_in_part_is_left_for_later(self, tmp_path: Path, beyond: int) -> None:
        for count in range(len(FRAMES)):
            path = tmp_path / f"{count:03d}.ledger"
            kept = len(b"".join(FRAMES[:count]))
            tail = seen(Tail(str(path)), path, WHOLE[: kept + beyond])
            assert tail.whole_frames() == WHOLE[:kept]
            assert tail.sent == 0, "it is sent when the caller says so"
            tail.sent = kept
            with path.open("ab") as file:
                file.write(WHOLE[kept + beyond :])
            tail.look(1.0)
            assert tail.whole_frames() == WHOLE[kept:]
            tail.sent = len(WHOLE)
            assert tail.whole_frames() == b""
            tail.close()

    def test_a_frame_without_a_body_is_one(self, tail: Tail, path: Path) -> None:
        (empty,) = build([Frame(b"", kind=1)])
        assert len(empty) == HEADER_BYTES
        assert seen(tail, path, empty).whole_frames() == empty

    def test_as_many_as_fit_are_given_at_once(self, tail: Tail, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Each of 96 bytes: ten fit in 1000."""
        monkeypatch.setattr(second_tail, "FRAMES_BYTES", WINDOW)
        small = frame_of(1) * 25
        seen(tail, path, small)
        given = []
        while frames := tail.whole_frames():
            given.append(len(frames) // 96)
            assert frames == small[tail.sent : tail.sent + len(frames)]
            tail.sent += len(frames)
        assert given == [10, 10, 5]

    @pytest.mark.parametrize("records", [38, 39, 40, 4000])
    def test_one_that_is_longer_than_that_comes_alone(
        self, tail: Tail, path: Path, monkeypatch: pytest.MonkeyPatch, records: int
    ) -> None:
        """Of 984, 1008, 1032 and 96,072 bytes, before others and behind them, and alone in the file."""
        monkeypatch.setattr(second_tail, "FRAMES_BYTES", WINDOW)
        long, small = frame_of(records), frame_of(1)
        assert seen(tail, path, long + small).whole_frames() == long
        assert seen(tail, path, small + long).whole_frames() == small
        tail.sent = len(small)
        assert tail.whole_frames() == long
        for length in (HEADER_BYTES, len(long) - RECORD_BYTES, len(long) - 1):
            assert seen(tail, path, small + long[:length]).whole_frames() == b""

    def test_one_that_was_cut_since_the_look_is_left_for_later(self, tail: Tail, path: Path) -> None:
        """As when half a frame is taken back from a full disk."""
        long = frame_of(4000)
        assert len(long) > second_tail.FRAMES_BYTES
        seen(tail, path, long)
        for length in (len(long) - 1, second_tail.FRAMES_BYTES, HEADER_BYTES, HEADER_BYTES - 1, 0):
            os.truncate(path, length)
            assert tail.whole_frames() == b""

    @pytest.mark.parametrize("count", range(3))
    @pytest.mark.parametrize(
        "other",
        [
            b"\x55" * 200,
            bytes(72),
            build([Frame(writes(0, 0, 3), magic=b"aKlh")])[0],
            build([Frame(writes(0, 0, 3), magic=b"bKlg")])[0],
            FRAMES[1][:8] + b"\x01" + FRAMES[1][9:],
            FRAMES[1][:64] + bytes([FRAMES[1][64] ^ 1]) + FRAMES[1][65:],
            FRAMES[1][:71] + bytes([FRAMES[1][71] ^ 0x80]) + FRAMES[1][72:],
        ],
        ids=["noise", "zeros", "other magic", "another magic", "other length", "other check", "other end of the check"],
    )
    def test_what_is_none_is_told_when_all_before_it_was_given(
        self, tail: Tail, path: Path, count: int, other: bytes
    ) -> None:
        before = b"".join(FRAMES[:count])
        seen(tail, path, before + other)
        if before:
            assert tail.whole_frames() == before
        tail.sent = len(before)
        with pytest.raises(ValueError, match=rf"^001\.ledger holds no frame at byte {len(before)}$"):
            tail.whole_frames()

    def test_nothing_is_given_of_a_part_that_is_refused(self, tail: Tail, path: Path) -> None:
        seen(tail, path, WHOLE).refused = "001.ledger holds other bytes"
        assert tail.whole_frames() == b""

    @pytest.mark.parametrize("body_bytes", [len(WHOLE), 2**31, 2**32 - 1])
    def test_a_length_that_lies_costs_no_memory(self, tail: Tail, path: Path, body_bytes: int) -> None:
        lie = build([Frame(writes(0, 0, 3), body_bytes=body_bytes)])[0]
        seen(tail, path, lie)
        tracemalloc.start()
        try:
            assert tail.whole_frames() == b""
            assert tracemalloc.get_traced_memory()[1] < 2 * second_tail.FRAMES_BYTES
        finally:
            tracemalloc.stop()


class Growing:
    """A file of any length that grows or shrinks, looked at each time, and what of it is confirmed."""

    def __init__(self, path: Path) -> None:
        path.write_bytes(b"")
        self._path = path
        self.tail = Tail(str(path))

    def becomes(self, size: int, now: float) -> Growing:
        os.truncate(self._path, size)
        self.tail.look(now)
        assert self.tail.written == size
        return self

    def confirmed(self, up_to: int) -> float | None:
        """Since when something waits, once so much of it is confirmed."""
        self.tail.confirm(up_to)
        assert self.tail.confirmed == up_to
        return self.tail.waiting_since()


@pytest.fixture
def growing(path: Path) -> Iterator[Growing]:
    made = Growing(path)
    yield made
    made.tail.close()


class TestWaiting:
    def test_it_is_since_the_first_byte_that_is_not_confirmed_was_seen(self, growing: Growing) -> None:
        growing.becomes(100, 1.0).becomes(250, 2.0).becomes(250, 3.0).becomes(300, 4.0)
        assert growing.tail.waiting_since() == 1.0
        told = [growing.confirmed(up_to) for up_to in (99, 100, 101, 249, 250, 299, 300)]
        assert told == [1.0, 2.0, 2.0, 2.0, 4.0, 4.0, None]
        assert growing.becomes(300, 5.0).tail.waiting_since() is None
        assert growing.becomes(301, 6.0).tail.waiting_since() == 6.0

    def test_nothing_waits_where_more_is_confirmed_than_was_seen(self, growing: Growing) -> None:
        """What is sent is read behind the last look, too."""
        growing.becomes(100, 1.0)
        assert growing.confirmed(150) is None
        assert growing.becomes(150, 2.0).tail.waiting_since() is None
        assert growing.becomes(151, 3.0).tail.waiting_since() == 3.0

    def test_half_a_frame_that_was_taken_back_never_waited(self, growing: Growing) -> None:
        """A full disk: a frame in part comes and goes, and one that fits comes long after."""
        growing.becomes(100, 1.0)
        assert growing.confirmed(100) is None
        assert growing.becomes(130, 2.0).tail.waiting_since() == 2.0
        assert growing.becomes(100, 3.0).tail.waiting_since() is None
        assert growing.becomes(196, 900.0).tail.waiting_since() == 900.0

    def test_whole_frames_before_half_a_frame_that_was_taken_back_go_on_waiting(self, growing: Growing) -> None:
        growing.becomes(100, 1.0).becomes(130, 2.0).becomes(120, 3.0).becomes(150, 4.0)
        assert [growing.confirmed(up_to) for up_to in (0, 100, 119, 120, 150)] == [1.0, 2.0, 2.0, 4.0, None]

    def test_a_file_that_is_long_unconfirmed_is_told_as_waiting_since_its_beginning(
        self, growing: Growing, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Of more lengths than are to be kept, every second of the older half is forgotten."""
        monkeypatch.setattr(second_tail, "_SAMPLES_MAX", 8)
        for look in range(1, 9):
            growing.becomes(10 * look, float(look))
        growing.becomes(90, 9.0)
        told = [growing.confirmed(10 * look) for look in range(10)]
        assert told == [1.0, 3.0, 3.0, 5.0, 5.0, 6.0, 7.0, 8.0, 9.0, None]

    def test_so_many_lengths_are_kept_exactly(self, growing: Growing, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(second_tail, "_SAMPLES_MAX", 8)
        for look in range(1, 9):
            growing.becomes(10 * look, float(look))
        assert [growing.confirmed(10 * look) for look in range(8)] == [float(look + 1) for look in range(8)]

    def test_however_long_it_costs_no_memory(self, growing: Growing, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(second_tail, "_SAMPLES_MAX", 8)
        tracemalloc.start()
        try:
            for look in range(1, 2000):
                growing.becomes(1000 + look, float(look))
            assert tracemalloc.get_traced_memory()[0] < 20_000
        finally:
            tracemalloc.stop()
        assert growing.tail.waiting_since() == 1.0
