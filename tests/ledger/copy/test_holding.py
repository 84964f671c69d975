"""What a copy holds, and what it has made lasting when."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from blake3 import blake3

from tests.ledger.copy.contents import SENDER, file_of, length_of
from tests.ledger.second_ends import Written
from tests.ledger.slow_ledger import Frame, build, writes
from verify.ledger.second_copy import Contradiction, RunCopy


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
