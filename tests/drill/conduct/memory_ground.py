"""A drill on a volume in memory, and an operator who gives the answers that a test has for him."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tests.drill.memory_volume import MemoryVolume
from verify.drill.conduct.commands import Done, run_command
from verify.drill.conduct.conductor import Conductor, Wishes
from verify.drill.conduct.operator import Answer, Pressed
from verify.drill.conduct.progress import Progress
from verify.drill.opening import OpenedVolume
from verify.drill.plan.plan import Plan, read_plan
from verify.drill.plan.scenarios import Deed, Scenario
from verify.drill.planning import RunRequest, plan_run
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, run_load
from verify.load.supervisor import Outcome, Snapshot
from verify.volume.survey import Survey

SPAN_BYTES = 64 * 512
HEAD = """
records = "{records}"
[volume]
path = "/memory"
paths = ["/one", "/other"]
[[stream]]
block = "512"
lanes = 2
span = "32KiB"
pace = 400
[load]
seed = 1
"""
QUICK = 'run-in = "100ms"\nrun-out = "100ms"\nhold-command = ["true"]\n'


def spoilt(volume: MemoryVolume) -> None:
    """Put everything back to zeros, as a volume that lost it all."""
    volume.data[:] = bytes(len(volume.data))


def plan_of(folder: Path, *scenarios: str, head: str = "") -> Plan:
    """A plan of these [[scenario]] tables, with short times, written and read back."""
    text = head + HEAD.replace("{records}", str(folder / "records"))
    path = folder / "plan.toml"
    path.write_text(text + "".join(f"[[scenario]]\n{QUICK}{scenario}\n" for scenario in scenarios))
    return read_plan(str(path))


class MemoryGround:
    """A volume in memory. `spoil` is called with it before each check, `commands` counts what was run."""

    rehearsal = ""

    def __init__(self, size_bytes: int = SPAN_BYTES, spoil: Callable[[MemoryVolume], None] | None = None) -> None:
        self.volume = MemoryVolume(size_bytes)
        self.spoil = spoil or (lambda volume: None)
        self.carried_out: list[str] = []
        self.opened: list[str | None] = []
        self.discarded = False

    def survey(self) -> Survey | None:
        return None

    def load(self, scenario: Scenario, record: str, request: RunRequest, options: LoadOptions) -> Outcome:
        folder = RecordFolder.create(record)
        run = plan_run(request, self.volume.size_bytes, self.volume.sector_bytes)
        chosen = replace(options, processes=False, handle_signals=False)
        try:
            return run_load(folder, run, lambda: self.volume, self.volume.facts(), chosen)
        finally:
            folder.release()

    def open_for_check(self, about: dict[str, Any], path: str | None) -> OpenedVolume:
        self.opened.append(path)
        self.spoil(self.volume)
        return OpenedVolume(self.volume, path or "/memory")

    def needs_somebody(self, deed: Deed) -> bool:
        return not deed.command

    def carry_out(self, deed: Deed, is_injection: bool, within_s: float, given_up: Callable[[], bool]) -> Done:
        self.carried_out.append(deed.told)
        return run_command(deed.command, within_s, given_up) if deed.command else Done()

    def hold(self, scenario: Scenario, given_up: Callable[[], bool]) -> Done:
        return run_command(scenario.hold_command, scenario.within_s, given_up)

    def discard(self) -> str:
        self.discarded = True
        return "discarded"


@dataclass
class Scripted:
    """An operator with answers at hand: to hold points, to questions, and whether he does what he is asked for."""

    holds: list[Answer] = field(default_factory=list)
    choices: list[str] = field(default_factory=list)
    does: bool = True
    attended: bool = True
    said: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        self.said.append(text)

    def warn(self, cautions: Sequence[str]) -> None:
        self.said += [f"caution: {caution}" for caution in cautions]

    def hold(self, title: str, points: Sequence[str]) -> Answer:
        self.said.append(f"hold: {title}")
        return self.holds.pop(0) if self.holds else Answer.GO

    def do_now(self, text: str, given_up: Callable[[], bool]) -> Pressed | None:
        self.said.append(f"now: {text}")
        return Pressed(time.monotonic_ns(), time.time_ns()) if self.does else None

    def done(self, text: str) -> bool:
        self.said.append(f"please: {text}")
        return self.does

    def choose(self, question: str, choices: Mapping[str, str]) -> str:
        self.said.append(f"question: {question}")
        return self.choices.pop(0) if self.choices else next(iter(choices))

    def load_begins(self) -> None:
        pass

    def show(self, snapshot: Snapshot) -> None:
        pass

    def load_ended(self) -> None:
        pass

    def progress(self, done: int, total: int) -> None:
        pass


def begin(plan: Plan) -> Progress:
    """A new drill of a plan."""
    return Progress.begin(plan, "", 1, plan.records)


def conduct(progress: Progress, ground: MemoryGround, operator: Scripted | None = None, **wishes: Any) -> str:
    """Conduct it; the verdict."""
    return Conductor(progress, ground, operator or Scripted(), Wishes(**wishes)).conduct()
