"""What happens to the pair while the load goes on: the takeover, and the second step some time after."""

from __future__ import annotations

import threading
from contextlib import suppress
from dataclasses import dataclass, field

from verify.errors import AckproofError, UsageError
from verify.rehearsal.faults import Fault, fault_by_name
from verify.rehearsal.pair import SimulatedPair

_LOOK_S = 0.02


@dataclass(slots=True)
class Scenario:
    """The driver of one rehearsal, to be run in a thread beside the load.

    Attributes:
        fault: the fault that the pair was built with, or its name.
        takeover_after_s: from the start to the takeover, in seconds.
        second_step_after_s: from the takeover to the fault's second step, where it has one.
        cut_before_s: how long before the takeover the mirror link is cut, where the fault wants that.
        retry_for_s: how long a late replay waits for a place that has been written anew.
        steps: (what was done, when in monotonic ns), filled in by `run`.
        failure: what ended `run` early, None if nothing did.
    """

    fault: Fault | str
    takeover_after_s: float
    second_step_after_s: float = 0.5
    cut_before_s: float = 0.05
    retry_for_s: float = 2.0
    steps: list[tuple[str, int]] = field(default_factory=list)
    failure: Exception | None = None
    _stop: threading.Event = field(default_factory=threading.Event, repr=False)

    def run(self, pair: SimulatedPair) -> None:
        """Do every step at its time; returns after the last one, or soon after `stop`.

        Raises:
            UsageError: the pair has another fault, or no room for the cut before the takeover.
            OSError: the pair was closed, or its backing file failed.
        """
        try:
            self._run(pair)
        except (OSError, AckproofError) as failure:
            self.failure = failure
            raise

    def start(self, pair: SimulatedPair) -> threading.Thread:
        """Run in a thread of its own; look at `failure` after joining it."""
        thread = threading.Thread(target=self._run_quietly, args=(pair,), name="scenario", daemon=True)
        thread.start()
        return thread

    def _run_quietly(self, pair: SimulatedPair) -> None:
        with suppress(OSError, AckproofError):
            self.run(pair)

    def stop(self) -> None:
        """Skip the steps that are still to come."""
        self._stop.set()

    def _run(self, pair: SimulatedPair) -> None:
        fault = fault_by_name(self.fault) if isinstance(self.fault, str) else self.fault
        if fault.name != pair.fault.name:
            raise UsageError(f"a scenario of {fault.name} does not fit a pair with {pair.fault.name}")
        cut_before_s = min(self.cut_before_s, self.takeover_after_s) if fault.cut_first else 0.0
        if not self._pass(pair, self.takeover_after_s - cut_before_s):
            return
        if fault.cut_first:
            pair.cut_mirror()
            self._note(pair, "mirror link cut")
            if not self._pass(pair, cut_before_s):
                return
        moment = pair.takeover()
        self.steps.append(("takeover", moment.happened_ns))
        if fault.second_step is None or not self._pass(pair, self.second_step_after_s):
            return
        if fault.second_step == "late-replay":
            self._replay(pair)
        elif fault.second_step == "drop-read-cache":
            pair.drop_read_cache()
            self._note(pair, "read cache dropped")
        elif fault.second_step == "end-both-active":
            self.steps.append(("controller A dropped", pair.end_both_active().happened_ns))
        else:
            pair.give_up()
            self._note(pair, "given up")

    def _replay(self, pair: SimulatedPair) -> None:
        waited_s = 0.0
        while waited_s <= self.retry_for_s:
            moment = pair.late_replay()
            if moment is not None:
                self.steps.append(("late replay", moment.happened_ns))
                return
            if not self._pass(pair, _LOOK_S):
                return
            waited_s += _LOOK_S

    def _note(self, pair: SimulatedPair, step: str) -> None:
        self.steps.append((step, pair.clock.monotonic_ns()))

    def _pass(self, pair: SimulatedPair, seconds: float) -> bool:
        """Let time pass in small pieces; False if the scenario was stopped meanwhile."""
        end_ns = pair.clock.monotonic_ns() + round(seconds * 1e9)
        while not self._stop.is_set():
            left_s = (end_ns - pair.clock.monotonic_ns()) / 1e9
            if left_s <= 0:
                return True
            pair.clock.sleep(min(left_s, _LOOK_S))
        return False
