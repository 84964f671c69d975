"""Everything that can be asked wrongly: one clear sentence on standard error, and the documented exit code."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from subprocess import CompletedProcess

import pytest

from tests.drill.runs import (
    ackproof,
    check_here,
    losses_of,
    no_false_finding,
    run_here,
    verdict_of,
    write_here,
)
from verify.commands.main import main
from verify.drill.planning import RunRequest, StreamRequest

USAGE, CANNOT_RUN, INCONCLUSIVE, FAIL = 2, 4, 3, 1
HARDWARE = "02:00:00:00:00:aa"
WATCHED = ("--floating-address", "192.0.2.9")
SMALL = ("--lanes", "2", "--span", "64KiB", "--operations", "5")


def refused(done: CompletedProcess[str], code: int, *says: str) -> None:
    """Assert that a command ended with a code, saying so in a sentence."""
    assert done.returncode == code, done.stderr + done.stdout
    assert "Traceback" not in done.stderr + done.stdout
    for text in says:
        assert text in done.stderr, done.stderr
    lines = done.stderr.strip().splitlines()
    assert sum("seed " not in line for line in lines) <= 4, done.stderr
    assert done.stdout == ""


def here(arguments: Sequence[str | Path], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Run a command inside this process: its exit code, output and errors. Anything but an exit is a failed test."""
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    said = capsys.readouterr()
    assert "Traceback" not in said.err, said.err
    assert isinstance(ended.value.code, int)
    return ended.value.code, said.out, said.err


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """The record of a small finished run on the file `volume`."""
    write_here(tmp_path / "volume", tmp_path / "record", RunRequest((StreamRequest(4096, 2, 64 << 10),), operations=5))
    return tmp_path / "record"


WRONG_NUMBERS = {
    "block not a power of two": (("--block", "5000"), "power of two"),
    "block too small": (("--block", "256"), "power of two"),
    "block too large": (("--block", "8MiB"), "power of two"),
    "block of nothing": (("--block", "0"), "power of two"),
    "block not a size": (("--block", "four"), "is not a size"),
    "block of a fraction": (("--block", "0.3KiB"), "whole number of bytes"),
    "span not whole": (("--block", "4KiB", "--span", "5000"), "whole number of blocks"),
    "span of nothing": (("--span", "0"), "--span"),
    "span too small for the lanes": (("--lanes", "17", "--span", "64KiB"), "too few"),
    "span of a whole universe": (("--span", "999999999TiB"), ""),
    "start not on a sector": (("--start", "100"), "--start"),
    "start far out": (("--start", "99999999999TiB"), ""),
    "no lanes": (("--lanes", "0"), "at least 1"),
    "too many lanes": (("--lanes", "5000", "--span", "64MiB"), "at most 4096 lanes"),
    "lanes not a number": (("--lanes", "many"), "--lanes"),
    "a duration that is none": (("--for", "soon"), "is not a duration"),
    "a negative duration": (("--for", "-5s"), ""),
    "a duration without end": (("--stall-threshold", "9" * 400), "longer than a thousand years"),
    "a size without end": (("--start", "9" * 400), "whole number of bytes"),
    "a share above 1": (("--read-share", "1.5"), "from 0 to 1"),
    "a share that is no number": (("--read-share", "nan"), "from 0 to 1"),
    "a negative pace": (("--pace", "-1"), "--pace"),
    "a pace that is no number": (("--pace", "nan"), "--pace"),
    "a negative seed": (("--seed", "-1"), "--seed"),
    "a seed too large": (("--seed", str(2**64)), "--seed"),
    "flush every nought": (("--flush-every", "0"), "--flush-every"),
    "flush every now and then": (("--flush-every", "sometimes"), "--flush-every"),
    "an unknown pattern": (("--pattern", "zigzag"), "--pattern"),
    "an unknown promise": (("--promise", "forever"), "--promise"),
    "negative operations": (("--operations", "-1"), "--operations"),
    "too many operations": (("--operations", str(2**48)), "--operations"),
    "no stall threshold": (("--stall-threshold", "0s"), "--stall-threshold"),
    "a small atomic unit": (("--atomic-unit", "100"), "--atomic-unit"),
    "no workers": (("--workers", "0"), "--workers"),
    "an unknown option": (("--speed", "3"), "--speed"),
    "an unknown submission": (("--submit", "hope"), "--submit"),
    "no such streams file": (("--streams", "/nonexistent/streams.toml"), "--streams"),
    "a floating address that is none": (("--floating-address", "the pair"), "'the pair' is not an IP address"),
    "a floating network": (("--floating-address", "192.0.2.0/24"), "'192.0.2.0/24' is not an IP address"),
    "no floating address": (("--floating-address", ""), "'' is not an IP address"),
    "this host's own address": (("--floating-address", "127.0.0.1"), "is not the address of another host"),
    "an interface that is not there": (("--floating-address", "fe80::9%none"), "interface 'none', which is not there"),
    "a controller of no address": (("--controller", f"left={HARDWARE}"), "say which by --floating-address"),
    "a controller without a name": ((*WATCHED, "--controller", HARDWARE), "is not of the form NAME="),
    "a controller by its address": ((*WATCHED, "--controller", "left=192.0.2.1"), "is not of the form NAME="),
    "a hostile controller": ((*WATCHED, "--controller", f"\x1b[2J={HARDWARE}"), r"'\x1b[2J=02:00:00:00:00:aa': a name"),
    "two controllers in one": (
        (*WATCHED, "--controller", f"left={HARDWARE}", "--controller", f"right={HARDWARE}"),
        "gives 02:00:00:00:00:aa twice",
    ),
}  # fmt: skip
WRONG_ADDRESSES = [
    wrong for wrong, (options, _) in WRONG_NUMBERS.items() if {"--floating-address", "--controller"} & {*options}
]


@pytest.mark.parametrize("wrong", WRONG_NUMBERS)
def test_a_wrong_option_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str], wrong: str) -> None:
    options, says = WRONG_NUMBERS[wrong]
    record, volume = tmp_path / "record", tmp_path / "volume"
    code, out, err = here(["write", volume, "--record", record, "--for", "0.1s", *options], capsys)
    assert (code, out) == (USAGE, "")
    assert says in err
    assert not record.exists()
    assert not volume.exists()


@pytest.mark.parametrize("wrong", WRONG_ADDRESSES)
def test_a_wrong_address_takes_one_plain_line(tmp_path: Path, capsys: pytest.CaptureFixture[str], wrong: str) -> None:
    arguments = ["write", tmp_path / "volume", "--record", tmp_path / "record", *WRONG_NUMBERS[wrong][0]]
    _, _, err = here(arguments, capsys)
    assert err.count("\n") == 1
    assert err.startswith("ackproof: --")
    assert err.rstrip("\n").isprintable()


def test_a_right_address_is_watched(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = tmp_path / "record"
    more = ("--floating-address", "2001:DB8::0009", "--controller", f"left={HARDWARE}")
    code, _, err = here(["write", tmp_path / "volume", "--record", record, *SMALL, *more], capsys)
    assert code == 0, err
    assert json.loads((record / "run.json").read_text())["floating_address"] == "2001:db8::9"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "[[stream]]"),
        ("stream = 3", "[[stream]]"),
        ("[[stream]", "not TOML"),
        ("[[stream]]\nspeed = 3", "unknown key 'speed'"),
        ('[[stream]]\nblock = "5000"', "power of two"),
        ("[[stream]]\nlanes = 'x'", "stream 1"),
        ("[[stream]]\npattern = 'zigzag'", "zigzag"),
        ("[[stream]]\nread-share = nan", "from 0 to 1"),
        ("[[stream]]\npace = inf", "pace"),
        ("[[stream]]\nlanes = inf", "infinity"),
        ("[[stream]]\npace = 1" + "0" * 400, "too large"),
        ("[[stream]]\n[other]", "[[stream]]"),
    ],
)
def test_a_wrong_streams_file_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, says: str) -> None:
    streams = tmp_path / "streams.toml"
    streams.write_text(text)
    arguments = ["write", tmp_path / "volume", "--record", tmp_path / "record", "--for", "0.1s", "--streams", streams]
    code, out, err = here(arguments, capsys)
    assert (code, out) == (USAGE, "")
    assert says in err
    assert not (tmp_path / "record").exists()


class TestTheVolume:
    def write(self, volume: Path, record: Path, *more: str) -> CompletedProcess[str]:
        return run_here("write", volume, "--record", record, *(more or SMALL))

    def test_in_a_folder_that_is_missing(self, tmp_path: Path) -> None:
        refused(self.write(tmp_path / "no" / "volume", tmp_path / "record"), CANNOT_RUN, "its folder does not exist")
        assert list(tmp_path.iterdir()) == []

    def test_that_is_missing(self, tmp_path: Path) -> None:
        refused(ackproof("survey", tmp_path / "volume"), CANNOT_RUN, "no such volume")

    def test_that_is_a_directory(self, tmp_path: Path) -> None:
        (tmp_path / "volume").mkdir()
        refused(self.write(tmp_path / "volume", tmp_path / "record"), CANNOT_RUN, "is a directory")
        refused(run_here("survey", tmp_path / "volume"), CANNOT_RUN, "is a directory")

    def test_that_is_too_small(self, tmp_path: Path) -> None:
        (tmp_path / "volume").write_bytes(bytes(4096))
        done = self.write(tmp_path / "volume", tmp_path / "record", "--lanes", "2", "--erase", str(tmp_path / "volume"))
        refused(done, USAGE, "too few", "too small")

    def test_that_ends_before_the_span_does(self, tmp_path: Path) -> None:
        (tmp_path / "volume").write_bytes(bytes(1 << 20))
        done = self.write(tmp_path / "volume", tmp_path / "record", "--span", "2MiB")
        refused(done, USAGE, "the span ends at 2 MiB", "1 MiB")

    def test_that_exists_is_not_written_to_without_its_identity(self, tmp_path: Path) -> None:
        volume = tmp_path / "volume"
        before = os.urandom(128 << 10)
        volume.write_bytes(before)
        refused(self.write(volume, tmp_path / "record"), USAGE, "--erase", str(volume))
        refused(self.write(volume, tmp_path / "record", *SMALL, "--erase", "/dev/sda"), USAGE, "is another volume")
        assert volume.read_bytes() == before
        assert not (tmp_path / "record").exists()

    def test_that_exists_is_written_to_with_its_identity(self, tmp_path: Path) -> None:
        volume = tmp_path / "volume"
        volume.write_bytes(bytes(128 << 10))
        done = ackproof("write", volume, "--record", tmp_path / "record", *SMALL, "--erase", os.path.realpath(volume))
        assert done.returncode == 0, done.stderr
        assert verdict_after_check(tmp_path / "record") == "INCONCLUSIVE"

    def test_with_a_name_that_is_not_text(self, tmp_path: Path) -> None:
        volume = Path(os.fsdecode(os.fsencode(tmp_path) + b"/v\xff\xfe"))
        record = Path(os.fsdecode(os.fsencode(tmp_path) + b"/r\xff"))
        done = ackproof("write", volume, "--record", record, *SMALL)
        assert done.returncode == 0, done.stderr
        checked = ackproof("check", record)
        assert checked.returncode == INCONCLUSIVE, checked.stderr
        assert "Traceback" not in checked.stderr


def verdict_after_check(record: Path) -> str:
    return str(check_here(record).verdict["verdict"])


class TestTheRecordFolder:
    def test_that_holds_something(self, tmp_path: Path) -> None:
        (tmp_path / "record").mkdir()
        (tmp_path / "record" / "note").write_text("keep me")
        done = ackproof("write", tmp_path / "volume", "--record", tmp_path / "record", *SMALL)
        refused(done, USAGE, "is not empty")
        assert (tmp_path / "record" / "note").read_text() == "keep me"
        assert not (tmp_path / "volume").exists()

    def test_that_holds_a_run(self, record: Path, tmp_path: Path) -> None:
        before = (record / "run.json").read_bytes()
        refused(run_here("write", tmp_path / "other", "--record", record, *SMALL), USAGE, "is not empty")
        assert (record / "run.json").read_bytes() == before

    def test_that_is_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "record").write_text("a file")
        done = run_here("write", tmp_path / "volume", "--record", tmp_path / "record", *SMALL)
        refused(done, USAGE, "is not a folder")

    def test_that_is_empty_is_taken_and_left_if_nothing_starts(self, tmp_path: Path) -> None:
        (tmp_path / "record").mkdir()
        done = run_here("write", tmp_path / "no" / "volume", "--record", tmp_path / "record", *SMALL)
        refused(done, CANNOT_RUN, "its folder does not exist")
        assert list((tmp_path / "record").iterdir()) == []
        done = ackproof("write", tmp_path / "volume", "--record", tmp_path / "record", *SMALL)
        assert done.returncode == 0, done.stderr

    def test_below_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("a file")
        done = run_here("write", tmp_path / "volume", "--record", tmp_path / "file" / "record", *SMALL)
        refused(done, CANNOT_RUN, "cannot be made")

    @pytest.mark.parametrize("command", [("check",), ("mark",)])
    def test_that_is_none(self, tmp_path: Path, command: tuple[str, ...]) -> None:
        more = ("pulled",) if command == ("mark",) else ()
        refused(run_here(*command, tmp_path / "none", *more), CANNOT_RUN, "no such folder")
        (tmp_path / "empty").mkdir()
        refused(run_here(*command, tmp_path / "empty", *more), CANNOT_RUN, "it has no run.json")

    def test_whose_ledger_is_gone(self, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
        for part in (record / "ledger").iterdir():
            part.unlink()
        code, out, _ = here(["check", record], capsys)
        assert code == INCONCLUSIVE
        assert "the file is missing" in out

    def test_whose_ledger_is_of_another_run(
        self, record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        request = RunRequest((StreamRequest(4096, 2, 64 << 10),), operations=5)
        write_here(tmp_path / "other volume", tmp_path / "other", request)
        other = (tmp_path / "other" / "ledger" / "001.ledger").read_bytes()
        (record / "ledger" / "001.ledger").write_bytes(other)
        code, out, _ = here(["check", record], capsys)
        assert code == INCONCLUSIVE
        assert "001.ledger, frame 0 at byte 0" in out


class TestAtCheckTime:
    def test_a_volume_that_is_missing(self, record: Path, tmp_path: Path) -> None:
        (tmp_path / "volume").unlink()
        checked = ackproof("check", record)
        assert checked.returncode == FAIL
        assert "unreadable: 16 blocks" in checked.stdout
        assert "is not there" in " ".join(checked.stdout.split())
        verdict = verdict_of(record)
        assert verdict["findings"]["unreadable"] == 16
        assert verdict["coverage"]["slots_read"] == 0

    def test_a_path_that_is_missing(self, record: Path, tmp_path: Path) -> None:
        refused(run_here("check", record, "--volume", tmp_path / "none"), CANNOT_RUN, "no such volume")
        assert not (record / "checks" / "001").exists()

    def test_a_directory(self, record: Path, tmp_path: Path) -> None:
        refused(run_here("check", record, "--volume", tmp_path), CANNOT_RUN, "is a directory")

    @pytest.mark.parametrize("size_bytes", [16 << 10, 64 << 10, 1 << 20])
    def test_another_volume(
        self, record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], size_bytes: int
    ) -> None:
        (tmp_path / "other").write_bytes(os.urandom(size_bytes))
        code, out, _ = here(["check", record, "--volume", tmp_path / "other"], capsys)
        assert code == INCONCLUSIVE
        assert "is not the volume that was written" in " ".join(out.split())
        no_false_finding(verdict_of(record), losses_of(record / "checks" / "001"))

    def test_a_volume_of_another_run(self, record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        request = RunRequest((StreamRequest(4096, 2, 64 << 10),), operations=5)
        write_here(tmp_path / "other", tmp_path / "other record", request)
        code, out, _ = here(["check", record, "--volume", tmp_path / "other"], capsys)
        assert code == INCONCLUSIVE
        assert "is not the volume that was written" in " ".join(out.split())

    def test_a_checks_folder_that_is_a_file(self, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (record / "checks").rmdir()
        (record / "checks").write_text("in the way")
        code, out, err = here(["check", record], capsys)
        assert (code, out) == (CANNOT_RUN, "")
        assert "cannot be kept" in err


class TestMarks:
    def test_after_the_end_is_a_note(self, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
        code, out, _ = here(["mark", record, "--takeover", "too late"], capsys)
        assert code == 0
        assert "kept as a note" in out
        assert "too late" in (record / "events.jsonl").read_text()
        assert verdict_after_check(record) == "INCONCLUSIVE"

    def test_without_a_text(self, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
        code, _, err = here(["mark", record], capsys)
        assert code == USAGE
        assert "TEXT" in err

    def test_with_bytes_that_are_not_text(self, record: Path) -> None:
        done = ackproof("mark", record, os.fsdecode(b"cable \xff pulled\x1b[31m"))
        assert done.returncode == 0, done.stderr
        assert "cable" in (record / "events.jsonl").read_text(encoding="utf-8")


def test_no_command_and_unknown_commands(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = here(["destroy"], capsys)
    assert code == USAGE
    assert "destroy" in err
    for command in (
        (),
        ("write", "--help"),
        ("check", "--help"),
        ("mark", "--help"),
        ("survey", "--help"),
        ("--help",),
    ):
        code, out, err = here(command, capsys)
        assert code in (0, USAGE)
        assert "Usage" in out + err
