"""What losses.csv tells, gathered: totals by kind, extents, and where on the volume the damage lies."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Int64Array = npt.NDArray[np.int64]

KINDS = (
    "lost", "torn", "misplaced", "blank", "foreign", "unissued", "damaged", "unreadable", "unstable", "stale read",
)  # fmt: skip
"""The findings that convict, in the order in which a place that shows several is counted as one of them."""

EXAMPLES_OF_A_KIND = 3
_KIND_NUMBER = {kind: number for number, kind in enumerate(KINDS)}


@dataclass(frozen=True)
class KindTotal:
    """What there is of one kind of damage. `places` counts different places, `rows` every time one was seen."""

    kind: str
    places: int
    extents: int
    bytes: int
    lost_writes: int
    rows: int
    seen_by: dict[str, int]


@dataclass(frozen=True)
class Extent:
    """Damaged blocks of one kind that lie side by side."""

    kind: str
    start_bytes: int
    end_bytes: int
    blocks: int
    lost_writes: int


@dataclass
class Damage:
    """Gathers the rows of a losses.csv, 25 bytes or so for each.

    Attributes:
        rows: how many there were.
        examples: the first rows of each kind.
    """

    rows: int = 0
    examples: dict[str, list[Mapping[str, str]]] = field(default_factory=dict)
    _kind: array[int] = field(default_factory=lambda: array("B"))
    _offset: array[int] = field(default_factory=lambda: array("q"))
    _length: array[int] = field(default_factory=lambda: array("q"))
    _writes: array[int] = field(default_factory=lambda: array("q"))
    _seen_by: dict[tuple[str, str], int] = field(default_factory=dict)

    def read(self, rows: Iterable[Mapping[str, str]]) -> None:
        """Take the rows.

        Raises:
            ValueError, KeyError, TypeError: if one of them is not as this program writes it.
        """
        for row in rows:
            kind = row["kind"]
            number = _KIND_NUMBER.get(kind)
            if number is None:
                raise ValueError(f"the kind {kind[:40]!r} is not known")
            offset, length = int(row["offset"]), int(row["length"])
            if offset < 0 or length <= 0:
                raise ValueError(f"a block of {length} bytes at {offset}")
            self._kind.append(number)
            self._offset.append(offset)
            self._length.append(length)
            self._writes.append(int(row["lost_writes"] or 0))
            seen = (kind, row["seen_by"])
            self._seen_by[seen] = self._seen_by.get(seen, 0) + 1
            examples = self.examples.setdefault(kind, [])
            if len(examples) < EXAMPLES_OF_A_KIND:
                examples.append(dict(row))
            self.rows += 1

    def _columns(self) -> tuple[Int64Array, Int64Array, Int64Array, Int64Array]:
        """Kind, offset, length and lost writes of each row, by kind and then offset."""
        kind = np.frombuffer(self._kind, dtype=np.uint8).astype(np.int64)
        offset, length, writes = (
            np.frombuffer(column, dtype=np.int64) for column in (self._offset, self._length, self._writes)
        )
        order = np.lexsort((offset, kind))
        return kind[order], offset[order], length[order], writes[order]

    def extents(self) -> list[Extent]:
        """All extents, in the order of kinds and then of place.

        A place seen more than once counts once, and its lost writes are the most that one look told.
        """
        if not self.rows:
            return []
        kind, offset, length, writes = self._columns()
        first = np.flatnonzero(np.r_[True, (np.diff(kind) != 0) | (np.diff(offset) != 0)])
        writes = np.maximum.reduceat(writes, first)
        kind, offset, length = kind[first], offset[first], length[first]
        broken = (np.diff(kind) != 0) | (offset[1:] != offset[:-1] + length[:-1])
        starts = np.flatnonzero(np.r_[True, broken])
        ends = np.r_[starts[1:], len(kind)]
        lost = np.add.reduceat(writes, starts)
        return [
            Extent(KINDS[kind[a]], int(offset[a]), int(offset[b - 1] + length[b - 1]), int(b - a), int(lost[index]))
            for index, (a, b) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True))
        ]

    def totals(self, extents: Iterable[Extent]) -> list[KindTotal]:
        """The totals of each kind that occurs; `extents` are those of this object."""
        by_kind: dict[str, list[Extent]] = {}
        for extent in extents:
            by_kind.setdefault(extent.kind, []).append(extent)
        return [
            KindTotal(
                kind=kind,
                places=sum(extent.blocks for extent in found),
                extents=len(found),
                bytes=sum(extent.end_bytes - extent.start_bytes for extent in found),
                lost_writes=sum(extent.lost_writes for extent in found),
                rows=sum(count for (seen, _), count in self._seen_by.items() if seen == kind),
                seen_by={by: count for (seen, by), count in sorted(self._seen_by.items()) if seen == kind},
            )
            for kind, found in by_kind.items()
        ]

    def by_cell(self, start_bytes: int, cell_bytes: int, cells: int) -> Int64Array:
        """Damaged blocks by kind and by cell of the volume; shape (len(KINDS), cells).

        A block counts in the cell it begins in; a block that shows several kinds, as the first of them in `KINDS`.
        """
        out = np.zeros((len(KINDS), cells), dtype=np.int64)
        if not self.rows:
            return out
        kind, offset, _, _ = self._columns()
        places, first = np.unique(offset, return_index=True)
        cell = (places - start_bytes) // cell_bytes
        inside = (cell >= 0) & (cell < cells)
        np.add.at(out, (kind[first][inside], cell[inside]), 1)
        return out
