"""The rehearsal itself must be able to fail: a verifier that lies in any way is found out."""

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from verify.drill.binding import bind
from verify.drill.particulars import Particulars
from verify.judge.order import Order
from verify.rehearsal import rehearse
from verify.rehearsal.comparison import Reported, compare, compare_moment
from verify.rehearsal.faults import FAULTS
from verify.rehearsal.rehearse import rehearse_fault
from verify.rehearsal.truth import Damage, Moment

LOST = Damage(
    offset_bytes=4096, length_bytes=4096, kind="lost", last_acknowledged_ordinal=5, surviving_ordinal=3, lost_writes=2,
    happened_ns=100, detail="dropped", first_seen=None, first_seen_ns=None, read_ns=(), ended_ns=None,
)  # fmt: skip
HONEST = Reported("lost", 4096, 2, "check")


def disagreements(damages, rows, lost):
    truth = SimpleNamespace(damages=lambda covers=None: damages)
    return compare(truth, None, rows, lost).disagreements


def test_an_honest_report_agrees():
    assert disagreements([LOST], [HONEST], 2) == []
    assert disagreements([], [], 0) == []


@pytest.mark.parametrize(
    ("rows", "lost", "words"),
    [
        ([], 0, "not reported"),
        ([HONEST, Reported("lost", 8192, 1, "check")], 3, "it is sound"),
        ([replace(HONEST, kind="torn")], 2, "reported torn"),
        ([replace(HONEST, lost_writes=1)], 2, "reported \\[1\\]"),
        ([HONEST], 3, "3 were reported"),
        ([replace(HONEST, seen_by="examination")], 2, "the check did not report it"),
        ([replace(HONEST, kind="stale read", seen_by="read", lost_writes=0)], 0, "the check did not report it"),
    ],
)
def test_every_kind_of_lie_is_found_out(rows, lost, words):
    found = disagreements([LOST], rows, lost)
    assert found
    assert any(re.search(words, line) for line in found), found


def test_what_was_overwritten_before_anyone_looked_is_owed_by_nobody():
    hidden = replace(LOST, first_seen="in flight", first_seen_ns=200, ended_ns=200)
    assert disagreements([hidden], [], 0) == []
    assert disagreements([hidden], [HONEST], 2) != []


def test_a_damage_that_was_set_right_must_not_be_in_the_check():
    mended = replace(LOST, first_seen="read", first_seen_ns=150, read_ns=(150,), ended_ns=300)
    assert disagreements([mended], [replace(HONEST, seen_by="examination")], 2) == []
    assert disagreements([mended], [HONEST], 2) != []


@pytest.mark.parametrize(
    ("one_moment", "low", "high", "agrees"),
    [
        (True, 10, 20, True), (True, 16, None, True), (True, 21, 30, False), (True, 1, 9, False),
        (False, None, None, False),
    ],
)
def test_the_moment_must_lie_in_the_reported_interval(one_moment, low, high, agrees):
    moment = Moment("takeover", 100, 200, went_back_to_ns=(12, 18))
    out: list[str] = []
    compare_moment([moment], Order(one_moment, low, high, None, 0, 0, 5), out)
    assert (out == []) is agrees


@pytest.mark.parametrize("name", ["sound", "cache-not-mirrored"])
def test_the_whole_job_on_the_pair(tmp_path, name):
    rehearsed = rehearse_fault(FAULTS[name], tmp_path, seed=4)
    assert rehearsed.comparison.disagreements == []
    assert rehearsed.verdict["verdict"] == ("PASS" if name == "sound" else "FAIL")
    assert rehearsed.agrees
    assert (rehearsed.record / "checks" / "001" / "losses.csv").is_file()
    content, _, _ = bind([str(rehearsed.record)], str(tmp_path / "dossier"), Particulars(), lambda content: "")
    assert any("proves nothing about any storage" in text for text in content["deviations"])


def test_a_load_too_slow_to_be_gone_over_at_once_goes_on_until_it_was(tmp_path, monkeypatch):
    monkeypatch.setattr(rehearse, "PACE", 100.0)
    rehearsed = rehearse_fault(FAULTS["late-replay"], tmp_path, seed=4, load_s=2.0)
    assert rehearsed.comparison.real_blocks
    assert rehearsed.agrees


@pytest.mark.parametrize(("name", "second_step_after_s"), [("late-replay", 3.1), ("stale-read-cache", 1.1)])
def test_a_late_replay_comes_just_before_the_end_of_the_load(tmp_path, monkeypatch, name, second_step_after_s):
    """Else the load may go over every place again, and the pair has lost nothing."""
    asked = []

    class Enough(Exception):
        pass

    def scenario(*arguments, **named):
        asked.append(named["second_step_after_s"])
        raise Enough

    monkeypatch.setattr(rehearse, "Scenario", scenario)
    with pytest.raises(Enough):
        rehearse_fault(FAULTS[name], tmp_path, seed=4, takeover_after_s=0.8, load_s=4.0)
    assert asked == [pytest.approx(second_step_after_s)]


def test_a_pair_that_lost_something_is_not_agreed_when_the_verdict_says_pass(tmp_path):
    rehearsed = rehearse_fault(FAULTS["sound"], tmp_path, seed=5)
    lying = replace(rehearsed, expected_verdict="FAIL")
    assert not lying.agrees
