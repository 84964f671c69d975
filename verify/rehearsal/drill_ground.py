"""A drill rehearsed: the same plan, operator and steps, on the simulated pair in place of the volume.

Nothing of the plan is done to any hardware: its commands are not run, and the pair takes over by itself when the plan
has it lose a controller. Times are cut short, and the volume is small.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from verify.drill.conduct.commands import Done
from verify.drill.opening import OpenedVolume
from verify.drill.plan.plan import Plan
from verify.drill.plan.scenarios import Deed, Scenario
from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, run_load
from verify.errors import CannotRun, UsageError
from verify.load.supervisor import Outcome
from verify.rehearsal.backing import FileBacking
from verify.rehearsal.faults import FAULTS, Fault
from verify.rehearsal.pair import SimulatedPair
from verify.rehearsal.rehearse import KeptOpen
from verify.rehearsal.scenario import Scenario as PairScenario
from verify.rehearsal.state import PairSettings
from verify.volume.identity import identify
from verify.volume.survey import Survey

VOLUME_NAME = "simulated-pair.img"
SPAN_BYTES_MAX = 16 << 20
PACE = 3000.0
"""Operations a second of all streams together: what the pair, which is one Python process, can do on any machine."""

SOUND = "sound"
"""A sound pair writes through here, so that what it acknowledged outlives a rehearsal that is killed."""

OF_THIS_COMPUTER = ("rate-after", "latency-after", "load-at-takeover")
"""Criteria that a rehearsal leaves out: load and pair share the processors of one computer, and it would be judged."""

TIME_S_MAX = 3.0
_LOOK_S = 0.002
STALL_THRESHOLD_S_MAX = 0.4
STALL_IN_THRESHOLDS = 2.5


def shortened(plan: Plan) -> Plan:
    """The plan with times that suit a rehearsal, and without the criteria that say nothing there."""
    scenarios = tuple(
        replace(
            scenario,
            run_in_s=min(scenario.run_in_s, TIME_S_MAX),
            run_out_s=min(scenario.run_out_s, TIME_S_MAX),
            first_wait_s=min(scenario.first_wait_s, TIME_S_MAX),
            further=tuple(word for word in scenario.further if word != "paths"),
        )
        for scenario in plan.scenarios
    )
    stall_ns = min(plan.request.stall_ns, round(STALL_THRESHOLD_S_MAX * 1e9))
    criteria = tuple(criterion for criterion in plan.criteria if criterion.key not in OF_THIS_COMPUTER)
    return replace(plan, scenarios=scenarios, request=replace(plan.request, stall_ns=stall_ns), criteria=criteria)


class _WrittenThrough(KeptOpen):
    """The pair as a worker gets it, with every write on the medium before it is acknowledged."""

    def __init__(self, pair: SimulatedPair) -> None:
        super().__init__(pair)
        self.write = self._write
        self._pair = pair

    def _write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:  # `through` is what it always is
        return self._pair.write(offset_bytes, buffer, through=True)


class RehearsalGround:
    """The simulated pair in the folder of the drill.

    Args:
        folder: of the drill.
        plan: the shortened plan.
        fault: how the pair behaves in every scenario.
        seed: of the pair.
        attended: whether somebody plays the operator.
    """

    def __init__(self, folder: Path, plan: Plan, fault: str, seed: int, attended: bool) -> None:
        if fault not in FAULTS:
            raise UsageError(f"there is no fault {fault[:60]!r}; see `ackproof rehearse --list`")
        self.rehearsal = f"the simulated pair ({fault})"
        self._path = folder / VOLUME_NAME
        self._plan = plan
        self._fault: Fault = FAULTS[fault]
        self._seed = seed
        self._attended = attended
        self._pair: SimulatedPair | None = None
        self._course: PairScenario | None = None

    def survey(self) -> Survey | None:
        """Nothing to look at."""
        return None

    def load(self, scenario: Scenario, record: str, request: RunRequest, options: LoadOptions) -> Outcome:
        """Fill and load a pair that is whole again; see `Ground`."""
        self._close()
        small = _small(request)
        size_bytes = small.start_bytes + sum(small.spans(None))
        stall_s = request.stall_ns / 1e9 * STALL_IN_THRESHOLDS
        settings = PairSettings(stall_s=stall_s, seed=self._seed)
        self._path.unlink(missing_ok=True)
        self._pair = pair = SimulatedPair(FileBacking(self._path, size_bytes), self._fault, settings)
        run = plan_run(replace(small, workers=1), pair.size_bytes, pair.sector_bytes)
        folder = RecordFolder.create(record)
        facts = {
            "identity": identify(str(self._path)).to_json(),
            "direct": True,
            "page_cache": "",
            "cache_mode": "",
        }
        try:
            kept = _WrittenThrough if self._fault.name == SOUND else KeptOpen
            return run_load(folder, run, lambda: kept(pair), facts, replace(options, processes=False))
        finally:
            if self._course is not None:
                self._course.stop()
                self._course = None
            folder.release()

    def open_for_check(self, about: dict[str, Any], path: str | None) -> OpenedVolume:
        """Open what the pair serves, or what it left behind; see `Ground`."""
        if self._pair is None:
            if self._fault.name != SOUND or not self._path.is_file():
                raise CannotRun(
                    "the simulated pair ended with the rehearsal that was interrupted, and its caches with it; begin "
                    f"another rehearsal, after {self._path.parent} was removed"
                )
            wanted = about["volume"]["identity"]["size_bytes"]
            self._pair = SimulatedPair(FileBacking(self._path, wanted), SOUND, PairSettings(stall_s=0.0))
        return OpenedVolume(self._pair.checker(), path or str(self._path))

    def needs_somebody(self, deed: Deed) -> bool:
        """Whatever it is, whoever rehearses is asked for it."""
        return self._attended

    def carry_out(self, deed: Deed, is_injection: bool, within_s: float, given_up: Callable[[], bool]) -> Done:
        """Let the pair lose its active controller, if that is what is done."""
        if is_injection and self._pair is not None:
            self._course = course = PairScenario(self._fault, takeover_after_s=0.1)
            course.start(self._pair)
            # It is done when the pair has begun to take over: lanes that were told before would be reading by then.
            until = time.monotonic() + within_s
            while not any(step == "takeover" for step, _ in course.steps) and course.failure is None:
                if given_up() or time.monotonic() > until:
                    return Done(None, "the simulated pair did not take over")
                time.sleep(_LOOK_S)
        return Done()

    def hold(self, scenario: Scenario, given_up: Callable[[], bool]) -> Done:
        """The pair is ready."""
        return Done()

    def discard(self) -> str:
        """Remove the pair's file."""
        self._close()
        self._path.unlink(missing_ok=True)
        return f"{self._path} was removed"

    def _close(self) -> None:
        if self._pair is not None:
            self._pair.close()
            self._pair = None


def _small(request: RunRequest) -> RunRequest:
    """The request on a small volume, at a pace that the pair keeps up with."""
    spans = request.spans(None)
    share = min(1.0, SPAN_BYTES_MAX / max(sum(spans), 1))
    lanes = sum(stream.lanes for stream in request.streams)
    streams = []
    for stream, span in zip(request.streams, spans, strict=True):
        blocks = max(int(span * share) // stream.block_bytes, 4 * stream.lanes)
        pace = PACE * stream.lanes / lanes
        streams.append(_paced(replace(stream, span_bytes=min(blocks * stream.block_bytes, span)), pace))
    return replace(request, streams=tuple(streams), start_bytes=0)


def _paced(stream: StreamRequest, pace: float) -> StreamRequest:
    return replace(stream, pace=min(stream.pace, pace) if stream.pace else pace)
