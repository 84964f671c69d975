"""One scenario beside its load: the run-in, what is done, the mark, and the run-out."""

from __future__ import annotations

import threading
import time
from typing import Any

from verify.drill.conduct.commands import Done
from verify.drill.conduct.ground import Ground
from verify.drill.conduct.operator import NoAnswer, Operator, Pressed
from verify.drill.conduct.progress import Progress, State, Step
from verify.drill.conduct.readiness import wait_until_ready
from verify.drill.plan.scenarios import Deed
from verify.drill.record import RecordFolder
from verify.errors import AckproofError, CannotRun

THE_END = "the time is over"
NOT_DONE = "it was not done"
_LOOK_S = 0.05
LONG_COMMAND_NS = 1_000_000_000
"""From so long after its begin until a command ends, lanes look at slots before they overwrite them. Not at once: most
bring what they bring at once, and it is to meet writes, not looks."""


class Injection:
    """Does what a scenario says, in a thread of its own, while the load goes on.

    Nothing is done before drill.json says that it is being done: whatever happens then, a drill that goes on later
    knows that it may have been done, and does not do it again.

    Args:
        progress, step: the drill and the run in it.
        ground: what it is done to.
        operator: who is asked.
    """

    def __init__(self, progress: Progress, step: Step, ground: Ground, operator: Operator) -> None:
        self._progress = progress
        self._step = step
        self._scenario = progress.scenario(step)
        self._ground = ground
        self._operator = operator
        self._folder = RecordFolder(str(progress.record(step)))
        self._ended = threading.Event()
        self._reason = ""
        self._gone: NoAnswer | None = None
        self._troubled = False
        self._calm_since_ns = 0
        self._command_since_ns: int | None = None
        self._thread = threading.Thread(target=self._run, name="injection", daemon=True)
        self.failure: AckproofError | None = None

    def on_event(self, event: dict[str, Any]) -> None:
        """Follow the load: it begins, an outage begins and ends, it stops."""
        name = event["event"]
        if name == "load_began":
            self._thread.start()
        elif name == "outage_began":
            self._troubled = True
        elif name == "outage_ended":
            self._troubled, self._calm_since_ns = False, time.monotonic_ns()
        elif name == "stop":
            self._ended.set()

    def over(self) -> str:
        """Why the load is to end now, "" while it goes on."""
        return self._reason

    def look_again(self) -> bool:
        """Whether lanes are to be told to look at slots before they overwrite them: while a command takes long.

        It may bring a takeover at any moment and is marked only when it ended well; until then a load that no stall
        or error warned would overwrite what was lost.
        """
        since_ns = self._command_since_ns
        return since_ns is not None and time.monotonic_ns() - since_ns >= LONG_COMMAND_NS

    def end(self) -> None:
        """Wait for the thread, after the load."""
        self._ended.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        try:
            self._reason = self._course() or "the injection was ended"
        except AckproofError as failure:
            self.failure = failure
        except Exception as error:  # noqa: BLE001  (whatever it is: a load that nobody ends would go on for ever)
            self.failure = CannotRun(f"the injection failed: {type(error).__name__}: {error}")
        finally:
            self._reason = self._reason or NOT_DONE

    def _course(self) -> str:
        """Everything from the run-in to the run-out; the reason why the load is to end."""
        scenario = self._scenario
        self._operator.say(f"run-in of {scenario.run_in_s:g} s")
        if not self._pass(scenario.run_in_s):
            return ""
        if not self._still_ready():
            return ""
        self._step.state = State.INJECTING
        self._progress.save()
        if scenario.first:
            if self._do(scenario.first, "first", takeover=False) is None:
                return NOT_DONE
            if not self._pass(scenario.first_wait_s):
                return ""
        done_ns = self._do(scenario.do, "do", takeover=True)
        if done_ns is None:
            return NOT_DONE
        self._operator.say(f"run-out of {scenario.run_out_s:g} s after the stall")
        is_over = self._run_out(done_ns)
        if self._gone is not None:
            raise self._gone
        return THE_END if is_over else ""

    def _still_ready(self) -> bool:
        """Ask the hold command once more, for fill and run-in took their time; false if the load was stopped meanwhile.

        Raises:
            CannotRun: if the pair is not where it must be. Nothing was done to it then.
        """
        said = wait_until_ready(self._scenario, self._ground, self._operator, self._ended.is_set)
        if said.well or self._ended.is_set():
            return said.well
        raise CannotRun(
            f"{self._scenario.title}: nothing was done, for after the run-in the hold command {said.told}; see to it; "
            "--resume begins this run again"
        )

    def _do(self, deed: Deed, name: str, takeover: bool) -> int | None:
        """Have something done, and mark it; when it was done, None if it was not.

        Raises:
            CannotRun: if the first of two things failed: the second one then is not what was planned.
        """
        pressed = Pressed(time.monotonic_ns(), time.time_ns())
        if self._operator.attended and self._ground.needs_somebody(deed):
            self._operator.warn(self._scenario.hands_on_cautions)
            try:
                answer = self._operator.do_now(self._asked(deed), self._ended.is_set)
            except NoAnswer as gone:
                if not takeover:
                    raise
                # The cable that was pulled may have been the operator's own: the load goes on and shows what it was.
                self._gone, answer = gone, Pressed(time.monotonic_ns(), time.time_ns())
                self._step.deviations.append(f"the terminal hung up when {deed.told!r} had been asked for")
            if answer is None:
                return None
            pressed = answer
        else:
            self._operator.warn(self._scenario.cautions)
        self._step.begun.append(name)
        self._progress.save()
        if self._gone is not None:
            self._folder.drop_mark(f"asked for: {deed.told}", False, pressed.monotonic_ns, pressed.wall_ns)
            return time.monotonic_ns()
        done = self._carried_out(deed, takeover)
        if deed.command:
            self._folder.append_event(
                {
                    "event": "command", "monotonic_ns": pressed.monotonic_ns, "command": " ".join(deed.command),
                    "exit_code": done.exit_code, "seconds": round(done.seconds, 3), "output": done.output,
                }
            )  # fmt: skip
        text = deed.told
        if not done.well:
            text = f"{text} (the command {done.told})"
            self._step.deviations.append(f"the command for {deed.told!r} {done.told}")
        how = self._folder.drop_mark(text, takeover and done.well, pressed.monotonic_ns, pressed.wall_ns)
        if how != "taken":
            self._step.deviations.append(f"the mark of {deed.told!r} came after the load had ended")
        self._step.done.append(name)
        self._progress.save()
        if not (takeover or done.well):
            raise CannotRun(
                f"the first of two faults failed: the command for {deed.told!r} {done.told}; the second one was not "
                "done. See to the pair; --resume checks what was recorded"
            )
        return time.monotonic_ns()

    def _carried_out(self, deed: Deed, takeover: bool) -> Done:
        if deed.command and not self._ground.rehearsal:
            self._command_since_ns = time.monotonic_ns()
        try:
            return self._ground.carry_out(deed, takeover, self._scenario.within_s, self._ended.is_set)
        finally:
            self._command_since_ns = None

    def _asked(self, deed: Deed) -> str:
        """What is said to whoever does it."""
        who = f"{self._scenario.by}: " if self._scenario.by else ""
        return who + deed.told

    def _run_out(self, done_ns: int) -> bool:
        """Let the load go on until it has been calm for as long as was asked; false if it was stopped meanwhile."""
        scenario = self._scenario
        latest_ns = done_ns + round((scenario.within_s + scenario.run_out_s) * 1e9)
        while not self._ended.wait(_LOOK_S):
            now_ns = time.monotonic_ns()
            calm_ns = 0 if self._troubled else now_ns - max(done_ns, self._calm_since_ns)
            if calm_ns >= scenario.run_out_s * 1e9:
                return True
            if now_ns >= latest_ns:
                self._step.deviations.append(f"the load did not go on for {scenario.within_s:g} s, and was ended")
                return True
        return False

    def _pass(self, seconds: float) -> bool:
        """Let time pass; false if the load was stopped meanwhile."""
        return not self._ended.wait(seconds)
