"""A check that was interrupted: what may go on, from where, and what the verdict then says."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import ackproof, check_on, load_on, losses_of, write_here
from verify.drill import readahead, scan
from verify.drill.checking import CheckResult, check_record
from verify.drill.journal import JOURNAL_NAME
from verify.drill.opening import OpenedVolume, open_recorded_volume
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, write_to_volume
from verify.errors import UsageError
from verify.volume.identity import identify

BLOCK = 4096
CHUNK_BLOCKS, REGION_BLOCKS = 4, 16
STREAMS = (StreamRequest(BLOCK, 4, 512 << 10), StreamRequest(BLOCK, 2, 256 << 10))
SLOTS = (768 << 10) // BLOCK


class CountingVolume(MemoryVolume):
    """A volume in memory that remembers which blocks were read."""

    def __init__(self, size_bytes: int) -> None:
        super().__init__(size_bytes)
        self.blocks_read: list[int] = []

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        self.blocks_read += range(offset_bytes // BLOCK, (offset_bytes + len(buffer)) // BLOCK)
        return super().read(offset_bytes, buffer)


@pytest.fixture(autouse=True)
def small_regions() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readahead, "PIECE_BYTES", CHUNK_BLOCKS * BLOCK)
        patch.setattr(scan, "REGION_BYTES", REGION_BLOCKS * BLOCK)
        yield


@pytest.fixture
def volume() -> CountingVolume:
    return CountingVolume(768 << 10)


def written(volume: MemoryVolume, record: Path, is_open: bool = False) -> None:
    """A run, with blocks spoilt in every way that a check tells apart; `is_open` cuts the ends of the ledger off."""
    load_on(volume, record, RunRequest(STREAMS, seed=5, operations=200))
    rng = random.Random(1)
    for slot in range(0, SLOTS, 5):
        at = slot * BLOCK
        kind = rng.randrange(4)
        other = rng.randrange(SLOTS) * BLOCK
        spoilt = (bytes(BLOCK), rng.randbytes(BLOCK), bytes(volume.data[other : other + BLOCK]), None)[kind]
        if spoilt is None:
            volume.data[at + 700] ^= 1
        else:
            volume.data[at : at + BLOCK] = spoilt
    if is_open:
        for part in (record / "ledger").iterdir():
            os.truncate(part, part.stat().st_size * 4 // 5)


def interrupt(volume: MemoryVolume, record: Path, after_blocks: int) -> None:
    """A check that Ctrl-C ends after so many blocks."""

    def progress(done: int, total: int) -> None:
        if done >= after_blocks * BLOCK:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        check_record(RecordFolder.open(str(record)), OpenedVolume(volume, "/memory"), progress=progress)


def resume(volume: MemoryVolume, record: Path) -> CheckResult:
    return check_record(RecordFolder.open(str(record)), OpenedVolume(volume, "/memory"), resume=True)


def rows_of(result: CheckResult) -> list[dict[str, str]]:
    """The rows of losses.csv without what every check has of its own: when, and where it kept the bytes."""
    out = []
    for row in losses_of(result.folder):
        detail = row["detail"].partition("; bytes kept in")[0]
        out.append({**row, "seen_at": "", "detail": detail})
    return out


@pytest.mark.parametrize("after_blocks", [CHUNK_BLOCKS, 50, 100, 130, 160, SLOTS])
@pytest.mark.parametrize("is_open", [False, True])
def test_a_resumed_check_finds_what_one_in_one_go_finds(
    volume: CountingVolume, tmp_path: Path, after_blocks: int, is_open: bool
) -> None:
    record = tmp_path / "record"
    written(volume, record, is_open)
    interrupt(volume, record, after_blocks)
    volume.blocks_read.clear()
    resumed = resume(volume, record)
    kept = SLOTS - len(set(volume.blocks_read))
    assert after_blocks - REGION_BLOCKS - CHUNK_BLOCKS < kept <= after_blocks
    (record / "checks" / "001").rename(tmp_path / "resumed")
    (record / "verdict.json").unlink()
    whole = check_on(volume, record)
    moved = CheckResult(resumed.verdict, tmp_path / "resumed", [])
    assert rows_of(moved) == rows_of(whole)
    assert len(rows_of(whole)) >= SLOTS // 10
    for name in ("verdict", "reasons", "coverage", "lost", "findings", "writes"):
        assert resumed.verdict[name] == whole.verdict[name]
    said = [limit for limit in resumed.verdict["not_proved"] if "interrupted and resumed" in limit]
    assert [limit.split(" hold since")[0] for limit in said] == ([f"what {kept} blocks"] if kept else [])
    assert not any("resumed" in limit for limit in whole.verdict["not_proved"])


def test_a_killed_check_can_go_on(volume: CountingVolume, tmp_path: Path) -> None:
    record = tmp_path / "record"
    written(volume, record)

    def killed(done: int, total: int) -> None:
        if done >= 100 * BLOCK:
            os.kill(os.getpid(), signal.SIGKILL)

    def child() -> None:
        check_record(RecordFolder.open(str(record)), OpenedVolume(volume, "/memory"), progress=killed)

    process = multiprocessing.get_context("fork").Process(target=child)
    process.start()
    process.join(60)
    assert process.exitcode == -signal.SIGKILL
    volume.blocks_read.clear()
    resumed = resume(volume, record)
    assert min(volume.blocks_read) >= REGION_BLOCKS
    assert resumed.verdict["coverage"]["slots_read"] == SLOTS
    assert sorted(path.name for path in (record / "checks").iterdir()) == ["001"]
    assert JOURNAL_NAME not in {path.name for path in resumed.folder.iterdir()}


def test_interrupted_twice(volume: CountingVolume, tmp_path: Path) -> None:
    record = tmp_path / "record"
    written(volume, record)
    interrupt(volume, record, 50)

    def progress(done: int, total: int) -> None:
        if done >= 120 * BLOCK:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        check_record(RecordFolder.open(str(record)), OpenedVolume(volume, "/memory"), progress=progress, resume=True)
    volume.blocks_read.clear()
    resumed = resume(volume, record)
    assert min(volume.blocks_read) == 112
    assert resumed.verdict["coverage"]["slots_read"] == SLOTS


def test_a_journal_cut_or_spoilt_at_its_end_counts_up_to_there(volume: CountingVolume, tmp_path: Path) -> None:
    record = tmp_path / "record"
    written(volume, record)
    interrupt(volume, record, 70)
    path = record / "checks" / ".001.partial" / JOURNAL_NAME
    whole = path.read_bytes()
    for cut in (whole[:-1], whole[:-1] + bytes([whole[-1] ^ 1])):
        path.write_bytes(cut)
        volume.blocks_read.clear()
        interrupted_at = 3 * REGION_BLOCKS
        with pytest.raises(KeyboardInterrupt):
            check_record(
                RecordFolder.open(str(record)), OpenedVolume(volume, "/memory"), resume=True,
                progress=lambda done, total: (_ for _ in ()).throw(KeyboardInterrupt) if volume.blocks_read else None,
            )  # fmt: skip
        assert min(volume.blocks_read) == interrupted_at


def test_without_the_option_everything_is_read_again(volume: CountingVolume, tmp_path: Path) -> None:
    record = tmp_path / "record"
    written(volume, record)
    interrupt(volume, record, 100)
    volume.blocks_read.clear()
    again = check_on(volume, record)
    assert sorted(volume.blocks_read) == list(range(SLOTS))
    assert not any("resumed" in limit for limit in again.verdict["not_proved"])
    with pytest.raises(UsageError, match="no interrupted check"):
        resume(volume, record)


def check_by_path(record: Path, path: str | None, interrupted: bool = False) -> CheckResult | None:
    folder = RecordFolder.open(str(record))
    opened = open_recorded_volume(folder.read_run()[0], path)
    assert opened.volume is not None

    def progress(done: int, total: int) -> None:
        if done >= 100 * BLOCK:
            raise KeyboardInterrupt

    try:
        if not interrupted:
            return check_record(folder, opened, resume=True)
        with pytest.raises(KeyboardInterrupt):
            check_record(folder, opened, progress=progress)
        return None
    finally:
        opened.volume.close()


class TestWhatForbidsGoingOn:
    @pytest.fixture
    def record(self, tmp_path: Path) -> Path:
        write_here(tmp_path / "volume", tmp_path / "record", RunRequest(STREAMS, seed=5, operations=200))
        check_by_path(tmp_path / "record", None, interrupted=True)
        return tmp_path / "record"

    def test_nothing_happened(self, record: Path) -> None:
        result = check_by_path(record, None)
        assert result is not None
        assert result.verdict["coverage"]["slots_read"] == SLOTS
        assert any("interrupted and resumed" in limit for limit in result.verdict["not_proved"])

    def test_the_volume_was_written_to(self, record: Path, tmp_path: Path) -> None:
        with open(tmp_path / "volume", "r+b") as file:
            file.write(bytes(BLOCK))
        with pytest.raises(UsageError, match="no longer the same: the volume's state;"):
            check_by_path(record, None)

    def test_another_path(self, record: Path, tmp_path: Path) -> None:
        os.link(tmp_path / "volume", tmp_path / "link")
        with pytest.raises(UsageError, match="the path of the volume"):
            check_by_path(record, str(tmp_path / "link"))

    def test_a_note_was_made(self, record: Path) -> None:
        assert ackproof("mark", record, "failed back to controller A").returncode == 0
        with pytest.raises(UsageError, match="no longer the same: the marks and notes;"):
            check_by_path(record, None)

    def test_another_boot(self, record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("verify.drill.journal.boot_id", lambda: "another")
        with pytest.raises(UsageError, match="no longer the same: the machine's boot;"):
            check_by_path(record, None)

    def test_another_ledger(self, record: Path) -> None:
        part = record / "ledger" / "001.ledger"
        os.truncate(part, part.stat().st_size - 1)
        with pytest.raises(UsageError, match="no longer the same: the ledger;"):
            check_by_path(record, None)

    def test_the_command(self, record: Path) -> None:
        done = ackproof("check", record, "--resume")
        assert done.returncode == 3, done.stderr
        assert "interrupted and resumed" in done.stdout
        again = ackproof("check", record, "--resume")
        assert again.returncode == 2
        assert "no interrupted check" in again.stderr
        assert ackproof("check", record, "--resume", "--read-twice").returncode == 2


class TestOnALoopDevice:
    @pytest.fixture
    def backing(self, tmp_path: Path) -> Path:
        (tmp_path / "backing").write_bytes(bytes(768 << 10))
        return tmp_path / "backing"

    @pytest.fixture
    def device(self, backing: Path, attach: Callable[[Path], str]) -> str:
        return attach(backing)

    @pytest.fixture
    def record(self, device: str, tmp_path: Path) -> Path:
        options = LoadOptions(None, lambda _: None, processes=False, handle_signals=False)
        request = RunRequest(STREAMS, seed=5, operations=200)
        write_to_volume(device, str(tmp_path / "record"), request, options, erase=identify(device).identity)
        check_by_path(tmp_path / "record", None, interrupted=True)
        return tmp_path / "record"

    def test_nothing_happened(self, record: Path) -> None:
        result = check_by_path(record, None)
        assert result is not None
        assert any("interrupted and resumed" in limit for limit in result.verdict["not_proved"])

    def test_the_device_was_written_to(self, record: Path, device: str) -> None:
        with open(device, "r+b", buffering=0) as file:
            file.write(bytes(BLOCK))
            os.fsync(file.fileno())
        with pytest.raises(UsageError, match="no longer the same: the volume's state;"):
            check_by_path(record, None)

    def test_the_file_beneath_was_written_to(self, record: Path, backing: Path) -> None:
        with open(backing, "r+b") as file:
            file.write(bytes(BLOCK))
        with pytest.raises(UsageError, match="no longer the same: the volume's state;"):
            check_by_path(record, None)

    def test_blocks_were_discarded(self, record: Path, device: str) -> None:
        subprocess.run(["blkdiscard", "--length", str(BLOCK), device], check=True)
        with pytest.raises(UsageError, match="no longer the same: the volume's state;"):
            check_by_path(record, None)
