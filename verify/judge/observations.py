"""A compact table of observations that need judging: one row for each slot seen otherwise than expected."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from verify.judge.content import Content, Seen
from verify.judge.decision import Source
from verify.judge.slots import SlotState

NEVER_NS = np.iinfo(np.int64).max

ROW_DTYPE = np.dtype(
    [
        ("slot", "i8"),  # counted within the run
        ("source", "u1"),
        ("content", "u1"),
        ("strange", "?"),  # sectors of other slots are among a mix
        ("steady", "?"),
        ("grain", "u4"),  # sectors
        ("oldest", "i8"),
        ("newest", "i8"),
        ("home", "i8"),  # offset in bytes
        ("home_sequence", "i8"),
        ("home_too", "i1"),  # whether the check found it there too, -1 for unknown
        ("bits", "i8"),
        ("expected", "i8"),  # what the looker took for the newest acknowledged write
        ("before", "i8"),  # operation of the slot's lane that the look preceded
        ("issued_ns", "i8"),
        ("done_ns", "i8"),
        ("detail", "i8"),  # index into `details`, -1 for none
    ]
)

DETAILS_MAX = 200_000
"""So many detail texts are kept; beyond that rows have none."""

Rows = npt.NDArray[Any]


class Observations:
    """Rows of `ROW_DTYPE`, gathered in stretches, with texts for the few that have one."""

    def __init__(self) -> None:
        self._parts: list[Rows] = []
        self.details: list[str] = []

    def add_rows(self, rows: Rows) -> None:
        """Add rows that need no text."""
        if len(rows):
            self._parts.append(rows)

    def add(self, row: Rows, detail: str) -> None:
        """Add one row (shape (1,)) with its text."""
        if detail and len(self.details) < DETAILS_MAX:
            row["detail"] = len(self.details)
            self.details.append(detail)
        self._parts.append(row)

    def rows(self) -> Rows:
        """All rows, in the order they were added."""
        if not self._parts:
            return np.zeros(0, dtype=ROW_DTYPE)
        if len(self._parts) > 1:
            self._parts = [np.concatenate(self._parts)]
        return self._parts[0]

    def keep(self, which: npt.NDArray[np.bool_]) -> None:
        """Drop the rows where `which` is false."""
        self._parts = [self.rows()[which]]


def blank_rows(slots: npt.NDArray[np.int64] | Sequence[int], source: Source, content: Content) -> Rows:
    """Rows for the given slots (counted within the run) with every other fact at its neutral value."""
    rows = np.zeros(len(slots), dtype=ROW_DTYPE)
    rows["slot"] = slots
    rows["source"] = source
    rows["content"] = content
    rows["steady"] = True
    for name in ("oldest", "newest", "home", "home_sequence", "home_too", "bits", "expected", "detail"):
        rows[name] = -1
    rows["before"] = NEVER_NS
    return rows


def row_of(slot: int, source: Source, seen: Seen) -> Rows:
    """One row (shape (1,)) for a slot looked at closely."""
    row = blank_rows([slot], source, seen.content)
    row["strange"] = seen.strange_sectors
    row["grain"] = seen.grain_sectors
    row["oldest"] = seen.oldest
    row["newest"] = seen.newest
    row["home"] = min(max(seen.home_address, -1), NEVER_NS)
    row["home_sequence"] = min(max(seen.home_sequence, -1), NEVER_NS)
    row["bits"] = seen.bits
    return row


def note_homes(rows: Rows, state: SlotState) -> None:
    """Note for every misplaced block whether the check found it also where it belongs (`home_too`).

    Args:
        rows: all rows of a check; changed in place.
        state: what every slot holds of which there is no row.
    """
    misplaced = np.flatnonzero(rows["content"] == Content.MISPLACED)
    if not len(misplaced):
        return
    homes = {int(i): _slot_at(int(rows["home"][i]), state) for i in misplaced}
    wanted = np.array([slot for slot in homes.values() if slot is not None], dtype=np.int64)
    seen = {slot: int(state.newest[slot]) for slot in wanted.tolist()}
    for row in rows[(rows["source"] == Source.CHECK) & np.isin(rows["slot"], wanted)]:
        seen[int(row["slot"])] = int(row["newest"]) if row["content"] == Content.WHOLE else -1
    for i, slot in homes.items():
        if slot is not None:
            rows["home_too"][i] = seen[slot] == rows["home_sequence"][i]


def _slot_at(address_bytes: int, state: SlotState) -> int | None:
    for stream in state.run.streams:
        slot = stream.layout.slot_at(address_bytes)
        if slot is not None:
            return stream.layout.first_slot + slot
    return None
