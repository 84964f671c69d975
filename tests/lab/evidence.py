"""What the lab's tests read out of a trial: times, the operations in flight at a takeover, and what was lost where."""

from __future__ import annotations

import datetime
import json
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from scripts.takeover_lab.pair import Lab
from scripts.takeover_lab.processes import wait_until
from scripts.takeover_lab.truth import copy_image, differing_blocks
from verify.drill.record import LedgerParts, RecordFolder
from verify.judge.timeline import kind_mask
from verify.ledger.frames import Kind, Records

BLOCK_BYTES = 4096
DIRTY_S = 0.8
"""How long after a destage a controller is killed."""

ROUNDING_NS = 5_000_000
"""A verdict's times are rounded, and the wall clock beside them is that of the nearest heartbeat."""

NOTICED_WITHIN_NS = 20_000_000
"""The kernel tells of the move of an address at once; a busy machine hears it this much later at most."""

SPANNING_KINDS = (Kind.WRITE, Kind.WRITE_THROUGH, Kind.READ, Kind.READ_ODD, Kind.EXAMINED, Kind.EXAMINED_ODD)


def wall_ns(text: str) -> int:
    """An RFC 3339 time of a verdict in nanoseconds since 1970."""
    parsed = datetime.datetime.fromisoformat(text)
    return int(parsed.replace(microsecond=0).timestamp()) * 10**9 + parsed.microsecond * 1000


def wall_offset_ns() -> int:
    """What to add to a monotonic time of this machine to get its wall clock."""
    return time.time_ns() - time.monotonic_ns()


def kill_and_compare(lab: Lab, folder: Path) -> set[int]:
    """Kill controller A a while after a destage; offsets of the blocks that it had acknowledged and the disk lacks."""
    destages = len(lab.controllers["a"].destage_records())
    wait_until(lambda: len(lab.controllers["a"].destage_records()) > destages, "the next destage")
    time.sleep(DIRTY_S)
    lab.kill("a")
    acknowledged, destaged = folder / "acknowledged.img", folder / "destaged.img"
    copy_image(lab.controllers["a"].own.image, acknowledged)
    copy_image(lab.layout.disk, destaged)
    lab.controllers["b"].wait_active()
    return differing_blocks(acknowledged, destaged, BLOCK_BYTES, lab.layout.settings.volume_bytes)


def recorded_wall_offset_ns(record: Path) -> int:
    """What to add to a monotonic time of the machine that wrote a record to get its wall clock."""
    for line in (record / "events.jsonl").read_text(encoding="utf-8").splitlines():
        event = json.loads(line)
        if event["event"] == "load_began":
            return int(event["wall_ns"]) - int(event["monotonic_ns"])
    raise AssertionError(f"the load of {record} never began")


def offsets_in_flight(record: Path, takeover: dict[str, Any]) -> set[int]:
    """Where on the volume each lane's operation went that was outstanding through the whole stall of a takeover.

    Of a takeover that only the move of the address tells: each operation outstanding between the move and its notice.
    """
    folder = RecordFolder.open(str(record))
    _, run = folder.read_run()
    offset_ns = recorded_wall_offset_ns(record)
    start_ns = wall_ns(takeover["start"]) - offset_ns + ROUNDING_NS
    end_ns = wall_ns(takeover["end"]) - offset_ns - ROUNDING_NS
    out: set[int] = set()
    for _, item in LedgerParts(folder, run)():
        if not isinstance(item, Records):
            continue
        if takeover["seen"] == "attested":
            end_ns = wall_ns(takeover["start"]) - offset_ns - NOTICED_WITHIN_NS
        spanning = kind_mask(item, SPANNING_KINDS) & (item.issued_ns <= start_ns) & (item.done_ns >= end_ns)
        for lane, sequence in zip(item.lane[spanning].tolist(), item.sequence[spanning].tolist(), strict=True):
            slot = int(run.schedule(lane).operations(sequence, 1).slots[0])
            out.add(run.stream_of_lane(lane).layout.address(slot))
    assert len(out) <= run.lanes * (1 if takeover["seen"] == "observed" else 20)
    return out


def offsets_examined(record: Path, from_ns: int, to_ns: int) -> set[int]:
    """Where lanes looked at a slot before they overwrote it, from one wall-clock time to another."""
    folder = RecordFolder.open(str(record))
    _, run = folder.read_run()
    offset_ns = recorded_wall_offset_ns(record)
    out: set[int] = set()
    for _, item in LedgerParts(folder, run)():
        if not isinstance(item, Records):
            continue
        looked = kind_mask(item, (Kind.EXAMINED, Kind.EXAMINED_ODD))
        looked &= (item.issued_ns >= from_ns - offset_ns) & (item.done_ns <= to_ns - offset_ns)
        for lane, sequence in zip(item.lane[looked].tolist(), item.sequence[looked].tolist(), strict=True):
            slot = int(run.schedule(lane).operations(sequence, 1).slots[0])
            out.add(run.stream_of_lane(lane).layout.address(slot))
    return out


def lost_offsets(losses: Iterable[Mapping[str, str]]) -> set[int]:
    """Where acknowledged writes were lost, by the rows of losses.csv."""
    return {int(row["offset"]) for row in losses if int(row["lost_writes"] or 0) > 0}


def sequence_at(image: bytes, offset_bytes: int) -> int:
    """The sequence number in the first stamp of a block, as verify/blocks/FORMAT.md lays it out."""
    return int.from_bytes(image[offset_bytes + 32 : offset_bytes + 40], "little")
