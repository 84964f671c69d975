"""`ackproof dossier`: runs bound into one sealed record, confirmed, and every change in it found."""

from __future__ import annotations

import json
import os
import pty
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.drill.runs import ackproof, check_here, command_line, environment, write_here
from tests.drill.sealed import SMALL_RUN, files_of, flip_bit, sealed_record
from tests.report.browser import assert_stands_alone
from verify.commands.main import main
from verify.drill.confirm import confirm
from verify.drill.record import RecordFolder
from verify.drill.reporting import write_report
from verify.drill.seal import read_seal
from verify.report.page import report_html

pytest.importorskip("cryptography", reason="needs the extra `sign`")
FAIL, USAGE, CANNOT_RUN = 1, 2, 4


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A sound run with a report, and one with damage; never changed."""
    sound = sealed_record(tmp_path_factory.mktemp("sound"))
    write_report(RecordFolder.open(str(sound)), report_html)
    return sound, sealed_record(tmp_path_factory.mktemp("damaged"), damaged=True)


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A private key, and its public one, as openssl makes them."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl: makes keys as a user would")
    folder = tmp_path_factory.mktemp("keys")
    private, public = folder / "key.pem", folder / "public.pem"
    subprocess.run(["openssl", "genpkey", "-algorithm", "ed25519", "-out", private], check=True)
    subprocess.run(["openssl", "pkey", "-in", private, "-pubout", "-out", public], check=True)
    return private, public


@pytest.fixture(scope="module")
def bound(records: tuple[Path, Path], keys: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A signed dossier of both; never changed."""
    into = tmp_path_factory.mktemp("dossier") / "out"
    done = ackproof("dossier", *records, "--into", into, "--sign", keys[0], "--takeovers-a-year", 4, "--bound", 0.05)
    assert done.returncode == 0, done.stderr
    return into


def here(arguments: list[Any], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return int(ended.value.code or 0), out, err


class TestBinding:
    def test_leaves_page_content_evidence_seal_and_signature(self, bound: Path, records: tuple[Path, Path]) -> None:
        assert_stands_alone((bound / "dossier.html").read_text(encoding="utf-8"))
        content = json.loads((bound / "dossier.json").read_text())
        assert content["format"] == "ackproof-dossier/1"
        assert content["verdict"] == "FAIL"
        assert [run["verdict"] for run in content["runs"]] == ["INCONCLUSIVE", "FAIL"]
        names = {path.relative_to(bound).as_posix() for path in files_of(bound)}
        assert {"seal.json", "seal.json.signature", "runs/01/checks/002/report.html", "runs/02/run.json"} <= names
        assert {"runs/02/checks/001/losses.csv", "runs/02/checks/001/verdict.json"} <= names
        for number, record in enumerate(records, 1):
            copied = bound / "runs" / f"{number:02d}" / "run.json"
            assert copied.read_bytes() == (record / "run.json").read_bytes()

    def test_tells_the_verdict_what_is_open_and_the_seal(
        self, records: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        code, out, _ = here(["dossier", *records, "--into", tmp_path / "out"], capsys)
        assert code == 0
        assert out.startswith("FAIL   2 runs: 1 FAIL, 1 INCONCLUSIVE.")
        assert "open: Run 2 (not named) is FAIL" in out
        value = read_seal(tmp_path / "out" / "seal.json").value
        assert value[:4] + " " + value[4:8] in out

    def test_leaves_the_records_as_they_were(self, bound: Path, records: tuple[Path, Path]) -> None:
        assert all(confirm(str(record)).problems == [] for record in records)

    def test_takes_what_the_runs_were_from_the_particulars(
        self, records: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        ids = [json.loads((record / "run.json").read_text())["run"]["id"] for record in records]
        about = tmp_path / "about.toml"
        about.write_text(
            f'scope = "<b>scope</b>"\n[[run]]\nid = "{ids[0]}"\nscenario = "cable"\ndirection = "A to B"\n'
            f'[[run]]\nid = "{ids[1]}"\nscenario = "power"\n[[planned]]\nscenario = "cable"\ndirection = "A to B"\n'
        )
        assert here(["dossier", *records, "--into", tmp_path / "out", "--about", about], capsys)[0] == 0
        content = json.loads((tmp_path / "out" / "dossier.json").read_text())
        assert [run["scenario"] for run in content["runs"]] == ["cable", "power"]
        assert any("power: done though it was not planned" in text for text in content["deviations"])

    def test_takes_what_a_run_was_from_its_plan(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        record = sealed_record(tmp_path, checks=0)
        about = json.loads((record / "run.json").read_text())
        about["scenario"] = {"scenario": "hang", "direction": "B to A", "repeat": 2, "cautions": ["mind the fan"]}
        (record / "run.json").write_text(json.dumps(about))
        (record / "seal.json").unlink()
        check_here(record)
        assert here(["dossier", record, "--into", tmp_path / "out"], capsys)[0] == 0
        content = json.loads((tmp_path / "out" / "dossier.json").read_text())
        assert (content["runs"][0]["scenario"], content["runs"][0]["repeat"]) == ("hang", 2)
        assert "mind the fan" in content["cautions"]

    def test_tells_of_a_record_that_was_changed(
        self, records: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        record = Path(shutil.copytree(records[1], tmp_path / "record"))
        flip_bit(record / "ledger" / "001.ledger", 999)
        assert here(["dossier", record, "--into", tmp_path / "out"], capsys)[0] == 0
        content = json.loads((tmp_path / "out" / "dossier.json").read_text())
        assert any("changed: ledger/001.ledger" in text for text in content["deviations"])

    def test_a_run_never_checked_is_bound_as_proving_nothing(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        record = sealed_record(tmp_path, checks=0)
        code, out, _ = here(["dossier", record, "--into", tmp_path / "out"], capsys)
        assert code == 0
        assert out.startswith("INCONCLUSIVE")


class TestConfirming:
    def test_dossier_and_records_are_intact(
        self, bound: Path, records: tuple[Path, Path], keys: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
    ) -> None:
        code, out, _ = here(["dossier", "--confirm", bound, *records, "--key", keys[1]], capsys)
        assert code == 0, out
        assert out.count("intact   ") == 3
        assert "NOT INTACT" not in out
        assert "signed with key" in out

    def test_one_bit_changed_in_any_file_is_found(self, bound: Path, tmp_path: Path) -> None:
        copy = Path(shutil.copytree(bound, tmp_path / "copy"))
        for path in files_of(copy):
            before = path.read_bytes()
            if not before:
                continue
            for at in (0, len(before) // 2, len(before) - 1):
                flip_bit(path, at * 8 + 5)
                name = path.relative_to(copy).as_posix()
                problems = confirm(str(copy)).problems
                assert any(name in problem for problem in problems), (name, at)
                path.write_bytes(before)
        assert confirm(str(copy)).problems == []

    @pytest.mark.parametrize("change", ["gone", "added"])
    def test_files_gone_and_added_are_told(
        self, bound: Path, tmp_path: Path, change: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        copy = Path(shutil.copytree(bound, tmp_path / "copy"))
        if change == "gone":
            (copy / "dossier.html").unlink()
        else:
            (copy / "runs" / "note.txt").write_text("x")
        code, out, _ = here(["dossier", "--confirm", copy], capsys)
        assert code == FAIL
        assert {"gone": "missing: dossier.html", "added": "added: runs/note.txt"}[change] in out

    def test_a_record_that_changed_after_the_dossier_though_sealed_anew_is_told(
        self, records: tuple[Path, Path], bound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        record = Path(shutil.copytree(records[1], tmp_path / "record"))
        shutil.rmtree(record / "checks" / "002")
        (record / "specimens" / "check-002.bin").unlink()
        check_here(record)
        assert confirm(str(record)).problems == []
        code, out, _ = here(["dossier", "--confirm", bound, record], capsys)
        assert code == FAIL
        assert "checks/002/seal.json is whole, but not the seal that the dossier was made of" in out

    def test_a_record_of_another_acceptance_is_told(
        self, bound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        record = sealed_record(tmp_path)
        code, out, _ = here(["dossier", "--confirm", bound, record], capsys)
        assert code == 0
        assert "this run is in none of the dossiers named" in out

    def test_a_missing_or_foreign_signature_is_told_where_one_is_demanded(
        self, bound: Path, keys: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        copy = Path(shutil.copytree(bound, tmp_path / "copy"))
        (copy / "seal.json.signature").unlink()
        code, out, _ = here(["dossier", "--confirm", copy, "--key", keys[1]], capsys)
        assert code == FAIL
        assert "missing: the signature" in out
        other, public = tmp_path / "other.pem", tmp_path / "public.pem"
        subprocess.run(["openssl", "genpkey", "-algorithm", "ed25519", "-out", other], check=True)
        subprocess.run(["openssl", "pkey", "-in", other, "-pubout", "-out", public], check=True)
        code, out, _ = here(["dossier", "--confirm", bound, "--key", public], capsys)
        assert code == FAIL
        assert "is signed with key" in out


class TestMisuse:
    @pytest.mark.parametrize(
        ("more", "said"),
        [
            ((), "--into"),
            (("--confirm", "--into", "x"), "--into does not go with --confirm"),
            (("--confirm", "--takeovers-a-year", "3"), "--takeovers-a-year does not go with --confirm"),
            (("--into", "x", "--key", "y"), "--key goes with --confirm"),
            (("--into", "x", "--bound", "1.5"), "bound must be between 0 and 1"),
            (("--into", "x", "--bound", "nan"), "bound must be between 0 and 1"),
            (("--into", "x", "--takeovers-a-year", "-1"), "takeovers-a-year must be from 0"),
            (("--into", "x", "--bound", "few"), "few"),
            (("--into", "x", "--about", "/nowhere"), "cannot be read"),
        ],
        ids=str,
    )
    def test_is_told_in_a_sentence(
        self, records: tuple[Path, Path], more: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        code, _, err = here(["dossier", records[0], *more], capsys)
        assert code == USAGE
        assert said in err

    def test_a_folder_that_is_not_empty_stays(
        self, records: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (tmp_path / "kept").write_text("x")
        code, _, err = here(["dossier", records[0], "--into", tmp_path], capsys)
        assert code == USAGE
        assert "is not empty" in err
        assert [path.name for path in tmp_path.iterdir()] == ["kept"]

    def test_an_empty_folder_is_taken(
        self, records: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert here(["dossier", records[0], "--into", tmp_path], capsys)[0] == 0
        assert confirm(str(tmp_path)).problems == []

    @pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()], ids=type)
    def test_a_dossier_that_cannot_be_finished_leaves_nothing(
        self, records: tuple[Path, Path], tmp_path: Path, error: BaseException, monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:  # fmt: skip
        def fail(*_arguments: object) -> None:
            raise error

        monkeypatch.setattr("verify.drill.binding.seal_dossier", fail)
        code, _, err = here(["dossier", records[0], "--into", tmp_path / "out"], capsys)
        assert code == CANNOT_RUN
        assert "No space left" in err or "stopped" in err
        assert list(tmp_path.iterdir()) == []

    def test_a_place_inside_a_record(
        self, records: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
    ) -> None:
        code, _, err = here(["dossier", records[0], "--into", records[0] / "out"], capsys)
        assert code == USAGE
        assert "would break its seal" in err

    def test_the_same_run_twice(
        self, records: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        code, _, err = here(["dossier", records[0], records[0], "--into", tmp_path / "out"], capsys)
        assert code == USAGE
        assert "name each run once" in err

    def test_a_run_named_that_is_not_there(
        self, records: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (tmp_path / "about.toml").write_text('[[run]]\nid = "ffff"\nscenario = "x"\n')
        arguments = ["dossier", records[0], "--into", tmp_path / "out", "--about", tmp_path / "about.toml"]
        code, _, err = here(arguments, capsys)
        assert code == USAGE
        assert "'ffff'" in err

    def test_no_record(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (tmp_path / "empty").mkdir()
        code, _, err = here(["dossier", tmp_path / "empty", "--into", tmp_path / "out"], capsys)
        assert code == CANNOT_RUN
        assert "it has no run.json" in err
        assert not (tmp_path / "out").exists()

    @pytest.mark.parametrize("content", ["{", '{"format": "ackproof-verdict/1"}', "[]"])
    def test_a_spoilt_verdict(
        self, records: tuple[Path, Path], tmp_path: Path, content: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        record = Path(shutil.copytree(records[1], tmp_path / "record"))
        (record / "checks" / "001" / "verdict.json").write_text(content)
        code, _, err = here(["dossier", record, "--into", tmp_path / "out"], capsys)
        assert code == USAGE
        assert "verdict.json" in err
        assert not list(tmp_path.glob("*out*"))

    def test_without_the_extra_it_is_said_what_to_install(
        self, records: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:  # fmt: skip
        monkeypatch.setitem(sys.modules, "jinja2", None)
        code, _, err = here(["dossier", records[0], "--into", tmp_path / "out"], capsys)
        assert code == CANNOT_RUN
        assert "pip install 'ackproof[report]'" in err
        code, _, _ = here(["dossier", "--confirm", records[0]], capsys)
        assert code == 0


class TestAnEncryptedKey:
    @pytest.fixture
    def key(self, keys: tuple[Path, Path], tmp_path: Path) -> Path:
        path = tmp_path / "locked.pem"
        command = ["openssl", "pkey", "-in", keys[0], "-aes256", "-passout", "pass:sesame", "-out", path]
        subprocess.run(command, check=True)
        return path

    def test_is_not_asked_for_without_a_terminal(self, records: tuple[Path, Path], key: Path, tmp_path: Path) -> None:
        done = ackproof("dossier", records[0], "--into", tmp_path / "out", "--sign", key)
        assert done.returncode == CANNOT_RUN
        assert "no terminal to ask" in done.stderr
        assert not (tmp_path / "out").exists()

    def test_is_opened_with_what_is_typed(self, records: tuple[Path, Path], key: Path, tmp_path: Path) -> None:
        shown, code = typed(command_line("dossier", records[0], "--into", tmp_path / "out", "--sign", key), b"sesame\n")
        assert code == 0, shown
        assert "sesame" not in shown
        assert list(confirm(str(tmp_path / "out")).signatures) == ["seal.json"]


def typed(command: list[str], keys: bytes) -> tuple[str, int]:
    """Run a command on a terminal of its own, and type when it asks."""
    main_end, terminal = pty.openpty()
    process = subprocess.Popen(
        command, env=environment(), stdin=terminal, stdout=terminal, stderr=terminal, start_new_session=True
    )
    os.close(terminal)
    shown, sent, deadline = b"", False, time.monotonic() + 60
    while time.monotonic() < deadline:
        if select.select([main_end], [], [], 0.1)[0]:
            try:
                chunk = os.read(main_end, 4096)
            except OSError:
                break
            if not chunk:
                break
            shown += chunk
            if not sent and b"passphrase" in shown:
                os.write(main_end, keys)
                sent = True
        elif process.poll() is not None:
            break
    os.close(main_end)
    return shown.decode(errors="replace"), process.wait(10)


def test_a_run_that_is_going_on_is_not_bound(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_here(tmp_path / "volume", tmp_path / "record", SMALL_RUN)
    folder = RecordFolder.open(str(tmp_path / "record"))
    folder._take_lock()
    try:
        code, _, err = here(["dossier", tmp_path / "record", "--into", tmp_path / "out"], capsys)
    finally:
        folder.release()
    assert code == CANNOT_RUN
    assert "still writing" in err
