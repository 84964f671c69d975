"""Checks killed wherever they touch the disk: what earlier checks found stays, and the next one is whole."""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
import signal
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import check_on, convicting, load_on, losses_of, verdict_of
from verify import plain_file
from verify.drill.confirm import confirm
from verify.drill.planning import RunRequest, StreamRequest

BLOCK_BYTES = 512
SLOTS = 64
TOUCHES = ("mkdir", "open", "write", "fsync", "replace", "rename", "unlink", "rmdir")
POINTS_MAX = 200
STEP = int(os.environ.get("ACKPROOF_TEST_KILL_STEP", "2"))
"""Every so many points; 1 for all of them."""


class Killing:
    """The system as a check sees it: the process is killed just before its touch number `at` of the disk."""

    def __init__(self, at: int) -> None:
        self.at = at
        self.touches = 0

    def before(self, call: Callable[..., Any]) -> Callable[..., Any]:
        """The call, which may not be lived to see."""

        def killing(*arguments: Any, **options: Any) -> Any:
            self.touches += 1
            if self.touches == self.at:
                os.kill(os.getpid(), signal.SIGKILL)
            return call(*arguments, **options)

        return killing


@dataclass
class Drill:
    """A record with one check that found a loss, and the volume, on which there is one more since."""

    record: Path
    volume: MemoryVolume


@pytest.fixture(scope="module")
def drill(tmp_path_factory: pytest.TempPathFactory) -> Drill:
    record, volume = tmp_path_factory.mktemp("killed") / "record", MemoryVolume(SLOTS * BLOCK_BYTES)
    load_on(volume, record, RunRequest((StreamRequest(BLOCK_BYTES, 2, SLOTS * BLOCK_BYTES),), seed=8, operations=20))
    volume.data[:BLOCK_BYTES] = bytes(BLOCK_BYTES)
    assert convicting(check_on(volume, record).verdict) == {"blank": 1}
    volume.data[BLOCK_BYTES : 2 * BLOCK_BYTES] = bytes(range(256)) * (BLOCK_BYTES // 256)
    return Drill(record, volume)


@pytest.fixture(autouse=True)
def _no_syncs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the process is killed, not the machine."""
    monkeypatch.setattr(os, "fsync", lambda fd: None)


@pytest.fixture
def copies(drill: Drill, tmp_path: Path) -> Callable[[], Path]:
    """Makes fresh copies of the record."""

    def copy() -> Path:
        place = tmp_path / "record"
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(drill.record, place)
        return place

    return copy


def check_killed_at(at: int, record: Path, volume: MemoryVolume) -> int | None:
    """Check in a process of its own; its exit code, negative if it was killed."""

    def child() -> None:
        killing = Killing(at)
        for name in TOUCHES:
            setattr(os, name, killing.before(getattr(os, name)))
        plain_file.os.fdopen = killing.before(os.fdopen)  # type: ignore[attr-defined]  # opened, and nothing written
        check_on(volume, record)

    process = multiprocessing.get_context("fork").Process(target=child)
    process.start()
    process.join(60)
    return process.exitcode


def test_at_every_point_the_record_stays_whole_and_the_next_check_finds_all(
    drill: Drill, copies: Callable[[], Path]
) -> None:
    killed = 0
    for at in range(1, POINTS_MAX, STEP):
        record = copies()
        ended = check_killed_at(at, record, drill.volume)
        if ended == 0:
            break
        assert ended == -signal.SIGKILL, at
        killed += 1
        assert verdict_of(record)["verdict"] == "FAIL", at
        assert json.loads((record / "checks" / "001" / "verdict.json").read_text())["verdict"] == "FAIL"
        for check in (record / "checks").glob("0*"):
            assert len(losses_of(check)) == int(check.name), at
            assert confirm(str(check)).intact, (at, check.name)
        result = check_on(drill.volume, record)
        assert convicting(result.verdict) == {"blank": 1, "damaged": 1}, at
        assert len(losses_of(result.folder)) == 2
        assert verdict_of(record)["verdict"] == "FAIL"
        left = [path.name for path in record.rglob("*") if path.name.endswith(".partial")]
        assert left == [], at
        found = confirm(str(record))
        assert found.intact, (at, found.problems)
    else:
        pytest.fail("the check never came to its end")
    assert killed * STEP >= 30, "the points are no longer those where a check touches the disk"
