"""What the lab's tests read out of a trial: times, the operations in flight at a takeover, and what was lost where."""

from __future__ import annotations

import datetime
import time
from pathlib import Path
from typing import Any

from scripts.takeover_lab.trial import Trial
from verify.drill.record import LedgerParts, RecordFolder
from verify.judge.timeline import kind_mask
from verify.ledger.frames import Kind, Records

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


def offsets_in_flight(record: Path, takeover: dict[str, Any]) -> set[int]:
    """Where on the volume each lane's operation went that was outstanding through the whole stall of a takeover.

    Of a takeover that only the move of the address tells: each operation outstanding between the move and its notice.
    """
    folder = RecordFolder.open(str(record))
    _, run = folder.read_run()
    offset_ns = wall_offset_ns()
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


def lost_offsets(trial: Trial) -> set[int]:
    """Where acknowledged writes were lost, by the rows of losses.csv."""
    return {int(row["offset"]) for row in trial.losses if int(row["lost_writes"] or 0) > 0}


def sequence_at(image: bytes, offset_bytes: int) -> int:
    """The sequence number in the first stamp of a block, as verify/blocks/FORMAT.md lays it out."""
    return int.from_bytes(image[offset_bytes + 32 : offset_bytes + 40], "little")
