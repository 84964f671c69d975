"""What ends a drill, or stops it at a FAIL: the dossier of its runs; and the volume given back."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from verify.drill.binding import bind
from verify.drill.conduct.ground import Ground
from verify.drill.conduct.operator import Operator
from verify.drill.conduct.progress import Progress, State, Step
from verify.drill.plan.scenarios import PATHS
from verify.drill.record import RecordFolder
from verify.drill.seal import first_digits
from verify.drill.verdicts import worst_check
from verify.errors import AckproofError, CannotRun
from verify.judge.verdict import INCONCLUSIVE, PASS, worst

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey


def final_verdict(progress: Progress) -> str:
    """What all runs come to, by their records as they are now: somebody may have checked one since.

    Raises:
        CannotRun: if a record that was checked is not there any more.
    """
    for step in progress.steps:
        if not step.checks:
            continue
        folder = RecordFolder(str(progress.record(step)))
        found = worst_check(folder)
        if found is None or not {check["name"] for check in step.checks} <= set(folder.check_names()):
            raise CannotRun(
                f"{progress.record(step)} does not have the checks any more that were made of it; put it back as it "
                "was, and go on by --resume"
            )
        if found[1]["verdict"] != step.verdict:
            step.verdict, progress.dossier = found[1]["verdict"], ""
            progress.save()
    verdict = worst([step.verdict or INCONCLUSIVE for step in progress.steps])
    return worst([verdict, INCONCLUSIVE]) if unproved(progress) else verdict


def unproved(progress: Progress) -> list[str]:
    """Every run and every further check that the plan asks for and that was not made, a phrase each."""
    out = []
    for step in progress.steps:
        scenario = progress.scenario(step)
        named = f"{scenario.title}, repeat {step.repeat}"
        if step.state is State.SKIPPED:
            out.append(f"{named}: left out at the hold point")
            continue
        if step.state is State.PLANNED:
            out.append(f"{named}: not carried out")
            continue
        made = {check["after"] for check in step.checks}
        wanted = [f"path {path}" for path in progress.plan.volume.paths] if PATHS in scenario.further else []
        wanted += [word for word in scenario.further if word != PATHS]
        out += [f"{named}: the further check was not made: {after}" for after in wanted if after not in made]
    return out


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
    if not steps or (progress.dossier and os.path.isdir(progress.dossier)):
        return ""
    particulars = progress.plan.particulars
    lists = {name: list(texts) for name, texts in particulars.lists.items()}
    deviations, observations = lists.setdefault("deviations", []), lists.setdefault("observations", [])
    for step in progress.steps:
        named = f"{progress.scenario(step).title}, repeat {step.repeat}"
        deviations += [f"{named}: {text}" for text in (*_told_late(progress, step), *step.later)]
        further = [check for check in step.checks if check["after"]]
        observations += [f"{named}: check {check['name']}, {check['after']}: {check['verdict']}" for check in further]
    lacking = unproved(progress)
    lists["open"] = [*lists.get("open", []), *lacking]
    deviations += lacking
    place, number = progress.path / "dossier", 1
    while place.exists():
        number += 1
        place = progress.path / f"dossier-{number}"
    folders = [str(progress.record(step)) for step in steps]
    told = replace(particulars, lists=lists, incomplete=bool(lacking))
    _, seal, _ = bind(folders, str(place), told, render, key, signed_by)
    progress.dossier = str(place)
    progress.save()
    return f"dossier: {place}/dossier.html, seal {first_digits(seal.value)} ..."


def _told_late(progress: Progress, step: Step) -> list[str]:
    """What was not as planned and came too late for the run's own description, which the dossier has anyway."""
    about, _ = RecordFolder(str(progress.record(step))).read_run() if step.checks else ({}, None)
    scenario = about.get("scenario")
    known = scenario.get("deviations") if isinstance(scenario, dict) else None
    return [text for text in step.deviations if text not in (known or [])]


def give_back(progress: Progress, ground: Ground, operator: Operator, verdict: str) -> None:
    """Discard the tested span, where the plan asks for it and nothing is left to be looked into.

    Args:
        progress, ground, operator: of the drill.
        verdict: the worst of all runs.

    That it cannot be discarded is told and changes no verdict.

    Raises:
        CannotRun: if drill.json cannot be written.
    """
    if not progress.plan.volume.discard_at_end or progress.discarded:
        return
    if verdict != PASS:
        operator.say("the volume is not discarded: not every run passed, and it is the evidence")
        return
    span = ground.rehearsal or f"the tested span of {progress.plan.volume.path}"
    question = f"discard {span}? No check can be made after that"
    if operator.attended and operator.choose(question, {"k": "keep it", "d": "discard it"}) != "d":
        return
    try:
        progress.discarded = ground.discard()
    except AckproofError as error:
        operator.say(f"not discarded: {error}")
        return
    progress.save()
    operator.say(progress.discarded)
