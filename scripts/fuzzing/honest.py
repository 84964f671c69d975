"""What hostile input is made of: small real runs, written and checked on the spot, on a volume in memory."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from verify.drill.checking import CheckResult, check_record
from verify.drill.opening import OpenedVolume
from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, run_load
from verify.ledger.frames import Records
from verify.load.run import Run
from verify.volume.identity import VolumeIdentity

BLOCK_BYTES = SECTOR_BYTES = 512
LANES = 2
SLOTS = 16
OPERATIONS = 40


class MemoryVolume:
    """A volume of zeros in memory, whose writes take a while, so that some are in flight when a takeover is marked."""

    def __init__(self, size_bytes: int, write_s: float = 0.0) -> None:
        self.data = bytearray(size_bytes)
        self.size_bytes = size_bytes
        self.sector_bytes = SECTOR_BYTES
        self.written: dict[int, list[bytes]] = {}
        self._write_s = write_s

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        """As much as there is."""
        data = self.data[offset_bytes : offset_bytes + len(buffer)]
        buffer[: len(data)] = data
        return len(data)

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:  # noqa: ARG002  (it never waits)
        """Write, and remember what was written."""
        time.sleep(self._write_s)
        self.written.setdefault(offset_bytes, []).append(bytes(buffer))
        self.data[offset_bytes : offset_bytes + len(buffer)] = buffer
        return len(buffer)

    def flush(self) -> None:
        """Nothing is held back."""

    def reopen(self) -> bool:
        """It never goes away."""
        return False

    def close(self) -> None:
        """Nothing to close."""


@dataclass
class Honest:
    """A finished run with a takeover attested under load.

    `items` is what each part of its ledger holds, as the reader gives it. On `sound` every acknowledged write is there;
    on `lossy` one that others of its lane came after is not.
    """

    record: Path
    run: Run
    items: dict[int, list[Records | dict[str, Any]]]
    sound: MemoryVolume
    lossy: MemoryVolume

    def check(self, volume: MemoryVolume) -> CheckResult:
        """Check the run against a volume."""
        return check_record(RecordFolder.open(str(self.record)), OpenedVolume(volume, "/memory"))

    def forget_checks(self) -> None:
        """Leave the record folder as if it had never been checked."""
        shutil.rmtree(self.record / "checks")
        (self.record / "checks").mkdir()
        for left in [self.record / "verdict.json", *self.record.glob("specimens/check-*")]:
            left.unlink(missing_ok=True)


def honest_run(folder: Path, page_cache: str = "", then: Callable[[Path], None] = lambda record: None) -> Honest:
    """Carry out a small run in a new record folder.

    Args:
        folder: where the record folder is made.
        page_cache: a doubt that run.json tells of.
        then: called with the record folder when the run has ended.
    """
    record = folder / "record"
    volume = MemoryVolume(SLOTS * BLOCK_BYTES, write_s=0.004)
    stream = StreamRequest(BLOCK_BYTES, LANES, SLOTS * BLOCK_BYTES, read_share=0.2)
    request = RunRequest((stream,), seed=7, tag=9, operations=OPERATIONS, workers=2)
    run = plan_run(request, volume.size_bytes, SECTOR_BYTES)
    identity = VolumeIdentity(
        "file", "/memory", "/memory", volume.size_bytes, SECTOR_BYTES, SECTOR_BYTES, "", "0:0", 1, ""
    )
    facts = {"identity": identity.to_json(), "direct": True, "page_cache": page_cache, "cache_mode": ""}
    made = RecordFolder.create(str(record))
    marker = threading.Thread(target=_mark_in_time, args=(made,))
    try:
        marker.start()
        options = LoadOptions(None, lambda snapshot: None, processes=False, handle_signals=False, submit="threads")
        run_load(made, run, lambda: volume, facts, options)
    finally:
        marker.join()
        made.release()
    then(record)
    items = {part: list(made.ledger_file(part, run.tag).items()) for part in run.ledger_parts}
    return Honest(record, run, items, volume, _with_a_loss(volume, run))


def _mark_in_time(folder: RecordFolder) -> None:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        if folder.events_path.exists() and "load_began" in folder.events_path.read_text():
            folder.drop_mark("pulled", True, time.monotonic_ns(), time.time_ns())
            return
        time.sleep(0.002)


def _with_a_loss(volume: MemoryVolume, run: Run) -> MemoryVolume:
    """The volume with a slot put back by one write, which other writes of its lane came after."""
    lossy = MemoryVolume(volume.size_bytes)
    lossy.data[:] = volume.data
    planned = run.schedule(0).operations(0, SLOTS // LANES + OPERATIONS)
    writes = [slot for slot, writes in zip(planned.slots.tolist(), planned.writes.tolist(), strict=True) if writes]
    newest = {slot: number for number, slot in enumerate(writes)}
    slot = next(slot for slot in sorted(newest, key=newest.__getitem__) if writes.count(slot) > 1)
    assert newest[slot] < len(writes) - 1
    at = slot * BLOCK_BYTES
    lossy.data[at : at + BLOCK_BYTES] = volume.written[at][-2]
    return lossy
