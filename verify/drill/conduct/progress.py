"""How far a drill has come: the folder of its records, and drill.json in it, which is written at every step."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, fields
from enum import StrEnum
from pathlib import Path
from typing import Any

from verify.drill.plan.plan import Plan
from verify.drill.plan.scenarios import Scenario
from verify.drill.record import read_json, write_bytes, write_json
from verify.errors import CannotRun, UsageError
from verify.judge.verdict import SEVERITY
from verify.plain_file import sync_folder

DRILL_FORMAT = "ackproof-drill/1"
DRILL_NAME = "drill.json"
PLAN_NAME = "plan.toml"
LOCK_NAME = "lock"
_LEFT_BY_A_BEGINNING = frozenset({PLAN_NAME, f"{PLAN_NAME}.partial", f"{DRILL_NAME}.partial"})
"""What a drill leaves that was killed before it had begun."""


class State(StrEnum):
    """How far one run has come; each is written down before what it names is begun.

    A spoilt run lost something before anything was done; its scenario is still to be done, in another run.
    """

    PLANNED = "planned"
    LOADING = "loading"
    INJECTING = "injecting"
    LOADED = "loaded"
    CHECKED = "checked"
    SPOILT = "spoilt"
    FINISHED = "finished"
    SKIPPED = "skipped"


@dataclass
class Step:
    """One run of one scenario.

    Attributes:
        scenario: its number in the plan, from 0.
        repeat: which repeat, from 1.
        folder: name of its record folder.
        state: how far it has come.
        verdict: the worst of its checks, "" before the first.
        checks: name of each check, what it came after ("" for the first), and its verdict.
        begun, done: what was begun and what was done to the pair, by name.
        deviations: what was not as planned, up to the end of the load.
        later: the same since then.
    """

    scenario: int
    repeat: int
    folder: str
    state: State = State.PLANNED
    verdict: str = ""
    checks: list[dict[str, str]] = field(default_factory=list)
    begun: list[str] = field(default_factory=list)
    done: list[str] = field(default_factory=list)
    deviations: list[str] = field(default_factory=list)
    later: list[str] = field(default_factory=list)

    @classmethod
    def from_json(cls, value: Any, scenarios: int) -> Step:
        """Take a step back.

        Raises:
            KeyError, TypeError, ValueError: if it is none.
        """
        names = {one.name for one in fields(cls)}
        step = cls(**{name: value[name] for name in names})
        step.state = State(step.state)
        texts = [step.folder, step.verdict, *step.begun, *step.done, *step.deviations, *step.later]
        texts += [check[name] for check in step.checks for name in ("name", "after", "verdict")]
        known = all(isinstance(text, str) for text in texts)
        known = known and {step.verdict, *(check["verdict"] for check in step.checks)} <= {"", *SEVERITY}
        if not known or type(step.repeat) is not int or step.scenario not in range(scenarios):
            raise ValueError("a step is not as this program writes it")
        if os.sep in step.folder or step.folder in ("", ".", ".."):
            raise ValueError("a step names no folder of this drill")
        return step


class Progress:
    """The folder of a drill.

    Args:
        path: the folder.
        plan: its plan.
    """

    def __init__(self, path: Path, plan: Plan) -> None:
        self.path = path
        self.plan = plan
        self.rehearsal = ""
        self.made: dict[str, Any] = {}
        self.seed = 0
        self.dossier = ""
        self.discarded = ""
        self.steps: list[Step] = []
        self._written = b""

    @classmethod
    def begin(cls, plan: Plan, rehearsal: str, seed: int, path: str) -> Progress:
        """A new drill in a new folder.

        Raises:
            UsageError: if something is there already.
            CannotRun: if it cannot be made.
        """
        out = cls(Path(path), plan)
        out.rehearsal, out.seed = rehearsal, seed
        width = max(2, len(str(sum(scenario.repeats for scenario in plan.scenarios))))
        for number, scenario in enumerate(plan.scenarios):
            for repeat in range(1, scenario.repeats + 1):
                which = f"-{repeat}" if scenario.repeats > 1 else ""
                name = f"{len(out.steps) + 1:0{width}d}-{scenario.slug}{which}"
                out.steps.append(Step(number, repeat, name))
        try:
            if (out.path / DRILL_NAME).exists():
                raise UsageError(
                    f"there is a drill in {path} already; go on with it by --resume, or name another folder by records"
                )
            if out.path.exists() and not (out.path.is_dir() and _holds_nothing(out.path, plan.text)):
                raise UsageError(f"{path} is not an empty folder; name a new one by records in the plan")
            out.path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CannotRun(f"the folder {path} cannot be made: {error.strerror}") from None
        write_bytes(out.path / PLAN_NAME, plan.text.encode())
        out.save()
        return out

    @classmethod
    def resume(cls, plan: Plan, rehearsal: str, path: str) -> Progress:
        """A drill that was begun before, with the same plan.

        Raises:
            CannotRun: if there is none.
            UsageError: if it belongs to another plan, or drill.json is damaged.
        """
        out = cls(Path(path), plan)
        if not (out.path / DRILL_NAME).is_file():
            raise CannotRun(f"there is no drill to go on with in {path}; leave out --resume to begin one")
        out._written = out._now_written()
        value = read_json(out.path / DRILL_NAME)
        try:
            if value["format"] != DRILL_FORMAT:
                raise ValueError(f"its format is not {DRILL_FORMAT!r}")
            digest = str(value["plan"])
            out.steps = [Step.from_json(step, len(plan.scenarios)) for step in value["steps"]]
            if not out.steps or len({step.folder for step in out.steps}) != len(out.steps):
                raise ValueError("its steps are not as this program writes them")
            out.rehearsal, out.seed = str(value["rehearsal"]), int(value["seed"])
            out.made = dict(value["made"])
            out.dossier, out.discarded = str(value["dossier"]), str(value["discarded"])
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise UsageError(f"{out.path / DRILL_NAME} is damaged or was changed: {str(error)[:200]}") from None
        if digest != plan.digest:
            raise UsageError(
                f"{plan.path} is not the plan that this drill was begun with; that one is kept as "
                f"{out.path / PLAN_NAME}. Put it back, or begin another drill in another folder"
            )
        if out.rehearsal != rehearsal:
            raise UsageError(
                f"the drill in {path} was begun {'as a rehearsal' if out.rehearsal else 'on the real volume'}; "
                "go on in the same way"
            )
        return out

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Hold the folder for one conductor at a time.

        Raises:
            CannotRun: if another one is at it.
        """
        try:
            lock = os.open(self.path / LOCK_NAME, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
        except OSError as error:
            raise CannotRun(f"{self.path / LOCK_NAME} cannot be made: {error.strerror}") from None
        try:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise CannotRun(
                    f"the drill in {self.path} is being conducted by another process, or a load of it has not ended yet"
                ) from None
            except OSError as error:
                raise CannotRun(f"{self.path / LOCK_NAME} cannot be locked: {error.strerror}") from None
            if self._now_written() != self._written:  # Another conductor went on between reading and locking.
                raise CannotRun(f"the drill in {self.path} went on meanwhile; look at it, and go on by --resume")
            yield
        finally:
            os.close(lock)

    def save(self) -> None:
        """Write drill.json, so that it stands even if the machine itself goes down in the next moment.

        Raises:
            CannotRun: if it cannot be written.
        """
        value: Mapping[str, Any] = {
            "format": DRILL_FORMAT,
            "plan": self.plan.digest,
            "rehearsal": self.rehearsal,
            "seed": self.seed,
            "made": self.made,
            "dossier": self.dossier,
            "discarded": self.discarded,
            "steps": [asdict(step) for step in self.steps],
        }
        write_json(self.path / DRILL_NAME, value)
        try:
            sync_folder(self.path)
        except OSError as error:
            raise CannotRun(f"{self.path / DRILL_NAME} cannot be written: {error.strerror}") from None
        self._written = self._now_written()

    def _now_written(self) -> bytes:
        try:
            return (self.path / DRILL_NAME).read_bytes()
        except OSError:
            return b""

    def scenario(self, step: Step) -> Scenario:
        """The scenario of a step."""
        return self.plan.scenarios[step.scenario]

    def record(self, step: Step) -> Path:
        """The record folder of a step."""
        return self.path / step.folder

    def again(self, step: Step, why: str) -> None:
        """Plan one more run of a scenario, after the one that was interrupted; `why` is told of it."""
        name = f"{step.folder}-again"
        self.steps.insert(
            self.steps.index(step) + 1,
            Step(step.scenario, step.repeat, name, deviations=[why]),
        )
        self.save()

    def set_aside(self, step: Step) -> None:
        """Keep the record of a load that ended before anything was done, under another name, and plan the run anew.

        Raises:
            CannotRun: if it cannot be renamed.
        """
        record = self.record(step)
        if record.exists():
            number = 1
            while (aside := record.with_name(f"{record.name}-aside-{number}")).exists():
                number += 1
            try:
                os.rename(record, aside)
            except OSError as error:
                raise CannotRun(f"{record} cannot be renamed: {error.strerror}") from None
            step.deviations.append(
                f"an earlier load ended before anything was done; its record is kept as {aside.name}"
            )
        step.state = State.PLANNED
        step.begun.clear()
        step.done.clear()
        self.save()


def _holds_nothing(folder: Path, plan: str) -> bool:
    """Whether a folder is empty, or was left by this plan's drill when it was killed before it had begun."""
    if not {entry.name for entry in folder.iterdir()} <= _LEFT_BY_A_BEGINNING:
        return False
    kept = folder / PLAN_NAME
    return not kept.exists() or kept.read_bytes() == plan.encode()
