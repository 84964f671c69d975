"""Ledger files damaged in every way: told where, never silently taken, never an exception but OSError."""

from __future__ import annotations

import json
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from xxhash import xxh3_64_intdigest

from tests.ledger.slow_ledger import (
    CLOSE,
    MARK,
    OPEN,
    PART,
    TAG,
    Frame,
    Item,
    build,
    chain_start,
    flat,
    items_of,
    number,
    read,
    slow_record,
    small_frames,
    writes,
)
from verify.ledger.frames import BODY_BYTES_MAX, RECORDS_MAX, Records
from verify.ledger.reader import LedgerFile, LedgerState

FRAMES = build(small_frames())
WHOLE = b"".join(FRAMES)
STARTS = [sum(map(len, FRAMES[:index])) for index in range(len(FRAMES) + 1)]


def read_bytes(path: Path, data: bytes | bytearray) -> tuple[list[Item], LedgerState]:
    path.unlink(missing_ok=True)  # Some file systems hold up who writes over a file.
    path.write_bytes(data)
    return read(path)


def assert_kept(found: list[Item], state: LedgerState, frames: list[bytes]) -> None:
    """Exactly these frames were taken, and the state says so."""
    assert found == items_of(frames)
    assert (state.frames, state.good_bytes) == (len(frames), sum(map(len, frames)))
    assert state.head == (blake3(frames[-1]).hexdigest() if frames else "")
    assert state.closed == (bool(frames) and frames[-1].endswith(CLOSE))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "001.ledger"


class TestFlips:
    @pytest.mark.parametrize("change", [0x01, 0x10, 0x80, 0xFF])
    def test_any_changed_byte_is_damage_in_its_frame(self, path: Path, change: int) -> None:
        for place in range(len(WHOLE)):
            index = max(i for i, start in enumerate(STARTS) if start <= place)
            damaged = bytearray(WHOLE)
            damaged[place] ^= change
            found, state = read_bytes(path, damaged)
            assert_kept(found, state, FRAMES[:index])
            assert state.damaged.startswith(f"frame {index} at byte {STARTS[index]}: the "), place
            assert state.torn == "", place

    def test_any_flipped_bit_of_a_length_is_damage_and_no_torn_tail(self, path: Path) -> None:
        for index, start in enumerate(STARTS[:-1]):
            for bit in range(32):
                damaged = bytearray(WHOLE)
                damaged[start + 8 + bit // 8] ^= 1 << bit % 8
                found, state = read_bytes(path, damaged)
                assert_kept(found, state, FRAMES[:index])
                assert state.damaged == f"frame {index} at byte {start}: the header does not match its checksum"
                assert state.torn == ""

    @pytest.mark.parametrize("padding", range(520))
    def test_a_changed_body_before_zero_bytes_of_its_own_is_damage(self, path: Path, padding: int) -> None:
        """Wherever the file ends: the last record's time ends with zero bytes, as a zero-filled tail does."""
        opening = OPEN[:-1] + b',"z":"' + b"z" * padding + b'"}'
        record = slow_record(7, 1, 7, 61_000_100_000, 4)
        assert record.endswith(bytes(3))
        data = bytearray(b"".join(build([Frame(opening), Frame(writes(0, 0, 30) + record)])))
        data[-100] ^= 1
        found, state = read_bytes(path, data)
        assert "frame 1 at byte" in state.damaged
        assert state.torn == ""
        assert found == [json.loads(opening)]

    def test_two_bytes_changed_anywhere_are_damage_at_the_first(self, path: Path) -> None:
        for first in range(0, len(WHOLE), 13):
            for second in (first + 7, first + 200):
                if second < len(WHOLE):
                    damaged = bytearray(WHOLE)
                    damaged[first] ^= 0x55
                    damaged[second] ^= 0x55
                    index = max(i for i, start in enumerate(STARTS) if start <= first)
                    found, state = read_bytes(path, damaged)
                    assert_kept(found, state, FRAMES[:index])
                    assert state.damaged
                    assert not state.torn


class TestFramesOutOfPlace:
    def test_two_frames_in_each_others_place(self, path: Path) -> None:
        for one in range(len(FRAMES)):
            for other in range(one):
                frames = list(FRAMES)
                frames[one], frames[other] = frames[other], frames[one]
                found, state = read_bytes(path, b"".join(frames))
                assert_kept(found, state, FRAMES[:other])
                assert state.damaged == f"frame {other} at byte {STARTS[other]}: it is numbered {one}"

    def test_a_frame_left_out(self, path: Path) -> None:
        for index in range(len(FRAMES) - 1):
            found, state = read_bytes(path, b"".join(FRAMES[:index] + FRAMES[index + 1 :]))
            assert_kept(found, state, FRAMES[:index])
            assert state.damaged == f"frame {index} at byte {STARTS[index]}: it is numbered {index + 1}"

    def test_the_last_frame_left_out_leaves_an_open_end(self, path: Path) -> None:
        found, state = read_bytes(path, b"".join(FRAMES[:-1]))
        assert_kept(found, state, FRAMES[:-1])
        assert (state.closed, state.torn, state.damaged) == (False, "", "")

    def test_a_frame_doubled(self, path: Path) -> None:
        for index in range(len(FRAMES) - 1):
            found, state = read_bytes(path, b"".join(FRAMES[: index + 1] + FRAMES[index:]))
            assert_kept(found, state, FRAMES[: index + 1])
            assert state.damaged == f"frame {index + 1} at byte {STARTS[index + 1]}: it is numbered {index}"

    @pytest.mark.parametrize(("tag", "part"), [(TAG, PART + 1), (TAG + 1, PART), (TAG, 0), (0, 0)])
    def test_frames_of_another_part_or_run(self, path: Path, tag: int, part: int) -> None:
        others = build(small_frames(), tag, part)
        for index in range(len(FRAMES)):
            for spliced in (FRAMES[:index] + others[index:], [*FRAMES[:index], others[index], *FRAMES[index + 1 :]]):
                found, state = read_bytes(path, b"".join(spliced))
                assert_kept(found, state, FRAMES[:index])
                wanted = f"frame {index} at byte {STARTS[index]}: it does not follow the frame before it"
                assert state.damaged == wanted
        path.write_bytes(b"".join(others))
        assert read(path, tag, part)[0] == items_of(FRAMES)

    def test_a_frame_of_a_longer_ledger_of_the_same_part(self, path: Path) -> None:
        """The same run begun in another way: right number, right checksums, another past."""
        others = build([Frame(MARK), *small_frames()[1:]])
        for index in range(1, len(FRAMES)):
            found, state = read_bytes(path, b"".join([*FRAMES[:index], *others[index:]]))
            assert_kept(found, state, FRAMES[:index])
            assert "does not follow" in state.damaged

    @pytest.mark.parametrize(
        "rest", [b"x", bytes(1), bytes(71), bytes(4096), FRAMES[1], Frame(MARK).encode(8, blake3(FRAMES[-1]).digest())]
    )
    def test_anything_after_the_close(self, path: Path, rest: bytes) -> None:
        found, state = read_bytes(path, WHOLE + rest)
        assert_kept(found, state, FRAMES)
        assert state.damaged == f"frame {len(FRAMES)} at byte {len(WHOLE)} stands after the close"
        assert (state.closed, state.torn) == (True, "")


def forged(index: int, frame: Frame) -> list[bytes]:
    """The small ledger with one frame replaced, everything after it numbered and chained anew."""
    frames = small_frames()
    frames[index] = frame
    return build(frames)


LIES: dict[str, tuple[int, Frame, str]] = {
    "magic": (1, Frame(writes(0, 0, 3), magic=b"aKpf"), "this is no ledger frame"),
    "version 0": (1, Frame(writes(0, 0, 3), version=0), "version 0 of the format is not known"),
    "version 2": (1, Frame(writes(0, 0, 3), version=2), "version 2 of the format is not known"),
    "kind 0": (1, Frame(writes(0, 0, 3), kind=0), "frame kind 0 is not known"),
    "kind 3": (1, Frame(writes(0, 0, 3), kind=3), "frame kind 3 is not known"),
    "kind 255": (1, Frame(writes(0, 0, 3), kind=255), "frame kind 255 is not known"),
    "reserved": (1, Frame(writes(0, 0, 3), reserved=256), "its reserved bytes are not zero"),
    "number": (1, Frame(writes(0, 0, 3), number=2), "it is numbered 2"),
    "number in the upper half": (1, Frame(writes(0, 0, 3), number=1 + 2**32), "it is numbered 4294967297"),
    "before": (1, Frame(writes(0, 0, 3), before=bytes(32)), "it does not follow the frame before it"),
    "before all": (0, Frame(OPEN, before=chain_start(TAG, PART + 1)), "it does not follow the frame before it"),
    "body check": (1, Frame(writes(0, 0, 3), body_check=0), "the body does not match its checksum"),
    "body of no records": (1, Frame(b"", kind=1), "0 records do not make 0 bytes"),
    "a record too many": (1, Frame(writes(0, 0, 3), records=4), "4 records do not make 72 bytes"),
    "a record too few": (1, Frame(writes(0, 0, 3), records=2), "2 records do not make 72 bytes"),
    "records beyond 32 bits": (1, Frame(writes(0, 0, 3), records=3 + 2**31), "do not make 72 bytes"),
    "half a record": (1, Frame(writes(0, 0, 3)[:-12]), "2 records do not make 60 bytes"),
    "longer by a record": (1, Frame(writes(0, 0, 3), body_bytes=96), "3 records do not make 96 bytes"),
    "longer by a record, both": (
        1, Frame(writes(0, 0, 3), body_bytes=96, records=4), "the body does not match its checksum",
    ),
    "shorter by a record, both": (
        1, Frame(writes(0, 0, 3), body_bytes=48, records=2), "the body does not match its checksum",
    ),
    "far too long": (1, Frame(writes(0, 0, 3), body_bytes=2**32 - 1), "a body of 4294967295 bytes is too long"),
    "too long by one": (3, Frame(MARK, body_bytes=BODY_BYTES_MAX + 1), "a body of 16777217 bytes is too long"),
    "two events": (3, Frame(MARK, records=2), "it says 2 where one event stands"),
    "no event": (3, Frame(MARK, records=0), "it says 0 where one event stands"),
    "an event said to be records": (3, Frame(MARK, kind=1, records=2), "2 records do not make 60 bytes"),
    "records said to be an event": (1, Frame(writes(0, 0, 3), kind=2), "the event is not JSON"),
    "an empty event": (3, Frame(b"", kind=2), "the event is not JSON"),
    "no object": (3, Frame(b"[1]"), "the event is not a JSON object"),
    "text": (3, Frame(b'"open"'), "the event is not a JSON object"),
    "a doubled key": (3, Frame(b'{"event":"mark","event":"stop"}'), "not spelled as this format spells it"),
    "no finite number": (3, Frame(b'{"event":NaN}'), "a number of the event is not finite"),
    "a huge number": (3, Frame(b'{"event":1' + b"0" * 400 + b"}"), "a number of the event needs more than 64 bits"),
    "a number of too many digits": (3, Frame(b'{"event":1' + b"0" * 9000 + b"}"), "the event is not JSON"),
    "half a surrogate pair": (3, Frame(b'{"event":"\\ud800"}'), "not spelled as this format spells it"),
    "no UTF-8": (3, Frame(b'{"event":"\xff"}'), "the event is not JSON"),
    "deep nesting": (3, Frame(b'{"event":' + b"[" * 17 + b"]" * 17 + b"}"), "nested deeper than 16 levels"),
    "bottomless nesting": (3, Frame(b'{"event":' + b"[" * 500_000), "the event is not JSON"),
}  # fmt: skip


class TestLiesWithRightChecksums:
    @pytest.mark.parametrize("name", LIES)
    def test_a_frame_that_lies_is_damage_and_named(self, path: Path, name: str) -> None:
        index, frame, said = LIES[name]
        frames = forged(index, frame)
        found, state = read_bytes(path, b"".join(frames))
        assert_kept(found, state, frames[:index])
        assert state.damaged.startswith(f"frame {index} at byte {STARTS[index]}: ")
        assert state.damaged.endswith(said)
        assert state.torn == ""

    def test_a_length_made_shorter_with_all_its_checksums_is_damage_behind_it(self, path: Path) -> None:
        body = writes(0, 0, 3)
        short = Frame(body[:48]).encode(1, blake3(FRAMES[0]).digest())
        found, state = read_bytes(path, FRAMES[0] + short + body[48:] + b"".join(FRAMES[2:]))
        assert_kept(found, state, [FRAMES[0], short])
        assert state.damaged == f"frame 2 at byte {len(FRAMES[0] + short)}: the header does not match its checksum"

    @pytest.mark.parametrize(
        ("index", "extra"), [(1, 24 * 1000), (3, 10_000), (3, BODY_BYTES_MAX - len(small_frames()[3].body))]
    )
    def test_a_length_beyond_the_end_of_the_file_looks_torn_and_closes_nothing(
        self, path: Path, index: int, extra: int
    ) -> None:
        body = small_frames()[index].body
        records = (len(body) + extra) // 24 if index == 1 else 1
        frames = forged(index, replace(small_frames()[index], body_bytes=len(body) + extra, records=records))
        found, state = read_bytes(path, b"".join(frames))
        assert_kept(found, state, frames[:index])
        assert state.torn == f"frame {index} at byte {STARTS[index]} ends within its body"
        assert not state.closed


class TestGarbage:
    SETTINGS = settings(max_examples=250, suppress_health_check=[HealthCheck.function_scoped_fixture])

    @SETTINGS
    @given(st.binary(max_size=400))
    def test_alone(self, path: Path, garbage: bytes) -> None:
        found, state = read_bytes(path, garbage)
        assert_kept(found, state, [])
        assert state.torn or state.damaged

    @SETTINGS
    @given(st.binary(min_size=1, max_size=400), st.integers(0, len(FRAMES) - 1))
    def test_behind_whole_frames(self, path: Path, garbage: bytes, count: int) -> None:
        found, state = read_bytes(path, b"".join(FRAMES[:count]) + garbage)
        assert_kept(found, state, FRAMES[:count])
        assert bool(state.torn) != bool(state.damaged)

    @SETTINGS
    @given(st.binary(max_size=300), st.integers(0, 3), st.integers(0, 20))
    def test_in_a_body_with_right_checksums(self, path: Path, garbage: bytes, kind: int, records: int) -> None:
        frame = Frame(garbage, kind=kind, records=records).encode(1, blake3(FRAMES[0]).digest())
        found, state = read_bytes(path, FRAMES[0] + frame)
        if kind == 1 and records and len(garbage) == 24 * records:
            assert (state.frames, state.torn, state.damaged) == (2, "", "")
        else:
            assert_kept(found, state, FRAMES[:1])
            assert state.damaged

    @SETTINGS
    @given(st.lists(st.tuples(st.integers(0, 63), st.integers(0, 255)), min_size=1, max_size=4))
    def test_in_a_header_with_a_right_checksum(self, path: Path, changes: list[tuple[int, int]]) -> None:
        header = bytearray(FRAMES[1][:64])
        for place, value in changes:
            header[place] = value
        frame = bytes(header) + number(xxh3_64_intdigest(bytes(header)), 8) + FRAMES[1][72:]
        found, state = read_bytes(path, FRAMES[0] + frame + b"".join(FRAMES[2:]))
        if frame == FRAMES[1]:
            assert_kept(found, state, FRAMES)
        else:
            assert_kept(found, state, FRAMES[:1])
            assert bool(state.torn) != bool(state.damaged)

    @SETTINGS
    @given(
        st.lists(
            st.tuples(st.sampled_from("dcfx"), st.integers(0, len(WHOLE) - 1), st.integers(1, 200)),
            min_size=1,
            max_size=3,
        )
    )
    def test_pieces_cut_out_doubled_zeroed_or_changed(self, path: Path, edits: list[tuple[str, int, int]]) -> None:
        data = WHOLE
        for kind, at, length in edits:
            piece = data[at : at + length]
            new = {"d": piece + piece, "c": b"", "f": bytes(len(piece)), "x": bytes(b ^ 0x2A for b in piece)}[kind]
            data = data[:at] + new + data[at + length :]
        found, state = read_bytes(path, data)
        count = max(n for n in range(len(FRAMES) + 1) if data[: STARTS[n]] == WHOLE[: STARTS[n]])
        assert_kept(found, state, FRAMES[:count])
        assert (state.torn or state.damaged) or data == b"".join(FRAMES[:count])
        assert not (state.torn and state.damaged)


class TestTheEdgeOfTheSystem:
    def test_the_state_names_its_file_before_and_after_it_was_read(self, path: Path) -> None:
        path.write_bytes(WHOLE)
        file = LedgerFile(str(path), TAG, PART)
        assert file.state == LedgerState(str(path))
        assert list(file.heads()) == [blake3(frame).hexdigest() for frame in FRAMES]
        assert file.state.path == str(path)

    def test_a_file_that_is_not_there_is_an_os_error(self, path: Path) -> None:
        with pytest.raises(FileNotFoundError):
            read(path)

    def test_a_folder_is_an_os_error(self, tmp_path: Path) -> None:
        with pytest.raises(IsADirectoryError):
            read(tmp_path)

    def test_an_error_in_the_middle_comes_after_everything_before_it(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path.write_bytes(WHOLE)
        file = LedgerFile(str(path), TAG, PART)
        whole = LedgerFile._frames

        def failing(self: LedgerFile) -> Iterator[bytes | dict[str, Any]]:
            for index, content in enumerate(whole(self)):
                if index == 3:
                    raise OSError(5, "Input/output error")
                yield content

        monkeypatch.setattr(LedgerFile, "_frames", failing)
        items = file.items()
        assert next(items) == json.loads(OPEN)
        records = next(items)
        assert isinstance(records, Records)
        assert flat(records) == items_of(FRAMES[1:3])
        with pytest.raises(OSError, match="Input/output error"):
            next(items)

    def test_a_huge_event_is_refused_before_it_is_parsed(self, path: Path) -> None:
        """Sixteen million bytes of empty lists would take hundreds of millions in memory."""
        body = b'{"a":[' + b"[]," * ((BODY_BYTES_MAX - 20) // 3) + b"[]]}"
        assert len(body) <= BODY_BYTES_MAX
        path.write_bytes(b"".join(build([Frame(OPEN), Frame(body)])))
        tracemalloc.start()
        found, state = read(path)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert found == [json.loads(OPEN)]
        assert state.damaged == f"frame 1 at byte {STARTS[1]}: an event of {len(body)} bytes is too long"
        assert peak < 4 * BODY_BYTES_MAX

    def test_memory_does_not_grow_with_the_file(self, path: Path) -> None:
        """Bodies of the largest size, and one whose header says that it is larger still."""
        body = slow_record(1, 0, 0, 1, 1) * RECORDS_MAX
        assert BODY_BYTES_MAX - 24 < len(body) <= BODY_BYTES_MAX
        peaks = []
        for count in (2, 6):
            frames = build([Frame(body)] * count)
            path.write_bytes(b"".join(frames))
            del frames
            tracemalloc.start()
            taken = sum(len(item) for item in LedgerFile(str(path), TAG, PART).items())
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
            assert taken == count * RECORDS_MAX
        assert peaks[1] < peaks[0] * 1.1
        assert peaks[1] < 12 * BODY_BYTES_MAX
