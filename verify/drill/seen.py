"""What a check saw of writes that were never acknowledged, kept so that a later check demands it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from verify.drill.record import RecordFolder, read_json, write_json
from verify.drill.scan import ScanResult
from verify.errors import AckproofError
from verify.ledger.frames import SEQUENCE_MAX
from verify.load.run import Run

SEEN_NAME = "seen.json"


@dataclass(frozen=True)
class EarlierChecks:
    """What earlier checks of a run saw: slot to the newest write there that was never acknowledged, and doubts."""

    in_flight: dict[int, int]
    doubts: list[str]


def seen_in_earlier_checks(folder: RecordFolder, run: Run) -> EarlierChecks:
    """Gather what the checks before this one saw of writes that were never acknowledged."""
    out: dict[int, int] = {}
    doubts = []
    for name in folder.check_names():
        try:
            value = read_json(folder.checks_path / name / SEEN_NAME)
            for slot, sequence in _slots_and_sequences(value, run):
                out[slot] = max(out.get(slot, -1), sequence)
        except (AckproofError, ValueError):
            doubts.append(f"that writes in flight seen by check {name} are still there: its {SEEN_NAME} cannot be used")
    return EarlierChecks(out, doubts)


def _slots_and_sequences(value: Any, run: Run) -> Iterator[tuple[int, int]]:
    items = value.get("in_flight") if isinstance(value, dict) else None
    if not isinstance(items, dict):
        raise ValueError("there is no table of slots in it")
    for slot, sequence in items.items():
        if not slot.isdecimal() or int(slot) >= run.slots or type(sequence) is not int:
            raise ValueError(f"slot {slot[:40]!r} cannot be used")
        if not 0 <= sequence <= SEQUENCE_MAX:
            raise ValueError(f"sequence number {sequence} is impossible")
        yield int(slot), sequence


def keep_seen(partial: Path, scan: ScanResult) -> None:
    """Keep what this check saw beyond the acknowledged writes, so that a later check demands it."""
    seen = {str(slot): sequence for slot, sequence in scan.seen_in_flight.items()}
    write_json(partial / SEEN_NAME, {"format": "ackproof-seen/1", "in_flight": seen})
