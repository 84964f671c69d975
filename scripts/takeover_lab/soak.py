"""Many takeovers of a sound pair in a row, with random moments, loads and ways to hurt it."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path

from scripts.takeover_lab.layout import Settings
from scripts.takeover_lab.packages import install, missing_packages
from scripts.takeover_lab.pair import Lab
from scripts.takeover_lab.trial import Load, run_trial

INJECTIONS = ("pull", "kill", "freeze", "takeover", "cut-peers")


def hurt_active(lab: Lab, injection: str) -> None:
    """Do one of INJECTIONS to the active controller, and wait until the other has taken over."""
    active = lab.one_active().own.name
    taking = lab.standby_of(active)
    match injection:
        case "pull":
            lab.pull(active)
        case "kill":
            lab.kill(active)
        case "freeze":
            lab.freeze(active)
        case "cut-peers":
            lab.cut_peers()
        case "takeover":
            lab.take_over()
        case _:
            raise ValueError(injection)
    taking.wait_active()


def soak(folder: Path, takeovers: int, seed: int, tell: Callable[[str], object]) -> bool:
    """Run `takeovers` trials on one pair; whether all of them were PASS with a takeover seen and no finding."""
    install(missing_packages())
    chooser = random.Random(seed)
    lab = Lab.up(folder, Settings())
    bad = 0
    try:
        for number in range(1, takeovers + 1):
            injection = chooser.choice(INJECTIONS)
            load = Load(
                lanes=chooser.choice((8, 12, 16, 24, 32)),
                read_share=chooser.choice((0.1, 0.3, 0.5)),
                run_in_s=chooser.uniform(1.0, 6.0),
                run_out_s=chooser.uniform(3.0, 8.0),
                more=("--submit", chooser.choice(("threads", "ring")), "--stall-threshold", "0.5s",
                      "--pattern", chooser.choice(("uniform", "sweep", "skewed"))),
            )  # fmt: skip
            active = lab.one_active().own.name
            record = folder.parent / f"{folder.name}-soak-{seed}-{number:03d}"
            trial = run_trial(lab, record, lambda how=injection: hurt_active(lab, how), load)  # type: ignore[misc]
            seen = trial.verdict["takeovers"]
            took_over = lab.one_active().own.name
            ways = [(t["path"]["before"]["controller"], t["path"]["after"]["controller"]) for t in seen]
            good = trial.verdict["verdict"] == "PASS" and not trial.losses and ways == [(active, took_over)]
            bad += not good
            stalls = ", ".join(f"{takeover['stall_s']:.2f} s" for takeover in seen)
            tell(
                f"{number:3d} {'good' if good else 'BAD '} {active} -> {took_over} {injection:9} "
                f"{load.lanes:2d} lanes, {trial.verdict['writes']['acknowledged']:,} writes, "
                f"{trial.verdict['verdict']}, stalled {stalls or 'never'}"
            )
            if good:
                shutil.rmtree(record)
            else:
                tell(f"    kept in {record}: {'; '.join(trial.verdict['reasons'])}")
            lab.make_whole()
    finally:
        lab.down()
    tell(f"{takeovers} takeovers, {bad} of them bad, seed {seed}")
    return not bad
