"""Volumes that do not answer, answer late, or answer differently each time."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import (
    check_here,
    check_on,
    convicting,
    load_on,
    losses_of,
    no_false_finding,
    wait_until,
    write_here,
)
from verify.drill import opening
from verify.drill.planning import RunRequest, StreamRequest
from verify.errors import CannotRun


class SlowLastWrite(MemoryVolume):
    """Never finishes one write to a block, until told to."""

    def __init__(self, size_bytes: int) -> None:
        super().__init__(size_bytes)
        self.hung_offset = -1
        self.finish = threading.Event()
        self._writes = 0

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        with self.lock:
            self._writes += 1
            hangs = self._writes == self.size_bytes // 512 + 40
        if hangs:
            self.hung_offset = offset_bytes
            late = bytes(buffer)
            self.finish.wait()
            return super().write(offset_bytes, memoryview(late), through)
        return super().write(offset_bytes, buffer, through)


@pytest.fixture
def hung(tmp_path: Path) -> Iterator[SlowLastWrite]:
    """A volume with one write that was still in flight when its run had ended."""
    volume = SlowLastWrite(32 << 10)
    request = RunRequest((StreamRequest(512, 2, 32 << 10),), operations=None)
    load_on(volume, tmp_path / "record", request, seconds=0.3)
    assert volume.hung_offset >= 0
    yield volume
    volume.finish.set()


class TestAWriteThatNeverReturned:
    def test_may_be_there_or_not(self, hung: SlowLastWrite, tmp_path: Path) -> None:
        before = check_on(hung, tmp_path / "record")
        assert before.verdict["writes"]["in_flight"] == 1
        no_false_finding(before.verdict, losses_of(before.folder))
        self.let_it_finish(hung)
        after = check_on(hung, tmp_path / "record", read_twice=True)
        no_false_finding(after.verdict, losses_of(after.folder))

    def test_once_seen_it_must_stay(self, hung: SlowLastWrite, tmp_path: Path) -> None:
        earlier = bytes(hung.data)
        self.let_it_finish(hung)
        seen = check_on(hung, tmp_path / "record")
        no_false_finding(seen.verdict, losses_of(seen.folder))
        hung.data[:] = earlier
        gone = check_on(hung, tmp_path / "record")
        assert convicting(gone.verdict) == {"lost": 1}
        [row] = losses_of(gone.folder)
        assert (int(row["offset"]), row["kind"], row["lost_writes"]) == (hung.hung_offset, "lost", "0")
        assert gone.verdict["verdict"] == "FAIL"
        assert gone.verdict["lost"]["acknowledged_writes"] == 0

    def test_a_spoilt_memory_of_it_is_told(self, hung: SlowLastWrite, tmp_path: Path) -> None:
        check_on(hung, tmp_path / "record")
        for text in ("", "[]", '{"in_flight": {"9999999": 1}}', '{"in_flight": {"1": -1}}', '{"in_flight": {"x": 1}}'):
            (tmp_path / "record" / "checks" / "001" / "seen.json").write_text(text)
            again = check_on(hung, tmp_path / "record")
            no_false_finding(again.verdict, losses_of(again.folder))
            assert any("seen.json cannot be used" in limit for limit in again.verdict["not_proved"]), text

    def let_it_finish(self, hung: SlowLastWrite) -> None:
        held = bytes(hung.data)
        hung.finish.set()
        wait_until(lambda: bytes(hung.data) != held, "the write")


class FlickeringVolume(MemoryVolume):
    """Gives something else on every other read of one block."""

    flickering_offset = 4096
    error = False
    _reads = 0

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        got = super().read(offset_bytes, buffer)
        inside = self.flickering_offset - offset_bytes
        if 0 <= inside < len(buffer):
            self._reads += 1
            if self._reads % 2 == 0:
                buffer[inside + 100] ^= 0x40
        return got


def test_a_block_that_gives_other_bytes_the_second_time_is_unstable(tmp_path: Path) -> None:
    volume = FlickeringVolume(32 << 10)
    load_on(volume, tmp_path / "record", RunRequest((StreamRequest(512, 2, 32 << 10),), operations=10))
    volume._reads = 0
    once = check_on(volume, tmp_path / "record")
    no_false_finding(once.verdict, losses_of(once.folder))
    volume._reads = 0
    twice = check_on(volume, tmp_path / "record", read_twice=True)
    assert convicting(twice.verdict) == {"unstable": 1}
    [row] = losses_of(twice.folder)
    assert (row["kind"], int(row["offset"])) == ("unstable", 4096)


class FailingReads(MemoryVolume):
    """Reads of some offsets fail once, or always."""

    def __init__(self, size_bytes: int) -> None:
        super().__init__(size_bytes)
        self.always: set[int] = set()
        self.first: set[int] = set()

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        covered = set(range(offset_bytes, offset_bytes + len(buffer), 512))
        if covered & self.always:
            raise OSError(5, "Input/output error")
        if covered & self.first:
            if len(covered) == 1:
                self.first -= covered
            raise OSError(5, "Input/output error")
        return super().read(offset_bytes, buffer)


def test_blocks_that_cannot_be_read_are_named_one_by_one(tmp_path: Path) -> None:
    volume = FailingReads(32 << 10)
    load_on(volume, tmp_path / "record", RunRequest((StreamRequest(512, 2, 32 << 10),), operations=10))
    volume.always = {512, 8192}
    for read_twice in (False, True):
        result = check_on(volume, tmp_path / "record", read_twice)
        assert convicting(result.verdict) == {"unreadable": 2}
        assert {int(row["offset"]) for row in losses_of(result.folder)} == volume.always
        assert result.verdict["coverage"]["slots_read"] == 62


def test_a_block_that_can_be_read_only_the_second_time_is_unstable(tmp_path: Path) -> None:
    volume = FailingReads(32 << 10)
    load_on(volume, tmp_path / "record", RunRequest((StreamRequest(512, 2, 32 << 10),), operations=10))
    volume.first = {1024}
    result = check_on(volume, tmp_path / "record", read_twice=True)
    assert convicting(result.verdict) == {"unstable": 1}
    assert [int(row["offset"]) for row in losses_of(result.folder)] == [1024]


class TestAVolumeThatCannotBeOpened:
    @pytest.fixture
    def record(self, tmp_path: Path) -> Path:
        request = RunRequest((StreamRequest(4096, 4, 64 << 10),), operations=5)
        write_here(tmp_path / "volume", tmp_path / "record", request)
        return tmp_path / "record"

    def fail_to_open(self, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
        def refuse(path: str, **options: Any) -> None:
            raise CannotRun(f"{path} cannot be opened: {os.strerror(number)}") from OSError(number, os.strerror(number))

        monkeypatch.setattr(opening, "open_volume", refuse)

    @pytest.mark.parametrize("number", sorted(opening.VOLUME_GONE))
    def test_for_an_error_of_its_own_is_unreadable(
        self, record: Path, monkeypatch: pytest.MonkeyPatch, number: int
    ) -> None:
        self.fail_to_open(monkeypatch, number)
        verdict = check_here(record).verdict
        assert (verdict["verdict"], convicting(verdict)) == ("FAIL", {"unreadable": 16})
        assert any(os.strerror(number) in limit for limit in verdict["not_proved"])

    @pytest.mark.parametrize("number", [errno.EACCES, errno.EPERM, errno.EMFILE, errno.EBUSY])
    def test_for_a_reason_of_this_machine_is_no_finding(
        self, record: Path, monkeypatch: pytest.MonkeyPatch, number: int
    ) -> None:
        self.fail_to_open(monkeypatch, number)
        with pytest.raises(CannotRun, match=os.strerror(number)):
            check_here(record)
        assert not (record / "verdict.json").exists()
