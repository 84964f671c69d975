"""What the drills of a dossier bound: the probability of a loss in one more drill of the kind, exactly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from verify.report.statistics import CONFIDENCE, DRILLS_MAX, drills_needed, interval, upper_bound

BOUNDS = (0.10, 0.05, 0.01)


def loss_bounds(runs: Sequence[Mapping[str, Any]], stated_bound: float | None) -> dict[str, Any]:
    """For all drills together and for each scenario and direction.

    A run is one drill; a run with damage of any kind is a drill with loss. A run that could not have shown a loss
    (inconclusive, without damage) counts for nothing.

    Args:
        runs: with `scenario`, `direction`, `conclusive` and `damaged`.
        stated_bound: the probability that is to be shown not to be exceeded, or None.
    """
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for run in runs:
        groups.setdefault((run["scenario"], run["direction"]), []).append(run)
    return {
        "confidence": CONFIDENCE,
        "stated_bound": stated_bound,
        "total": _bounds(runs, stated_bound),
        "scenarios": [
            {"scenario": scenario, "direction": direction, **_bounds(own, stated_bound)}
            for (scenario, direction), own in groups.items()
        ],
    }


def _bounds(runs: Sequence[Mapping[str, Any]], stated_bound: float | None) -> dict[str, Any]:
    counted = [run for run in runs if run["conclusive"]]
    drills, losses = len(counted), sum(bool(run["damaged"]) for run in counted)
    if drills > DRILLS_MAX:
        raise ValueError(f"{drills} runs in one dossier: at most {DRILLS_MAX}")
    out: dict[str, Any] = {
        "drills": drills,
        "not_counted": len(runs) - drills,
        "losses": losses,
        "upper_bound": upper_bound(losses, drills) if drills else None,
        "interval": list(interval(losses, drills)) if drills and losses else None,
        "more_for": {f"{bound:g}": _more(bound, losses, drills) for bound in BOUNDS},
    }
    out["more_for_stated_bound"] = None if stated_bound is None else _more(stated_bound, losses, drills)
    return out


def _more(bound: float, losses: int, drills: int) -> int | None:
    """How many further drills, all without loss, bring the one-sided upper bound down to `bound`."""
    needed = drills_needed(bound, losses)
    return None if needed is None else max(needed - drills, 0)
