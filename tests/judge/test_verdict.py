"""The verdict: FAIL beats INCONCLUSIVE beats PASS, and nothing but the listed doubts makes one inconclusive."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verify.judge.decision import CONVICTING, LABELS, Finding
from verify.judge.surroundings import AroundTakeover, Window
from verify.judge.takeovers import Takeover
from verify.judge.verdict import (
    FAIL,
    INCONCLUSIVE,
    KEYS,
    PASS,
    STANDING_LIMITS,
    Evidence,
    conclude,
    worst,
)


def around(observed: bool = True, in_flight: int = 3, unexamined: int = 0) -> AroundTakeover:
    takeover = Takeover(10, 20 if observed else 10, observed)
    return AroundTakeover(
        takeover, Window(0, 10), Window(20, 30), in_flight=in_flight, examined=5, left_to_check=7, unexamined=unexamined
    )


def counts(**found: int) -> np.ndarray[Any, np.dtype[np.int64]]:
    out = np.zeros(len(Finding), dtype=np.int64)
    for name, count in found.items():
        out[Finding[name.upper()]] = count
    return out


SOUND = Evidence(
    promise="completed",
    slots_by_finding=counts(intact=3, untouched=2, tear_in_flight=1),
    slots=100,
    slots_read=100,
    around=[around()],
    covered_writes=40,
)

DOUBTS: dict[str, tuple[dict[str, Any], str]] = {
    "no takeover": ({"around": []}, "no takeover was observed, and none was attested by a mark made in time"),
    "nothing in flight": ({"around": [around(in_flight=0)]}, "no write was in flight when takeover 1 came"),
    "nothing in flight at the second": (
        {"around": [around(), around(in_flight=0)]}, "no write was in flight when takeover 2 came",
    ),
    "one slot unread": ({"slots_read": 99}, "1 block not read"),
    "slots unread": ({"slots": 1334, "slots_read": 100}, "1,234 blocks not read"),
    "slots overwritten unexamined": (
        {"around": [around(unexamined=2)]}, "2 blocks overwritten after takeover 1 before anyone looked at them",
    ),
    "one slot overwritten unexamined after the second": (
        {"around": [around(), around(unexamined=1)]},
        "1 block overwritten after takeover 2 before anyone looked at them",
    ),
    "no direct I/O": ({"page_cache": "the page cache was in the way"}, "the page cache was in the way"),
    "a damaged ledger": ({"ledger_damage": ["001.ledger, frame 7"]}, "the ledger is damaged: 001.ledger, frame 7"),
    "no flush covered anything": (
        {"promise": "flushed", "covered_writes": 0}, "the promise is `flushed`, but no flush covered any write",
    ),
    "a criterion not measured": ({"unmeasured_criteria": ["longest stall: 5 s"]}, "longest stall: 5 s"),
    "another volume": ({"other_volume": "that is another volume"}, "that is another volume"),
}  # fmt: skip

NO_DOUBTS: dict[str, dict[str, Any]] = {
    "an attested takeover": {"around": [around(observed=False)]},
    "several takeovers": {"around": [around(), around(observed=False)]},
    "a ledger that was never closed": {"open_tail": "anything acknowledged after noon"},
    "notes": {"notes": ["what happened in 3.0 s in which the guest stood still"]},
    "tears in flight": {"slots_by_finding": counts(tear_in_flight=9)},
    "the promise flushed with flushes": {"promise": "flushed"},
    "no flush under the promise completed": {"covered_writes": 0},
}


def test_sound_evidence_passes() -> None:
    verdict = conclude(SOUND)
    assert verdict.verdict == PASS
    assert verdict.reasons == ["no acknowledged write was lost over 1 takeover observed under load"]


@pytest.mark.parametrize(("change", "reason"), DOUBTS.values(), ids=DOUBTS)
def test_each_doubt_alone_makes_it_inconclusive_and_says_why(change: dict[str, Any], reason: str) -> None:
    verdict = conclude(replace(SOUND, **change))
    assert verdict.verdict == INCONCLUSIVE
    assert verdict.reasons == [reason]


@pytest.mark.parametrize("change", NO_DOUBTS.values(), ids=NO_DOUBTS)
def test_nothing_else_does(change: dict[str, Any]) -> None:
    assert conclude(replace(SOUND, **change)).verdict == PASS


CONVICTIONS = {
    Finding.LOST: "lost: 2 blocks held an older write than the one acknowledged",
    Finding.STALE_READ: "stale read: 2 blocks gave an older write to a read under load",
    Finding.TORN: "torn: 2 blocks held sectors of several writes",
    Finding.MISPLACED: "misplaced: 2 blocks held what was written for another place",
    Finding.BLANK: "blank: 2 blocks held one repeated value",
    Finding.FOREIGN: "foreign: 2 blocks held what another run wrote",
    Finding.UNISSUED: "unissued: 2 blocks held a write that was never issued there",
    Finding.DAMAGED: "damaged: 2 blocks held bytes that match no write",
    Finding.UNREADABLE: "unreadable: 2 blocks could not be read",
    Finding.UNSTABLE: "unstable: 2 blocks gave different bytes to two reads",
}


@pytest.mark.parametrize("finding", Finding)
def test_a_finding_fails_the_run_exactly_if_it_convicts(finding: Finding) -> None:
    verdict = conclude(replace(SOUND, slots_by_finding=counts(**{finding.name: 2})))
    assert verdict.verdict == (FAIL if finding in CONVICTING else PASS)
    if finding in CONVICTING:
        assert verdict.reasons == [CONVICTIONS[finding]]


def test_a_missed_criterion_fails_the_run() -> None:
    criterion = "stall: at most 5 s, measured 7.2 s"
    assert conclude(replace(SOUND, missed_criteria=[criterion])).reasons == [criterion]
    assert conclude(replace(SOUND, missed_criteria=[criterion])).verdict == FAIL


@settings(max_examples=500, database=None)
@given(
    doubts=st.sets(st.sampled_from(sorted(set(DOUBTS) - {"nothing in flight at the second"}))),
    others=st.sets(st.sampled_from(("a ledger that was never closed", "notes"))),
    findings=st.sets(st.sampled_from(Finding)),
)
def test_fail_beats_inconclusive_beats_pass(doubts: set[str], others: set[str], findings: set[Finding]) -> None:
    change: dict[str, Any] = {}
    for name in (*sorted(doubts), *sorted(others)):
        change |= DOUBTS[name][0] if name in DOUBTS else NO_DOUBTS[name]
    change["slots_by_finding"] = counts(**{finding.name: 1 for finding in findings})
    verdict = conclude(replace(SOUND, **change))
    fails = findings & set(CONVICTING)
    assert verdict.verdict == (FAIL if fails else INCONCLUSIVE if doubts else PASS)
    for finding in fails:
        assert any(reason.startswith(LABELS[finding] + ":") for reason in verdict.reasons)


def test_the_doubts_are_told_beside_the_failures() -> None:
    evidence = replace(SOUND, slots_by_finding=counts(lost=1), around=[])
    verdict = conclude(evidence)
    assert verdict.verdict == FAIL
    assert [reason.split(":")[0][:11] for reason in verdict.reasons] == ["lost", "no takeover"]


def test_slots_that_cannot_be_read_fail_the_run_instead_of_leaving_it_open() -> None:
    verdict = conclude(replace(SOUND, slots_read=90, slots_by_finding=counts(unreadable=10)))
    assert verdict.verdict == FAIL
    assert verdict.reasons == ["unreadable: 10 blocks could not be read"]


BY_MARK = "that a controller really changed: an attested takeover rests on an operator's mark alone"
BY_COMPLETED = "what a loss of power to both controllers would leave: the promise is `completed`"
BY_FLUSHED = "anything of writes that no flush covered: under the promise `flushed` they may be lost"


class TestWhatIsSaid:
    @pytest.mark.parametrize(("promise", "takeovers", "said"), [
        ("completed", [around()], "no acknowledged write was lost over 1 takeover observed under load"),
        ("completed", [around(False)], "no acknowledged write was lost over 1 takeover attested under load"),
        ("completed", [around(), around()], "no acknowledged write was lost over 2 takeovers observed under load"),
        ("completed", [around(False), around()],
         "no acknowledged write was lost over 2 takeovers observed and attested under load"),
        ("flushed", [around()], "no flushed or written-through write was lost over 1 takeover observed under load"),
    ])  # fmt: skip
    def test_a_pass_says_what_was_owed_and_whether_observed_or_attested(
        self, promise: str, takeovers: list[AroundTakeover], said: str
    ) -> None:
        assert conclude(replace(SOUND, promise=promise, around=takeovers)).reasons == [said]

    @pytest.mark.parametrize(("change", "limits"), [
        ({}, [BY_COMPLETED]), ({"promise": "flushed"}, [BY_FLUSHED]), ({"around": []}, [BY_COMPLETED]),
        ({"around": [around(False), around()]}, [BY_MARK, BY_COMPLETED]),
        ({"open_tail": "after noon", "notes": ["around a clock step", "and another"]},
         [BY_COMPLETED, "after noon", "around a clock step", "and another"]),
    ])  # fmt: skip
    def test_what_is_not_proved_in_its_words_and_order(self, change: dict[str, Any], limits: list[str]) -> None:
        assert conclude(replace(SOUND, **change)).not_proved == [*limits, *STANDING_LIMITS]

    def test_every_verdict_says_what_it_does_not_prove(self) -> None:
        failures: list[dict[str, Any]] = [{"slots_by_finding": counts(lost=1)}, {"missed_criteria": ["too slow"]}]
        for change in (*(c for c, _ in DOUBTS.values()), *NO_DOUBTS.values(), *failures):
            assert set(STANDING_LIMITS) <= set(conclude(replace(SOUND, **change)).not_proved)

    def test_the_findings_of_the_verdict_file_have_names_of_their_own(self) -> None:
        assert set(KEYS) == set(Finding)
        assert len(set(KEYS.values())) == len(KEYS)
        assert KEYS[Finding.STALE_READ] == "stale_read"


class TestTheWorstOfSeveralChecks:
    ORDER = (PASS, INCONCLUSIVE, FAIL)

    def test_it_is_the_worst_whatever_their_order(self) -> None:
        for count in (1, 2, 3, 4):
            for verdicts in itertools.product(self.ORDER, repeat=count):
                assert worst(verdicts) == max(verdicts, key=self.ORDER.index)
