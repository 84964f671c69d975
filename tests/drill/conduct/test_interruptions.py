"""Drills broken off where it hurts: a terminal that hangs up, what fails beside the load, a load that lost writes."""

from __future__ import annotations

import dataclasses
import errno
import itertools
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.drill.conduct.memory_ground import MemoryGround, Scripted, begin, conduct, plan_of
from verify.drill.conduct.conductor import require_commands
from verify.drill.conduct.operator import NoAnswer, Pressed
from verify.drill.conduct.progress import Progress, State
from verify.drill.conduct.stopping import Failed, Stopped
from verify.errors import CannotRun, UsageError

PULL = 'name = "cable pull"\ndo = "pull it"\n'
TWO_FAULTS = 'name = "two faults"\ncommand = ["true", "second"]\nfirst-wait = "10ms"\n'


class HungUp(Scripted):
    """An operator whose terminal hangs up at the first thing that he is asked to do."""

    def do_now(self, text: str, given_up: Callable[[], bool]) -> Pressed | None:
        self.said.append(f"now: {text}")
        raise NoAnswer("the terminal hung up")


class TestHungUp:
    def test_what_was_asked_for_may_have_been_done_and_is_never_asked_for_again(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, PULL)
        ground, operator = MemoryGround(), HungUp()
        with pytest.raises(NoAnswer):
            conduct(begin(plan), ground, operator)
        assert any("run-out" in text for text in operator.said)
        again, later = Progress.resume(plan, "", plan.records), Scripted()
        assert again.steps[0].state is State.INJECTING
        assert "hung up when 'pull it' had been asked for" in again.steps[0].deviations[0]
        conduct(again, ground, later)
        assert not any(text.startswith("now:") for text in later.said)
        assert any("'pull it' had been asked for, and it may have been done" in text for text in later.said)

    def test_at_the_first_of_two_faults_the_second_is_not_done(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, TWO_FAULTS + 'first = "cut the link"\n')
        progress, ground = begin(plan), MemoryGround()
        with pytest.raises(NoAnswer):
            conduct(progress, ground, HungUp())
        assert ground.carried_out == []
        again, operator = Progress.resume(plan, "", plan.records), Scripted()
        assert conduct(again, ground, operator) == "INCONCLUSIVE"
        assert not any(text.startswith("now:") for text in operator.said)


class TestBesideTheLoad:
    def test_whatever_breaks_there_the_load_ends(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, PULL)

        class Broken(Scripted):
            def do_now(self, text: str, given_up: Callable[[], bool]) -> Pressed | None:
                raise ZeroDivisionError("odd")

        with pytest.raises(CannotRun, match="the injection failed: ZeroDivisionError: odd"):
            conduct(begin(plan), MemoryGround(), Broken())
        assert Progress.resume(plan, "", plan.records).steps[0].state is State.INJECTING

    def test_if_the_first_of_two_faults_fails_the_second_one_is_not_done(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, TWO_FAULTS + 'first-command = ["false"]\n')
        progress, ground = begin(plan), MemoryGround()
        with pytest.raises(CannotRun, match=r"the first of two faults failed: the command for 'false' ended with exit"):
            conduct(progress, ground, Scripted(attended=False))
        assert ground.carried_out == ["false"]
        again = Progress.resume(plan, "", plan.records)
        assert conduct(again, ground, Scripted(attended=False)) == "INCONCLUSIVE"
        assert ground.carried_out == ["false"]

    def test_a_pair_that_is_not_ready_after_the_run_in_is_left_alone(self, tmp_path: Path) -> None:
        asked = tmp_path / "asked"
        once = ("sh", "-c", f"test ! -e {asked} && touch {asked}")
        plan = plan_of(tmp_path, 'name = "handover"\ncommand = ["true"]\nwithin = "1s"\n')
        plan = dataclasses.replace(plan, scenarios=(dataclasses.replace(plan.scenarios[0], hold_command=once),))
        progress, ground = begin(plan), MemoryGround()
        with pytest.raises(CannotRun, match="nothing was done, for after the run-in the hold command ended with exit"):
            conduct(progress, ground, Scripted(attended=False))
        assert ground.carried_out == []
        assert Progress.resume(plan, "", plan.records).steps[0].state is State.LOADING

    def test_cautions_stand_before_the_prompt_and_what_comes_before_the_hold_point(self, tmp_path: Path) -> None:
        operator = Scripted()
        conduct(begin(plan_of(tmp_path, PULL + 'cautions = ["mind the fibre"]\n')), MemoryGround(), operator)
        before = operator.said[: operator.said.index("now: pull it")]
        assert before[-1] == "caution: mind the fibre"
        assert any("leave it to qualified staff" in text for text in before[-3:])
        assert "what will be done (by you, when told to): pull it" in before[: before.index("hold: cable pull")]


class TestSetAside:
    def stopped_before_it_was_done(self, tmp_path: Path) -> tuple[Progress, MemoryGround]:
        plan = plan_of(tmp_path, PULL + 'restore = "plug it in"\n')
        ground = MemoryGround()
        with pytest.raises(Stopped):
            conduct(begin(plan), ground, Scripted(does=False))
        return Progress.resume(plan, "", plan.records), ground

    def test_a_load_that_lost_something_before_anything_was_done_counts(self, tmp_path: Path) -> None:
        progress, ground = self.stopped_before_it_was_done(tmp_path)
        ground.volume.data[:] = bytes(len(ground.volume.data))
        with pytest.raises(Failed, match="01-cable-pull: FAIL"):
            conduct(progress, ground)
        assert not any(ground.volume.data)
        again, operator = Progress.resume(progress.plan, "", progress.plan.records), Scripted()
        with pytest.raises(Failed):
            conduct(again, ground, operator)
        assert conduct(again, ground, operator, go_on_after_fail=True) == "FAIL"
        assert [step.verdict for step in again.steps] == ["FAIL", "PASS"]
        assert operator.said.count("now: pull it") == operator.said.count("please: plug it in") == 1

    def test_one_that_lost_nothing_does_not(self, tmp_path: Path) -> None:
        progress, ground = self.stopped_before_it_was_done(tmp_path)
        assert conduct(progress, ground) == "PASS"
        (step,) = progress.steps
        assert [check["name"] for check in step.checks] == ["001"]
        assert (progress.path / "01-cable-pull-aside-1" / "checks" / "001" / "verdict.json").exists()

    def test_a_criterion_that_it_missed_is_told_of_the_run_that_follows(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, PULL + "[criteria]\nerrors = 0\n")
        ground = MemoryGround()
        write, calls = ground.volume.write, itertools.count()

        def fails_once(offset_bytes: int, buffer: memoryview, through: bool) -> int:
            if next(calls) == 70:
                raise OSError(errno.EIO, "failed")
            return write(offset_bytes, buffer, through)

        ground.volume.write = fails_once  # type: ignore[method-assign]
        with pytest.raises(Stopped):
            conduct(begin(plan), ground, Scripted(does=False))
        progress = Progress.resume(plan, "", plan.records)
        assert conduct(progress, ground) == "PASS"
        said = [text for text in progress.steps[0].deviations if "before anything was done to the pair: FAIL" in text]
        assert len(said) == 1
        assert "errors seen by the guest: at most 0 required, 1 measured" in said[0]

    def test_without_the_volume_nothing_is_concluded_and_nothing_set_aside(self, tmp_path: Path) -> None:
        progress, ground = self.stopped_before_it_was_done(tmp_path)
        opened = ground.open_for_check
        ground.open_for_check = lambda about, path: dataclasses.replace(  # type: ignore[method-assign]
            opened(about, path), volume=None, why_not="the volume is not there"
        )
        with pytest.raises(CannotRun, match="the volume is not there; bring it back"):
            conduct(progress, ground)
        assert progress.record(progress.steps[0]).exists()


class TestDeeds:
    RESTORE = 'name = "handover"\ncommand = ["true"]\nrestore-command = ["sh", "-c", "exit $(cat {code})"]\n'

    def test_a_restoring_command_that_failed_runs_again_when_that_is_asked_for(self, tmp_path: Path) -> None:
        code = tmp_path / "code"
        code.write_text("3")
        plan = plan_of(tmp_path, self.RESTORE.replace("{code}", str(code)))
        ground = MemoryGround()
        with pytest.raises(Stopped, match=r"ended with exit code 3; see to it, and go on by --resume, or by --resume"):
            conduct(begin(plan), ground, Scripted(attended=False))
        again = Progress.resume(plan, "", plan.records)
        assert again.steps[0].later == ["restore: the command ended with exit code 3"]
        code.write_text("0")
        assert conduct(again, ground, Scripted(attended=False), again=True) == "PASS"
        assert len(ground.carried_out) == 3

    def test_a_check_after_a_failback_that_may_not_have_been_is_not_made_and_nothing_passes(
        self, tmp_path: Path
    ) -> None:
        further = 'further-checks = ["failback"]\nfailback-command = ["false"]\n'
        plan = plan_of(tmp_path, 'name = "handover"\ncommand = ["true"]\n' + further)
        ground = MemoryGround()
        with pytest.raises(Stopped):
            conduct(begin(plan), ground, Scripted(attended=False))
        again = Progress.resume(plan, "", plan.records)
        assert conduct(again, ground, Scripted(attended=False)) == "INCONCLUSIVE"
        assert [check["after"] for check in again.steps[0].checks] == [""]

    def test_what_was_said_not_to_be_done_is_asked_for_again(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, 'name = "handover"\ncommand = ["true"]\nrestore = "plug it in"\n')
        ground = MemoryGround()
        with pytest.raises(Stopped, match="stopped before restore was done"):
            conduct(begin(plan), ground, Scripted(does=False))
        operator = Scripted()
        assert conduct(Progress.resume(plan, "", plan.records), ground, operator) == "PASS"
        assert [text for text in operator.said if text.startswith(("please", "question"))] == ["please: plug it in"]

    def test_nobody_can_restore_without_a_command(self, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match="handover: restore"):
            require_commands(plan_of(tmp_path, 'name = "handover"\ncommand = ["true"]\nrestore = "plug it in"\n'))


class TestFolder:
    def test_killed_before_it_had_begun_it_begins(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, PULL)
        (tmp_path / "records").mkdir()
        (tmp_path / "records" / "plan.toml").write_text(plan.text)
        (tmp_path / "records" / "drill.json.partial").write_text("{")
        assert begin(plan).steps[0].state is State.PLANNED

    def test_somebody_elses_plan_is_not_overwritten(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, PULL)
        (tmp_path / "records").mkdir()
        (tmp_path / "records" / "plan.toml").write_text("mine")
        with pytest.raises(UsageError, match="not an empty folder"):
            begin(plan)
        assert (tmp_path / "records" / "plan.toml").read_text() == "mine"

    def test_what_another_conductor_did_between_reading_and_locking_is_not_done_again(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, PULL)
        begin(plan)
        late, other = (Progress.resume(plan, "", plan.records) for _ in range(2))
        with other.held():
            conduct(other, MemoryGround())
        with pytest.raises(CannotRun, match="went on meanwhile"), late.held():
            pass

    def test_an_error_of_what_is_held_is_not_taken_for_another_conductor(self, tmp_path: Path) -> None:
        progress = begin(plan_of(tmp_path, PULL))
        with pytest.raises(BlockingIOError), progress.held():
            raise BlockingIOError

    @pytest.mark.parametrize(
        ("old", "new"),
        [('"seed": 1', '"seed": Infinity'), ('"verdict": ""', '"verdict": "FINE"'), ('"checks": []', '"checks": [{}]'),
         ('"steps": [', '"steps": [], "more": [')],
    )  # fmt: skip
    def test_a_changed_progress_is_told(self, tmp_path: Path, old: str, new: str) -> None:
        plan = plan_of(tmp_path, PULL)
        begin(plan)
        path = Path(plan.records) / "drill.json"
        assert old in path.read_text()
        path.write_text(path.read_text().replace(old, new))
        with pytest.raises(UsageError, match="is damaged or was changed"):
            Progress.resume(plan, "", plan.records)
