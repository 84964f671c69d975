"""Conducts a drill: survey, then run by run hold point, load, injection, check and what comes after; the dossier."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from verify.drill.checking import check_record
from verify.drill.conduct.deeds import Deeds
from verify.drill.conduct.finishing import final_verdict, give_back, make_dossier
from verify.drill.conduct.ground import Ground
from verify.drill.conduct.injection import NOT_DONE, THE_END, Injection
from verify.drill.conduct.operator import Answer, Operator
from verify.drill.conduct.progress import Progress, State, Step
from verify.drill.conduct.readiness import wait_until_ready
from verify.drill.conduct.stopping import Failed, Stopped
from verify.drill.opening import OpenedVolume
from verify.drill.plan.plan import Plan
from verify.drill.plan.scenarios import COLD_START, FAILBACK, PATHS, Scenario
from verify.drill.quantities import format_duration
from verify.drill.record import RecordFolder
from verify.drill.reporting import write_report
from verify.drill.seal import REPORT_FILES
from verify.drill.verdicts import read_verdict, worst_check
from verify.drill.writing import LoadOptions
from verify.errors import AckproofError, CannotRun, UsageError
from verify.judge.verdict import FAIL, PASS, plural
from verify.report.words import damaged_blocks, headline
from verify.volume.lines import Level

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from verify.report.facts import ReportFacts


@dataclass(frozen=True)
class Wishes:
    """How the drill is to be conducted, beside its plan.

    Attributes:
        go_on_after_fail: whether the next run follows one that failed.
        again: whether what was interrupted is done again, although it may have been done.
        report: makes the page of a report; None for no reports.
        dossier: makes the page of a dossier; None for none.
        key, signed_by: sign the dossier.
    """

    go_on_after_fail: bool = False
    again: bool = False
    report: Callable[[ReportFacts], str] | None = None
    dossier: Callable[[Mapping[str, Any]], str] | None = None
    key: Ed25519PrivateKey | None = None
    signed_by: str = ""


class Conductor:
    """Conducts one drill, from wherever it stands to its end.

    Args:
        progress: the drill.
        ground: what it is carried out on.
        operator: who is asked.
        wishes: see there.
    """

    def __init__(self, progress: Progress, ground: Ground, operator: Operator, wishes: Wishes) -> None:
        self._progress = progress
        self._plan = progress.plan
        self._ground = ground
        self._operator = operator
        self._wishes = wishes
        self._deeds = Deeds(progress, ground, operator, wishes.again)
        self._survey: list[dict[str, str]] = []

    def conduct(self) -> str:
        """Go on to the end.

        Returns:
            The worst verdict of all runs, as their records have it now; INCONCLUSIVE where a planned run or a planned
            check of one was left out and none failed.

        Raises:
            Stopped: if somebody or something stopped it; it can be gone on with.
            UsageError, CannotRun: if it cannot be carried out.
        """
        if any(step.state in (State.PLANNED, State.LOADING) for step in self._progress.steps):
            self._look()
        position = 0
        try:
            while position < len(self._progress.steps):
                self._carry_out(self._progress.steps[position], position)
                position += 1
        except Failed:
            with self._saying_what_fails("no dossier was made of the runs up to here"):
                self._bind()
            raise
        verdict = final_verdict(self._progress)
        self._bind()
        give_back(self._progress, self._ground, self._operator, verdict)
        return verdict

    def _bind(self) -> None:
        wishes = self._wishes
        if wishes.dossier is not None:
            said = make_dossier(self._progress, wishes.dossier, wishes.key, wishes.signed_by)
            self._operator.say(said or f"dossier: {self._progress.dossier}")

    @contextlib.contextmanager
    def _saying_what_fails(self, what: str) -> Iterator[None]:
        """Say what went wrong, and go on."""
        try:
            yield
        except AckproofError as error:
            self._operator.say(f"{what}: {error}")

    # --- before anything is done ---

    def _look(self) -> None:
        survey = self._ground.survey()
        if survey is None:
            on = self._ground.rehearsal
            self._operator.say(
                f"on {on}, which needs no survey; criteria of rate and latency are left out: they would tell of this "
                "computer alone"
                if on
                else "the volume does not exist yet and is made"
            )
            return
        self._survey = [line.to_json() for line in survey.lines]
        for line in (*survey.of_level(Level.STOP), *survey.of_level(Level.WARNING)):
            self._operator.say(f"survey, {line.level}: {line.label}: {line.value}: {line.reason}")
        if stops := survey.of_level(Level.STOP):
            raise CannotRun(
                f"the survey found {plural(len(stops), 'reason')} not to begin: "
                + "; ".join(f"{line.label}: {line.value}: {line.reason}" for line in stops)
            )

    # --- one run ---

    def _carry_out(self, step: Step, position: int) -> None:
        scenario = self._progress.scenario(step)
        if step.state in (State.FINISHED, State.SKIPPED):
            return
        repeat = f", repeat {step.repeat} of {scenario.repeats}" if scenario.repeats > 1 else ""
        self._operator.say(f"run {position + 1} of {len(self._progress.steps)}: {scenario.title}{repeat}")
        if step.state in (State.LOADING, State.INJECTING) and RecordFolder(str(self._progress.record(step))).running():
            raise CannotRun(f"a load is still writing to {self._progress.record(step)}; wait for its end")
        if step.state is State.LOADING:
            self._set_aside(step)
        elif step.state is State.INJECTING:
            self._take_up(step)
        if step.state is State.SPOILT:
            self._write_reports(step)
            self._stop_on_fail(step)
            self._end(step, State.FINISHED)
            return
        if step.state is State.PLANNED:
            if not self._hold(step, scenario):
                self._end(step, State.SKIPPED)
                return
            self._load(step, scenario)
        if step.state is State.LOADED:
            self._check(step, "", None)
            step.state = State.CHECKED
            self._progress.save()
        self._write_reports(step)
        self._stop_on_fail(step)
        self._check_further(step, scenario)
        self._write_reports(step)
        self._deeds.do(step, "restore", scenario.restore)
        self._end(step, State.FINISHED)

    def _end(self, step: Step, state: State) -> None:
        """The run is over; a dossier that was made when the drill stopped at a FAIL does not tell of its end."""
        step.state, self._progress.dossier = state, ""
        self._progress.save()

    def _take_up(self, step: Step) -> None:
        """Go on with a run that was interrupted when something had been done, or may have been."""
        step.later.append("the drill was interrupted during or after the injection; what was recorded was checked")
        careful = "check what was recorded"
        question = (
            f"this run was interrupted when {self._progress.scenario(step).do.told!r} had been asked for, and it may "
            "have been done"
        )
        choices = {"c": careful, "a": f"{careful}, then do the scenario again in a run of its own"}
        again = self._wishes.again or self._operator.choose(question, choices) == "a"
        step.state = State.LOADED
        if again:
            self._progress.again(step, "done again, as was asked for after an interruption")
        self._progress.save()

    def _set_aside(self, step: Step) -> None:
        """Begin a run anew whose load ended before anything was done; one that lost something all the same counts.

        Raises:
            CannotRun: if the volume is not there to be looked at; the load that follows would destroy the evidence.
        """
        record = RecordFolder(str(self._progress.record(step)))
        if record.run_path.exists() and not self._ground.rehearsal:
            self._operator.say("the load ended before anything was done; what it left is looked at first")
            self._check(step, "", None)
            if any(damaged_blocks(read_verdict(record, check["name"])) for check in step.checks):
                step.later.append("the load ended before anything was done, and something was lost or damaged already")
                step.state = State.SPOILT
                self._progress.again(step, "begun anew, for the first load ended before anything was done")
                return
            if step.verdict == FAIL:  # by a criterion alone, such as errors; the run that follows does not show it
                why = "; ".join(read_verdict(record, step.checks[-1]["name"])["reasons"])
                step.deviations.append(f"an earlier load, before anything was done to the pair: FAIL: {why}")
            step.checks.clear()
            step.verdict = ""
        self._progress.set_aside(step)

    def _hold(self, step: Step, scenario: Scenario) -> bool:
        """The hold point; false if the run is to be skipped.

        Raises:
            Stopped: if the drill is to be stopped, or the pair does not come to where it must be.
        """
        if scenario.hold_command and not self._ground.rehearsal:
            self._operator.say(f"waiting for: {'; '.join(scenario.hold)}")
            if not (said := wait_until_ready(scenario, self._ground, self._operator)).well:
                raise Stopped(
                    f"{scenario.title}: the hold point was not reached within {scenario.within_s:g} s: the hold "
                    f"command {said.told}; see to it, and go on by --resume"
                )
        if not self._operator.attended:
            if not scenario.hold_command and not self._ground.rehearsal:
                step.deviations.append(f"nobody confirmed before the load: {'; '.join(scenario.hold)}")
            return True
        for deed in filter(None, (scenario.first, scenario.do)):
            by_command = deed.command and not self._ground.rehearsal
            by = "by a command" if by_command else scenario.by or "by you, when told to"
            self._operator.say(f"what will be done ({by}): {deed.told}")
        self._operator.warn(scenario.hands_on_cautions)
        answer = self._operator.hold(scenario.title, scenario.hold)
        if answer is Answer.STOP:
            raise Stopped("stopped at a hold point; go on by --resume")
        return answer is Answer.GO

    def _load(self, step: Step, scenario: Scenario) -> None:
        about = {"scenario": self._told(step, scenario), "survey": self._survey, "plan": self._plan.digest}
        if self._ground.rehearsal:
            said = "proves nothing about any storage, and criteria of rate and latency were left out"
            step.deviations.append(f"rehearsed on {self._ground.rehearsal}: {said}")
        injection = Injection(self._progress, step, self._ground, self._operator)
        options = LoadOptions(
            None, self._operator.show, injection.on_event, submit=self._plan.submit, criteria=self._plan.criteria,
            over=injection.over, look_again=injection.look_again, about=about,
        )  # fmt: skip
        step.state = State.LOADING
        self._progress.save()
        request = self._plan.request_for(scenario, self._progress.seed + self._progress.steps.index(step))
        self._operator.load_begins()
        try:
            outcome = self._ground.load(scenario, str(self._progress.record(step)), request, options)
        finally:
            injection.end()
            self._operator.load_ended()
        if injection.failure is not None:
            raise injection.failure
        if outcome.reason == NOT_DONE and not step.begun:
            step.state = State.LOADING
            self._progress.save()
            raise Stopped("stopped before it was done; --resume begins this run again")
        if outcome.reason != THE_END:
            how = "begins this run again" if step.state is State.LOADING else "checks what was recorded"
            raise Stopped(f"the load ended because {outcome.reason}; --resume {how}")
        step.state = State.LOADED
        self._progress.save()

    def _told(self, step: Step, scenario: Scenario) -> dict[str, Any]:
        """The scenario as run.json, report and dossier have it; the deviations are those of the step, as they grow."""
        return {
            "name": scenario.name,
            "direction": scenario.direction,
            "repeat": step.repeat,
            "first": scenario.first.told,
            "do": scenario.do.told,
            "by": scenario.by,
            "hold": list(scenario.hold),
            "run_in_s": scenario.run_in_s,
            "run_out_s": scenario.run_out_s,
            "cautions": list(scenario.cautions),
            "deviations": step.deviations,
        }

    # --- checks ---

    def _check(self, step: Step, after: str, path: str | None) -> None:
        """Check a run once, unless that check is there already, and write its report."""
        if any(check["after"] == after for check in step.checks):
            return
        folder = RecordFolder.open(str(self._progress.record(step)))
        about, _ = folder.read_run()
        opened = self._ground.open_for_check(about, path)
        if opened.volume is None and step.state is State.LOADING:
            raise CannotRun(f"{opened.why_not}; bring it back, and go on by --resume")
        try:
            verdict, name = self._judged(folder, opened)
        finally:
            if opened.volume is not None:
                opened.volume.close()
        step.checks.append({"name": name, "after": after, "verdict": verdict["verdict"]})
        found = worst_check(folder)
        step.verdict = verdict["verdict"] if found is None else found[1]["verdict"]
        self._progress.dossier = ""
        self._progress.save()
        self._operator.say(f"{verdict['verdict']}{f' after {after}' if after else ''}: {headline(verdict)}")
        for reason in verdict["reasons"] if verdict["verdict"] != PASS else ():
            self._operator.say(f"  because {reason}")
        for takeover in verdict["takeovers"]:
            stall = f", stalled {format_duration(takeover['stall_s'])}" if takeover["stall_s"] else ""
            wait, errors = format_duration(takeover["longest_wait_s"]), plural(takeover["errors"], "error")
            self._operator.say(f"  takeover {takeover['seen']}{stall}, longest wait {wait}, {errors}")

    def _judged(self, folder: RecordFolder, opened: OpenedVolume) -> tuple[dict[str, Any], str]:
        """Verdict and name of a check; one that was interrupted is gone on with if it can be."""
        if folder.interrupted_check():
            try:
                result = check_record(folder, opened, progress=self._operator.progress, resume=True)
                return result.verdict, result.folder.name
            except UsageError as error:
                self._operator.say(f"the check begins anew: {error}")
        result = check_record(folder, opened, progress=self._operator.progress)
        return result.verdict, result.folder.name

    def _write_reports(self, step: Step) -> None:
        """Write the report of every check that has none yet."""
        if self._wishes.report is None:
            return
        folder = RecordFolder(str(self._progress.record(step)))
        for name in (check["name"] for check in step.checks):
            if not (folder.checks_path / name / REPORT_FILES[0]).exists():
                write_report(folder, self._wishes.report, name)

    def _stop_on_fail(self, step: Step) -> None:
        if step.verdict == FAIL and not self._wishes.go_on_after_fail:
            with self._saying_what_fails("no report was made"):
                self._write_reports(step)
            raise Failed(
                f"{step.folder}: FAIL. The drill stops here, and the volume is left as it is; keep it so until the "
                "losses are explained. To go on all the same: --resume --go-on-after-fail"
            )

    def _check_further(self, step: Step, scenario: Scenario) -> None:
        for word in scenario.further:
            if word == PATHS:
                for path in self._plan.volume.paths:
                    self._check(step, f"path {path}", path)
            elif word in (FAILBACK, COLD_START) and self._deeds.do(step, word, scenario.before_check(word)):
                self._check(step, word, None)
            self._stop_on_fail(step)


def require_commands(plan: Plan) -> None:
    """Refuse a drill without anybody in which something is to be done that has no command.

    Raises:
        UsageError: with everything that lacks one.
    """
    lacking = []
    for scenario in plan.scenarios:
        deeds = [("first", scenario.first), ("do", scenario.do)]
        deeds += [(word.replace(" ", "-"), scenario.before_check(word)) for word in scenario.further]
        deeds += [("restore", scenario.restore)]
        lacking += [f"{scenario.title}: {key}" for key, deed in deeds if deed and not deed.command]
    if lacking:
        raise UsageError(
            "nobody is at a terminal to do what the plan asks for; give these a command, or run it on a terminal: "
            + "; ".join(dict.fromkeys(lacking))
        )


def steps_in_words(progress: Progress) -> list[str]:
    """A line for each run: its folder, and how far it has come or what its verdict is."""
    width = max(len(step.folder) for step in progress.steps)
    return [f"{step.folder:<{width}}  {step.verdict or step.state}" for step in progress.steps]
