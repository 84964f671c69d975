"""Volumes that fail under load and recover: every failure is told and retried, and no verdict gets worse or better."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.drill.conftest import Attach
from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import (
    attest,
    check_here,
    check_on,
    convicting,
    load_on,
    losses_of,
    no_false_finding,
    start,
    wait_until,
)
from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, run_load
from verify.volume.direct import DirectVolume, open_volume

BLOCK_BYTES = 1024
LANES = 4
SLOTS = 32
FIRST_FAILURE = SLOTS + 40
FAILURES = 30
BACK_AFTER_LOOKS = 2
AT_MOST_S = 20.0
"""When a load ends that should have done its operations long before."""


class FaultyVolume(MemoryVolume):
    """Fails a stretch of its calls under load, in one way; what fails may have been carried out in part."""

    def __init__(self, fault: str) -> None:
        super().__init__(SLOTS * BLOCK_BYTES, write_delay_s=0.005)
        self.fault = fault
        self.failures = 0
        self.looks = 0
        self.reopened: list[str] = []
        self.versions: dict[int, list[bytes]] = {}
        self._calls = 0

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        kept = super().read(offset_bytes, buffer)
        return self._fail(kept) if self._fails() else kept

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        if self._fails():
            carried_out = 0 if self.fault in ("no room", "gone") else len(buffer) // 2
            with self.lock:
                self.data[offset_bytes : offset_bytes + carried_out] = buffer[:carried_out]
            return self._fail(len(buffer))
        written = super().write(offset_bytes, buffer, through)
        with self.lock:
            self.versions.setdefault(offset_bytes, []).append(bytes(buffer))
        return written

    def reopen(self) -> bool:
        """Found again at the second look; under which name makes no difference here."""
        self.looks += 1
        return self.looks >= BACK_AFTER_LOOKS

    def _fails(self) -> bool:
        with self.lock:
            self._calls += 1
            if self.fault == "gone":
                failing = self._calls > FIRST_FAILURE and self.looks < BACK_AFTER_LOOKS
            else:
                failing = FIRST_FAILURE < self._calls <= FIRST_FAILURE + FAILURES
            self.failures += failing
            return failing

    def _fail(self, whole: int) -> int:
        if self.fault == "short":
            return whole // 2
        number = {"error": errno.EIO, "no room": errno.ENOSPC, "gone": errno.ENODEV}[self.fault]
        raise OSError(number, os.strerror(number))


def events_of(record: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (record / "events.jsonl").read_text().splitlines()]


@pytest.mark.parametrize("fault", ["error", "short", "no room", "gone"])
def test_what_fails_is_counted_tried_again_and_changes_no_verdict(tmp_path: Path, fault: str) -> None:
    record, volume = tmp_path / "record", FaultyVolume(fault)
    marker = threading.Thread(target=attest, args=(record, volume))
    marker.start()
    stream = StreamRequest(BLOCK_BYTES, LANES, SLOTS * BLOCK_BYTES, read_share=0.2)
    load_on(volume, record, RunRequest((stream,), seed=2, operations=60, workers=2), AT_MOST_S)
    marker.join()
    assert volume.failures >= (FAILURES if fault != "gone" else BACK_AFTER_LOOKS)
    sound = check_on(volume, record)
    no_false_finding(sound.verdict, losses_of(sound.folder))
    assert sound.verdict["verdict"] == "PASS", sound.verdict["reasons"]
    assert sound.verdict["writes"]["errors"] == volume.failures
    assert "outage_began" in [event["event"] for event in events_of(record)]
    assert (volume.looks >= BACK_AFTER_LOOKS) == (fault == "gone")
    at, held = max(volume.versions.items(), key=lambda item: len(item[1]))
    volume.data[at : at + BLOCK_BYTES] = held[-2]
    lossy = check_on(volume, record)
    assert (lossy.verdict["verdict"], convicting(lossy.verdict)) == ("FAIL", {"lost": 1})


needs_mounts = pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("mkfs.ext4") is None, reason="needs root and mkfs.ext4: mounts a file system"
)


class TestAThinVolume:
    """A sparse file on a file system that is full: there is no room for what was never written before."""

    @pytest.fixture
    def thin(self, tmp_path: Path, attach: Attach) -> Iterator[Path]:
        """A mounted file system with a sparse volume on it, and a file that takes all the room but 1 MiB."""
        image, point = tmp_path / "image", tmp_path / "mounted"
        point.mkdir()
        with open(image, "wb") as file:
            os.posix_fallocate(file.fileno(), 0, 16 << 20)
        subprocess.run(["mkfs.ext4", "-q", "-O", "^has_journal", "-m", "0", str(image)], check=True)
        subprocess.run(["mount", attach(image), str(point)], check=True)
        try:
            with open(point / "volume", "wb") as file:
                file.truncate(8 << 20)
            free = os.statvfs(point)
            with open(point / "ballast", "wb") as file:
                os.posix_fallocate(file.fileno(), 0, free.f_bavail * free.f_bsize - (1 << 20))
            yield point
        finally:
            subprocess.run(["umount", "--lazy", str(point)], check=True)

    @needs_mounts
    def test_that_is_full_is_written_once_it_has_room(self, thin: Path, tmp_path: Path) -> None:
        record, volume = tmp_path / "record", thin / "volume"
        writer = start(
            "write", volume, "--erase", os.path.realpath(volume), "--record", record, "--lanes", 4, "--block", "64KiB",
            "--span", "8MiB", "--operations", 20, "--workers", 1,
        )  # fmt: skip
        events = record / "events.jsonl"
        try:
            wait_until(lambda: events.exists() and "outage_began" in events.read_text(), "the full volume", writer)
            assert "load_began" not in events.read_text()
            (thin / "ballast").unlink()
            _, said = writer.communicate(timeout=60)
        finally:
            writer.kill()
        assert writer.returncode == 0, said
        assert "Traceback" not in said
        result = check_here(record)
        no_false_finding(result.verdict, losses_of(result.folder))
        assert result.verdict["writes"]["errors"] >= 4
        assert result.verdict["writes"]["acknowledged"] == 128 + 4 * 20
        assert result.verdict["coverage"]["slots_read"] == 128


class TestAVolumeThatComesBackUnderAnotherName:
    def test_is_found_by_its_identity_and_written_on(self, tmp_path: Path, attach: Attach) -> None:
        """The first loop device is taken away for good, and its file attached to another."""
        backing, record = tmp_path / "backing", tmp_path / "record"
        with open(backing, "wb") as file:
            os.posix_fallocate(file.fileno(), 0, 1 << 20)
        first = attach(backing)
        volume = open_volume(first, writable=True, exclusive=False)
        stream = StreamRequest(4096, LANES, 1 << 20, pace=400.0)
        run = plan_run(RunRequest((stream,), seed=3, operations=200, workers=1), 1 << 20, 512)
        facts = {"identity": volume.identity.to_json(), "direct": True, "page_cache": "", "cache_mode": ""}
        names: list[str] = []
        swap = threading.Thread(target=self.swap, args=(volume, first, backing, attach, record, names))
        swap.start()
        folder = RecordFolder.create(str(record))
        options = LoadOptions(AT_MOST_S, lambda snapshot: None, processes=False, handle_signals=False, submit="threads")
        try:
            run_load(folder, run, lambda: volume, facts, options)
        finally:
            folder.release()
            volume.close()
            swap.join()
        [second] = names
        assert second != first
        result = check_here(record)
        no_false_finding(result.verdict, losses_of(result.folder))
        assert result.verdict["writes"]["acknowledged"] == 256 + LANES * 200
        assert result.verdict["writes"]["errors"] > 0
        ledger = [item for item in folder.ledger_file(1, run.tag).items() if isinstance(item, dict)]
        assert "reopened" in [event["event"] for event in ledger]

    def swap(
        self, volume: DirectVolume, first: str, backing: Path, attach: Attach, record: Path, names: list[str]
    ) -> None:
        """Under load, leave the volume's descriptor with nothing to write to; the device goes, another comes."""
        wait_until(lambda: "load_began" in text(record / "events.jsonl"), "the load")
        nothing = os.open("/dev/null", os.O_PATH)  # every call on it fails with EBADF
        other = attach(backing)
        subprocess.run(["losetup", "--detach", first], check=True)  # takes place when nobody has it open any more
        os.dup2(nothing, volume.fd)
        os.close(nothing)
        wait_until(lambda: volume.identity.path == other or volume.fd == -1, "the reopening")
        names.append(volume.identity.path)


def text(path: Path) -> str:
    return path.read_text() if path.exists() else ""
