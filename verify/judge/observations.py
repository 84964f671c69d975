"""A compact table of observations that need judging: one row for each slot seen otherwise than expected."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from verify.judge.arrays import BoolArray, Int64Array, flags, int64
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
DETAIL_CHARACTERS_MAX = 1 << 25
"""So many detail texts are kept, and so many characters of them; beyond that rows have none."""

PACK_ROWS = 1 << 16

Rows = npt.NDArray[Any]


class PackedRows:
    """Rows of a check that differ from one another only in slot, content, one sequence number and grain.

    Times are kept as one stretch for all of them: a row unpacked was looked at within it.

    Args:
        rows: such rows, at least one.
    """

    def __init__(self, rows: Rows) -> None:
        self.low, self.high = int(rows["slot"].min()), int(rows["slot"].max())
        self._offsets = (rows["slot"] - self.low).astype("u4" if self.high - self.low < 2**32 else "i8")
        self._content = rows["content"].copy()
        self._sequences = rows["newest"].copy() if (rows["newest"] >= 0).any() else None
        self._grains = rows["grain"].copy() if (rows["grain"] != rows["grain"][0]).any() else int(rows["grain"][0])
        self._from_ns, self._to_ns = int(rows["issued_ns"].min()), int(rows["done_ns"].max())

    @staticmethod
    def fits(rows: Rows) -> BoolArray:
        """Which rows may be packed."""
        fits = (rows["source"] == Source.CHECK) & (rows["oldest"] == rows["newest"]) & rows["steady"]
        fits &= ~rows["strange"] & (rows["before"] == NEVER_NS)
        for name in ("home", "home_sequence", "home_too", "bits", "expected", "detail"):
            fits &= rows[name] == -1
        return np.asarray(fits)

    @property
    def slots(self) -> Int64Array:
        """The slot of each row (counted within the run)."""
        return self._offsets.astype(np.int64) + self.low

    def rows(self, which: BoolArray | slice = slice(None)) -> Rows:
        """The rows again, or those in `which`."""
        out = blank_rows(self.slots[which], Source.CHECK, Content.WHOLE)
        out["content"] = self._content[which]
        if self._sequences is not None:
            out["oldest"] = out["newest"] = self._sequences[which]
        out["grain"] = self._grains if isinstance(self._grains, int) else self._grains[which]
        out["issued_ns"], out["done_ns"] = self._from_ns, self._to_ns
        return out


class Observations:
    """Rows of `ROW_DTYPE`, with texts for the few that have one.

    Of rows that say no more than a slot and what it holds, which may be as many as there are slots, 5 bytes each are
    kept, 13 with a sequence number.
    """

    def __init__(self) -> None:
        self._fresh: list[Rows] = []
        self._fresh_count = 0
        self._loose: list[Rows] = []
        self._packed: list[PackedRows] = []
        self._detail_characters = 0
        self.details: list[str] = []

    def add_rows(self, rows: Rows) -> None:
        """Add rows that need no text."""
        if len(rows):
            self._fresh.append(rows)
            self._fresh_count += len(rows)
            if self._fresh_count >= PACK_ROWS:
                self._pack()

    def add(self, row: Rows, detail: str) -> None:
        """Add one row (shape (1,)) with its text."""
        room = len(self.details) < DETAILS_MAX and self._detail_characters < DETAIL_CHARACTERS_MAX
        if detail and room:
            row["detail"] = len(self.details)
            self.details.append(detail)
            self._detail_characters += len(detail)
        self.add_rows(row)

    def add_all(self, other: Observations) -> None:
        """Add all rows of `other`, whose texts must be in a list of its own."""
        loose = other.loose()
        told = loose["detail"] >= 0
        for index in np.flatnonzero(told).tolist():
            row = loose[index : index + 1].copy()
            text, row["detail"] = other.details[int(row["detail"][0])], -1
            self.add(row, text)
        self.add_rows(loose[~told])
        self._packed += other._packed

    def rows(self) -> Rows:
        """All rows; those that were packed last."""
        return np.concatenate([self.loose(), *(packed.rows() for packed in self._packed)])

    def loose(self) -> Rows:
        """The rows that were not packed, in the order they were added; to be changed in place."""
        self._pack()
        if len(self._loose) != 1:
            self._loose = [np.concatenate([np.zeros(0, dtype=ROW_DTYPE), *self._loose])]
        return self._loose[0]

    def of_slots(self, low: int, high: int) -> Rows:
        """The rows of slots `low` to `high`, both included, by slot, and of one slot in the order they were added.

        Of one slot the check's row stands last.
        """
        loose = self.loose()
        parts = [loose[(loose["slot"] >= low) & (loose["slot"] <= high)]]
        for packed in self._packed:
            if packed.low <= high and packed.high >= low:
                slots = packed.slots
                parts.append(packed.rows((slots >= low) & (slots <= high)))
        rows = np.concatenate(parts)
        return rows[np.argsort(rows["slot"], kind="stable")]

    def of_check(self, slots: Int64Array) -> Rows:
        """The check's rows of the given slots (ascending)."""
        loose = self.loose()
        wanted = loose[(loose["source"] == Source.CHECK) & np.isin(loose["slot"], slots)]
        return np.concatenate([wanted, *(packed.rows(np.isin(packed.slots, slots)) for packed in self._packed)])

    def mask(self, slots: int, check_only: bool = False) -> BoolArray:
        """For each of so many slots whether there is a row of it, or a row of the check."""
        loose = self.loose()
        out = flags(slots)
        out[loose["slot"][(loose["source"] == Source.CHECK) | (not check_only)]] = True
        for packed in self._packed:
            out[packed.slots] = True
        return out

    def forget_check(self, slots: BoolArray | None = None) -> None:
        """Drop the check's rows: all, or those of the slots for which `slots` is true; texts stay."""
        loose = self.loose()
        dropped = loose["source"] == Source.CHECK
        if slots is not None:
            dropped &= slots[loose["slot"]]
        self._loose = [loose[~dropped]]
        packed, self._packed = self._packed, []
        if slots is not None:
            for piece in packed:
                kept = ~slots[piece.slots]
                if kept.any():
                    self._packed.append(piece if kept.all() else PackedRows(piece.rows(kept)))

    def forget_slots(self, slots: BoolArray) -> None:
        """Drop every row that is not packed of the slots for which `slots` is true; texts stay."""
        loose = self.loose()
        self._loose = [loose[~slots[loose["slot"]]]]

    def _pack(self) -> None:
        """Sort what came last into rows that can be packed and others; a few rows are not worth it."""
        if not self._fresh:
            return
        rows = np.concatenate(self._fresh)
        self._fresh, self._fresh_count = [], 0
        fits = PackedRows.fits(rows) if len(rows) >= PACK_ROWS // 2 else flags(len(rows))
        if fits.any():
            self._packed.append(PackedRows(rows[fits]))
        if not fits.all():
            self._loose.append(rows[~fits])


def blank_rows(slots: Int64Array | Sequence[int], source: Source, content: Content) -> Rows:
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


def note_homes(observations: Observations, state: SlotState) -> None:
    """Note for every misplaced block whether the check found it also where it belongs (`home_too`).

    Args:
        observations: all of a check; changed in place.
        state: what every slot holds of which there is no row.
    """
    rows = observations.loose()
    misplaced = np.flatnonzero(rows["content"] == Content.MISPLACED)
    if not len(misplaced):
        return
    homes = {int(i): _slot_at(int(rows["home"][i]), state) for i in misplaced}
    wanted = np.unique(int64([slot for slot in homes.values() if slot is not None]))
    seen: dict[int, int | None] = {slot: int(state.newest[slot]) for slot in wanted.tolist()}
    for row in observations.of_check(wanted):
        seen[int(row["slot"])] = int(row["newest"]) if row["content"] == Content.WHOLE else None
    for i, slot in homes.items():
        if slot is not None:
            rows["home_too"][i] = seen[slot] == rows["home_sequence"][i]


def _slot_at(address_bytes: int, state: SlotState) -> int | None:
    for stream in state.run.streams:
        slot = stream.layout.slot_at(address_bytes)
        if slot is not None:
            return stream.layout.first_slot + slot
    return None
