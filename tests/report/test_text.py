"""The summary on the terminal: one screen, verdict first, limits last, hostile text shown as text."""

import copy

import pytest

from verify.report.text import WIDTH, summary

TAKEOVER = {
    "start": "2026-11-24T10:00:05.000000Z", "end": "2026-11-24T10:00:09.900000Z", "seen": "observed", "stall_s": 4.9,
    "longest_wait_s": 4.95, "in_flight": 16, "errors": 0, "marks": ["cable pulled"],
    "before": {"writes_per_second": 1000.0}, "after": {"writes_per_second": 900.0},
    "slots": {"examined": 100, "left_to_check": 20, "unexamined": 0},
    "order": {
        "one_moment": True, "moment": ["a", "b"], "recovery_point_s": [0.1, 0.2], "witness": None, "overtaken": 0,
        "set_aside": 0, "left_out": 0, "slots": 120, "for_information_only": False,
    },
}  # fmt: skip
VERDICT = {
    "verdict": "FAIL",
    "reasons": ["lost: 3 blocks held an older write than the one acknowledged"],
    "not_proved": ["anything outside the tested span"],
    "run": {"ledger_head": "ab" * 32},
    "coverage": {"slots": 120, "slots_read": 120, "bytes_read": 120 * 4096},
    "writes": {"acknowledged": 5000, "in_flight": 2, "errors": 0},
    "lost": {
        "blocks": 3, "acknowledged_writes": 7, "bytes": 12288, "first_acknowledged": "2026-11-24T10:00:04.8Z",
        "last_acknowledged": "2026-11-24T10:00:04.9Z", "seconds_before_takeover": 0.2,
    },
    "findings": {"lost": 3, "tear_in_flight": 0},
    "takeovers": [TAKEOVER],
}  # fmt: skip


def shown(**changes):
    verdict = copy.deepcopy(VERDICT)
    verdict.update(changes)
    return summary(verdict, "drill-1", "drill-1/checks/001/losses.csv")


def test_leads_with_the_verdict_and_what_was_lost():
    first = shown().splitlines()[0]
    assert first == "FAIL   7 acknowledged writes lost in 3 blocks"


def test_says_when_and_where():
    text = shown()
    assert "the first was acknowledged 0.20 s before the takeover began" in text
    assert "drill-1/checks/001/losses.csv" in text
    assert "one moment" in text


def test_a_path_is_not_broken_at_its_hyphens():
    for depth in range(1, 60):
        losses = f"{'a-' * depth}record/checks/001/losses.csv"
        told = summary(copy.deepcopy(VERDICT), "drill-1", losses)
        assert any(losses in line for line in told.splitlines()) == (len(losses) <= 86)


@pytest.mark.parametrize(
    ("early_s", "late_s", "said"),
    [
        (0.0181, 0.01811, "one moment, 18.1 ms before the"),
        (0.0181, 0.0215, "one moment, 18.1 ms to 21.5 ms before the"),
    ],
)
def test_a_moment_known_to_the_last_digit_shown_is_told_once(early_s, late_s, said):
    order = {**TAKEOVER["order"], "one_moment": True, "recovery_point_s": [early_s, late_s]}
    assert said in shown(takeovers=[{**TAKEOVER, "order": order}])


def test_ends_with_what_is_not_proved():
    assert shown().splitlines()[-2:] == ["This verdict does not prove:", "  - anything outside the tested span"]


def test_a_write_lost_after_the_takeover_began_is_told_so():
    lost = {**VERDICT["lost"], "seconds_before_takeover": -0.3}
    assert "0.30 s after the takeover began" in shown(lost=lost)


@pytest.mark.parametrize("count", [1, 40])
def test_fits_one_screen_however_much_there_is_to_say(count):
    text = shown(
        takeovers=[copy.deepcopy(TAKEOVER) for _ in range(count)],
        not_proved=["something that takes a rather long sentence to say " * 2] * count,
    )
    assert len(text.splitlines()) <= 45
    assert max(len(line) for line in text.splitlines()) <= WIDTH


def test_a_hostile_mark_cannot_touch_the_terminal():
    takeover = copy.deepcopy(TAKEOVER)
    takeover["marks"] = ["\x1b[2J\x1b]0;x\x07\r\n\u202eevil" + "y" * 2000]
    text = shown(takeovers=[takeover])
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "\r" not in text
    assert len(text) < 4000


def test_pass_and_inconclusive_speak_for_themselves():
    nothing = {**VERDICT["lost"], "blocks": 0, "acknowledged_writes": 0}
    clean = {"lost": 0, "tear_in_flight": 2}
    assert shown(verdict="PASS", lost=nothing, findings=clean).startswith("PASS   every acknowledged write is there")
    assert "nothing was proved" in shown(verdict="INCONCLUSIVE", lost=nothing, findings=clean).splitlines()[0]
    stale = {"stale_read": 1, "tear_in_flight": 0, "lost": 0}
    assert "did not answer as it must" in shown(lost=nothing, findings=stale).splitlines()[0]
