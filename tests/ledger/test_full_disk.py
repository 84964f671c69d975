"""A ledger whose disk is full or fails: what was written stays whole, the rest waits, and the end still fits."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.ledger.slow_ledger import PART, TAG, Item, read
from verify.ledger import recorder as recorder_module
from verify.ledger.frames import Kind, operation_record
from verify.ledger.recorder import RESERVE_BYTES, RESERVE_NAME, Recorder, release_room, reserve_room

ROOT = Path(__file__).resolve().parents[2]
OPENING = {"event": "open", "part": PART}
CLOSING = {"event": "close", "monotonic_ns": 7}
MIB = 1 << 20


class FailingOs:
    """The system as the recorder sees it, with a disk that fails as it is told."""

    def __init__(self) -> None:
        self.room_bytes: int | None = None
        self.error = errno.ENOSPC
        self.truncate_error = 0
        self.sync_error = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def write(self, file: int, data: memoryview) -> int:
        """Write as much as there is room for, as a file system does; fail where there is none."""
        if self.room_bytes is None:
            return os.write(file, data)
        if not self.room_bytes:
            raise OSError(self.error, os.strerror(self.error))
        written = os.write(file, data[: self.room_bytes])
        self.room_bytes -= written
        return written

    def ftruncate(self, file: int, size_bytes: int) -> None:
        if self.truncate_error:
            raise OSError(self.truncate_error, os.strerror(self.truncate_error))
        if self.room_bytes is not None:
            self.room_bytes += os.fstat(file).st_size - size_bytes
        os.ftruncate(file, size_bytes)

    def fdatasync(self, file: int) -> None:
        if self.sync_error:
            raise OSError(self.sync_error, os.strerror(self.sync_error))
        os.fdatasync(file)


def record_of(sequence: int) -> bytes:
    return operation_record(Kind.WRITE, 0, sequence, 1000 + sequence, 2000 + sequence)


def items(count: int) -> list[Item]:
    return [(int(Kind.WRITE), 0, 0, n, 1000 + n, 2000 + n) for n in range(count)]


def whole(path: Path, recorder: Recorder) -> list[Item]:
    """What the file holds, which must be whole frames and nothing else."""
    found, state = read(path)
    assert (state.torn, state.damaged) == ("", "")
    assert path.stat().st_size == recorder.size_bytes == state.good_bytes
    assert state.head == recorder.head
    return found


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> FailingOs:
    failing = FailingOs()
    monkeypatch.setattr(recorder_module, "os", failing)
    return failing


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "001.ledger"


class TestNoRoom:
    @pytest.mark.parametrize("room_bytes", [0, 1, 71, 72, 73, 95, 96, 97, 143, 144, 167, 168, 200, 311, 312])
    @pytest.mark.parametrize("error", [errno.ENOSPC, errno.EDQUOT])
    def test_whatever_fits_is_kept_whole_and_the_rest_is_written_when_there_is_room(
        self, disk: FailingOs, path: Path, room_bytes: int, error: int
    ) -> None:
        recorder = Recorder(str(path), TAG, PART, OPENING)
        recorder.flush()
        (path.parent / RESERVE_NAME).write_bytes(b"room")
        disk.room_bytes, disk.error = room_bytes, error
        for sequence in range(3):
            recorder.append(record_of(sequence))
            recorder.append({"event": "mark", "sequence": sequence})
        mixed: list[Item] = [OPENING]
        for sequence, item in enumerate(items(3)):
            mixed += [item, {"event": "mark", "sequence": sequence}]
        for _ in range(3):
            recorder.flush()
            found = whole(path, recorder)
            assert found == mixed[: len(found)]
            assert len(found) < len(mixed)
            assert recorder.full
            assert recorder.failure is None
            assert not (path.parent / RESERVE_NAME).exists()
        disk.room_bytes = 10_000
        recorder.flush()
        assert whole(path, recorder) == mixed
        recorder.close(CLOSING)
        assert whole(path, recorder) == [*mixed, CLOSING]
        assert recorder.full

    def test_the_close_gives_up_the_reserve_and_tries_again(self, disk: FailingOs, path: Path) -> None:
        recorder = Recorder(str(path), TAG, PART, OPENING)
        recorder.flush()
        recorder.append(record_of(0))
        reserve = path.parent / RESERVE_NAME
        reserve.write_bytes(b"room")

        def unlink(name: str) -> None:
            os.unlink(name)
            disk.room_bytes = 1000

        disk.room_bytes = 100
        disk.__dict__["unlink"] = unlink
        recorder.close(CLOSING)
        assert whole(path, recorder) == [OPENING, *items(1), CLOSING]
        assert not reserve.exists()

    def test_no_room_even_for_the_close_leaves_an_open_end(self, disk: FailingOs, path: Path) -> None:
        recorder = Recorder(str(path), TAG, PART, OPENING)
        recorder.flush()
        recorder.append(record_of(0))
        disk.room_bytes = 100
        recorder.close(CLOSING)
        assert whole(path, recorder) == [OPENING, *items(1)]
        assert recorder.full

    def test_a_frame_that_cannot_be_taken_back_ends_the_file(self, disk: FailingOs, path: Path) -> None:
        """Nothing may be written behind half a frame: it would make a torn end damage."""
        recorder = Recorder(str(path), TAG, PART, OPENING)
        recorder.flush()
        recorder.append(record_of(0))
        disk.room_bytes, disk.truncate_error = 50, errno.EIO
        recorder.flush()
        assert recorder.failure is not None
        assert recorder.failure.errno == errno.ENOSPC
        disk.room_bytes = None
        recorder.flush()
        recorder.close(CLOSING)
        found, state = read(path)
        assert found == [OPENING]
        assert state.damaged == ""
        assert state.torn.endswith("ends within its header")


class TestOtherFailures:
    @pytest.mark.parametrize("error", [errno.EIO, errno.EROFS, errno.EFBIG, errno.ENXIO])
    def test_it_is_kept_and_nothing_more_is_written(self, disk: FailingOs, path: Path, error: int) -> None:
        recorder = Recorder(str(path), TAG, PART, OPENING)
        recorder.flush()
        reserve = path.parent / RESERVE_NAME
        reserve.write_bytes(b"room")
        recorder.append(record_of(0))
        disk.room_bytes, disk.error = 30, error
        recorder.flush()
        disk.room_bytes = None
        recorder.append(record_of(1))
        recorder.flush()
        recorder.close(CLOSING)
        assert whole(path, recorder) == [OPENING]
        assert not recorder.full
        assert recorder.failure is not None
        assert recorder.failure.errno == error
        assert reserve.exists()

    def test_a_failure_to_make_it_non_volatile_is_kept(self, disk: FailingOs, path: Path) -> None:
        recorder = Recorder(str(path), TAG, PART, OPENING)
        disk.sync_error = errno.EIO
        recorder.close(CLOSING)
        assert whole(path, recorder) == [OPENING, CLOSING]
        assert recorder.failure is not None
        assert recorder.failure.errno == errno.EIO


class TestReserve:
    def test_it_takes_its_room_and_gives_it_back(self, tmp_path: Path) -> None:
        reserve_room(str(tmp_path))
        held = (tmp_path / RESERVE_NAME).stat()
        assert held.st_size == RESERVE_BYTES
        assert held.st_blocks * 512 >= RESERVE_BYTES
        assert not held.st_mode & 0o133
        release_room(str(tmp_path))
        assert list(tmp_path.iterdir()) == []
        release_room(str(tmp_path))

    def test_a_folder_that_is_not_there_is_an_os_error(self, tmp_path: Path) -> None:
        with pytest.raises(FileNotFoundError):
            reserve_room(str(tmp_path / "none"))

    def test_a_reserve_that_cannot_be_had_leaves_nothing_behind(
        self, disk: FailingOs, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fallocate(file: int, start: int, size_bytes: int) -> None:
            os.write(file, b"what there was room for")
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(disk, "posix_fallocate", fallocate, raising=False)
        files = len(os.listdir("/proc/self/fd"))
        with pytest.raises(OSError, match="No space left"):
            reserve_room(str(tmp_path))
        assert list(tmp_path.iterdir()) == []
        assert len(os.listdir("/proc/self/fd")) == files


class TestRealDisk:
    """File systems and limits of the kernel's own, by which mutants are not tried: they take long."""

    def test_no_room_even_for_the_reserve_is_an_os_error(self, small_disk: Callable[[int], Path]) -> None:
        disk = small_disk(4 * MIB)
        with pytest.raises(OSError, match="No space left") as caught:
            reserve_room(str(disk))
        assert caught.value.errno == errno.ENOSPC
        assert list(disk.iterdir()) == []

    def test_a_limit_on_the_size_of_files_is_a_failure(self, path: Path) -> None:
        """In a process of its own: the limit is the real one, and it holds for the whole process."""
        code = """
import json, resource, sys
from verify.ledger.frames import Kind, operation_record
from verify.ledger.recorder import Recorder
recorder = Recorder(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), {"event": "open", "part": 1})
resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))
for sequence in range(10_000):
    recorder.append(operation_record(Kind.WRITE, 0, sequence, 1000 + sequence, 2000 + sequence))
    if sequence % 100 == 99:
        recorder.flush()
recorder.close({"event": "close", "monotonic_ns": 7})
print(json.dumps([recorder.full, recorder.failure.errno, recorder.size_bytes, recorder.head]))
"""
        command = [sys.executable, "-c", code, str(path), str(TAG), str(PART)]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
        full, error, size_bytes, head = json.loads(done.stdout)
        assert (full, error) == (False, errno.EFBIG)
        found, state = read(path)
        assert (state.torn, state.damaged, state.closed) == ("", "", False)
        assert (state.good_bytes, state.head) == (size_bytes, head)
        assert path.stat().st_size == size_bytes
        assert 50_000 - 2472 < size_bytes <= 50_000
        assert found == [OPENING, *items(len(found) - 1)]

    def test_it_ends_at_a_whole_frame_and_the_reserve_lets_the_rest_and_the_close_in(
        self, small_disk: Callable[[int], Path]
    ) -> None:
        disk = small_disk(RESERVE_BYTES + 2 * MIB)
        reserve_room(str(disk))
        path = disk / "001.ledger"
        recorder = Recorder(str(path), TAG, PART, OPENING)
        count = 0
        while not recorder.full:
            assert count < 200_000
            for _ in range(997):
                recorder.append(record_of(count))
                count += 1
            recorder.flush()
        assert recorder.failure is None
        kept = whole(path, recorder)
        assert kept == [OPENING, *items(len(kept) - 1)]
        assert MIB < recorder.size_bytes <= 2 * MIB
        assert len(kept) - 1 < count
        assert not (disk / RESERVE_NAME).exists()
        for _ in range(5000):
            recorder.append(record_of(count))
            count += 1
        recorder.close(CLOSING)
        assert whole(path, recorder) == [OPENING, *items(count), CLOSING]

    def test_without_a_reserve_the_rest_waits_for_room(self, small_disk: Callable[[int], Path]) -> None:
        disk = small_disk(4 * MIB)
        (disk / "other").write_bytes(bytes(3 * MIB))
        path = disk / "001.ledger"
        recorder = Recorder(str(path), TAG, PART, OPENING)
        for sequence in range(60_000):
            recorder.append(record_of(sequence))
        for _ in range(3):
            recorder.flush()
            assert recorder.full
            assert whole(path, recorder) == [OPENING]
        (disk / "other").unlink()
        recorder.flush()
        assert whole(path, recorder) == [OPENING, *items(60_000)]
        recorder.close(CLOSING)

    def test_while_it_runs(self, small_disk: Callable[[int], Path]) -> None:
        """With its own threads: what was added before the disk was full is all there after the close."""
        disk = small_disk(RESERVE_BYTES + MIB)
        reserve_room(str(disk))
        path = disk / "001.ledger"
        recorder = Recorder(str(path), TAG, PART, OPENING)
        recorder.start()
        count = 0
        while not recorder.full and count < 100_000:
            for _ in range(200):
                recorder.append(record_of(count))
                count += 1
            recorder.flush()
        assert recorder.full
        recorder.close(CLOSING)
        found = [item for item in whole(path, recorder) if isinstance(item, dict) or item[0] != Kind.CLOCK]
        assert found == [OPENING, *items(count), CLOSING]
