"""report.html: verdict first, everything on it, nothing outside it, and hostile text shown as text."""

from __future__ import annotations

import copy
import re

import pytest

from tests.report.browser import NEEDS_CHROMIUM, assert_stands_alone, elements_of, open_page
from tests.report.facts_for_tests import HOSTILE, ONE_MOMENT, REORDERED, TAKEOVER, facts_with, verdict_with
from verify.report.facts import Occurrence
from verify.report.page import EXTENTS_SHOWN, MARKS_SHOWN, report_html
from verify.report.visible import visible

SIZE_BYTES_MAX = 5 * 1024 * 1024


def text_of(html):
    """The text of a page, without its style and its drawings, white space made one."""
    body = re.sub(r"<(style|svg)\b.*?</\1>", "", html, flags=re.DOTALL)
    return " ".join(" ".join(elements_of(body).texts).split())


def page_with(verdict, **options):
    html = report_html(facts_with(verdict, **options))
    assert_stands_alone(html)
    return html


def undrawn(verdict, **options):
    return page_with(verdict, drawn=False, **options)


def hostile_facts():
    verdict = verdict_with(lost=1, reasons=[HOSTILE], not_proved=[HOSTILE])
    verdict["takeovers"][0]["marks"] = [HOSTILE]
    verdict["run"]["volume"] = HOSTILE
    criteria = [{"name": HOSTILE, "required": HOSTILE, "measured": HOSTILE, "met": False}]
    volume = {"identity": {"path": HOSTILE}}
    facts = facts_with(verdict, criteria=criteria, survey=[{"line": HOSTILE}], volume=volume)
    facts.occurrences = [
        Occurrence("mark", facts.zero_ns, None, HOSTILE, True, {}),
        Occurrence("kernel_log", facts.zero_ns, None, "", False, {HOSTILE: [HOSTILE]}),
        Occurrence(HOSTILE, None, None, HOSTILE, False, {}),
    ]
    facts.damage.examples["lost"][0] = {**facts.damage.examples["lost"][0], "detail": HOSTILE}
    return facts


@pytest.fixture(scope="module")
def plain_page():
    """The page of one takeover and three lost blocks, with its drawings: they take seconds."""
    return page_with(verdict_with())


@pytest.fixture(scope="module")
def hostile_page():
    return report_html(hostile_facts())


@pytest.fixture(scope="module")
def large_page():
    """The page of a hundred thousand lost blocks."""
    return page_with(verdict_with(lost=100_000))


class TestWhatItSays:
    def test_the_verdict_comes_first(self):
        text = text_of(undrawn(verdict_with(lost=3)))
        assert text.index("FAIL") < text.index("6 acknowledged writes lost in 3 blocks") < text.index("Acceptance")

    @pytest.mark.parametrize("word", ["PASS", "FAIL", "INCONCLUSIVE"])
    def test_a_verdict_is_a_word_and_a_sign_and_no_colour_alone(self, word):
        html = undrawn(verdict_with(lost=0, verdict=word))
        assert f">{'✓✗?'[['PASS', 'FAIL', 'INCONCLUSIVE'].index(word)]}</span>{word}</h1>" in html

    def test_the_built_in_criterion_is_that_nothing_is_lost(self):
        assert "lost acknowledged writes 0 6 ✗ no" in text_of(undrawn(verdict_with(lost=3)))
        assert "lost acknowledged writes 0 0 ✓ yes" in text_of(undrawn(verdict_with(lost=0)))

    def test_criteria_of_the_plan_stand_beside_it(self):
        criteria = [{"name": "longest stall", "required": "5 s", "measured": "4.9 s", "met": True}]
        text = text_of(undrawn(verdict_with(lost=0), criteria=criteria))
        assert "longest stall 5 s 4.9 s ✓ yes" in text
        assert "lost acknowledged writes 0 0 ✓ yes" in text

    def test_a_witness_is_told_in_words_with_places_and_times(self):
        verdict = verdict_with(lost=3)
        verdict["takeovers"][0]["order"] = copy.deepcopy(REORDERED)
        text = text_of(undrawn(verdict))
        assert "write 474 at offset 966,656 was acknowledged at 2026-11-24T10:00:04.144722Z and is gone" in text
        assert "Write 504 at offset 7,647,232 was only issued at 2026-11-24T10:00:04.212973Z, 68.2 ms after" in text
        assert "Of 2,039 blocks looked at, 104 would have to be set aside" in text
        assert "3 blocks told nothing of order" in text

    def test_one_moment_is_told_with_the_recovery_point(self):
        verdict = verdict_with(lost=3)
        verdict["takeovers"][0]["order"] = {**copy.deepcopy(ONE_MOMENT), "for_information_only": True}
        text = text_of(undrawn(verdict))
        assert "went back to one moment, 0.20 s to 0.10 s before" in text or "0.10 s to 0.20 s before" in text
        assert "for information only" in text

    def test_one_moment_without_an_earliest_end(self):
        verdict = verdict_with(lost=3)
        verdict["takeovers"][0]["order"] = {**ONE_MOMENT, "recovery_point_s": [None, 0.2], "moment": ["then", None]}
        assert "at most 0.20 s before the takeover" in text_of(undrawn(verdict))

    def test_a_second_ledger_is_told_of_as_the_run_kept_it_and_the_check_used_it(self):
        part = {"taken": "own", "own_frames": 30, "second_frames": 20, "own_bytes": 9000, "second_bytes": 8000,
                "contradiction": ""}  # fmt: skip
        longer = part | {"taken": "second", "second_frames": 1034, "second_bytes": 11048}
        facts = {
            "kept": {"address": "192.0.2.7:7420", "written_bytes": 20048, "confirmed_bytes": 19048,
                     "longest_behind_s": 0.191, "refused": {"001": "it <b>differs</b>"}, "trouble": "timed out"},
            "received": None,
            "used": {"folder": "/srv/second", "parts": {"000": part, "001": longer}},
        }  # fmt: skip
        html = undrawn(verdict_with(lost=0, second_ledger=facts))
        text = text_of(html)
        assert "kept at 192.0.2.7:7420 confirmed 19,048 of 20,048 bytes at the run's end longest behind 0.19 s" in text
        assert "refused of 001.ledger it" in text
        assert "<b>differs" not in html
        assert "trouble at the end timed out" in text
        told = "judged for 1 of 2 files, where it tells 1,004 frames (2 KiB) more than the record's own"
        assert f"judged by second copy in /srv/second {told}" in text

    @pytest.mark.parametrize(
        ("kept", "told"),
        [
            (
                {"address": "192.0.2.7:7420"},
                "kept at 192.0.2.7:7420 confirmed unknown: the run did not come to its end",
            ),
            (
                None,
                "received this record is the second ledger that far received; the run's end did not reach it; run.json",
            ),
        ],
    )
    def test_a_second_ledger_of_a_run_that_never_ended(self, kept, told):
        received = {"receiver": "far", "sender": "guest", "ended": False, "missing": ["run.json as it ended"]}
        facts = {"kept": kept, "received": None if kept else received, "used": None}
        assert told in text_of(undrawn(verdict_with(lost=0, second_ledger=facts)))

    def test_without_a_second_ledger_none_is_spoken_of(self):
        assert "Second ledger" not in text_of(undrawn(verdict_with(lost=0)))
        assert "Second ledger" not in text_of(undrawn(verdict_with(lost=0, second_ledger=None)))

    def test_rate_and_latency_before_and_after_are_side_by_side(self):
        text = text_of(undrawn(verdict_with()))
        assert "acknowledged writes a second 1,000 900" in text
        assert "latency, 99 % 2.000 ms none" in text

    def test_what_is_not_proved_and_the_ledger_head_are_there(self):
        text = text_of(undrawn(verdict_with()))
        assert "What this verdict does not prove anything outside the tested span" in text
        assert "ab" * 32 in text

    def test_each_part_of_the_ledger_is_told(self):
        assert "000.ledger 1,033 frames, closed, head cdcd" in text_of(undrawn(verdict_with()))

    def test_what_was_sampled_beside_the_load_is_told_whatever_it_is(self):
        facts = facts_with(verdict_with(), drawn=False)
        rest = {"path": "sdb", "state": "standby"}
        facts.occurrences.append(Occurrence("path_state", facts.zero_ns + 10**9, None, "", False, rest))
        assert "+1.000 s path state path sdb; state standby" in text_of(report_html(facts))

    def test_a_survey_line_is_shown_with_its_sign_and_reason(self):
        line = {"topic": "t", "label": "write cache", "value": "write back", "level": "warning", "reason": "no FUA"}
        text = text_of(undrawn(verdict_with(), survey={"lines": [line]}))
        assert "Survey before the load write cache write back ! warning no FUA" in text

    def test_the_scenario_and_what_was_not_as_planned_are_told(self):
        scenario = {"name": "cable pull", "direction": "A to B", "by": "", "deviations": ["not confirmed", "late"]}
        text = text_of(undrawn(verdict_with(), scenario=scenario))
        assert "Scenario name cable pull direction A to B deviations not confirmed, late" in text

    def test_which_way_a_takeover_went_is_told(self):
        ends = [{"controller": name, "hardware_address": f"02::{name}", "since": ""} for name in ("A", "B")]
        path = {"address": "192.0.2.1", "moved": True, "moves": 1, "before": ends[0], "after": ends[1]}
        takeover = verdict_with()["takeovers"][0] | {"path": path, "seen": "attested"}
        text = text_of(undrawn(verdict_with() | {"takeovers": [takeover]}))
        assert "192.0.2.1 moved from A (02::A) to B (02::B)" in text
        assert "attested by a mark and by the move of the floating address" in text

    @pytest.mark.parametrize(
        "survey",
        [
            [{"line": "write cache", "state": "warning", "why": "write back"}],
            {"rows": [["write cache", "warning", "write back"]]},
            {"write cache": ["warning", "write back"]},
        ],
        ids=["objects", "rows", "pairs"],
    )
    def test_a_survey_of_any_shape_is_shown(self, survey):
        text = text_of(undrawn(verdict_with(), survey=survey)).replace(",", "")
        assert "Survey before the load write cache warning write back" in text


class TestDrawings:
    def test_each_is_there_for_wide_and_narrow_pages_and_says_what_it_shows(self, plain_page):
        html = plain_page
        assert html.count('<svg') == html.count('role="img"') == 2 * 4
        for title in ("The whole load", "Close to takeover 1", "latency before and after takeover 1", "Map of the"):
            assert len(re.findall(f"<title>[^<]*{title}", html)) == 2

    def test_no_two_elements_share_an_id(self):
        ids = re.findall(r'\sid="([^"]+)"', page_with(verdict_with(takeovers=2)))
        assert len(ids) > 100
        repeated = {name for name in ids if ids.count(name) > 1}
        assert repeated == set()

    def test_every_reference_inside_them_leads_somewhere(self, plain_page):
        ids = set(re.findall(r'\sid="([^"]+)"', plain_page))
        references = set(re.findall(r'href="#([^"]+)"', plain_page))
        references |= set(re.findall(r"url\(#([^)]+)\)", plain_page))
        assert references
        assert references <= ids

    def test_colours_are_those_of_the_page_so_that_dark_and_print_have_their_own(self, plain_page):
        drawings = "".join(re.findall(r"<svg.*?</svg>", plain_page, re.DOTALL))
        assert "var(--blue)" in drawings
        assert not re.findall(r"#[0-9a-f]{6}\b", drawings)

    def test_without_a_ledger_the_reason_stands_there(self):
        facts = facts_with(verdict_with())
        facts.series, facts.no_timeline = None, "the ledger is gone"
        html = report_html(facts)
        assert "There is no timeline: the ledger is gone." in text_of(html)
        assert_stands_alone(html)

    def test_nothing_but_attested_takeovers_and_no_writes_at_all(self):
        verdict = verdict_with(lost=0)
        verdict["takeovers"] = [{**TAKEOVER, "seen": "attested", "before": None, "after": None, "end": None}]
        facts = facts_with(verdict)
        for counts in (facts.series.overview, *facts.series.details):
            counts.latency[:] = counts.writes[:] = counts.longest_ns[:] = 0
        for histogram in facts.series.histograms:
            histogram.counts[:] = 0
        assert "attested by a mark alone" in text_of(report_html(facts))

    def test_a_worse_check_of_the_run_is_told_beside_the_verdict(self) -> None:
        facts = facts_with(verdict_with(lost=0), drawn=False)
        assert "not the run's verdict" not in text_of(report_html(facts))
        facts.worse_checks = [("002", "FAIL")]
        assert "This is not the run's verdict: check 002 of it is FAIL." in text_of(report_html(facts))


class TestHostileText:
    def test_is_shown_whole_and_runs_nothing(self, hostile_page):
        assert_stands_alone(hostile_page)
        assert hostile_page.count(visible(HOSTILE).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")) >= 9

    def test_keeps_no_control_of_direction(self, hostile_page):
        assert not set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200b\x1b\x00") & set(hostile_page)
        assert "⟨U+202E⟩evil⟨U+2066⟩" in hostile_page

    def test_is_not_taken_for_a_template(self, hostile_page):
        assert "{{ 7 * 7 }}" in hostile_page


class TestMuchOfEverything:
    def test_a_hundred_thousand_lost_blocks_stay_small(self, large_page):
        assert len(large_page.encode()) < SIZE_BYTES_MAX
        text = text_of(large_page)
        assert "100,000 rows" in text
        assert large_page.count("<tr>") < 200
        assert f"The largest {EXTENTS_SHOWN}; {100_000 - EXTENTS_SHOWN:,} more" in text

    def test_a_thousand_takeovers_marks_and_events_stay_small(self):
        verdict = verdict_with(takeovers=1000)
        facts = facts_with(verdict)
        facts.occurrences = [
            Occurrence(kind, facts.zero_ns + number, None, f"text {number}", False, {})
            for number in range(1000)
            for kind in ("mark", "kernel_log")
        ]
        html = report_html(facts)
        assert len(html.encode()) < SIZE_BYTES_MAX
        assert f"{1000 - MARKS_SHOWN:,} more are in the ledger and events.jsonl" in text_of(html)
        assert "980 more are in verdict.json" in text_of(html)


@NEEDS_CHROMIUM
class TestInABrowser:
    def test_the_browser_of_these_tests_sees_what_a_page_does(self, tmp_path):
        page = tmp_path / "page.html"
        page.write_text('<!DOCTYPE html><img src="http://127.0.0.1:9/x"><script>console.log("said"); absent()</script>')
        opened = open_page(page)
        assert any('"said"' in line for line in opened.console)
        assert any("ReferenceError" in line for line in opened.console)
        assert opened.requests == ["http://127.0.0.1:9/x"]

    def test_a_hostile_report_says_nothing_asks_for_nothing_and_shows_the_text(self, hostile_page, tmp_path):
        page = tmp_path / "report.html"
        page.write_text(hostile_page, encoding="utf-8")
        opened = open_page(page)
        assert (opened.console, opened.requests) == ([], [])
        elements = elements_of(opened.html)
        assert not {"script", "img"} & set(elements.tags)
        assert visible(HOSTILE) in "".join(elements.texts)

    def test_a_large_report_opens_whole(self, large_page, tmp_path):
        page = tmp_path / "report.html"
        page.write_text(large_page, encoding="utf-8")
        opened = open_page(page)
        assert (opened.console, opened.requests) == ([], [])
        assert "ackproof dossier --confirm" in opened.html
