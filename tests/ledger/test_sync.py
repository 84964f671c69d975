"""The ledger is made non-volatile while the load runs, and a disk that hangs or fails then is dealt with."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.ledger.slow_ledger import PART, TAG, read
from verify.ledger import recorder as module
from verify.ledger.recorder import Recorder

PATIENCE_S = 30.0


class Disk:
    """In place of fdatasync: counts, and does as it is told."""

    def __init__(self) -> None:
        self.calls: list[int] = []
        self.enough = threading.Event()
        self.go_on = threading.Event()
        self.go_on.set()
        self.error: OSError | None = None

    def fdatasync(self, file: int) -> None:
        self.calls.append(file)
        if len(self.calls) >= 3 or self.error is not None or not self.go_on.is_set():
            self.enough.set()
        assert self.go_on.wait(PATIENCE_S)
        if self.error is not None:
            raise self.error


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Iterator[Disk]:
    made = Disk()
    monkeypatch.setattr(os, "fdatasync", made.fdatasync)
    monkeypatch.setattr(module, "SYNC_EVERY_S", 0.001)
    yield made
    made.go_on.set()


def started(tmp_path: Path) -> Recorder:
    recorder = Recorder(str(tmp_path / "001.ledger"), TAG, PART, {"event": "open"})
    recorder.start()
    return recorder


def test_it_is_synced_again_and_again_while_the_load_runs(tmp_path: Path, disk: Disk) -> None:
    recorder = started(tmp_path)
    assert disk.enough.wait(PATIENCE_S)
    recorder.close({"event": "close"})
    assert recorder.failure is None
    assert set(disk.calls) == {recorder._file}


def test_a_sync_that_fails_is_a_failure_and_is_not_tried_again(tmp_path: Path, disk: Disk) -> None:
    disk.error = OSError(errno.EIO, "the ledger's disk is gone")
    recorder = started(tmp_path)
    assert disk.enough.wait(PATIENCE_S)
    recorder._threads[2].join(PATIENCE_S)
    assert not recorder._threads[2].is_alive()
    assert len(disk.calls) == 1
    assert recorder.failure is disk.error
    disk.error = None
    recorder.close({"event": "close"})
    assert recorder.failure is not None
    assert recorder.failure.errno == errno.EIO


def test_a_sync_that_fails_at_the_close_is_a_failure(tmp_path: Path, disk: Disk) -> None:
    recorder = Recorder(str(tmp_path / "001.ledger"), TAG, PART, {"event": "open"})
    disk.error = OSError(errno.EIO, "the ledger's disk is gone")
    recorder.close({"event": "close"})
    assert recorder.failure is disk.error


def test_a_thread_that_hangs_on_the_disk_keeps_its_file(
    tmp_path: Path, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The number of a closed file may soon be that of another, which the thread would then sync."""
    monkeypatch.setattr(module, "_THREAD_PATIENCE_S", 0.01)
    disk.go_on.clear()
    recorder = started(tmp_path)
    assert disk.enough.wait(PATIENCE_S)
    monkeypatch.setattr(os, "fdatasync", lambda file: None)
    recorder.close({"event": "close"})
    file = disk.calls[0]
    assert os.fstat(file).st_size == recorder.size_bytes
    disk.go_on.set()
    for thread in recorder._threads:
        thread.join(PATIENCE_S)
    os.close(file)
    items, _ = read(tmp_path / "001.ledger")
    assert [item for item in items if isinstance(item, dict)] == [{"event": "open"}, {"event": "close"}]
