"""A report of one check of several: that it does not pass for the verdict of the run."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import check_on, load_on, verdict_of
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder
from verify.drill.reporting import write_report
from verify.report.facts import ReportFacts

BLOCK = 4096


def test_a_loss_that_an_earlier_check_found_is_told_with_a_later_one(tmp_path: Path) -> None:
    record, volume = tmp_path / "record", MemoryVolume(64 * BLOCK)
    load_on(volume, record, RunRequest((StreamRequest(BLOCK, 4, 64 * BLOCK),), seed=5, operations=50))
    sound = bytes(volume.data)
    volume.data[:BLOCK] = bytes(BLOCK)
    assert check_on(volume, record).verdict["verdict"] == "FAIL"
    volume.data[:] = sound
    assert check_on(volume, record).verdict["verdict"] == "INCONCLUSIVE"
    assert verdict_of(record)["verdict"] == "FAIL"
    kept: list[ReportFacts] = []

    def render(facts: ReportFacts) -> str:
        kept.append(facts)
        return ""

    folder = RecordFolder.open(str(record))
    for check, worse in ((None, [("001", "FAIL")]), ("001", [])):
        write_report(folder, render, check)
        assert kept[-1].worse_checks == worse
    junit = ElementTree.parse(record / "checks" / "002" / "junit.xml")
    failed = [case.get("name") for case in junit.iter("testcase") if case.find("failure") is not None]
    assert failed == ["check 001 of the run is no worse"]
