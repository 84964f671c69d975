"""Seals: whatever is changed in, taken from or added to a sealed folder is named; a later check breaks none."""

from __future__ import annotations

import json
import os
import shutil
import tracemalloc
from pathlib import Path

import pytest
from blake3 import blake3
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.drill.runs import check_here, write_here
from tests.drill.sealed import SMALL_RUN, add_note, files_of, flip_bit, sealed_record
from verify.drill.confirm import confirm
from verify.drill.record import RecordFolder, ledger_heads
from verify.drill.seal import BrokenSeal, fingerprint, read_seal, seal_bytes, seal_check, seal_run
from verify.errors import CannotRun
from verify.report.verdict_json import head_of_heads


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sealed record with a damaged block and two checks; never changed."""
    return sealed_record(tmp_path_factory.mktemp("original"), damaged=True)


@pytest.fixture
def record(original: Path, tmp_path: Path) -> Path:
    """A copy of it that may be changed."""
    return Path(shutil.copytree(original, tmp_path / "record"))


class TestASealedRecord:
    def test_is_intact_as_it_was_left(self, original: Path) -> None:
        found = confirm(str(original))
        assert found.problems == []
        assert set(found.seals) == {"seal.json", "checks/001/seal.json", "checks/002/seal.json"}

    def test_is_read_in_little_more_room_than_it_takes(self, original: Path) -> None:
        """At the end of a run the memory is locked: what is set aside is taken, whether used or not."""
        tracemalloc.start()
        try:
            read_seal(original / "seal.json")
            _, peak_bytes = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert peak_bytes < 1 << 20

    def test_every_file_is_under_a_seal(self, original: Path) -> None:
        found = confirm(str(original))
        files = {path.relative_to(original).as_posix() for path in files_of(original)}
        assert {"run.json", "ledger/000.ledger", "specimens/check-001.bin", "lock", "events.jsonl"} <= files
        assert files <= found.covered

    def test_the_bits_of_every_file_are_watched(self, record: Path) -> None:
        """One bit at the beginning, in the middle and at the end of every file there is, seals among them."""
        tried = 0
        for path in files_of(record):
            size = path.stat().st_size
            for at in sorted({0, size // 2, size - 1}) if size else []:
                for bit in (0, 5):
                    before = path.read_bytes()
                    flip_bit(path, at * 8 + bit)
                    problems = confirm(str(record)).problems
                    name = path.relative_to(record).as_posix()
                    assert any(name in problem for problem in problems), (name, at, bit, problems)
                    path.write_bytes(before)
                    tried += 1
        assert tried > 60
        assert confirm(str(record)).problems == []

    @given(data=st.data())
    @settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
    def test_any_bit_of_a_seal_is_watched(self, record: Path, data: st.DataObject) -> None:
        path = record / data.draw(st.sampled_from(["seal.json", "checks/001/seal.json", "checks/002/seal.json"]))
        before = path.read_bytes()
        flip_bit(path, data.draw(st.integers(0, len(before) * 8 - 1)))
        try:
            assert not confirm(str(record)).intact
        finally:
            path.write_bytes(before)

    def test_a_file_taken_away_is_named(self, record: Path) -> None:
        for path in files_of(record):
            before = path.read_bytes()
            path.unlink()
            name = path.relative_to(record).as_posix()
            assert any(p.startswith("missing: ") and name in p for p in confirm(str(record)).problems), name
            path.write_bytes(before)

    @pytest.mark.parametrize("name", ["more", "ledger/003.ledger", "checks/001/more", "checks/.003.partial/x", "a/b"])
    def test_a_file_added_is_named(self, record: Path, name: str) -> None:
        (record / name).parent.mkdir(parents=True, exist_ok=True)
        (record / name).write_text("new")
        assert confirm(str(record)).problems == [f"added: {name}"]

    def test_a_file_that_became_a_link_to_its_own_copy_is_named(self, record: Path, tmp_path: Path) -> None:
        os.rename(record / "run.json", tmp_path / "copy")
        (record / "run.json").symlink_to(tmp_path / "copy")
        assert any("run.json" in problem for problem in confirm(str(record)).problems)

    def test_a_file_that_became_a_pipe_is_named_and_not_waited_for(self, record: Path) -> None:
        (record / "run.json").unlink()
        os.mkfifo(record / "run.json")
        assert "changed: run.json is no longer a file" in confirm(str(record)).problems

    def test_a_cut_file_is_named_with_both_lengths(self, record: Path) -> None:
        size = (record / "ledger" / "001.ledger").stat().st_size
        os.truncate(record / "ledger" / "001.ledger", size - 1)
        problem = f"changed: ledger/001.ledger: {size:,} bytes were sealed, {size - 1:,} are there"
        assert problem in confirm(str(record)).problems

    def test_a_later_check_breaks_no_seal(self, record: Path, original: Path) -> None:
        before = {path: path.read_bytes() for path in files_of(record) if path.name == "seal.json"}
        check_here(record)
        assert confirm(str(record)).problems == []
        assert {path: path.read_bytes() for path in before} == before

    def test_a_note_made_afterwards_breaks_no_seal_and_is_told(self, record: Path) -> None:
        add_note(record, "cold start at noon")
        found = confirm(str(record))
        assert found.problems == []
        assert "notes added since the last seal" in found.remarks[0]
        check_here(record)
        found = confirm(str(record))
        assert found.problems == found.remarks == []

    def test_a_change_of_the_events_before_a_note_is_found(self, record: Path) -> None:
        add_note(record, "cold start at noon")
        flip_bit(record / "events.jsonl", 100)
        assert any(p.startswith("changed: events.jsonl") for p in confirm(str(record)).problems)

    def test_a_check_taken_out_of_the_middle_is_missed(self, record: Path) -> None:
        shutil.rmtree(record / "checks" / "001")
        (record / "specimens" / "check-001.bin").unlink()
        assert any("a check was taken out" in problem for problem in confirm(str(record)).problems)

    def test_a_better_verdict_at_the_root_is_found(self, record: Path) -> None:
        verdict = json.loads((record / "verdict.json").read_text())
        verdict["verdict"] = "PASS"
        (record / "verdict.json").write_text(json.dumps(verdict))
        problems = confirm(str(record)).problems
        assert problems == ["changed: verdict.json is not that of check 002, the worst"]

    def test_a_ledger_and_seal_of_another_run_do_not_pass(self, record: Path, tmp_path: Path) -> None:
        (tmp_path / "other").mkdir()
        other = sealed_record(tmp_path / "other", checks=0)
        for name in ("run.json", "events.jsonl", "seal.json"):
            shutil.copy(other / name, record / name)
        shutil.rmtree(record / "ledger")
        shutil.copytree(other / "ledger", record / "ledger")
        problems = " ".join(confirm(str(record)).problems)
        assert "the ledger that check 001 read is not the one that was sealed with the run" in problems

    def test_the_folder_of_one_check_is_confirmed_by_itself(self, record: Path) -> None:
        assert confirm(str(record / "checks" / "002")).problems == []
        flip_bit(record / "checks" / "001" / "losses.csv", 9)
        assert confirm(str(record / "checks" / "002")).problems == []
        assert confirm(str(record / "checks" / "001")).problems != []


class TestWhenSealsAreMade:
    def test_a_run_that_was_cut_off_is_sealed_by_its_first_check(self, tmp_path: Path) -> None:
        record = sealed_record(tmp_path, checks=0)
        assert read_seal(record / "seal.json").late is False
        (record / "seal.json").unlink()
        check_here(record)
        seal = read_seal(record / "seal.json")
        assert seal.late is True
        assert confirm(str(record)).problems == []

    def test_an_unsealed_record_is_called_so(self, tmp_path: Path) -> None:
        record = sealed_record(tmp_path, checks=0)
        (record / "seal.json").unlink()
        assert "missing: seal.json: this run is not sealed" in confirm(str(record)).problems

    def test_the_head_is_that_of_the_verdict(self, original: Path) -> None:
        verdict = json.loads((original / "verdict.json").read_text())
        assert read_seal(original / "seal.json").ledger_head == verdict["run"]["ledger_head"]
        assert read_seal(original / "checks" / "001" / "seal.json").ledger_head == verdict["run"]["ledger_head"]

    def test_a_full_disk_at_the_end_of_a_run_leaves_the_run_as_it_is(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fail(*_arguments: object) -> None:
            raise CannotRun("no space")

        monkeypatch.setattr("verify.drill.seal.write_bytes", fail)
        write_here(tmp_path / "volume", tmp_path / "record", SMALL_RUN)
        assert not (tmp_path / "record" / "seal.json").exists()
        monkeypatch.undo()
        check_here(tmp_path / "record")
        assert read_seal(tmp_path / "record" / "seal.json").late is True

    def test_heads_missing_from_the_end_of_a_run_are_read_from_the_ledger(self, tmp_path: Path) -> None:
        record = sealed_record(tmp_path, checks=1)
        folder = RecordFolder.open(str(record))
        about, run = folder.read_run()
        known = {int(part): head for part, head in about["ledger_heads"].items()}
        assert ledger_heads(folder, run, {}) == known
        assert head_of_heads(known) == read_seal(record / "seal.json").ledger_head


CONTENT = {
    "format": "ackproof-seal/1", "of": "run", "name": "r", "sealed": "2026-11-24T10:00:00.000000Z",
    "ledger_head": "", "before": "", "late": False, "files": {}, "growing": {},
}  # fmt: skip


class TestASealFile:
    def read(self, folder: Path, content: bytes) -> object:
        (folder / "seal.json").write_bytes(content)
        return read_seal(folder / "seal.json")

    def test_is_read_back(self, tmp_path: Path) -> None:
        assert self.read(tmp_path, seal_bytes(CONTENT))

    @pytest.mark.parametrize(
        "content",
        [b"", b"{}", b"[]", b"null", b"\xff\xfe", b'{"value": 1}', b"[" * 100_000, b'"' + b"a" * 70 + b'"'],
        ids=["empty", "object", "list", "null", "no text", "value", "deep", "text"],
    )
    def test_that_is_none_is_refused(self, tmp_path: Path, content: bytes) -> None:
        with pytest.raises(BrokenSeal):
            self.read(tmp_path, content)

    @pytest.mark.parametrize(
        "change",
        [
            {"format": "another/1"},
            {"files": []},
            {"files": {"a": 1}},
            {"files": {"a": {"bytes": "1", "blake3": ""}}},
            {"files": {"../a": {"bytes": 1, "blake3": ""}}},
            {"growing": {"/etc/passwd": {"bytes": 1, "blake3": ""}}},
        ],
        ids=str,
    )
    def test_that_is_whole_but_says_what_none_says_is_refused(self, tmp_path: Path, change: dict[str, object]) -> None:
        with pytest.raises(BrokenSeal):
            self.read(tmp_path, seal_bytes({**CONTENT, **change}))

    def test_spelled_otherwise_is_refused(self, tmp_path: Path) -> None:
        value = json.loads(seal_bytes(CONTENT))
        with pytest.raises(BrokenSeal):
            self.read(tmp_path, json.dumps(value).encode())


def test_a_fingerprint_is_the_blake3_of_the_bytes(tmp_path: Path) -> None:
    content = os.urandom((1 << 20) + 5)
    (tmp_path / "file").write_bytes(content)
    assert fingerprint(tmp_path / "file") == {"bytes": len(content), "blake3": blake3(content).hexdigest()}
    assert fingerprint(tmp_path / "file", 7) == {"bytes": 7, "blake3": blake3(content[:7]).hexdigest()}


def test_names_that_are_not_text_are_sealed_too(tmp_path: Path) -> None:
    record = sealed_record(tmp_path, checks=0)
    odd = Path(os.fsdecode(os.fsencode(record) + b"/specimens/odd\xff\n name"))
    odd.write_bytes(b"x")
    folder = RecordFolder.open(str(record))
    seal_run(folder, "r", {0: "", 1: ""})
    assert confirm(str(record)).problems == []
    flip_bit(odd, 0)
    assert len(confirm(str(record)).problems) == 1


def test_a_check_cannot_be_sealed_with_what_cannot_be_read(tmp_path: Path) -> None:
    record = sealed_record(tmp_path, checks=1)
    place = record / "checks" / "001"
    os.mkfifo(place / "pipe")
    with pytest.raises(CannotRun, match="neither a file nor a link"):
        seal_check(RecordFolder.open(str(record)), "001", place, {})


@pytest.mark.parametrize("name", ["none", "file"])
def test_what_is_no_folder_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(CannotRun, match="is not a folder"):
        confirm(str(tmp_path / name))


def test_a_run_that_is_going_on_is_not_confirmed(tmp_path: Path) -> None:
    record = sealed_record(tmp_path, checks=0)
    folder = RecordFolder.open(str(record))
    folder._take_lock()
    try:
        with pytest.raises(CannotRun, match="still writing"):
            confirm(str(record))
    finally:
        folder.release()


def test_a_check_apart_from_its_record_is_not_confirmed(original: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(original / "checks" / "001", tmp_path / "copy")
    with pytest.raises(CannotRun, match="apart from its record"):
        confirm(str(copy))


def test_a_record_that_stands_in_a_folder_named_checks_is_a_record(original: Path, tmp_path: Path) -> None:
    record = Path(shutil.copytree(original, tmp_path / "checks" / "001"))
    assert confirm(str(record)).problems == []
    assert confirm(str(record)).what.startswith("run ")


def test_an_empty_folder_is_nothing_to_confirm(tmp_path: Path) -> None:
    with pytest.raises(CannotRun, match="nothing to confirm"):
        confirm(str(tmp_path))
