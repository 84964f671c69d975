"""What ends a drill: the dossier of its runs, and the volume given back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from verify.drill.binding import bind
from verify.drill.conduct.ground import Ground
from verify.drill.conduct.operator import Operator
from verify.drill.conduct.progress import Progress, State
from verify.drill.seal import first_digits
from verify.judge.verdict import PASS

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey


def make_dossier(
    progress: Progress,
    render: Callable[[Mapping[str, Any]], str],
    key: Ed25519PrivateKey | None,
    signed_by: str,
) -> str:
    """Bind the runs that were checked into a dossier in the folder of the drill, unless that was done already.

    Args:
        progress: the drill.
        render, key, signed_by: see `bind`.

    Returns:
        What to tell of it; "" if there is nothing to bind, or it was bound before.

    Raises:
        UsageError, CannotRun: see `bind`.
    """
    steps = [step for step in progress.steps if step.checks]
    if progress.dossier or not steps:
        return ""
    particulars = progress.plan.particulars
    lists = {name: list(texts) for name, texts in particulars.lists.items()}
    deviations, observations = lists.setdefault("deviations", []), lists.setdefault("observations", [])
    for step in progress.steps:
        named = f"{progress.scenario(step).title}, repeat {step.repeat}"
        if step.state is State.SKIPPED:
            deviations.append(f"{named}: left out at the hold point")
        deviations += [f"{named}: {text}" for text in step.later]
        further = [check for check in step.checks if check["after"]]
        observations += [f"{named}: check {check['name']}, {check['after']}: {check['verdict']}" for check in further]
    place, number = progress.path / "dossier", 1
    while place.exists():
        number += 1
        place = progress.path / f"dossier-{number}"
    folders = [str(progress.record(step)) for step in steps]
    _, seal, _ = bind(folders, str(place), replace(particulars, lists=lists), render, key, signed_by)
    progress.dossier = str(place)
    progress.save()
    return f"dossier: {place}/dossier.html, seal {first_digits(seal.value)} ..."


def give_back(progress: Progress, ground: Ground, operator: Operator, verdict: str) -> None:
    """Discard the tested span, where the plan asks for it and nothing is left to be looked into.

    Args:
        progress, ground, operator: of the drill.
        verdict: the worst of all runs.

    Raises:
        CannotRun: if it cannot be discarded.
    """
    if not progress.plan.volume.discard_at_end or progress.discarded:
        return
    if verdict != PASS:
        operator.say("the volume is not discarded: not every run passed, and it is the evidence")
        return
    question = f"discard the tested span of {progress.plan.volume.path}? No check can be made after that"
    if operator.attended and operator.choose(question, {"k": "keep it", "d": "discard it"}) != "d":
        return
    progress.discarded = ground.discard()
    progress.save()
    operator.say(progress.discarded)
