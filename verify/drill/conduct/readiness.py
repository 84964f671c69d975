"""Waits until a hold command says that everything is as it must be before something is done to the pair."""

from __future__ import annotations

import time
from collections.abc import Callable

from verify.drill.conduct.commands import Done
from verify.drill.conduct.ground import Ground
from verify.drill.conduct.operator import Operator
from verify.drill.plan.scenarios import Scenario

RETRY_S = 5.0
_LOOK_S = 0.05


def wait_until_ready(
    scenario: Scenario, ground: Ground, operator: Operator, given_up: Callable[[], bool] = bool
) -> Done:
    """Ask the hold command of a scenario again and again, as long as it may take; a rehearsal is ready at once.

    Args:
        scenario: of the plan.
        ground, operator: of the drill.
        given_up: asked several times a second; true when there is no more use in waiting.

    Returns:
        How the command ended the last time: well if all is as it must be.

    Raises:
        CannotRun: if the command cannot be started.
    """
    if not scenario.hold_command or ground.rehearsal:
        return Done()
    latest_s, told = time.monotonic() + scenario.within_s, ""
    while True:
        said = ground.hold(scenario, given_up)
        if said.well or given_up() or time.monotonic() > latest_s:
            return said
        if said.told != told:
            told = said.told
            operator.say(f"not ready: the hold command {told}")
        again_s = time.monotonic() + min(RETRY_S, scenario.within_s / 10)
        while time.monotonic() < again_s and not given_up():
            time.sleep(_LOOK_S)
