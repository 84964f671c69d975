"""What a dossier says of many runs: verdicts, deviations, what stands open, and what the number of drills shows."""

from __future__ import annotations

from typing import Any

import pytest

from tests.report.browser import NEEDS_CHROMIUM, assert_stands_alone, elements_of, open_page
from tests.report.facts_for_tests import HOSTILE, ONE_MOMENT, verdict_with
from verify.drill.particulars import Particulars
from verify.report.dossier import BoundRun, dossier_content
from verify.report.dossier_page import dossier_html
from verify.report.loss_bounds import loss_bounds
from verify.report.statistics import drills_needed, upper_bound
from verify.report.visible import visible

ENDED = {"ended_because": "the time is over"}


def run(
    number: int = 1, verdicts: list[dict[str, Any]] | None = None, scenario: str = "pull",
    direction: str = "A to B", about: dict[str, Any] | None = None, **changes: Any
) -> BoundRun:  # fmt: skip
    """One run with the verdicts of its checks."""
    started = f"2026-11-24T{10 + number % 10}:00:00Z"
    options: dict[str, Any] = {
        "folder": f"/root/drill-{number}",
        "evidence": f"runs/{number:02d}",
        "about": {"started": started, **ENDED, **(about or {})},
        "run_id": f"{number:016x}",
        "promise": "completed",
        "checks": [(f"{i:03d}", v) for i, v in enumerate([verdict_with(0)] if verdicts is None else verdicts, 1)],
        "seals": {"seal.json": "ab" * 32},
        "scenario": {"scenario": scenario, "direction": direction},
    }
    return BoundRun(**(options | changes))


def content_of(*runs: BoundRun, **particulars: Any) -> dict[str, Any]:
    return dossier_content(runs, Particulars(**particulars), "2026-11-25T10:00:00Z", "")


def inconclusive() -> dict[str, Any]:
    return verdict_with(0, takeovers=0, verdict="INCONCLUSIVE", reasons=["no takeover was observed"])


def missed_criterion() -> dict[str, Any]:
    return verdict_with(
        0, verdict="FAIL", reasons=["longest stall: required 3 s, measured 4.9 s"],
        criteria=[{"name": "longest stall", "required": "3 s", "measured": "4.9 s", "met": False}],
    )  # fmt: skip


class TestVerdicts:
    def test_the_worst_is_that_of_all(self) -> None:
        assert content_of(run(1), run(2, [inconclusive()]))["verdict"] == "INCONCLUSIVE"
        assert content_of(run(1), run(2, [inconclusive()]), run(3, [verdict_with(3)]))["verdict"] == "FAIL"

    def test_a_run_is_as_bad_as_its_worst_check(self) -> None:
        (told,) = content_of(run(1, [verdict_with(0), verdict_with(3), verdict_with(0)]))["runs"]
        assert told["verdict"] == "FAIL"
        assert [check["verdict"] for check in told["checks"]] == ["PASS", "FAIL", "PASS"]
        assert told["lost_writes"] == 6

    def test_a_run_without_a_check_proves_nothing(self) -> None:
        content = content_of(run(1, []))
        assert content["verdict"] == "INCONCLUSIVE"
        assert content["runs"][0]["reasons"] == ["no check was made"]
        assert content["measures"]["loss"]["total"]["drills"] == 0
        assert_stands_alone(dossier_html(content))

    def test_the_headline_counts(self) -> None:
        headline = content_of(run(1), run(2), run(3, [verdict_with(3)]))["headline"]
        assert headline == "3 runs: 2 PASS, 1 FAIL. 6 acknowledged writes lost in all."


class TestDeviations:
    def test_planned_against_done(self) -> None:
        planned = [
            {"scenario": "pull", "direction": "A to B", "repeats": 3},
            {"scenario": "power", "direction": "B to A"},
        ]
        content = content_of(run(1), run(2), run(3, scenario="hang"), planned=planned)
        assert content["deviations"][:3] == [
            "pull, A to B: 3 planned, 2 done", "power, B to A: 1 planned, 0 done",
            "hang, A to B: done though it was not planned (run 3)",
        ]  # fmt: skip
        assert "power, B to A: 1 planned drill not done." in content["open"]
        rows = {(row["scenario"], row["direction"]): row for row in content["scenarios"]}
        assert rows["pull", "A to B"]["runs"] == [1, 2]

    def test_without_a_plan_nothing_is_measured_against_it(self) -> None:
        assert content_of(run(1))["deviations"] == []

    @pytest.mark.parametrize(
        ("about", "said"),
        [
            ({"ended_because": "Ctrl-C was pressed"}, "run 1 did not come to its planned end: Ctrl-C was pressed"),
            ({"ended_because": None}, "run 1 did not come to its planned end: it was cut off"),
            ({"examination_off": True}, "run 1: blocks were not examined before their first overwrite"),
            ({"workers_lost": [0]}, "run 1: 1 worker was lost under load"),
            ({"volume": {"page_cache": "the page cache was in the way"}}, "run 1: the page cache was in the way"),
        ],
        ids=lambda value: str(value)[:30],
    )
    def test_of_the_load_are_told(self, about: dict[str, Any], said: str) -> None:
        assert content_of(run(1, about=about))["deviations"] == [said]

    def test_of_marks_and_seals_are_told(self) -> None:
        verdict = verdict_with(0)
        verdict["takeovers"][0]["marks"] = []
        bad = run(1, [verdict], seal_problems=["changed: run.json"], sealed_late=True)
        assert content_of(bad)["deviations"] == [
            "run 1: no mark says what was done", "run 1: sealed at its first check, not at its end",
            "run 1, seal: changed: run.json",
        ]  # fmt: skip


class TestARecordThatIsNotAsItWasSealed:
    @pytest.mark.parametrize("problem", ["changed: checks/001/verdict.json", "missing: ledger/001.ledger"])
    def test_proves_nothing(self, problem: str) -> None:
        content = content_of(run(1, seal_problems=[problem]))
        assert content["verdict"] == content["runs"][0]["verdict"] == "INCONCLUSIVE"
        assert content["runs"][0]["reasons"] == [f"the record is not as it was sealed: {problem}"]
        assert content["runs"][0]["conclusive"] is False

    def test_is_as_good_as_before_with_a_file_added(self) -> None:
        assert content_of(run(1, seal_problems=["added: photo.jpg"]))["verdict"] == "PASS"

    def test_that_failed_still_fails(self) -> None:
        content = content_of(run(1, [verdict_with(3)], seal_problems=["changed: run.json"]))
        assert content["verdict"] == "FAIL"
        assert content["runs"][0]["lost_writes"] == 6


class TestWhatStandsOpen:
    def test_a_failure_without_a_pass_since(self) -> None:
        assert content_of(run(1, [verdict_with(3)]), run(2, scenario="hang"))["open"][0] == (
            "Run 1 (pull, A to B) is FAIL and was not passed since."
        )

    def test_a_failure_passed_since_is_still_to_be_explained(self) -> None:
        said = content_of(run(1, [verdict_with(3)]), run(2))["open"][0]
        assert said == "Run 1 (pull, A to B) is FAIL; passed since in run 2, the cause is to be explained."

    def test_a_pass_before_a_failure_is_none_since(self) -> None:
        assert "was not passed since" in content_of(run(1), run(2, [verdict_with(3)]))["open"][0]

    def test_one_direction_only(self) -> None:
        assert "pull: done in one direction only." in content_of(run(1))["open"]
        assert content_of(run(1), run(2, direction="B to A"))["open"] == []

    def test_criteria_that_nobody_measured(self) -> None:
        verdict = verdict_with(0, criteria=[{"name": "rate", "required": "90 %", "measured": None, "met": None}])
        assert "Run 1: criterion “rate” was not measured." in content_of(run(1, [verdict]))["open"]

    def test_a_stated_bound_that_was_not_reached(self) -> None:
        assert any("needs 58 further drills without loss" in text for text in content_of(run(1), bound=0.05)["open"])


class TestMeasures:
    def test_drills_without_loss(self) -> None:
        loss = content_of(*(run(number) for number in range(1, 30)))["measures"]["loss"]["total"]
        assert (loss["drills"], loss["losses"]) == (29, 0)
        assert loss["upper_bound"] == upper_bound(0, 29)
        assert loss["more_for"] == {"0.1": 0, "0.05": 30, "0.01": 270}

    def test_drills_with_losses(self) -> None:
        loss = content_of(run(1, [verdict_with(3)]), *(run(n) for n in range(2, 21)))["measures"]["loss"]["total"]
        assert (loss["drills"], loss["losses"]) == (20, 1)
        assert loss["interval"] == pytest.approx([0.001265, 0.248733], abs=5e-7)
        assert loss["more_for"]["0.1"] == drills_needed(0.1, 1) - 20

    def test_what_could_not_have_shown_a_loss_does_not_count(self) -> None:
        total = content_of(run(1), run(2, [inconclusive()]))["measures"]["loss"]["total"]
        assert (total["drills"], total["not_counted"]) == (1, 1)

    def test_one_inconclusive_check_is_enough_for_that(self) -> None:
        assert content_of(run(1, [verdict_with(0), inconclusive()]))["measures"]["loss"]["total"]["drills"] == 0

    def test_damage_counts_whatever_another_check_could_not_show(self) -> None:
        total = content_of(run(1, [verdict_with(3), inconclusive()]))["measures"]["loss"]["total"]
        assert (total["drills"], total["losses"]) == (1, 1)

    def test_a_missed_criterion_alone_is_a_drill_without_loss(self) -> None:
        total = content_of(run(1, [missed_criterion()]))["measures"]["loss"]["total"]
        assert (total["drills"], total["losses"]) == (1, 0)

    @pytest.mark.parametrize("doubt", ["unread", "unexamined", "nothing in flight", "damaged ledger", "no takeover"])
    def test_a_missed_criterion_with_a_doubt_beside_it_is_no_drill(self, doubt: str) -> None:
        verdict = missed_criterion()
        takeover = verdict["takeovers"][0]
        if doubt == "unread":
            verdict["coverage"]["slots_read"] -= 1
        elif doubt == "unexamined":
            takeover["slots"]["unexamined"] = 1
        elif doubt == "nothing in flight":
            takeover["in_flight"] = 0
        elif doubt == "damaged ledger":
            verdict["ledger"] = {"001": {"damaged": "frame 3"}}
        else:
            verdict["takeovers"] = []
        assert content_of(run(1, [verdict]))["measures"]["loss"]["total"]["drills"] == 0

    def test_damage_that_was_no_lost_write_is_a_drill_with_loss(self) -> None:
        verdict = verdict_with(0, verdict="FAIL")
        verdict["findings"]["stale_read"] = 1
        assert content_of(run(1, [verdict]))["measures"]["loss"]["total"]["losses"] == 1

    def test_a_tear_that_is_allowed_is_not(self) -> None:
        verdict = verdict_with(0)
        verdict["findings"]["tear_in_flight"] = 5
        assert content_of(run(1, [verdict]))["measures"]["loss"]["total"]["losses"] == 0

    def test_each_scenario_and_direction_has_its_own(self) -> None:
        content = content_of(run(1), run(2, direction="B to A"), run(3, [verdict_with(1)]))
        rows = content["measures"]["loss"]["scenarios"]
        told = [(row["direction"], row["drills"], row["losses"]) for row in rows]
        assert told == [("A to B", 2, 1), ("B to A", 1, 0)]

    def test_too_small_a_bound_says_so(self) -> None:
        assert loss_bounds([], 1e-9)["total"]["more_for_stated_bound"] is None
        assert "more drills than can be done" in dossier_html(content_of(run(1), bound=1e-9))

    def test_a_year_from_the_stalls(self) -> None:
        year = content_of(run(1), run(2), takeovers_a_year=4.0)["measures"]["unavailability"]
        assert year["takeovers"] == 2
        assert year["year_s"] == pytest.approx(4 * 4.9)
        assert year["availability"] == pytest.approx(1 - 4 * 4.9 / (365 * 86400))

    def test_an_attested_takeover_counts_with_its_longest_wait(self) -> None:
        verdict = verdict_with(0)
        verdict["takeovers"][0] |= {"seen": "attested", "stall_s": 0.0, "longest_wait_s": 0.25}
        year = content_of(run(1, [verdict]), takeovers_a_year=2.0)["measures"]["unavailability"]
        assert year["year_s"] == pytest.approx(0.5)

    def test_without_a_number_of_takeovers_no_year_is_told(self) -> None:
        assert content_of(run(1))["measures"]["unavailability"] is None


class TestThePage:
    def test_has_the_parts_of_a_completion_report_in_order(self) -> None:
        verdict = verdict_with(3)
        verdict["takeovers"][0]["order"] = ONE_MOMENT
        html = dossier_html(content_of(run(1, [verdict]), takeovers_a_year=4.0, bound=0.05))
        assert_stands_alone(html)
        parts = (
            "Background", "Testing performed", "Completion", "Deviations", "Observations", "Measures",
            "What stands open", "Recommendations", "Cautions", "Deliverables and seals", "Signatures",
        )  # fmt: skip
        places = [html.index(f"<h2>{number} {part}") for number, part in enumerate(parts, 1)]
        assert places == sorted(places)
        assert html.index("FAIL</h1>") < places[0]
        assert html.count('class="line"') == 7

    def test_shows_hostile_text_as_text(self) -> None:
        verdict = verdict_with(1, reasons=[HOSTILE], not_proved=[HOSTILE])
        verdict["takeovers"][0]["marks"] = [HOSTILE]
        lists = {
            name: [HOSTILE]
            for name in ("objectives", "deviations", "blocked", "observations", "recommendations", "open", "cautions")
        }
        content = content_of(
            run(1, [verdict], scenario=HOSTILE, direction=HOSTILE, folder=HOSTILE, seal_problems=[HOSTILE],
                about={"ended_because": HOSTILE, "host": {HOSTILE: HOSTILE}}),
            title=HOSTILE, system=HOSTILE, scope=HOSTILE, lists=lists,
            participants=[{"name": HOSTILE, "role": HOSTILE}], planned=[{"scenario": HOSTILE}],
        )  # fmt: skip
        html = dossier_html(content)
        assert_stands_alone(html)
        assert not set("\u202e\u2066\u200b\x1b\x00") & set(html)
        escaped = visible(HOSTILE).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        assert html.count(escaped) > 20

    def test_of_a_thousand_runs_stays_small(self) -> None:
        html = dossier_html(content_of(*(run(number, [verdict_with(1)]) for number in range(1, 1001))))
        assert len(html.encode()) < 5 * 1024 * 1024

    @NEEDS_CHROMIUM
    def test_opens_in_a_browser_without_a_word(self, tmp_path: Any) -> None:
        page = tmp_path / "dossier.html"
        page.write_text(dossier_html(content_of(run(1), run(2, [verdict_with(2)]), title=HOSTILE)), encoding="utf-8")
        opened = open_page(page)
        assert (opened.console, opened.requests) == ([], [])
        assert visible(HOSTILE) in "".join(elements_of(opened.html).texts)
