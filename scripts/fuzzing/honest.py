"""What hostile input is made of: small real runs, written and checked on the spot, on a volume in memory."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.drill.memory_volume import MemoryVolume
from verify.drill.checking import CheckResult, check_record
from verify.drill.opening import OpenedVolume
from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, run_load
from verify.ledger.frames import Records
from verify.load.run import Run

BLOCK_BYTES = 512
LANES = 2
SLOTS = 16
OPERATIONS = 40


class RememberingVolume(MemoryVolume):
    """A volume in memory that remembers every write, to give an older one back."""

    def __init__(self, size_bytes: int, write_delay_s: float = 0.0) -> None:
        super().__init__(size_bytes, write_delay_s)
        self.written: dict[int, list[bytes]] = {}

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        """Write, and remember what was written."""
        self.written.setdefault(offset_bytes, []).append(bytes(buffer))
        return super().write(offset_bytes, buffer, through)


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
    volume = RememberingVolume(SLOTS * BLOCK_BYTES, write_delay_s=0.004)  # so that some are in flight at the mark
    stream = StreamRequest(BLOCK_BYTES, LANES, SLOTS * BLOCK_BYTES, read_share=0.2)
    request = RunRequest((stream,), seed=7, tag=9, operations=OPERATIONS, workers=2)
    run = plan_run(request, volume.size_bytes, volume.sector_bytes)
    facts = volume.facts() | {"page_cache": page_cache}
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


def _with_a_loss(volume: RememberingVolume, run: Run) -> MemoryVolume:
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
