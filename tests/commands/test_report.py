"""`ackproof report` on real records: what it leaves, and what it says where it cannot."""

from __future__ import annotations

import csv
import json
import shutil
import sys
from pathlib import Path
from typing import Any

import junitparser
import numpy as np
import pytest

from tests.drill.runs import ackproof, check_here, losses_of, verdict_of, write_here
from tests.drill.sealed import SMALL_RUN, add_note, flip_bit, sealed_record
from tests.report.browser import NEEDS_CHROMIUM, assert_stands_alone, open_page
from verify.commands.main import main
from verify.drill.confirm import confirm
from verify.drill.record import RecordFolder
from verify.drill.reporting import write_report
from verify.rehearsal.faults import FAULTS
from verify.rehearsal.rehearse import rehearse_fault
from verify.report.facts import ReportFacts
from verify.report.page import report_html

USAGE, CANNOT_RUN = 2, 4


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of a rehearsal with a takeover and losses; never changed."""
    return rehearse_fault(FAULTS["destaged-out-of-order"], tmp_path_factory.mktemp("pair"), 5).record


@pytest.fixture
def record(original: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(original, tmp_path / "record"))


def here(arguments: list[Any], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return int(ended.value.code or 0), out, err


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures are made of what the record tells, and not drawn: that takes a second each."""
    monkeypatch.setattr("verify.report.figures.inline_svg", lambda figure, name, title: f"<svg id='{name}'></svg>")


def facts_of(record: Path) -> ReportFacts:
    kept: list[ReportFacts] = []

    def render(facts: ReportFacts) -> str:
        kept.append(facts)
        return ""

    write_report(RecordFolder.open(str(record)), render)
    return kept[0]


class TestTheReportOfALoss:
    def test_is_one_page_and_a_junit_file_beside_the_verdict(self, record: Path) -> None:
        done = ackproof("report", record)
        assert done.returncode == 0, done.stderr
        place = record / "checks" / "001"
        assert_stands_alone((place / "report.html").read_text(encoding="utf-8"))
        suites = junitparser.JUnitXml.fromfile(str(place / "junit.xml"))
        assert suites.failures >= 1
        assert [Path(line).name for line in done.stdout.split()] == ["report.html", "junit.xml"]

    def test_breaks_no_seal_and_has_its_own(self, record: Path) -> None:
        write_report(RecordFolder.open(str(record)), report_html)
        assert confirm(str(record)).problems == []
        flip_bit(record / "checks" / "001" / "report.html", 5000)
        assert any("report.html" in problem for problem in confirm(str(record)).problems)
        write_report(RecordFolder.open(str(record)), report_html)
        assert confirm(str(record)).problems == []

    def test_counts_every_write_of_the_load_once(self, record: Path) -> None:
        facts = facts_of(record)
        assert facts.series is not None
        run = json.loads((record / "run.json").read_text())
        assert facts.series.overview.writes.sum() == run["result"]["acknowledged_writes"]

    def test_draws_the_takeover_where_no_write_was_acknowledged(self, record: Path) -> None:
        facts = facts_of(record)
        (instant,) = facts.instants
        stall_s = verdict_of(record)["takeovers"][0]["stall_s"]
        assert (instant.end_ns - instant.start_ns) / 1e9 == pytest.approx(stall_s, abs=0.002)
        assert facts.series is not None
        binned = facts.series.overview
        starts = binned.start_ns + np.arange(len(binned)) * binned.width_ns
        inside = (starts >= instant.start_ns) & (starts + binned.width_ns <= instant.end_ns)
        assert inside.sum() > 10
        assert binned.writes[inside].sum() == 0

    def test_tells_latencies_near_those_of_the_verdict(self, record: Path) -> None:
        facts = facts_of(record)
        assert facts.series is not None
        takeover = verdict_of(record)["takeovers"][0]
        for window, histogram in zip(("before", "after"), facts.series.histograms, strict=True):
            told = takeover[window]
            assert histogram.writes == pytest.approx(told["writes_per_second"] * told["seconds"], abs=6)

    def test_gathers_all_rows_of_losses_csv(self, record: Path) -> None:
        facts = facts_of(record)
        rows = losses_of(record / "checks" / "001")
        assert facts.damage.rows == len(rows)
        totals = {total.kind: total.places for total in facts.damage.totals(facts.damage.extents())}
        assert totals["lost"] == verdict_of(record)["findings"]["lost"]

    @NEEDS_CHROMIUM
    def test_opens_in_a_browser_without_a_word(self, record: Path) -> None:
        add_note(record, "<script>alert(1)</script>\u202e" + "x" * 2000)
        opened = open_page(write_report(RecordFolder.open(str(record)), report_html))
        assert (opened.console, opened.requests) == ([], [])
        assert "&lt;script&gt;alert(1)&lt;/script&gt;⟨U+202E⟩xxx" in opened.html


class TestWhichCheck:
    def test_is_the_latest_unless_told(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        record = sealed_record(tmp_path)
        assert here(["report", record], capsys)[0] == 0
        assert [p.parent.name for p in record.rglob("report.html")] == ["002"]
        assert here(["report", record, "--check", "1"], capsys)[0] == 0
        assert (record / "checks" / "001" / "report.html").is_file()

    @pytest.mark.parametrize("name", ["007", "../001", "x", "9" * 30])
    def test_that_is_not_there_is_refused(
        self, record: Path, name: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        code, _, err = here(["report", record, "--check", name], capsys)
        assert code == USAGE
        assert "has no check" in err

    def test_none_at_all(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        write_here(tmp_path / "volume", tmp_path / "record", SMALL_RUN)
        code, _, err = here(["report", tmp_path / "record"], capsys)
        assert code == CANNOT_RUN
        assert "run ackproof check first" in err


class TestRecordsThatAreNotWhole:
    @pytest.mark.parametrize("part", ["000.ledger", "001.ledger"])
    @pytest.mark.parametrize("how", ["gone", "empty", "cut", "noise"])
    def test_a_spoilt_ledger_still_gives_a_report(self, record: Path, part: str, how: str) -> None:
        path = record / "ledger" / part
        if how == "gone":
            path.unlink()
        else:
            content = path.read_bytes()
            path.write_bytes({"empty": b"", "cut": content[: len(content) // 2], "noise": bytes(999)}[how])
        page = write_report(RecordFolder.open(str(record)), report_html)
        assert_stands_alone(page.read_text(encoding="utf-8"))

    def test_events_that_are_no_events_are_counted(self, record: Path) -> None:
        with open(record / "events.jsonl", "ab") as file:
            file.write(b'\xff\xfe\n[1]\n{"event": 7, "monotonic_ns": "x"}\n{"event": "note"' + b"[" * 9000 + b"\n")
        assert facts_of(record).events_unread == 3

    def test_a_verdict_without_its_parts_is_named(
        self, record: Path, undrawn: None, capsys: pytest.CaptureFixture[str]
    ) -> None:
        path = record / "checks" / "001" / "verdict.json"
        verdict = json.loads(path.read_text())
        for key in verdict:
            if key in ("ledger", "checked", "criteria", "second_ledger"):
                continue  # Told of where they are: without criteria the report has those of the run, as not measured.
            path.write_text(json.dumps({k: v for k, v in verdict.items() if k != key}))
            code, _, err = here(["report", record], capsys)
            assert code == USAGE, key
            assert "verdict.json" in err
            assert "Traceback" not in err

    @pytest.mark.parametrize("content", ["", "[]", "{", "null", '{"format": "x"}'])
    def test_a_verdict_that_is_none_is_named(
        self, record: Path, content: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (record / "checks" / "001" / "verdict.json").write_text(content)
        code, _, err = here(["report", record], capsys)
        assert code == USAGE
        assert "verdict.json" in err

    @pytest.mark.parametrize(
        "content", ["kind,offset\nlost,1\n", "kind,offset,length,lost_writes,seen_by\nlost,x,1,1,check\n", "\x00\n,,\n"]
    )
    def test_losses_that_nobody_wrote_are_named_with_the_row(
        self, record: Path, content: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (record / "checks" / "001" / "losses.csv").write_text(content)
        code, _, err = here(["report", record], capsys)
        assert code == USAGE
        assert "losses.csv, row 2" in err

    def test_missing_losses_are_named(self, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (record / "checks" / "001" / "losses.csv").unlink()
        code, _, err = here(["report", record], capsys)
        assert code == CANNOT_RUN
        assert "losses.csv is missing" in err

    def test_a_volume_that_was_never_there_again(self, tmp_path: Path) -> None:
        record = sealed_record(tmp_path, checks=0)
        (tmp_path / "volume").unlink()
        check_here(record)
        page = write_report(RecordFolder.open(str(record)), report_html).read_text(encoding="utf-8")
        assert "unreadable" in page


def test_without_the_extra_the_command_says_what_to_install(
    record: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("jinja2", "matplotlib"):
        monkeypatch.setitem(sys.modules, name, None)
        code, _, err = here(["report", record], capsys)
        assert code == CANNOT_RUN
        assert "pip install 'ackproof[report]'" in err
        assert not (record / "checks" / "001" / "report.html").exists()


def test_a_hundred_thousand_rows_are_read_and_told(record: Path) -> None:
    path = record / "checks" / "001" / "losses.csv"
    rows = losses_of(path.parent)
    with open(path, "w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        for number in range(100_000):
            writer.writerow({**rows[0], "offset": 8192 * number})
    facts = facts_of(record)
    assert facts.damage.rows == 100_000
    assert len(report_html(facts).encode()) < 5 * 1024 * 1024
