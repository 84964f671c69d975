"""A run is over when its processes are gone: the check that follows at once finds nobody writing."""

from __future__ import annotations

import mmap
import os
import time
from pathlib import Path

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import load_on
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder
from verify.load import worker

SPAN_BYTES = 16 * 4096


def test_workers_that_go_late_are_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker's process holds the record's lock until it is gone, which takes a while on a busy machine."""
    go = os._exit

    def late(code: int) -> None:
        time.sleep(0.5)
        go(code)

    monkeypatch.setattr(worker.os, "_exit", late)
    volume = MemoryVolume(SPAN_BYTES)
    volume.data = mmap.mmap(-1, SPAN_BYTES)  # type: ignore[assignment]  # shared by the processes
    request = RunRequest((StreamRequest(4096, 2, SPAN_BYTES),), operations=5, workers=2)
    load_on(volume, tmp_path / "record", request, processes=True)
    assert not RecordFolder.open(str(tmp_path / "record")).running()
