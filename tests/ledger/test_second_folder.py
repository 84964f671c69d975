"""A copy by itself, without a connection: what it says, what it keeps of itself, what it makes lasting, and when."""

from __future__ import annotations

import json
import os
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3

from tests.ledger.second_ends import Written
from tests.ledger.slow_ledger import Frame, build, writes
from verify.ledger.second_copy import RUN_JSON_BYTES_MAX, Contradiction, RunCopy, read_description

SENDER = "192.0.2.5"


@pytest.fixture
def written(tmp_path: Path) -> Written:
    return Written(tmp_path / "guest", 5, 6)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    made = tmp_path / "kept"
    made.mkdir()
    return made


@pytest.fixture
def take(place: Path, written: Written) -> Iterator[Callable[..., RunCopy]]:
    """Makes an object for the copy, as a receiver that is started anew does."""
    made: list[RunCopy] = []

    def make(sender: str = SENDER, content: bytes | None = None) -> RunCopy:
        for copy in made:
            copy.rest()
        made.append(RunCopy(place, content or written.run_json, sender))
        return made[-1]

    yield make
    for copy in made:
        copy.close()


@pytest.fixture
def copy(take: Callable[..., RunCopy], written: Written) -> RunCopy:
    made = take()
    made.resume(written.run_json)
    return made


@pytest.fixture
def lasting(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The paths of all that is made lasting, as it happens."""
    paths: list[str] = []
    for name in ("fsync", "fdatasync"):
        real = getattr(os, name)

        def noting(file: int, real: Callable[[int], None] = real) -> None:
            paths.append(os.readlink(f"/proc/self/fd/{file}"))
            real(file)

        monkeypatch.setattr(os, name, noting)
    return paths


def file_of(copy: RunCopy, part: int) -> Path:
    return copy.path / "ledger" / f"{part:03d}.ledger"


def changed(content: bytes, **more: Any) -> bytes:
    """A run.json that says something else, or more."""
    return json.dumps({**json.loads(content), **more}).encode()


def length_of(frames: list[bytes]) -> int:
    return sum(map(len, frames))


class TestWhatIsRefused:
    """Each refusal whole: it is sent to the sender, whose user reads it, and told at the receiver."""

    def check(self, copy: RunCopy, part: int, offset: int, frames: bytes, wanted: str) -> None:
        with pytest.raises(Contradiction) as raised:
            copy.append(part, offset, frames)
        assert str(raised.value) == wanted
        assert raised.value.part == part

    def test_frames_that_do_not_fit(self, copy: RunCopy, written: Written) -> None:
        frames = written.whole[1]
        at = length_of(frames[:3])
        copy.append(1, 0, b"".join(frames[:3]))
        frame = frames[3]
        spoiled = frame[:-1] + bytes([frame[-1] ^ 1])
        self.check(copy, 1, at + 1, frame, f"frames of 001.ledger at byte {at + 1} leave a gap: {at} bytes are held")
        self.check(copy, 1, 0, frame, "001.ledger holds other bytes at byte 0 than what came")
        self.check(copy, 1, at, frame[:-1], f"001.ledger, frame 3 at byte {at} ends within its body")
        self.check(copy, 1, at, frame[:9], f"001.ledger, frame 3 at byte {at} ends within its header")
        self.check(copy, 1, at, spoiled, f"001.ledger, frame 3 at byte {at}: the body does not match its checksum")
        self.check(copy, 1, at, frames[4], f"001.ledger, frame 3 at byte {at}: it is numbered 4")
        self.check(copy, 3, 0, frame, "the run has no part 3")
        assert file_of(copy, 1).read_bytes() == b"".join(frames[:3])

    def test_what_is_held_and_damaged(self, take: Callable[..., RunCopy], copy: RunCopy, written: Written) -> None:
        frames = written.whole[1]
        damaged = bytearray(b"".join(frames[:3]))
        damaged[length_of(frames[:2]) - 1] ^= 1
        file_of(copy, 1).write_bytes(damaged)
        with pytest.raises(Contradiction) as raised:
            take().resume(written.run_json)
        at = len(frames[0])
        why = f"frame 1 at byte {at}: the body does not match its checksum"
        assert str(raised.value) == f"what is held of 001.ledger is damaged: {why}"
        assert raised.value.part == 1

    def test_a_folder_that_is_a_link(self, place: Path, written: Written, take: Callable[..., RunCopy]) -> None:
        link = place / written.run.run_id
        link.symlink_to(place)
        with pytest.raises(Contradiction) as raised:
            take()
        assert str(raised.value) == f"{link} is a link"
        assert raised.value.part is None

    def test_a_copy_that_is_in_use_until_it_rests(self, place: Path, copy: RunCopy, written: Written) -> None:
        other = RunCopy(place, written.run_json, SENDER)
        for _ in range(2):
            with pytest.raises(Contradiction) as raised:
                other.resume(written.run_json)
            assert str(raised.value) == "another receiver holds it"
            copy.rest()
            other.resume(written.run_json)
            other.rest()
            copy.resume(written.run_json)
        other.close()

    def test_a_copy_that_was_checked(self, copy: RunCopy, written: Written) -> None:
        (copy.path / "seal.json").write_text("{}")
        with pytest.raises(Contradiction) as raised:
            copy.resume(written.run_json)
        assert str(raised.value) == "it was checked and sealed here: it may not grow any more"

    @pytest.mark.parametrize("held", [True, False], ids=["known", "made anew"])
    def test_another_description_under_the_same_name(
        self, take: Callable[..., RunCopy], copy: RunCopy, written: Written, held: bool
    ) -> None:
        """Whether it is another run, or another beginning of the same one."""
        for change in ({"run": {**written.about["run"], "seed": 9}}, {"started": "later"}, {"more": 1}):
            other = changed(written.run_json, **change)
            with pytest.raises(Contradiction) as raised:
                (copy if held else take(content=other)).resume(other)
            assert str(raised.value) == "another run.json is held under the name of this run"
        assert (copy.path / "run.json").read_bytes() == written.run_json

    def test_a_description_held_that_is_too_long(self, copy: RunCopy, written: Written) -> None:
        path = copy.path / "run.json"
        path.write_bytes(written.run_json.rjust(RUN_JSON_BYTES_MAX))
        copy.resume(written.run_json)
        path.write_bytes(written.run_json.rjust(RUN_JSON_BYTES_MAX + 1))
        with pytest.raises(Contradiction, match=r"^it is described by no run\.json$"):
            copy.resume(written.run_json)

    def test_the_end_of_another_run(self, copy: RunCopy, written: Written) -> None:
        end = written.end_json
        for other in (
            written.run_json,
            changed(end, started="later"),
            changed(end, run={**written.about["run"], "seed": 9}),
            changed(end, format=None),
        ):
            with pytest.raises(Contradiction) as raised:
                copy.end(other)
            assert str(raised.value) == "the end of another run"
            assert raised.value.part is None
        assert (copy.path / "run.json").read_bytes() == written.run_json
        assert not json.loads((copy.path / "received.json").read_text())["ended"]


class TestDescriptions:
    def refusal(self, content: bytes) -> str:
        with pytest.raises(Contradiction) as raised:
            read_description(content)
        return str(raised.value)

    def test_of_a_run_are_given_back(self, written: Written) -> None:
        about, run = read_description(written.run_json)
        assert about == written.about
        assert run == written.run

    def test_that_are_none_are_refused_with_the_reason(self, written: Written) -> None:
        none = "it is described by no run.json"
        assert self.refusal(b"[]") == none
        assert self.refusal(b"{") == (
            f"{none}: Expecting property name enclosed in double quotes: line 1 column 2 (char 1)"
        )
        assert self.refusal(b'{"run": 7}') == f"{none}: run.json: an object was expected here"
        run = {**written.about["run"], "id": "0123456789ABCDEF"}
        assert self.refusal(changed(written.run_json, run=run)) == "its name is no run's"

    def test_a_long_reason_is_cut(self, written: Written) -> None:
        run = {**written.about["run"], "seed": 10**500}
        reason = self.refusal(changed(written.run_json, run=run)).removeprefix("it is described by no run.json: ")
        assert reason == f"run.json: the field 'seed' is {10**500}"[:200]

    def test_of_more_than_the_limit_are_refused(self, written: Written) -> None:
        assert read_description(written.run_json.rjust(RUN_JSON_BYTES_MAX))[1] == written.run
        assert self.refusal(written.run_json.rjust(RUN_JSON_BYTES_MAX + 1)) == "it is described by no run.json"


class TestReceived:
    """received.json: who received it from where since when, whether the end came, and what is missing."""

    def read(self, copy: RunCopy) -> dict[str, Any]:
        content = (copy.path / "received.json").read_text()
        found: dict[str, Any] = json.loads(content)
        assert content == json.dumps(found, indent=2) + "\n", "not as people read it"
        return found

    def test_says_how_it_began_and_goes_on_saying_so(self, take: Callable[..., RunCopy], written: Written) -> None:
        before = time.time_ns()
        copy = take()
        after = time.time_ns()
        copy.resume(written.run_json)
        first = self.read(copy)
        assert before <= first["began_wall_ns"] <= after
        assert {**first, "began_wall_ns": 0} == {
            "format": "ackproof-received/1", "receiver": socket.gethostname(), "sender": SENDER, "began_wall_ns": 0,
            "ended": False, "missing": [],
        }  # fmt: skip
        again = take("192.0.2.6")
        again.resume(written.run_json)
        assert self.read(again) == first, "who sent first, and when, was forgotten"

    def test_says_that_the_run_ended_and_what_is_missing(self, take: Callable[..., RunCopy], written: Written) -> None:
        copy = take()
        copy.resume(written.run_json)
        copy.append(0, 0, written.bytes_of(0))
        copy.append(1, 0, b"".join(written.whole[1][:2]))
        began = self.read(copy)
        missing = [
            f"{part:03d}.ledger ends before the run did: {held} frames are held" for part, held in ((1, 2), (2, 0))
        ]
        assert copy.end(written.end_json) == missing
        assert self.read(copy) == {**began, "ended": True, "missing": missing}
        copy.append(2, 0, written.bytes_of(2))
        again = take("192.0.2.6")
        again.resume(written.run_json)
        assert self.read(again) == {**began, "ended": True, "missing": missing[:1]}

    @pytest.mark.parametrize(
        "content",
        [
            b"", b"[]", b"{}", b'"sender"', b'{"sender": "x"}', b'{"began_wall_ns": 1}',
            b'{"sender": "x", "began_wall_ns": "x"}', b'{"sender": "x", "began_wall_ns": null}',
            b'{"sender": "x", "began_wall_ns": 1e999}', b"[" * 100_000, None,
        ],
    )  # fmt: skip
    def test_that_was_damaged_is_made_anew(
        self, take: Callable[..., RunCopy], copy: RunCopy, written: Written, content: bytes | None
    ) -> None:
        path = copy.path / "received.json"
        path.unlink()
        if content is not None:
            path.write_bytes(content)
        again = take("192.0.2.6")
        again.resume(written.run_json)
        found = self.read(again)
        assert found["sender"] == "192.0.2.6"
        assert found["began_wall_ns"] > 1

    @pytest.mark.parametrize(
        ("heads", "wanted"),
        [
            (None, ["001.ledger was never closed", "002.ledger was never closed"]),
            ([], ["001.ledger was never closed", "002.ledger was never closed"]),
            ({}, ["001.ledger was never closed", "002.ledger was never closed"]),
            ({"0": "other"}, ["000.ledger ends before the run did: 8 frames are held",
                              "001.ledger was never closed", "002.ledger was never closed"]),
            ({"1": "held"}, ["002.ledger was never closed"]),
            ({"2": "other"}, ["001.ledger was never closed", "002.ledger ends before the run did: 0 frames are held"]),
        ],
    )  # fmt: skip
    def test_what_is_missing_by_the_heads_or_else_by_the_close(
        self, copy: RunCopy, written: Written, heads: Any, wanted: list[str]
    ) -> None:
        copy.append(0, 0, written.bytes_of(0))
        copy.append(1, 0, b"".join(written.whole[1][:2]))
        if heads:
            head = blake3(written.whole[1][1]).hexdigest()
            heads = {part: head if said == "held" else "0" * 64 for part, said in heads.items()}
        assert copy.end(changed(written.end_json, ledger_heads=heads)) == wanted


class TestWhatIsHeld:
    def test_is_what_is_lasting_and_its_last_frames_digest(self, copy: RunCopy, written: Written) -> None:
        frames = written.whole[1]
        copy.append(1, 0, b"".join(frames[:2]))
        nothing = [(0, 0, bytes(32)), (1, 0, bytes(32)), (2, 0, bytes(32))]
        assert copy.held() == nothing
        assert copy.unconfirmed
        assert copy.sync() == [(0, 0), (1, length_of(frames[:2])), (2, 0)]
        held = (1, length_of(frames[:2]), blake3(frames[1]).digest())
        assert copy.held() == [nothing[0], held, nothing[2]]
        assert not copy.unconfirmed
        copy.append(1, 0, b"".join(frames[:2]))
        assert not copy.unconfirmed, "what is held already was taken for something new"

    def test_is_read_once_frame_by_frame(self, take: Callable[..., RunCopy], copy: RunCopy, written: Written) -> None:
        for part, count in ((0, 3), (1, 2)):
            copy.append(part, 0, b"".join(written.whole[part][:count]))
        read: list[None] = []
        again = take()
        for wanted in (5, 5):
            again.resume(written.run_json, lambda: read.append(None))
            assert len(read) == wanted, "all of it is read, and nothing twice"
        assert again.held_bytes == sum(length_of(written.whole[part][:count]) for part, count in ((0, 3), (1, 2)))

    def test_is_read_again_if_its_file_is_of_another_length(self, copy: RunCopy, written: Written) -> None:
        frames = written.whole[1]
        copy.append(1, 0, b"".join(frames[:2]))
        with open(file_of(copy, 1), "ab") as file:
            file.write(frames[2] + frames[3][:-1])
        copy.resume(written.run_json)
        assert file_of(copy, 1).read_bytes() == b"".join(frames[:3])
        copy.append(1, length_of(frames[:3]), b"".join(frames[3:]))
        assert file_of(copy, 1).read_bytes() == written.bytes_of(1)

    def test_grows_by_writes_that_are_cut_short(
        self, copy: RunCopy, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        real = os.write
        monkeypatch.setattr(os, "write", lambda file, content: real(file, bytes(content[:100])))
        copy.append(1, 0, written.bytes_of(1))
        assert file_of(copy, 1).read_bytes() == written.bytes_of(1)

    def test_is_as_before_if_a_write_fails(
        self, copy: RunCopy, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        frames, real, writes_left = written.whole[1], os.write, [3]

        def fail_at_last(file: int, content: bytes) -> int:
            writes_left[0] -= 1
            if not writes_left[0]:
                raise OSError(28, "No space left on device")
            return real(file, bytes(content[:100]))

        copy.append(1, 0, frames[0])
        with monkeypatch.context() as patch:
            patch.setattr(os, "write", fail_at_last)
            with pytest.raises(OSError, match="No space left"):
                copy.append(1, len(frames[0]), b"".join(frames[1:]))
        assert file_of(copy, 1).read_bytes() == frames[0]
        copy.append(1, len(frames[0]), b"".join(frames[1:]))
        assert file_of(copy, 1).read_bytes() == written.bytes_of(1)

    def test_is_found_again_if_neither_sync_nor_cut_was_possible(
        self, copy: RunCopy, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        frames = written.whole[1]

        def fail(_file: int, _length: int = 0) -> None:
            raise OSError(5, "Input/output error" if not _length else "the cut failed")

        copy.append(1, 0, frames[0])
        copy.sync()
        copy.append(1, len(frames[0]), frames[1])
        with monkeypatch.context() as patch:
            patch.setattr(os, "fdatasync", fail)
            patch.setattr(os, "ftruncate", fail)
            with pytest.raises(OSError, match="Input/output"):
                copy.sync()
        assert copy.held_bytes == len(frames[0])
        copy.resume(written.run_json)
        assert copy.held()[1] == (1, length_of(frames[:2]), blake3(frames[1]).digest())
        copy.append(1, length_of(frames[:2]), b"".join(frames[2:]))
        assert file_of(copy, 1).read_bytes() == written.bytes_of(1)

    def test_goes_on_from_the_start_of_the_chain_of_this_run_and_part(self, copy: RunCopy, written: Written) -> None:
        for tag, part in ((written.run.tag ^ 1, 1), (written.run.tag, 2)):
            with pytest.raises(Contradiction, match="it does not follow the frame before it"):
                copy.append(1, 0, build([Frame(writes(0, 0, 1))], tag, part)[0])
        copy.append(1, 0, build([Frame(writes(0, 0, 1))], written.run.tag, 1)[0])


class TestLasting:
    """What must outlive a power cut is handed to the disk before anything that rests on it is told."""

    def test_folders_when_they_are_made(
        self, place: Path, take: Callable[..., RunCopy], written: Written, lasting: list[str]
    ) -> None:
        copy = take()
        assert lasting == [str(place)]
        copy.resume(written.run_json)
        parts = {str(file_of(copy, part)) for part in written.whole}
        assert parts | {str(copy.path / "ledger"), str(copy.path)} <= set(lasting)
        assert lasting[-1] == str(copy.path)
        del lasting[:]
        take()
        assert lasting == [], "a folder that was there before needs nothing"

    def test_frames_before_they_are_confirmed_and_once(
        self, copy: RunCopy, written: Written, lasting: list[str]
    ) -> None:
        copy.append(1, 0, written.whole[1][0])
        assert lasting == []
        for _ in range(2):
            copy.sync()
            assert lasting == [str(file_of(copy, 1))]

    def test_frames_and_folder_at_the_end(self, copy: RunCopy, written: Written, lasting: list[str]) -> None:
        copy.append(1, 0, written.whole[1][0])
        copy.end(written.end_json)
        assert lasting[0] == str(file_of(copy, 1))
        assert lasting[-1] == str(copy.path)


def test_a_copy_that_is_given_back_holds_no_file(place: Path, written: Written) -> None:
    before = sorted(os.listdir("/proc/self/fd"))
    copy = RunCopy(place, written.run_json, SENDER)
    copy.resume(written.run_json)
    copy.close()
    assert sorted(os.listdir("/proc/self/fd")) == before
    assert copy.sync() == []
    assert copy.held_bytes == 0
