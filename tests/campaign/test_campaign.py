"""A short campaign agrees, reaches every kind of fault and finding, and would not agree with any rule taken out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from scripts.drill_campaign import __main__ as command
from scripts.drill_campaign import tally, world
from scripts.drill_campaign.compare import (
    FALSE,
    MISSED,
    WRONG_COUNT,
    WRONG_KIND,
    WRONG_ORDER,
    WRONG_VERDICT,
)
from scripts.drill_campaign.drill import run_drill
from scripts.drill_campaign.judging import judge_checks
from scripts.drill_campaign.plan import ANY_TIME, AT_TAKEOVER, Plan, draw_plan
from scripts.drill_campaign.tally import Tally, run_chunk
from verify.drill import scan
from verify.judge import assess, content, flushes, judgement, orderpass, slots, takeovers, timeline, verdict
from verify.judge.decision import CONVICTING, LABELS, Finding
from verify.load.lane import Lane

DRILLS, MANY, SEED = 36, 400, "D"
NAMES = [f"{SEED}:{number}" for number in range(DRILLS)]


@pytest.fixture(scope="module", autouse=True)
def in_this_thread() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scan, "ReadAhead", scan.ReadAhead)
        tally.prepare()
        yield


@pytest.fixture(scope="module")
def short_campaign(in_this_thread: None) -> Tally:
    return run_chunk(NAMES)


def test_every_verdict_agrees_with_the_truth(short_campaign: Tally) -> None:
    assert short_campaign.shown == []
    assert not short_campaign.wrongs
    assert short_campaign.drills == DRILLS


def test_every_kind_of_fault_is_planted(short_campaign: Tally) -> None:
    kinds = {*AT_TAKEOVER, *ANY_TIME, "unreadable", "unstable", "torn in flight", "flush ignored", "volume gone"}
    assert kinds <= short_campaign.planted.keys()
    assert short_campaign.faults > 5 * DRILLS
    assert short_campaign.sound > DRILLS // 20


def test_every_finding_and_cause_is_called_for(short_campaign: Tally) -> None:
    causes = {"no takeover", "nothing in flight", "unexamined", "another volume", "unread", "page cache",
              "damaged ledger", "nothing covered"}  # fmt: skip
    wanted = {LABELS[finding] for finding in CONVICTING} | {f"inconclusive: {cause}" for cause in causes}
    wanted |= {"late replay", "tear in flight", "one moment", "reordered"}
    wanted |= {"verdict: PASS", "verdict: FAIL", "verdict: INCONCLUSIVE"}
    assert {kind for kind in wanted if not short_campaign.called_for[kind]} == set()


def first_wrong(planned: Callable[[Plan], object] = lambda plan: True, among: int = DRILLS) -> str:
    """Run those of the first drills that are so planned until one disagrees, and say how."""
    for number in range(among):
        name = f"{SEED}:{number}"
        found = run_drill(name).disagreements if planned(draw_plan(name)) else []
        if found:
            return found[0].wrong
    return ""


def has(plan: Plan, *kinds: str) -> bool:
    return any(fault.kind in kinds for fault in plan.faults)


def without(finding: Finding, instead: Finding) -> Callable[..., Any]:
    def decide_all(*facts: Any) -> Any:
        found = known(*facts)
        return np.where(found == finding, np.uint8(instead), found)

    known = assess.decide_all
    return decide_all


@pytest.mark.parametrize("finding", CONVICTING, ids=lambda finding: finding.name)
def test_it_would_be_missed_if_a_finding_were_let_pass(finding: Finding, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(assess, "decide_all", without(finding, Finding.INTACT))
    assert first_wrong() == MISSED


def test_it_would_be_told_if_sound_content_convicted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(assess, "decide_all", without(Finding.TEAR_IN_FLIGHT, Finding.TORN))
    assert first_wrong() == FALSE


def nothing(*_: Any, **__: Any) -> None:
    return None


RULES_TAKEN_OUT: dict[str, tuple[Any, str, Any, set[str]]] = {
    "proof by the volume": (scan.Scanner, "_prove", nothing, {MISSED, WRONG_COUNT, WRONG_ORDER}),
    "what a flush covers": (
        flushes.FlushCover, "covered_at", lambda self, done, through: done, {FALSE, WRONG_COUNT},
    ),
    "outages between write and flush": (
        flushes, "overlaps", lambda starts, ends, spans: np.zeros(len(starts), bool), {FALSE, WRONG_COUNT},
    ),
    "late replay": (
        assess.Assessor, "_in_flight_at_takeover", lambda self, survivor, history: np.zeros(len(survivor), bool),
        {WRONG_KIND},
    ),
    "observed takeovers": (takeovers, "_all_waiting", lambda timeline: [], {WRONG_COUNT}),
    "attested takeovers": (takeovers, "_takeover_marks", lambda timeline: [], {WRONG_COUNT}),
    "hearts that stood still": (timeline.Timeline, "_note_silences", nothing, {WRONG_COUNT}),
    "who tells nothing of a moment": (orderpass.NewestBefore, "leave_out_untold", nothing, {WRONG_ORDER}),
    "doubts": (verdict, "_doubts", lambda evidence: [], {WRONG_VERDICT}),
    "looks under load, by the judge": (judgement.Judgement, "_take_observation", nothing, {MISSED}),
    "looks under load, by the lane": (Lane, "_record_odd", nothing, {MISSED}),
}  # fmt: skip


@pytest.mark.parametrize("rule", RULES_TAKEN_OUT)
def test_it_disagrees_with_a_rule_taken_out(rule: str, monkeypatch: pytest.MonkeyPatch) -> None:
    where, name, instead, wrongs = RULES_TAKEN_OUT[rule]
    monkeypatch.setattr(where, name, instead)
    assert first_wrong() in wrongs


def test_it_disagrees_without_the_device_s_atomic_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(content, "_grain", lambda found: 1 << 20)
    assert first_wrong(lambda plan: has(plan, "torn in flight") and plan.run.atomic_bytes > 512, MANY) == MISSED


def test_it_disagrees_without_the_ceiling_of_a_closed_ledger(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(slots.SlotState, "is_open", lambda self, lane: True)
    assert first_wrong(lambda plan: has(plan, "forged") and not plan.killed_parts and not plan.harms, MANY)


def test_it_disagrees_without_proof_out_of_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scan.Scanner, "_note_what_it_proves", nothing)
    assert first_wrong(lambda plan: plan.harms and plan.killed_parts and has(plan, "misdirected", "torn"), MANY)


def test_it_disagrees_without_what_earlier_checks_saw(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(slots.SlotState, "recall", nothing)
    assert first_wrong(lambda plan: len(plan.checks) > 1 and plan.killed_parts, MANY)


def test_a_verdict_that_fails_a_sound_pair_is_false_whatever_the_truth_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where judge and truth agree: the pair itself says that nothing was planted."""
    monkeypatch.setattr(world.Pair, "copies", property(lambda self: {}, nothing), raising=False)
    kept = first_wrong(lambda plan: plan.is_sound and plan.takeovers and plan.run.promise == "completed", MANY)
    assert kept == FALSE


def test_the_command_names_the_drill_and_ends_with_1(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(assess, "decide_all", without(Finding.BLANK, Finding.INTACT))
    assert command.main(["--drills", "8", "--seed", SEED]) == 1
    told = capsys.readouterr().out
    named = set(re.findall(r"^drill (\S+): missed", told, re.MULTILINE))
    assert named
    assert named <= set(NAMES[:8])
    assert re.search(r"missed [1-9]", told.splitlines()[-1])


def test_the_command_sums_up_in_its_last_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(["--drills", "3", "--seed", SEED, "--first", "5"]) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert last.startswith(f"campaign of seed {SEED}, drills from 5: 3 drills")
    assert "missed 0, false 0, wrong kind 0, wrong count 0, wrong order 0, wrong verdict 0, broke 0" in last


def test_a_drill_that_breaks_is_named_and_counted(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def breaks(name: str) -> None:
        raise ZeroDivisionError(name)

    monkeypatch.setattr(tally, "run_drill", breaks)
    assert command.main(["--drills", "2", "--seed", "x"]) == 1
    told = capsys.readouterr().out
    assert "drill x:1: broke: " in told
    assert "broke 2" in told.splitlines()[-1]


def test_what_was_done_is_told_after_an_interruption(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(names: list[str], jobs: int) -> Iterator[Tally]:
        yield Tally(drills=7)
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "run_all", interrupted)
    assert command.main(["--drills", "2"]) == 4
    assert "7 drills" in capsys.readouterr().out.splitlines()[-1]


@pytest.mark.parametrize("wrong", [["--drills", "0"], ["--jobs", "x"], ["--first", "-1"], ["--what"]], ids=str)
def test_wrong_usage_is_refused(wrong: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        command.main(wrong)
    assert ended.value.code == 2
    assert "usage" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["wide:5279", "full:43641", "full:48977", "full:109604"])
def test_drills_that_were_judged_wrongly_once_are_judged_rightly(name: str) -> None:
    """A proof out of place; a flipped bit of a tag beyond a torn ledger, twice; a mark lost with the ledger."""
    assert run_drill(name).disagreements == []


def test_what_flushes_did_where_the_ledger_is_harmed_is_told_as_not_proved() -> None:
    (reported,) = judge_checks(world.make_world(draw_plan("full:109604")))
    assert [limit for limit in reported.verdict.not_proved if limit.startswith("what flushes covered from 20")]


def test_a_name_replays_a_drill_to_the_byte() -> None:
    for name in NAMES[:6]:
        one, two = (world.make_world(draw_plan(name)) for _ in range(2))
        assert [part.data for part in one.left] == [part.data for part in two.left]
        assert [served.looks for served in one.served] == [served.looks for served in two.served]
        assert one.planted == two.planted


@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
def test_several_processes_come_to_the_same() -> None:
    alone, together = run_chunk(NAMES[:25]), Tally()
    for part in tally.run_all(NAMES[:25], 2):
        together.add(part)
    assert together == alone
