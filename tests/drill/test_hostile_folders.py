"""Record folders come from other people: nothing in one is followed, waited for, or written through."""

from __future__ import annotations

import os
import shutil
import signal
import socket
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from tests.commands.test_bad_input import here
from tests.drill.runs import check_here, write_here
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder, write_bytes
from verify.drill.seal import seal_run
from verify.errors import CannotRun
from verify.load.specimens import SpecimenFile
from verify.plain_file import open_plain

PATIENCE_S = 20
"""A command that waits for a pipe waits for ever; so long the test looks on."""


class StillWaiting(BaseException):
    """Not to be taken for an error of the system, which a command may pass over."""


SECRET = b"not for a record folder\n"
CHECK, RESUME, MARK, CONFIRM, REPORT = "check", "check --resume", "mark note", "dossier --confirm", "report"
READ = {
    "run.json": (CHECK, MARK, CONFIRM, REPORT), "lock": (CHECK, MARK, CONFIRM), "seal.json": (CHECK, CONFIRM),
    "verdict.json": (CHECK, CONFIRM), "ledger/000.ledger": (CHECK, CONFIRM), "ledger/001.ledger": (CHECK, REPORT),
    "checks/001/verdict.json": (CHECK, CONFIRM, REPORT), "checks/001/seen.json": (CHECK,),
    "checks/001/seal.json": (CHECK, CONFIRM), "checks/001/losses.csv": (CONFIRM, REPORT),
    "checks/001/report-seal.json": (CONFIRM,), "checks/001/seal.json.signature": (CONFIRM,),
}  # fmt: skip
"""The files that are there, each with the commands that read it."""

WRITTEN = {
    "events.jsonl": (MARK, CHECK), "specimens/check-002.bin": (CHECK,), "verdict.json.partial": (CHECK,),
    "seal.json.partial": (CHECK,), "checks/.002.partial": (CHECK, RESUME), "checks/001/report.html": (REPORT,),
    "checks/001/report.html.partial": (REPORT,), "checks/001/report-seal.json.partial": (REPORT,),
}  # fmt: skip
"""The names that are written or added to, likewise."""

FOLDERS = {
    "ledger": (CHECK,), "specimens": (CHECK,), "checks": (CHECK, CONFIRM), "inbox": (MARK,),
    "checks/001": (CHECK, CONFIRM, REPORT), "checks/.002.partial": (CHECK, RESUME),
}  # fmt: skip


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record folder with one check, beside its volume."""
    folder = tmp_path_factory.mktemp("given")
    write_here(
        folder / "volume", folder / "record", RunRequest((StreamRequest(512, 2, 8 << 10),), seed=3, operations=9)
    )
    with open(folder / "volume", "r+b") as volume:
        kept = volume.read(512)
        volume.seek(0)
        volume.write(b"damaged" * 73 + b"!")
        check_here(folder / "record")  # leaves specimens
        volume.seek(0)
        volume.write(kept)
    (folder / "record" / "checks" / "001" / "seal.json.signature").write_text("none")
    return folder / "record"


@pytest.fixture
def record(original: Path, tmp_path: Path) -> Path:
    """A copy of it, of the same volume."""
    shutil.copytree(original, tmp_path / "record")
    return tmp_path / "record"


@pytest.fixture
def outside(tmp_path: Path) -> Iterator[Path]:
    """A file and a folder of the user's, which nothing in a record folder may change."""
    place = tmp_path / "outside"
    (place / "folder").mkdir(parents=True)
    (place / "file").write_bytes(SECRET)
    yield place
    assert (place / "file").read_bytes() == SECRET
    assert sorted(path.relative_to(place).as_posix() for path in place.rglob("*")) == ["file", "folder"]


@pytest.fixture(autouse=True)
def _no_waiting(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Whatever waits for a pipe is woken by an exception; nothing need be made non-volatile."""

    def woken(number: int, frame: object) -> None:
        raise StillWaiting(f"still waiting after {PATIENCE_S} s")

    before = signal.signal(signal.SIGALRM, woken)
    signal.alarm(PATIENCE_S)
    monkeypatch.setattr(os, "fsync", lambda fd: None)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


def a_pipe(path: Path) -> None:
    os.mkfifo(path)


def a_socket(path: Path) -> None:
    folder = os.open(path.parent, os.O_RDONLY)
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(f"/proc/self/fd/{folder}/{path.name}")  # the whole path may be too long for a socket
    os.close(folder)


def a_device(path: Path) -> None:
    try:
        os.mknod(path, 0o600 | 0o020000, os.makedev(1, 5))  # endless zeros
    except PermissionError:
        pytest.skip("needs root: makes a device node")


def a_link_to_zeros(path: Path) -> None:
    path.symlink_to("/dev/zero")


def a_folder(path: Path) -> None:
    path.mkdir()


ODDITIES: list[Callable[[Path], None]] = [a_pipe, a_socket, a_device, a_link_to_zeros, a_folder]


def opened_by(commands: Sequence[str], record: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, int]:
    """Open a record folder by several commands, one after another; the exit code of each.

    Whatever was done to the folder makes no PASS of it, and no FAIL: its run was sound, and without a takeover.
    """
    codes = {}
    for command in commands:
        name, *more = command.split()
        codes[command], _, err = here([name, record, *more], capsys)
        assert len(err.splitlines()) <= 2, (command, err)
    for command, code in codes.items():
        allowed = {"check": {2, 3, 4}, "mark": {0, 2, 4}, "dossier": {0, 1, 4}, "report": {0, 2, 4}}[command.split()[0]]
        assert code in allowed, codes
    return codes


def in_place_of(path: Path, oddity: Callable[[Path], None]) -> None:
    """Put something else where a file stands, or might."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    path.unlink(missing_ok=True)
    oddity(path)


class TestWhatStandsInPlaceOfAFile:
    @pytest.mark.parametrize("name", READ | WRITTEN)
    def test_a_pipe_is_not_waited_for(self, record: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
        in_place_of(record / name, a_pipe)
        opened_by((READ | WRITTEN)[name], record, capsys)

    @pytest.mark.parametrize("oddity", ODDITIES, ids=lambda made: made.__name__)
    def test_nor_anything_else(
        self, record: Path, capsys: pytest.CaptureFixture[str], oddity: Callable[[Path], None]
    ) -> None:
        for name in [*list(READ)[1:], *list(WRITTEN)[:3]]:
            in_place_of(record / name, oddity)
        opened_by((CHECK, RESUME, MARK, CONFIRM), record, capsys)
        in_place_of(record / "run.json", oddity)
        assert set(opened_by((CHECK, RESUME, MARK), record, capsys).values()) == {4}

    def test_it_is_named_with_what_it_is(self, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
        in_place_of(record / "ledger" / "001.ledger", a_pipe)
        in_place_of(record / "ledger" / "000.ledger", a_link_to_zeros)
        code, out, _ = here(["check", record], capsys)
        assert code == 3
        said = " ".join(out.split())
        assert "001.ledger, it cannot be read at byte 0: it is a pipe and no file" in said
        assert "000.ledger, it cannot be read at byte 0: it is a symbolic link, which is not followed" in said

    def test_a_note_that_cannot_be_kept_is_said(self, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
        in_place_of(record / "events.jsonl", a_pipe)
        code, out, err = here(["mark", record, "note"], capsys)
        assert (code, out) == (4, "")
        assert "events.jsonl" in err


class TestLinks:
    @pytest.mark.parametrize(
        ("name", "to"), [*((name, "file") for name in WRITTEN), *((name, "folder") for name in FOLDERS)]
    )
    def test_to_a_file_or_folder_elsewhere_are_neither_written_through_nor_entered(
        self, record: Path, outside: Path, capsys: pytest.CaptureFixture[str], name: str, to: str
    ) -> None:
        in_place_of(record / name, lambda path: path.symlink_to(outside / to))
        opened_by((WRITTEN | FOLDERS)[name], record, capsys)

    def test_that_lead_nowhere_make_nothing_there(
        self, record: Path, outside: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        for name in ("verdict.json.partial", "specimens/check-002.bin", "events.jsonl"):
            in_place_of(record / name, lambda path: path.symlink_to(outside / "made"))
        opened_by((CHECK, MARK), record, capsys)


class TestWritersOfOneFile:
    """What is written through a name that something else has: the guard itself, apart from any command."""

    def test_a_file_is_made_anew_beside_the_link(self, tmp_path: Path, outside: Path) -> None:
        (tmp_path / "run.json.partial").symlink_to(outside / "file")
        write_bytes(tmp_path / "run.json", b"new")
        assert (tmp_path / "run.json").read_bytes() == b"new"
        assert not (tmp_path / "run.json").is_symlink()

    def test_specimens_go_to_a_file_or_nowhere(self, tmp_path: Path) -> None:
        for number, oddity in enumerate(ODDITIES):
            path = tmp_path / f"load-{number}.bin"
            oddity(path)
            assert SpecimenFile(str(path)).keep(memoryview(b"block")) is None

    def test_the_journal_of_a_check_is_not_followed(self, tmp_path: Path, outside: Path) -> None:
        (tmp_path / "link").symlink_to(outside / "file")
        with pytest.raises(OSError, match="not followed"):
            open_plain(tmp_path / "link", os.O_RDWR)

    def test_a_seal_cannot_be_taken_of_a_pipe(self, record: Path) -> None:
        os.mkfifo(record / "pipe")
        with pytest.raises(CannotRun, match="cannot be sealed"):
            seal_run(RecordFolder.open(str(record)), "0", {})
