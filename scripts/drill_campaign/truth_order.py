"""Whether the survivors of a takeover share one moment: every slot's interval of moments, intersected."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from scripts.drill_campaign.truth_ledger import Known, Write


@dataclass(frozen=True)
class TrueOrder:
    """What the order of a loss must be; the moment is None where there is none, its end None where it is open."""

    one_moment: bool
    moment: tuple[int | None, int | None] | None
    slots: int
    left_out: int


@dataclass(frozen=True)
class FirstLook:
    """The first observation of a slot after a takeover.

    `survivor` is the newest write that it shows, None if none could be read; `overwritten` says that there was none.
    """

    survivor: int | None = None
    convicts: bool = False
    overwritten: bool = False


def order_of(
    known: Known, lane_of: Callable[[int], int], looks_from: int, first_look: Callable[[int, bool], FirstLook]
) -> TrueOrder | None:
    """The order of one takeover's loss; None if no first observation after it convicts.

    Args:
        known: what the ledger tells, with what the volume proves beyond it.
        lane_of: the lane of a slot.
        looks_from: from when on a look is one at what the takeover left.
        first_look: gives the first observation of a slot; told whether writes that only the volume tells of came later.
    """
    allowed: list[tuple[int, int | None]] = []
    lossy, left_out = False, 0
    for slot, writes in known.writes.items():
        issued = {w.n: _issue(known, lane_of(slot), w) for w in writes}
        before = [w for w in writes if issued[w.n] <= looks_from]
        if not any(w.acknowledged for w in before):
            continue
        unknown_later = any(w.issued is None and issued[w.n] > looks_from for w in writes)
        look = first_look(slot, unknown_later)
        lossy = lossy or look.convicts
        if look.overwritten:
            continue
        shown = next((w for w in writes if w.n == look.survivor), None)
        if shown is None:
            left_out += 1
            continue
        across = shown.done > looks_from if shown.done is not None else not shown.proven
        if issued[shown.n] > looks_from or across:
            continue  # written after the takeover, or across it: it tells nothing of the moment
        later = [w for w in before if w.n > shown.n]
        allowed.append((issued[shown.n], later[0].done if later and not later[0].proven else None))
    if not lossy:
        return None
    if not allowed:
        return TrueOrder(True, (None, None), 0, left_out)
    latest = max(begin for begin, _ in allowed)
    earliest = min((end for _, end in allowed if end is not None), default=None)
    one = earliest is None or latest <= earliest
    return TrueOrder(one, (latest, earliest) if one else None, len(allowed), left_out)


def _issue(known: Known, lane: int, write: Write) -> int:
    """When a write was issued; where only the volume tells of it, its lane's previous acknowledgement."""
    return write.issued if write.issued is not None else known.lanes[lane].completed_last
