"""How a drill ends: what its runs come to by their records as they are then, the dossier, and when it may discard."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.drill.conduct.memory_ground import MemoryGround, Scripted, begin, conduct, plan_of, spoilt
from verify.drill.checking import check_record
from verify.drill.conduct.operator import Answer
from verify.drill.conduct.progress import Progress
from verify.drill.conduct.stopping import Failed
from verify.drill.plan.plan import Plan
from verify.drill.record import RecordFolder
from verify.errors import CannotRun
from verify.report.dossier_page import dossier_html

BY_COMMAND = 'name = "handover"\ncommand = ["true"]\n'


def discarding(plan: Plan) -> Plan:
    return replace(plan, volume=replace(plan.volume, discard_at_end=True))


def dossier(progress: Progress) -> dict[str, Any]:
    value: dict[str, Any] = json.loads((Path(progress.dossier) / "dossier.json").read_text())
    return value


class TestCheckedSince:
    def drilled(self, tmp_path: Path) -> tuple[Progress, MemoryGround]:
        plan = discarding(plan_of(tmp_path, BY_COMMAND))
        progress, ground = begin(plan), MemoryGround()
        assert conduct(progress, ground, Scripted(choices=["k"]), dossier=dossier_html) == "PASS"
        return Progress.resume(plan, "", plan.records), ground

    def test_a_loss_found_by_hand_fails_the_drill_and_keeps_the_volume(self, tmp_path: Path) -> None:
        progress, ground = self.drilled(tmp_path)
        record = RecordFolder(str(progress.record(progress.steps[0])))
        ground.volume.data[:] = bytes(len(ground.volume.data))
        check_record(record, ground.open_for_check({}, None))
        assert conduct(progress, ground, Scripted(attended=False), dossier=dossier_html) == "FAIL"
        assert not ground.discarded
        assert (Path(progress.dossier).name, dossier(progress)["verdict"]) == ("dossier-2", "FAIL")

    @pytest.mark.parametrize("gone", ["", "checks", "checks/001"])
    def test_without_its_record_no_run_passes(self, tmp_path: Path, gone: str) -> None:
        progress, ground = self.drilled(tmp_path)
        shutil.rmtree(progress.record(progress.steps[0]) / gone)
        with pytest.raises(CannotRun, match="01-handover does not have the checks any more"):
            conduct(progress, ground, Scripted(attended=False))
        assert not ground.discarded

    def test_a_dossier_that_is_gone_is_made_again(self, tmp_path: Path) -> None:
        progress, ground = self.drilled(tmp_path)
        shutil.rmtree(progress.dossier)
        conduct(progress, ground, Scripted(choices=["k"]), dossier=dossier_html)
        assert dossier(progress)["verdict"] == "PASS"


class TestStoppedAtAFail:
    def test_the_runs_up_to_there_are_bound_and_the_rest_is_told_as_not_carried_out(self, tmp_path: Path) -> None:
        progress = begin(plan_of(tmp_path, BY_COMMAND, BY_COMMAND.replace("handover", "failback")))
        operator = Scripted(attended=False)
        with pytest.raises(Failed, match="01-handover: FAIL"):
            conduct(progress, MemoryGround(spoil=spoilt), operator, dossier=dossier_html)
        content = dossier(progress)
        assert (content["verdict"], len(content["runs"])) == ("FAIL", 1)
        assert "failback, repeat 1: not carried out" in content["open"]
        assert any(text.startswith(f"dossier: {progress.dossier}/dossier.html, seal ") for text in operator.said)

    def test_it_is_made_once_and_anew_when_the_drill_went_on(self, tmp_path: Path) -> None:
        plan, ground = plan_of(tmp_path, BY_COMMAND, BY_COMMAND.replace("handover", "failback")), MemoryGround()
        ground.spoil = lambda volume: spoilt(volume) if len(ground.opened) == 1 else None
        for opened in (begin, lambda plan: Progress.resume(plan, "", plan.records)):
            progress = opened(plan)
            with pytest.raises(Failed):
                conduct(progress, ground, Scripted(attended=False), dossier=dossier_html)
            assert Path(progress.dossier).name == "dossier"
        again = Progress.resume(plan, "", plan.records)
        operator = Scripted(attended=False)
        assert conduct(again, ground, operator, dossier=dossier_html, go_on_after_fail=True) == "FAIL"
        content = dossier(again)
        assert (Path(again.dossier).name, len(content["runs"])) == ("dossier-2", 2)
        assert not any("not carried out" in text for text in content["open"])

    def test_what_was_done_to_the_pair_afterwards_stands_in_another(self, tmp_path: Path) -> None:
        plan = plan_of(tmp_path, BY_COMMAND + 'restore = "plug it in"\n')
        progress, ground = begin(plan), MemoryGround(spoil=spoilt)
        with pytest.raises(Failed):
            conduct(progress, ground, Scripted(), dossier=dossier_html)
        operator = Scripted()
        assert conduct(progress, ground, operator, dossier=dossier_html, go_on_after_fail=True) == "FAIL"
        assert "please: plug it in" in operator.said
        assert Path(progress.dossier).name == "dossier-2"

    def test_that_none_can_be_made_changes_nothing_of_the_fail(self, tmp_path: Path) -> None:
        progress, operator = begin(plan_of(tmp_path, BY_COMMAND)), Scripted(attended=False)

        def page(_content: object) -> str:
            raise CannotRun("the disk is full")

        with pytest.raises(Failed, match="01-handover: FAIL"):
            conduct(progress, MemoryGround(spoil=spoilt), operator, dossier=page)
        assert "no dossier was made of the runs up to here: the disk is full" in operator.said
        assert progress.dossier == ""


def test_the_dossier_does_not_pass_where_a_planned_run_was_left_out(tmp_path: Path) -> None:
    progress = begin(plan_of(tmp_path, BY_COMMAND + "repeats = 2\n"))
    operator = Scripted(holds=[Answer.GO, Answer.SKIP])
    assert conduct(progress, MemoryGround(), operator, dossier=dossier_html) == "INCONCLUSIVE"
    content = dossier(progress)
    assert content["verdict"] == "INCONCLUSIVE"
    assert content["headline"].endswith("Not everything was proved.")
    assert "handover, repeat 2: left out at the hold point" in content["open"]


def test_what_was_noted_after_the_load_had_ended_stands_in_the_dossier(tmp_path: Path) -> None:
    progress = begin(plan_of(tmp_path, BY_COMMAND))
    conduct(progress, MemoryGround())
    progress.steps[0].deviations.append("the mark came late")
    progress.save()
    conduct(progress, MemoryGround(), dossier=dossier_html)
    told = [text for text in dossier(progress)["deviations"] if "handover" in text or "mark" in text]
    assert told == ["handover, repeat 1: the mark came late"]
