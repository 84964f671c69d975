"""Drills inside this process, on a volume in memory: what the conductor asks, does, keeps and refuses."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.drill.conduct.memory_ground import MemoryGround, Scripted, begin, conduct, plan_of, spoilt
from verify.drill.conduct import injection
from verify.drill.conduct.commands import Done
from verify.drill.conduct.conductor import require_commands
from verify.drill.conduct.operator import Answer
from verify.drill.conduct.progress import Progress, State
from verify.drill.conduct.stopping import Failed, Stopped
from verify.drill.criteria import KINDS, Criterion
from verify.drill.plan.plan import Plan
from verify.drill.plan.scenarios import Deed
from verify.errors import CannotRun, UsageError
from verify.rehearsal.drill_ground import shortened
from verify.report.dossier_page import dossier_html

PULL = 'name = "cable pull"\ndirection = "A to B"\ndo = "pull it"\n'
BY_COMMAND = 'name = "handover"\ncommand = ["true"]\n'


def about(progress: Progress, number: int = 0) -> dict[str, Any]:
    value: dict[str, Any] = json.loads((progress.record(progress.steps[number]) / "run.json").read_text())
    return value


def marks(progress: Progress, number: int = 0) -> list[dict[str, Any]]:
    lines = (progress.record(progress.steps[number]) / "events.jsonl").read_text().splitlines()
    return [event for event in map(json.loads, lines) if event["event"] in ("mark", "note")]


class _LosesDuringTheCommand(MemoryGround):
    """Loses acknowledged writes without a stall; its command ends when the load has come over all of them."""

    overwritten = False

    def carry_out(self, deed: Deed, is_injection: bool, within_s: float, given_up: Callable[[], bool]) -> Done:
        time.sleep(0.15)  # so that lanes have been told, one tick of the supervisor's after the begin
        volume, began = self.volume, time.monotonic()
        with volume.lock:
            before = bytes(volume.data)
        time.sleep(0.1)
        with volume.lock:
            sectors = range(0, len(before), volume.sector_bytes)
            lost = [at for at in sectors if before[at : at + 512] != volume.data[at : at + 512]]
            volume.data[:] = before
        while not self.overwritten and not given_up() and time.monotonic() - began < 20:
            time.sleep(0.01)
            with volume.lock:
                self.overwritten = all(before[at : at + 512] != volume.data[at : at + 512] for at in lost)
        return Done()


class TestOneRun:
    def test_an_operator_is_asked_told_and_his_key_is_the_mark(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, PULL + 'by = "the engineer"\ncautions = ["mind the fibre"]\nrestore = "plug it in"\n')
        operator, progress = Scripted(), begin(plan)
        assert conduct(progress, MemoryGround(), operator) == "PASS"
        order = ["hold: cable pull, A to B", "now: the engineer: pull it", "please: plug it in"]
        places = [operator.said.index(text) for text in order]
        assert places == sorted(places)
        assert operator.said[places[1] - 1] == "caution: mind the fibre"
        assert [(mark["text"], mark["takeover"]) for mark in marks(progress)] == [("pull it", True)]
        told = about(progress)["scenario"]
        assert (told["name"], told["direction"], told["repeat"], told["deviations"]) == ("cable pull", "A to B", 1, [])
        assert about(progress)["ended_because"] == "the time is over"
        assert about(progress)["plan"] == plan.digest

    def test_each_repeat_is_a_run_of_its_own_with_its_own_seed(self, tmp_path: Path) -> None:
        progress = begin(plan_of(tmp_path, BY_COMMAND + "repeats = 2\n"))
        conduct(progress, MemoryGround())
        first, second = about(progress, 0), about(progress, 1)
        assert first["run"]["seed"] != second["run"]["seed"]
        assert (first["scenario"]["repeat"], second["scenario"]["repeat"]) == (1, 2)
        assert [step.folder for step in progress.steps] == ["01-handover-1", "02-handover-2"]

    def test_a_first_fault_is_a_note_and_the_second_one_the_takeover(self, tmp_path: Path) -> None:
        first = 'first = "cut the link"\nfirst-command = ["true"]\nfirst-wait = "10ms"\n'
        progress = begin(plan_of(tmp_path, BY_COMMAND + first))
        conduct(progress, MemoryGround())
        told = [(mark["text"], mark["takeover"]) for mark in marks(progress)]
        assert told == [("cut the link", False), ("true", True)]

    def test_what_is_lost_while_a_command_takes_long_is_looked_at_before_it_is_overwritten(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(injection, "LONG_COMMAND_NS", 0)
        progress, ground = begin(plan_of(tmp_path, BY_COMMAND)), _LosesDuringTheCommand()
        assert conduct(progress, ground, Scripted(attended=False), go_on_after_fail=True) == "FAIL"
        assert ground.overwritten, "the load did not come over what was lost, so that nothing was shown"

    def test_a_command_that_fails_attests_no_takeover(self, tmp_path: Path) -> None:
        scenario = 'name = "handover"\ncommand = ["sh", "-c", "echo not allowed; exit 3"]\n'
        progress = begin(plan_of(tmp_path, scenario))
        assert conduct(progress, MemoryGround(), Scripted(attended=False)) == "INCONCLUSIVE"
        assert [mark["takeover"] for mark in marks(progress)] == [False]
        said = about(progress)["scenario"]["deviations"]
        assert len(said) == 1
        assert "exit code 3: not allowed" in said[0]

    def test_a_program_that_is_not_there_is_told_and_nothing_is_marked(self, tmp_path: Path) -> None:
        progress = begin(plan_of(tmp_path, 'name = "handover"\ncommand = ["/no/such/program"]\n'))
        with pytest.raises(CannotRun, match=r"'/no/such/program' of the plan cannot be started: No such file"):
            conduct(progress, MemoryGround(), Scripted(attended=False))
        assert marks(progress) == []

    def test_a_command_that_never_ends_is_ended(self, tmp_path: Path) -> None:
        progress = begin(plan_of(tmp_path, 'name = "handover"\ncommand = ["sleep", "60"]\nwithin = "1s"\n'))
        began = time.monotonic()
        assert conduct(progress, MemoryGround(), Scripted(attended=False)) == "INCONCLUSIVE"
        assert time.monotonic() - began < 50
        assert "had to be ended" in about(progress)["scenario"]["deviations"][0]

    def test_without_a_hold_command_and_without_anybody_that_is_a_deviation(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, BY_COMMAND)
        progress = begin(replace(plan, scenarios=(replace(plan.scenarios[0], hold_command=()),)))
        conduct(progress, MemoryGround(), Scripted(attended=False))
        (said,) = about(progress)["scenario"]["deviations"]
        assert said.startswith("nobody confirmed before the load: both controllers are up")


class TestStopping:
    def test_it_stops_at_a_fail_and_goes_on_only_when_told(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, BY_COMMAND + 'restore = "plug it in"\n', BY_COMMAND)
        progress, ground = begin(plan), MemoryGround(spoil=spoilt)
        operator = Scripted()
        with pytest.raises(Failed, match="01-handover: FAIL") as failed:
            conduct(progress, ground, operator)
        assert failed.value.exit_code == 1
        assert [step.state for step in progress.steps] == [State.CHECKED, State.PLANNED]
        assert not any(text.startswith("please") for text in operator.said)
        again = Progress.resume(plan, "", plan.records)
        with pytest.raises(Failed):
            conduct(again, ground)
        assert len(again.steps[0].checks) == 1
        assert conduct(again, ground, go_on_after_fail=True) == "FAIL"
        assert [step.state for step in again.steps] == [State.FINISHED, State.FINISHED]

    def test_a_run_that_is_left_out_makes_the_drill_inconclusive(self, tmp_path: Path) -> None:
        progress = begin(plan_of(tmp_path, BY_COMMAND, BY_COMMAND))
        assert conduct(progress, MemoryGround(), Scripted(holds=[Answer.SKIP])) == "INCONCLUSIVE"
        assert [step.state for step in progress.steps] == [State.SKIPPED, State.FINISHED]
        assert not progress.record(progress.steps[0]).exists()

    def test_stopped_at_the_hold_point_nothing_was_written(self, tmp_path: Path) -> None:
        progress = begin(plan_of(tmp_path, BY_COMMAND))
        with pytest.raises(Stopped, match="hold point; go on by --resume"):
            conduct(progress, MemoryGround(), Scripted(holds=[Answer.STOP]))
        assert progress.steps[0].state is State.PLANNED

    def test_a_pair_that_is_not_ready_in_time_stops_it(self, tmp_path: Path) -> None:
        hold = BY_COMMAND + 'within = "1s"\n'
        plan = plan_of(tmp_path, hold)
        degraded = ("sh", "-c", "echo degraded; false")
        progress = begin(replace(plan, scenarios=(replace(plan.scenarios[0], hold_command=degraded),)))
        with pytest.raises(Stopped, match=r"not reached within 1 s: the hold command ended with exit code 1: degraded"):
            conduct(progress, MemoryGround())

    def test_what_was_not_done_begins_anew_and_the_first_load_is_kept_aside(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, PULL)
        progress, ground = begin(plan), MemoryGround()
        with pytest.raises(Stopped, match="before it was done; --resume begins this run again"):
            conduct(progress, ground, Scripted(does=False))
        again = Progress.resume(plan, "", plan.records)
        assert conduct(again, ground) == "PASS"
        assert (again.path / "01-cable-pull-a-to-b-aside-1" / "run.json").exists()
        assert "an earlier load ended before anything was done" in about(again)["scenario"]["deviations"][0]


class TestResuming:
    def killed_after_injection(self, tmp_path: Path, scenario: str = PULL) -> Any:
        """A drill that ended just when something had been done, as if it had been killed there."""
        plan = plan_of(tmp_path, scenario)
        progress = begin(plan)
        step = progress.steps[0]
        ground = MemoryGround()
        conduct(progress, ground)
        step.state, step.checks, step.verdict = State.INJECTING, [], ""
        progress.save()
        return plan, ground

    def test_what_may_have_been_done_is_checked_and_not_done_again(self, tmp_path: Path) -> None:
        plan, ground = self.killed_after_injection(tmp_path)
        again, operator = Progress.resume(plan, "", plan.records), Scripted()
        assert conduct(again, ground, operator) == "PASS"
        assert not any(text.startswith("now:") for text in operator.said)
        assert any("'pull it' had been asked for" in text for text in operator.said)
        assert len(again.steps) == 1
        assert "interrupted" in again.steps[0].later[-1]

    @pytest.mark.parametrize("way", ["by an answer", "by an option"])
    def test_it_is_done_again_in_a_run_of_its_own_when_somebody_says_so(self, tmp_path: Path, way: str) -> None:
        plan, ground = self.killed_after_injection(tmp_path)
        again = Progress.resume(plan, "", plan.records)
        operator = Scripted(choices=["a"] if way == "by an answer" else [])
        assert conduct(again, ground, operator, again=way == "by an option") == "PASS"
        assert [text for text in operator.said if text.startswith("now:")] == ["now: pull it"]
        assert [step.folder for step in again.steps] == ["01-cable-pull-a-to-b", "01-cable-pull-a-to-b-again"]
        assert len(again.steps[0].checks) == 1

    def test_a_restoring_command_that_had_begun_is_not_run_a_second_time(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, BY_COMMAND + 'restore-command = ["true", "back"]\n')
        progress, ground = begin(plan), MemoryGround()
        conduct(progress, ground)
        step = progress.steps[0]
        step.state = State.CHECKED
        step.done.remove("restore")
        progress.save()
        ground.carried_out.clear()
        assert conduct(Progress.resume(plan, "", plan.records), ground, Scripted(attended=False)) == "PASS"
        assert ground.carried_out == []

    def test_another_plan_is_refused(self, tmp_path: Path) -> None:
        begin(plan_of(tmp_path, BY_COMMAND))
        other = plan_of(tmp_path, BY_COMMAND + "repeats = 2\n")
        with pytest.raises(UsageError, match="not the plan that this drill was begun with"):
            Progress.resume(other, "", other.records)

    def test_a_second_drill_in_the_folder_is_refused(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, BY_COMMAND)
        begin(plan)
        with pytest.raises(UsageError, match="go on with it by --resume"):
            begin(plan)

    def test_two_at_once_are_refused(self, tmp_path: Path) -> None:
        progress = begin(plan_of(tmp_path, BY_COMMAND))
        with progress.held(), pytest.raises(CannotRun, match="being conducted by another process"), progress.held():
            pass

    @pytest.mark.parametrize("spoil", ['{"format": "x"}', "[]", "{", '{"format": "ackproof-drill/1"}', "../", "state"])
    def test_a_damaged_progress_is_told(self, tmp_path: Path, spoil: str) -> None:
        plan = plan_of(tmp_path, BY_COMMAND)
        begin(plan)
        path = Path(plan.records) / "drill.json"
        if spoil == "../":
            spoil = path.read_text().replace("01-handover", "../elsewhere")
        elif spoil == "state":
            spoil = path.read_text().replace('"planned"', '"no such state"')
        path.write_text(spoil)
        with pytest.raises(UsageError, match="is damaged"):
            Progress.resume(plan, "", plan.records)


class TestFurtherChecks:
    def test_paths_failback_and_cold_start_each_have_a_check(self, tmp_path: Path) -> None:
        scenario = BY_COMMAND + (
            'further-checks = ["paths", "failback", "cold start"]\n'
            'failback-command = ["true", "failback"]\ncold-start-command = ["true", "cold"]\n'
        )
        progress, ground = begin(plan_of(tmp_path, scenario)), MemoryGround()
        assert conduct(progress, ground, Scripted(attended=False), dossier=dossier_html) == "PASS"
        assert ground.opened == [None, "/one", "/other", None, None]
        step = progress.steps[0]
        assert [check["after"] for check in step.checks] == ["", "path /one", "path /other", "failback", "cold start"]
        assert [check["name"] for check in step.checks] == ["001", "002", "003", "004", "005"]
        assert ground.carried_out == ["true", "true failback", "true cold"]
        content = json.loads((Path(progress.dossier) / "dossier.json").read_text())
        assert content["verdict"] == "PASS"
        assert any("check 005, cold start: PASS" in text for text in content["observations"])

    def test_a_loss_that_a_later_check_finds_stops_the_drill(self, tmp_path: Path) -> None:
        further = 'further-checks = ["failback"]\nfailback-command = ["true"]\n'
        plan = plan_of(tmp_path, BY_COMMAND + further, BY_COMMAND)
        progress, ground = begin(plan), MemoryGround()
        ground.spoil = lambda volume: spoilt(volume) if len(ground.opened) > 1 else None
        with pytest.raises(Failed):
            conduct(progress, ground, Scripted(attended=False))
        assert [check["verdict"] for check in progress.steps[0].checks] == ["PASS", "FAIL"]
        assert progress.steps[0].verdict == "FAIL"


class TestDiscarding:
    def plan(self, tmp_path: Path) -> Plan:
        plan = plan_of(tmp_path, BY_COMMAND)
        return replace(plan, volume=replace(plan.volume, discard_at_end=True))

    def test_only_when_everything_passed(self, tmp_path: Path) -> None:
        ground = MemoryGround(spoil=spoilt)
        conduct(begin(self.plan(tmp_path)), ground, Scripted(attended=False), go_on_after_fail=True)
        assert not ground.discarded

    @pytest.mark.parametrize(("answer", "discarded"), [("k", False), ("d", True)])
    def test_somebody_is_asked(self, tmp_path: Path, answer: str, discarded: bool) -> None:
        ground = MemoryGround()
        conduct(begin(self.plan(tmp_path)), ground, Scripted(choices=[answer]))
        assert ground.discarded is discarded

    def test_nobody_is_there_to_be_asked_and_the_plan_says_so(self, tmp_path: Path) -> None:
        ground = MemoryGround()
        conduct(begin(self.plan(tmp_path)), ground, Scripted(attended=False))
        assert ground.discarded


def test_without_anybody_everything_needs_a_command(tmp_path: Path) -> None:
    further = 'further-checks = ["cold start"]\ncold-start = "power off"\n'
    with pytest.raises(UsageError, match=r"cable pull, A to B: do; handover: cold-start"):
        require_commands(plan_of(tmp_path, PULL, BY_COMMAND + further))
    require_commands(plan_of(tmp_path, BY_COMMAND))


def test_a_rehearsal_is_short_and_asks_for_no_other_path(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, BY_COMMAND.replace("name", 'further-checks = ["paths"]\nfirst-wait = "1h"\nname'))
    short = shortened(replace(plan, criteria=tuple(Criterion(key, 1.0) for key in KINDS)))
    assert short.scenarios[0].further == ()
    assert short.scenarios[0].first_wait_s == 3.0
    assert [criterion.key for criterion in short.criteria] == ["stall", "longest-wait", "errors"]
    assert short.digest == plan.digest
