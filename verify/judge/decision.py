"""The decision table: from named facts about one observation of one slot to exactly one finding.

The facts:

- source: who looked (an examination before an overwrite, a read under load, a check).
- content: what was there (`verify.judge.content.Content`).
- age: for content with sequence numbers of this slot's own writes, how they lie between floor and ceiling.
- grain: whether a mix is no finer than the unit that the device writes whole.
- floor: whether some write must be there.
- issued: whether any write may be there at all, acknowledged or not.
- steady: whether two reads of one check agreed (or differ only by an operation still in flight).

The rows exclude each other, so their order carries no meaning; a test tries every combination of facts and finds
exactly one row for each. The precedence that the rows spell out: unreadable, then unstable, then what the content says.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from verify.judge.content import Content


class Source(IntEnum):
    """Who looked."""

    EXAMINATION = 0
    READ = 1
    CHECK = 2


class Age(IntEnum):
    """Where the sequence numbers seen lie; INSIDE also stands for content without any."""

    INSIDE = 0
    """All from floor to ceiling, and all of operations that write this slot."""
    OLDER = 1
    """All of operations that write this slot and none above the ceiling, but some below the floor."""
    NEVER = 2
    """Some above a closed ceiling, or of operations that do not write this slot."""


class Grain(IntEnum):
    """Whether a mix respects the device's atomic unit."""

    ALLOWED = 0
    FINER = 1


class Finding(IntEnum):
    """What an observation amounts to."""

    INTACT = 0
    UNTOUCHED = 1
    TEAR_IN_FLIGHT = 2
    LOST = 3
    STALE_READ = 4
    TORN = 5
    MISPLACED = 6
    BLANK = 7
    FOREIGN = 8
    UNISSUED = 9
    DAMAGED = 10
    UNREADABLE = 11
    UNSTABLE = 12


CONVICTING = tuple(finding for finding in Finding if finding >= Finding.LOST)
"""Findings that make a verdict FAIL."""

LABELS = {
    Finding.INTACT: "intact",
    Finding.UNTOUCHED: "untouched",
    Finding.TEAR_IN_FLIGHT: "tear in flight",
    Finding.LOST: "lost",
    Finding.STALE_READ: "stale read",
    Finding.TORN: "torn",
    Finding.MISPLACED: "misplaced",
    Finding.BLANK: "blank",
    Finding.FOREIGN: "foreign",
    Finding.UNISSUED: "unissued",
    Finding.DAMAGED: "damaged",
    Finding.UNREADABLE: "unreadable",
    Finding.UNSTABLE: "unstable",
}


@dataclass(frozen=True)
class Row:
    """One row of the table: the facts it holds for (None: whatever the fact is) and the finding."""

    finding: Finding
    content: tuple[Content, ...]
    source: tuple[Source, ...] | None = None
    age: tuple[Age, ...] | None = None
    grain: tuple[Grain, ...] | None = None
    floor: bool | None = None
    issued: bool | None = None
    steady: bool | None = True

    def holds(
        self, source: Source, content: Content, age: Age, grain: Grain, floor: bool, issued: bool, steady: bool
    ) -> bool:
        """Whether the row applies to these facts."""
        return (
            content in self.content
            and (self.source is None or source in self.source)
            and (self.age is None or age in self.age)
            and (self.grain is None or grain in self.grain)
            and (self.floor is None or floor is self.floor)
            and (self.issued is None or issued is self.issued)
            and (self.steady is None or steady is self.steady)
        )


_C, _A, _G, _F = Content, Age, Grain, Finding
_READABLE = tuple(content for content in Content if content is not Content.UNREADABLE)
_NO_CLUE = (_C.FOREIGN, _C.BLANK, _C.UNMATCHED)
_LATER_LOOKS = (Source.EXAMINATION, Source.CHECK)

TABLE = (
    Row(_F.UNREADABLE, (_C.UNREADABLE,), steady=None),
    Row(_F.UNSTABLE, _READABLE, steady=False),
    # A whole write of this run to this slot.
    Row(_F.INTACT, (_C.WHOLE,), age=(_A.INSIDE,)),
    Row(_F.LOST, (_C.WHOLE,), _LATER_LOOKS, age=(_A.OLDER,)),
    Row(_F.STALE_READ, (_C.WHOLE,), (Source.READ,), age=(_A.OLDER,)),
    Row(_F.UNISSUED, (_C.WHOLE,), age=(_A.NEVER,)),
    # Sectors of this run only.
    Row(_F.TEAR_IN_FLIGHT, (_C.MIX,), age=(_A.INSIDE,), grain=(_G.ALLOWED,)),
    Row(_F.TORN, (_C.MIX,), age=(_A.INSIDE,), grain=(_G.FINER,)),
    Row(_F.TORN, (_C.MIX,), age=(_A.OLDER, _A.NEVER)),
    # Some sectors of writes to this slot, the rest matches nothing: old content where nothing had to be there.
    Row(_F.DAMAGED, (_C.PARTIAL,), floor=True),
    Row(_F.TEAR_IN_FLIGHT, (_C.PARTIAL,), age=(_A.INSIDE,), grain=(_G.ALLOWED,), floor=False),
    Row(_F.TORN, (_C.PARTIAL,), age=(_A.INSIDE,), grain=(_G.FINER,), floor=False),
    Row(_F.TORN, (_C.PARTIAL,), age=(_A.OLDER, _A.NEVER), floor=False),
    # A block of this run for another slot cannot be old content, whatever was written here.
    Row(_F.MISPLACED, (_C.MISPLACED,)),
    # Content without a trace of this run: old content where nothing had to be there.
    Row(_F.UNTOUCHED, _NO_CLUE, floor=False),
    Row(_F.BLANK, (_C.BLANK,), floor=True),
    Row(_F.FOREIGN, (_C.FOREIGN,), floor=True),
    Row(_F.DAMAGED, (_C.UNMATCHED,), floor=True),
)


def decide(
    source: Source, content: Content, age: Age, grain: Grain, floor: bool, issued: bool, steady: bool
) -> Finding:
    """The finding for one combination of facts."""
    for row in TABLE:
        if row.holds(source, content, age, grain, floor, issued, steady):
            return row.finding
    raise AssertionError("the decision table has a hole")


def _compile() -> npt.NDArray[np.uint8]:
    shape = (len(Source), len(Content), len(Age), len(Grain), 2, 2, 2)
    table = np.zeros(shape, dtype=np.uint8)
    for source, content, age, grain in product(Source, Content, Age, Grain):
        for floor, issued, steady in product((False, True), repeat=3):
            finding = decide(source, content, age, grain, floor, issued, steady)
            table[source, content, age, grain, int(floor), int(issued), int(steady)] = finding
    return table


_COMPILED = _compile()


def decide_all(
    source: npt.NDArray[Any],
    content: npt.NDArray[Any],
    age: npt.NDArray[Any],
    grain: npt.NDArray[Any],
    floor: npt.NDArray[Any],
    issued: npt.NDArray[Any],
    steady: npt.NDArray[Any],
) -> npt.NDArray[np.uint8]:
    """The findings for arrays of facts, all of one shape."""
    flags = (floor.astype(np.intp), issued.astype(np.intp), steady.astype(np.intp))
    return np.asarray(_COMPILED[source, content, age, grain, *flags])
