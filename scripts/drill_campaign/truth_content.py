"""What one look at a slot amounts to: the table of findings, applied to contents whose every sector is known.

`WHOLE`, `OTHER`... below say what a look can make out. A lane knows its own stream alone, so it cannot make out sectors
of another stream's block, but for a whole one of the same size.
"""

from __future__ import annotations

from collections.abc import Callable

from scripts.drill_campaign.contents import Content, Place, Source
from scripts.drill_campaign.truth_ledger import whole

INTACT, UNTOUCHED, TEAR = "intact", "untouched", "tear in flight"
LOST, STALE, TORN, MISPLACED = "lost", "stale read", "torn", "misplaced"
BLANK, FOREIGN, UNISSUED, DAMAGED = "blank", "foreign", "unissued", "damaged"
UNREADABLE, UNSTABLE = "unreadable", "unstable"
ALLOWED = (INTACT, UNTOUCHED, TEAR)


def finding_of(
    place: Place,
    places: list[Place],
    seen: Content | None,
    floor: int,
    possible: Callable[[int], bool],
    by: str,
    unstable: bool,
    unit_sectors: float,
) -> str:
    """The finding.

    Args:
        place, places: the slot, and all of them.
        seen: what it held; None if it could not be read.
        floor: the write that had to be there at least, -1 for none.
        possible: whether an operation is a write to the slot that may be there at all.
        by: "exam", "read" or "check".
        unstable: whether two reads disagreed without an operation in flight to explain it.
        unit_sectors: sectors that the device writes whole; below 1 where a sector is more than such a unit.
    """
    if seen is None:
        return UNREADABLE
    if unstable:
        return UNSTABLE
    n = whole(place.slot, seen)
    if n is not None:
        if not possible(n):
            return UNISSUED
        return INTACT if n >= floor else STALE if by == "read" else LOST
    if _of_another_slot(place, places, seen, by):
        return MISPLACED
    sectors = [made_out(place, places, source, by) for source in seen.sectors]
    ours = [source for source in sectors if source[0] == "write"]
    if not ours:
        if floor < 0:
            return UNTOUCHED
        if all(source[0] == "even" and source == sectors[0] for source in sectors):
            return BLANK
        return FOREIGN if all(source[0] == "alien" for source in sectors) else DAMAGED
    if floor >= 0 and len(ours) < len(sectors):
        return DAMAGED
    at_home = all(
        source[0] != "write" or (source[1] == place.slot and source[3] == index)
        for index, source in enumerate(sectors)
    )
    fine = at_home and all(source[2] >= floor and possible(source[2]) for source in ours)
    return TEAR if fine and _by_units(sectors, unit_sectors) else TORN


def newest_own(place: Place, seen: Content | None) -> int:
    """The newest write of the slot of which a sector stands in its place, -1 if there is none."""
    if seen is None:
        return -1
    return max((s[2] for i, s in enumerate(seen.sectors) if s[:2] == ("write", place.slot) and s[3] == i), default=-1)


def _of_another_slot(place: Place, places: list[Place], seen: Content, by: str) -> bool:
    """Whether all of it is a write of one other slot.

    That is a block of the same size, or, to a check, a stretch of a block that belongs to another stream.
    """
    first = seen.sectors[0]
    if first[0] != "write" or first[1] == place.slot:
        return False
    home, shift = places[first[1]], first[3]
    if any(s != ("write", first[1], first[2], shift + i) for i, s in enumerate(seen.sectors)):
        return False
    if shift == 0 and home.sectors == place.sectors:
        return True
    return by == "check" and home.stream != place.stream


def made_out(place: Place, places: list[Place], source: Source, by: str) -> Source:
    """What a look makes out of one sector of a block that is not whole."""
    if source[0] == "write" and by != "check" and places[source[1]].stream != place.stream:
        return ("junk", -1)
    return source


def _by_units(sectors: list[Source], unit_sectors: float) -> bool:
    """Whether every unit comes from one write, or from none at all."""
    unit = max(int(unit_sectors), 1)
    if unit > len(sectors):
        return False
    whose = [source[2] if source[0] == "write" else None for source in sectors]
    return all(len(set(whose[at : at + unit])) == 1 for at in range(0, len(whose), unit))
