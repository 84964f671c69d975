"""What is done to the pair without load: what brings it back, the failback and the cold start before further checks."""

from __future__ import annotations

from verify.drill.conduct.ground import Ground
from verify.drill.conduct.operator import Operator
from verify.drill.conduct.progress import Progress, Step
from verify.drill.conduct.stopping import Stopped
from verify.drill.plan.scenarios import Deed


class Deeds:
    """Has things done, each once: what may have been done before an interruption is not done again unasked.

    Args:
        progress, ground, operator: of the drill.
        again: whether what had been begun before an interruption is done again.
    """

    def __init__(self, progress: Progress, ground: Ground, operator: Operator, again: bool) -> None:
        self._progress = progress
        self._ground = ground
        self._operator = operator
        self._again = again

    def do(self, step: Step, name: str, deed: Deed) -> bool:
        """Have something done for a run, unless it was done; whether it is known to be done.

        Raises:
            Stopped: if it was not done, or its command failed.
            NoAnswer: if nobody can answer any more.
        """
        if not deed or name in step.done:
            return name in step.done
        if name in step.begun and not self._to_be_done_again(deed):
            if not self._operator.attended:
                self._note(step, f"{name}: begun before an interruption and not done again: {deed.told}")
                return False
        else:
            if name not in step.begun:
                step.begun.append(name)
            self._progress.save()
            if not self._done(step, name, deed):
                return False
        step.done.append(name)
        self._progress.save()
        return True

    def _to_be_done_again(self, deed: Deed) -> bool:
        choices = {"d": "it is done", "a": "it is not, or is to be done again"}
        question = f"{deed.told!r} had been begun when the drill was interrupted"
        return self._again or self._operator.choose(question, choices) == "a"

    def _done(self, step: Step, name: str, deed: Deed) -> bool:
        scenario = self._progress.scenario(step)
        if self._ground.needs_somebody(deed):
            if not self._operator.attended:
                self._note(step, f"{name}: nobody was there to do it: {deed.told}")
                return False
            self._operator.warn(scenario.hands_on_cautions)
            if not self._operator.done(deed.told):
                step.begun.remove(name)
                self._progress.save()
                raise Stopped(f"stopped before {name} was done; go on by --resume")
        done = self._ground.carry_out(deed, False, scenario.within_s, lambda: False)
        if not done.well:
            self._note(step, f"{name}: the command {done.told}")
            raise Stopped(
                f"{name}: the command for {deed.told!r} {done.told}; see to it, and go on by --resume, or by --resume "
                "--again to run it once more"
            )
        return True

    def _note(self, step: Step, text: str) -> None:
        if text not in step.later:
            step.later.append(text)
        self._progress.save()
