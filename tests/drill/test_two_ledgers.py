"""A check that is given the second ledger: the longer file of each pair is judged, and a contradiction never passes."""

from __future__ import annotations

import json
import shutil
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import attest, convicting, load_on, losses_of
from verify.drill.checking import CheckResult, OpenedVolume, check_record
from verify.drill.confirm import confirm
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import LedgerParts, RecordFolder
from verify.drill.two_ledgers import KEPT_NAME, kept_sources
from verify.errors import CannotRun, UsageError
from verify.ledger.frames import FrameKind, encode_frame
from verify.ledger.reader import LedgerFile
from verify.ledger.second_copy import FOLDERS, RunCopy
from verify.load.run import Run
from verify.report.text import summary

SPAN_BYTES = 512 * 1024
ENDED = ("ended", "ended_because", "ledger_heads", "workers_lost", "result")


class Drill:
    """A whole run on a volume in memory, and ways to lose its ledger."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.volume = MemoryVolume(SPAN_BYTES, write_delay_s=0.001)
        self.record = folder / "record"
        request = RunRequest(streams=(StreamRequest(lanes=4, span_bytes=SPAN_BYTES),), seed=5, workers=2)
        marking = threading.Thread(target=attest, args=(self.record, self.volume))
        marking.start()
        self.run: Run = load_on(self.volume, self.record, request, seconds=0.6)
        marking.join()

    def record_of(self, name: str, died: bool = False) -> Path:
        """A record folder like it; of a guest that died before the run's end, if wanted."""
        place = self.folder / name
        shutil.copytree(self.record, place)
        if died:
            path = place / "run.json"
            about = json.loads(path.read_text())
            path.write_text(json.dumps({key: value for key, value in about.items() if key not in ENDED}))
            (place / "seal.json").unlink()
        return place

    def copy_of(self, name: str, ended: bool = True) -> Path:
        """Its second ledger, as a receiver would have kept it."""
        final = (self.record / "run.json").read_bytes()
        about = json.loads(final)
        start = json.dumps({key: value for key, value in about.items() if key not in ENDED}).encode()
        place = self.folder / name
        place.mkdir()
        copy = RunCopy(place, start, "192.0.2.5")
        copy.resume(start)
        for part in self.run.ledger_parts:
            copy.append(part, 0, ledger(self.record, part).read_bytes())
        if ended:
            assert copy.end(final) == []
        copy.close()
        return place / self.run.run_id

    def check(self, record: Path, second: Path | None = None) -> CheckResult:
        opened = OpenedVolume(self.volume, "/memory")
        return check_record(
            RecordFolder.open(str(record)), opened, second_ledger=None if second is None else str(second)
        )


@pytest.fixture(scope="module")
def drill(tmp_path_factory: pytest.TempPathFactory) -> Drill:
    return Drill(tmp_path_factory.mktemp("drill"))


@pytest.fixture
def name(request: pytest.FixtureRequest) -> str:
    return "".join(c if c.isalnum() else "-" for c in request.node.name)


def ledger(record: Path, part: int) -> Path:
    return record / "ledger" / f"{part:03d}.ledger"


def frame_ends(run: Run, record: Path, part: int) -> list[int]:
    file = LedgerFile(str(ledger(record, part)), run.tag, part)
    return [file.state.good_bytes for _ in file.heads()]


def cut(run: Run, record: Path, part: int, share: float) -> int:
    """Cut a file after a share of its frames, and a few bytes of the next; returns the frames left."""
    ends = frame_ends(run, record, part)
    keep = max(int(len(ends) * share), 1)
    with open(ledger(record, part), "r+b") as file:
        file.truncate(ends[keep - 1] + 5)
    return keep


def forge(run: Run, record: Path, part: int, share: float) -> None:
    """Replace the frames after a share of them by others of a whole chain: as somebody would who hides something."""
    ends = frame_ends(run, record, part)
    keep = max(int(len(ends) * share), 1)
    path = ledger(record, part)
    content = path.read_bytes()[: ends[keep - 1]]
    file = LedgerFile(str(path), run.tag, part, ends[keep - 1])
    head = bytes.fromhex(list(file.heads())[-1])
    body = bytes([9]) + bytes(7) + (10**18).to_bytes(8, "little") + (10**9).to_bytes(8, "little")
    path.write_bytes(content + encode_frame(FrameKind.OPERATIONS, keep, head, body, 1))


def used(result: CheckResult) -> dict[str, Any]:
    found: dict[str, Any] = result.verdict["second_ledger"]["used"]["parts"]
    return found


def no_finding(result: CheckResult) -> None:
    assert convicting(result.verdict) == {}, result.verdict["reasons"]
    assert losses_of(result.folder) == []


class TestGuestsLedgerGone:
    def test_all_of_it_is_judged_by_the_second(self, drill: Drill, name: str) -> None:
        whole = drill.check(drill.record_of(name + "whole"))
        assert whole.verdict["verdict"] == "PASS"
        record, copy = drill.record_of(name), drill.copy_of(name + "copy")
        for part in drill.run.ledger_parts:
            ledger(record, part).unlink()
        alone = drill.check(record)
        assert alone.verdict["verdict"] == "INCONCLUSIVE"
        assert alone.verdict["second_ledger"] is None
        result = drill.check(record, copy)
        assert result.verdict["verdict"] == "PASS", result.verdict["reasons"]
        for key in ("writes", "takeovers", "ledger", "findings"):
            assert result.verdict[key] == whole.verdict[key], key
        assert result.verdict["run"]["ledger_head"] == whole.verdict["run"]["ledger_head"]
        assert {part["taken"] for part in used(result).values()} == {"second"}
        assert {part["own_end"] for part in used(result).values()} == {"the file is missing"}
        text = summary(result.verdict, str(record), "losses.csv")
        assert "judged for 3 of 3 files, where it tells" in " ".join(text.split())

    def test_what_was_judged_is_kept_with_the_check_and_sealed(self, drill: Drill, name: str) -> None:
        record, copy = drill.record_of(name, died=True), drill.copy_of(name + "copy", ended=False)
        cut(drill.run, record, 1, 0.5)
        result = drill.check(record, copy)
        kept = result.folder / KEPT_NAME
        assert [path.name for path in kept.iterdir()] == ["001.ledger"]
        assert (kept / "001.ledger").read_bytes() == ledger(drill.record, 1).read_bytes()
        assert confirm(str(record)).problems == []
        assert drill.check(record).verdict["verdict"] in ("PASS", "INCONCLUSIVE")
        assert confirm(str(record)).problems == [], "a later check without it breaks no seal"
        with open(kept / "001.ledger", "r+b") as file:
            file.write(b"x")
        assert any("second-ledger/001.ledger" in problem for problem in confirm(str(record)).problems)

    def test_a_report_reads_what_the_check_kept(self, drill: Drill, name: str) -> None:
        record, copy = drill.record_of(name), drill.copy_of(name + "copy")
        ledger(record, 1).unlink()
        result = drill.check(record, copy)
        shutil.rmtree(copy)
        folder = RecordFolder.open(str(record))
        sources = kept_sources(folder, result.folder.name, result.verdict, drill.run)
        parts = LedgerParts(folder, drill.run, sources)
        whole = LedgerParts(RecordFolder.open(str(drill.record)), drill.run)
        assert sum(1 for _ in parts()) == sum(1 for _ in whole())
        assert {part: state.head for part, state in parts.states.items()} == {
            part: state.head for part, state in whole.states.items()
        }

    def test_the_second_ledger_is_a_record_that_can_be_checked_itself(self, drill: Drill, name: str) -> None:
        copy = drill.copy_of(name)
        result = drill.check(copy)
        assert result.verdict["verdict"] == "PASS", result.verdict["reasons"]
        received = result.verdict["second_ledger"]["received"]
        assert (received["ended"], received["missing"]) == (True, [])
        assert "second ledger that" in " ".join(summary(result.verdict, str(copy), "losses.csv").split())
        assert confirm(str(copy)).problems == []

    def test_one_of_a_guest_that_died_is_open_at_its_end(self, drill: Drill, name: str) -> None:
        copy = drill.copy_of(name, ended=False)
        for part in drill.run.ledger_parts:
            cut(drill.run, copy, part, 0.8)
        result = drill.check(copy)
        no_finding(result)
        assert any("never closed" in limit for limit in result.verdict["not_proved"])
        assert not any("damaged" in reason for reason in result.verdict["reasons"])
        assert result.verdict["second_ledger"]["received"]["ended"] is False


class TestLonger:
    @pytest.mark.parametrize("shares", [(0.5, 0.9, 0.3), (0.9, 0.2, 0.9), (0.4, 0.6, 0.5)])
    def test_each_file_is_judged_by_the_longer_of_the_two(
        self, drill: Drill, name: str, shares: tuple[float, ...]
    ) -> None:
        record, copy = drill.record_of(name, died=True), drill.copy_of(name + "copy", ended=False)
        own = [cut(drill.run, record, part, share) for part, share in enumerate(shares)]
        second = [cut(drill.run, copy, part, 1.2 - share) for part, share in enumerate(shares)]
        result = drill.check(record, copy)
        no_finding(result)
        for part, (ours, theirs) in enumerate(zip(own, second, strict=True)):
            told = used(result)[f"{part:03d}"]
            assert (told["own_frames"], told["second_frames"]) == (ours, theirs)
            assert told["taken"] == ("second" if theirs > ours else "own")
            assert result.verdict["ledger"][f"{part:03d}"]["frames"] == max(ours, theirs)
            assert told["contradiction"] == ""

    def test_where_both_are_whole_the_records_own_is_judged(self, drill: Drill, name: str) -> None:
        record, copy = drill.record_of(name), drill.copy_of(name + "copy")
        result = drill.check(record, copy)
        assert result.verdict["verdict"] == "PASS"
        assert {part["taken"] for part in used(result).values()} == {"own"}
        assert not (result.folder / KEPT_NAME).exists()
        assert "nothing more" in summary(result.verdict, str(record), "losses.csv")
        assert confirm(str(record)).problems == []

    def test_a_run_that_ended_is_not_passed_by_a_second_ledger_that_lagged(self, drill: Drill, name: str) -> None:
        record, copy = drill.record_of(name), drill.copy_of(name + "copy", ended=False)
        ledger(record, 1).unlink()
        cut(drill.run, copy, 1, 0.9)
        result = drill.check(record, copy)
        no_finding(result)
        assert result.verdict["verdict"] == "INCONCLUSIVE"
        assert any("001.ledger was cut" in reason for reason in result.verdict["reasons"])

    def test_a_check_without_it_says_that_it_was_not_named(self, drill: Drill, name: str) -> None:
        record = drill.record_of(name, died=True)
        path = record / "run.json"
        about = json.loads(path.read_text()) | {"second_ledger": {"address": "192.0.2.7:7420"}}
        path.write_text(json.dumps(about))
        cut(drill.run, record, 1, 0.5)
        limits = drill.check(record).verdict["not_proved"]
        assert any("second ledger at 192.0.2.7:7420" in limit for limit in limits)


class TestDamage:
    def test_in_the_guests_file_is_made_good_by_a_second_that_reaches_as_far(self, drill: Drill, name: str) -> None:
        record, copy = drill.record_of(name), drill.copy_of(name + "copy")
        spoil(drill, record, 1)
        assert drill.check(record).verdict["verdict"] == "INCONCLUSIVE"
        result = drill.check(record, copy)
        assert result.verdict["verdict"] == "PASS", result.verdict["reasons"]
        assert used(result)["001"]["taken"] == "second"
        assert "checksum" in used(result)["001"]["own_end"]

    def test_is_not_made_good_by_a_second_that_ends_before_the_file_does(self, drill: Drill, name: str) -> None:
        record, copy = drill.record_of(name, died=True), drill.copy_of(name + "copy", ended=False)
        for place in (record, copy):
            cut(drill.run, place, 0, 0.9)  # Without the heads that the supervisor's close would tell.
        spoil(drill, record, 1)
        cut(drill.run, copy, 1, 0.9)
        result = drill.check(record, copy)
        no_finding(result)
        assert result.verdict["verdict"] == "INCONCLUSIVE"
        damage = [reason for reason in result.verdict["reasons"] if "ledger is damaged" in reason]
        assert len(damage) == 1
        assert "001.ledger, frame" in damage[0]
        assert "checksum" in damage[0]

    def test_in_the_second_is_told_and_harms_nothing(self, drill: Drill, name: str) -> None:
        record, copy = drill.record_of(name), drill.copy_of(name + "copy")
        spoil(drill, copy, 1)
        result = drill.check(record, copy)
        assert result.verdict["verdict"] == "PASS", result.verdict["reasons"]
        assert "checksum" in used(result)["001"]["second_end"]

    @pytest.mark.parametrize("share", [0.2, 0.7])
    @pytest.mark.parametrize("part", [0, 1])
    def test_in_the_second_beyond_a_cut_is_damage_and_no_torn_tail(
        self, drill: Drill, name: str, part: int, share: float
    ) -> None:
        record, copy = drill.record_of(name, died=True), drill.copy_of(name + "copy", ended=False)
        cut(drill.run, record, 0, 0.9)  # Without the heads that the supervisor's close would tell.
        cut(drill.run, copy, 0, 0.9)
        assert drill.check(record, copy).verdict["verdict"] == "PASS"
        cut(drill.run, record, part, share)
        spoil(drill, copy, part)
        result = drill.check(record, copy)
        no_finding(result)
        assert result.verdict["verdict"] == "INCONCLUSIVE"
        assert any(f"00{part}.ledger, in the second ledger frame" in reason for reason in result.verdict["reasons"])


def spoil(drill: Drill, record: Path, part: int) -> None:
    ends = frame_ends(drill.run, record, part)
    with open(ledger(record, part), "r+b") as file:
        file.seek(ends[len(ends) // 2] + 90)
        byte = file.read(1)
        file.seek(-1, 1)
        file.write(bytes([byte[0] ^ 1]))


class TestContradiction:
    @pytest.mark.parametrize("share", [0.3, 0.9])
    @pytest.mark.parametrize("whose", ["own", "second"])
    @pytest.mark.parametrize("died", [False, True])
    def test_never_passes_and_convicts_nobody(
        self, drill: Drill, name: str, share: float, whose: str, died: bool
    ) -> None:
        record, copy = drill.record_of(name, died), drill.copy_of(name + "copy", not died)
        forge(drill.run, record if whose == "own" else copy, 1, share)
        result = drill.check(record, copy)
        no_finding(result)
        assert result.verdict["verdict"] == "INCONCLUSIVE"
        assert any("001.ledger, it and the second ledger hold different frames" in r for r in result.verdict["reasons"])
        ends = frame_ends(drill.run, drill.record, 1)
        told = used(result)["001"]
        common = max(int(len(ends) * share), 1)
        assert result.verdict["ledger"]["001"]["frames"] == common < min(told["own_frames"], told["second_frames"])
        assert (result.folder / KEPT_NAME / "001.ledger").read_bytes() == ledger(copy, 1).read_bytes()
        assert "1 of them contradict" in " ".join(summary(result.verdict, str(record), "losses.csv").split())

    def test_what_both_hold_still_convicts(self, drill: Drill, name: str) -> None:
        record, copy = drill.record_of(name), drill.copy_of(name + "copy")
        forge(drill.run, copy, 1, 0.95)
        before = bytes(drill.volume.data)
        try:
            drill.volume.data[: 64 * 1024] = bytes(64 * 1024)
            result = drill.check(record, copy)
        finally:
            drill.volume.data[:] = before
        assert result.verdict["verdict"] == "FAIL"
        assert any("different frames" in reason for reason in result.verdict["reasons"])


class TestWhatIsNamed:
    def test_the_receivers_folder_will_do(self, drill: Drill, name: str) -> None:
        record, copy = drill.record_of(name), drill.copy_of(name + "copy")
        ledger(record, 2).unlink()
        assert drill.check(record, copy.parent).verdict["verdict"] == "PASS"

    @pytest.mark.parametrize(
        ("spoil_it", "error", "words"),
        [
            (lambda record, copy: record, UsageError, "the record folder itself"),
            (lambda record, copy: other_run(copy), UsageError, "is of run"),
            (lambda record, copy: copy / "ledger", CannotRun, "no run.json"),
            (lambda record, copy: copy / "none", CannotRun, "no such folder"),
        ],
    )
    def test_anything_else_is_refused(
        self, drill: Drill, name: str, spoil_it: Callable[[Path, Path], Path], error: type[Exception], words: str
    ) -> None:
        record, copy = drill.record_of(name), drill.copy_of(name + "copy")
        with pytest.raises(error, match=words):
            drill.check(record, spoil_it(record, copy))
        assert RecordFolder.open(str(record)).check_names() == []

    def test_one_that_is_still_received_is_refused(self, drill: Drill, name: str) -> None:
        record, place = drill.record_of(name), drill.copy_of(name + "copy")
        held = RunCopy(place.parent, (place / "run.json").read_bytes(), "192.0.2.5")
        held.resume((place / "run.json").read_bytes())
        try:
            with pytest.raises(CannotRun, match="still being received"):
                drill.check(record, place)
            with pytest.raises(CannotRun, match="still writing"):
                drill.check(place)
        finally:
            held.close()
        assert set(FOLDERS) <= {path.name for path in place.iterdir()}


def other_run(copy: Path) -> Path:
    about = json.loads((copy / "run.json").read_text())
    about["run"]["seed"] += 1
    (copy / "run.json").write_text(json.dumps(about))
    return copy
