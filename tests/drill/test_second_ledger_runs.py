"""Whole runs with a second ledger: alongside a load, with both ends killed, and with a receiver that is not there."""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import re
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import (
    ackproof,
    check_here,
    load_on,
    losses_of,
    no_false_finding,
    start,
    wait_for_load,
    wait_until,
)
from tests.ledger.second_ends import SECRET, Held, receiving
from verify.commands.live import lag_text
from verify.commands.main import main
from verify.drill import writing
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder
from verify.ledger.reader import LedgerFile
from verify.ledger.second_sender import Lag, SecondLedger
from verify.load.run import Run

SPAN_BYTES = 256 * 1024
RECEIVER_KILLS = int(os.environ.get("ACKPROOF_TEST_RECEIVER_KILLS", "2"))
REQUEST = RunRequest(streams=(StreamRequest(lanes=4, span_bytes=SPAN_BYTES),), seed=5, workers=2)


class Receiving:
    """`ackproof receive` in a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.kept, self.secret = folder / "kept", folder / "secret"
        self.address = "127.0.0.1:0"
        self.process: subprocess.Popen[str] | None = None
        self._log = folder / "receive.log"

    def start(self) -> None:
        """Begin to listen, at the same port as before."""
        with open(self._log, "w") as log:
            options = ("--listen", self.address, "--into", self.kept, "--secret", self.secret)
            self.process = start("receive", *options, stdout=log, stderr=log)
        wait_until(lambda: "listening at" in self._log.read_text(), "the receiver listens", self.process)
        found = re.search(r"listening at (\S+:\d+)", self._log.read_text())
        assert found is not None
        self.address = found[1]

    def end(self, number: int) -> int:
        assert self.process is not None
        os.killpg(self.process.pid, number)
        return self.process.wait(60)

    @property
    def said(self) -> str:
        return self._log.read_text()


@pytest.fixture
def receiver(tmp_path: Path) -> Iterator[Receiving]:
    made = Receiving(tmp_path)
    made.start()
    yield made
    assert made.process is not None
    if made.process.poll() is None:
        made.end(signal.SIGKILL)


def write_options(receiver: Receiving, *more: str | int) -> list[Any]:
    return ["--block", "4KiB", "--lanes", 4, "--span", "2MiB", "--workers", 2, "--second-ledger", receiver.address,
            "--secret", receiver.secret, *more]  # fmt: skip


def heads(path: Path, run: Run, part: int) -> tuple[list[str], LedgerFile]:
    file = LedgerFile(str(path), run.tag, part)
    return list(file.heads()), file


def test_a_run_is_held_whole_and_says_so(tmp_path: Path, receiver: Receiving) -> None:
    record = tmp_path / "record"
    done = ackproof("write", tmp_path / "volume", "--record", record, "--for", "1s", *write_options(receiver))
    assert done.returncode == 0, done.stderr
    assert re.search(r"second ledger at \S+: \S+ \S+, all of it, confirmed", done.stdout), done.stdout
    folder, (about, run) = RecordFolder.open(str(record)), RecordFolder.open(str(record)).read_run()
    copy = receiver.kept / run.run_id
    for part in run.ledger_parts:
        assert (copy / "ledger" / f"{part:03d}.ledger").read_bytes() == folder.ledger_part(part).read_bytes()
    assert (copy / "run.json").read_bytes() == folder.run_path.read_bytes()
    facts = about["result"]["second_ledger"]
    total = sum(folder.ledger_part(part).stat().st_size for part in run.ledger_parts)
    assert facts["written_bytes"] == facts["confirmed_bytes"] == total
    assert 0 < facts["longest_behind_s"] < 30
    assert facts["connections"] >= 1
    assert (facts["behind_s"], facts["refused"], facts["trouble"]) == (0.0, {}, "")
    result = check_here(record)
    assert result.verdict["second_ledger"]["kept"] == facts
    assert f"run {run.run_id}: ended; complete, {total:,} bytes" in receiver.said
    assert receiver.end(signal.SIGINT) == 0
    assert receiver.said.rstrip().endswith("ended")


def test_both_ends_killed_at_random_moments(tmp_path: Path, receiver: Receiving) -> None:
    """The receiver several times and begun anew, the writer in the end: what is held is a beginning of the guest's."""
    chosen = random.Random(11)
    record = tmp_path / "record"
    writer = start(
        "write", tmp_path / "volume", "--record", record, "--for", "60s", *write_options(receiver),
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        wait_for_load(record, writer)
        _, run = RecordFolder.open(str(record)).read_run()
        copy = receiver.kept / run.run_id / "ledger"
        for _ in range(RECEIVER_KILLS):
            grown = {part: size_of(copy, part) for part in (1, 2)}
            wait_until(lambda: all(size_of(copy, p) > size for p, size in grown.items()), "more", writer)  # noqa: B023
            time.sleep(chosen.uniform(0, 0.2))
            receiver.end(signal.SIGKILL)
            receiver.start()
        grown = {part: size_of(copy, part) for part in (1, 2)}
        wait_until(lambda: all(size_of(copy, p) > size for p, size in grown.items()), "more", writer)
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(writer.pid, signal.SIGKILL)
        writer.wait()
    wait_until(lambda: not RecordFolder.open(str(record)).running(), "the end of all its processes")
    wait_until(lambda: "connection lost" in receiver.said, "the receiver's notice", receiver.process)
    assert receiver.end(signal.SIGTERM) == 0
    for part in run.ledger_parts:
        ours, _ = heads(record / "ledger" / f"{part:03d}.ledger", run, part)
        theirs, file = heads(copy / f"{part:03d}.ledger", run, part)
        assert theirs == ours[: len(theirs)]
        assert len(theirs) > 1
        assert (file.state.torn, file.state.damaged) == ("", "")
        assert file.state.good_bytes == file.state.size_bytes
    without = tmp_path / "without"
    shutil.copytree(record, without)
    shutil.rmtree(without / "ledger")
    (without / "ledger").mkdir()
    code, out, err = here("check", without, "--second-ledger", receiver.kept)
    assert code == 3, out + err
    assert "judged for 3 of 3 files" in " ".join(out.split())
    verdict = json.loads((without / "verdict.json").read_text())
    no_false_finding(verdict, losses_of(without / "checks" / "001"))
    assert not any("damaged" in reason for reason in verdict["reasons"]), verdict["reasons"]
    code, out, err = here("check", receiver.kept / run.run_id, "--volume", tmp_path / "volume")
    assert code == 3, out + err
    assert "the run's end did not reach it" in " ".join(out.split())
    verdict = json.loads((receiver.kept / run.run_id / "verdict.json").read_text())
    no_false_finding(verdict, losses_of(receiver.kept / run.run_id / "checks" / "001"))


def here(*arguments: str | Path) -> tuple[int, str, str]:
    """One command in this process: exit code, standard output, standard error."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code, out.getvalue(), err.getvalue()


def size_of(copy: Path, part: int) -> int:
    path = copy / f"{part:03d}.ledger"
    return path.stat().st_size if path.exists() else 0


def run_with(second: SecondLedger, folder: Path, seconds: float) -> dict[str, Any]:
    """What run.json says of the second ledger after a run on a volume in memory."""
    volume = MemoryVolume(SPAN_BYTES, write_delay_s=0.001)
    load_on(volume, folder / "record", REQUEST, seconds, second_ledger=second)
    about = json.loads((folder / "record" / "run.json").read_text())
    assert about["second_ledger"] == {"address": second.address}
    assert about["ended_because"] == "the time is over"
    assert about["result"]["acknowledged_writes"] > 0
    facts: dict[str, Any] = about["result"]["second_ledger"]
    return facts


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "SECOND_LEDGER_PATIENCE_S", 0.2)
    monkeypatch.setattr(writing, "_UNTOLD_S", 0.05)


@pytest.mark.usefixtures("impatient")
class TestReceiverGone:
    def test_a_run_goes_on_without_one_and_says_so(self, tmp_path: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as listener:
            address = listener.getsockname()[:2]
        facts = run_with(SecondLedger(address, SECRET), tmp_path, 0.3)
        assert (facts["confirmed_bytes"], facts["connections"]) == (0, 0)
        assert facts["written_bytes"] == facts["most_behind_bytes"] > 0
        assert facts["longest_behind_s"] >= facts["behind_s"] > 0.2
        assert "refused" in facts["trouble"]

    def test_one_that_takes_connections_and_never_answers_holds_up_nothing(self, tmp_path: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as listener:
            facts = run_with(SecondLedger(listener.getsockname()[:2], SECRET), tmp_path, 0.3)
        assert facts["confirmed_bytes"] == 0
        assert facts["trouble"] == "not connected yet"

    def test_one_that_dies_in_the_middle_leaves_what_it_had(self, tmp_path: Path) -> None:
        held = Held(tmp_path / "kept")
        second = SecondLedger(held.address, SECRET)
        stopped: list[bool] = []

        def stop_after_a_while(_snapshot: object) -> None:
            if not stopped and second.lag().confirmed_bytes:
                stopped.append(True)
                held.stop()

        volume = MemoryVolume(SPAN_BYTES, write_delay_s=0.001)
        run = load_on(volume, tmp_path / "record", REQUEST, 1.0, second_ledger=second, on_tick=stop_after_a_while)
        facts = json.loads((tmp_path / "record" / "run.json").read_text())["result"]["second_ledger"]
        assert stopped
        assert 0 < facts["confirmed_bytes"] < facts["written_bytes"]
        assert facts["behind_s"] > 0
        for part in run.ledger_parts:
            whole = RecordFolder.open(str(tmp_path / "record")).ledger_part(part).read_bytes()
            assert whole.startswith(held.bytes_of(run, part))


def test_a_run_that_is_over_at_once_is_held_whole_too(tmp_path: Path) -> None:
    with receiving(tmp_path / "kept") as held:
        second = SecondLedger(held.address, SECRET)
        volume = MemoryVolume(SPAN_BYTES)
        request = RunRequest(streams=REQUEST.streams, seed=5, workers=2, operations=0, fill=False)
        run = load_on(volume, tmp_path / "record", request, None, second_ledger=second)
        assert second.missing == ""
        for part in run.ledger_parts:
            whole = RecordFolder.open(str(tmp_path / "record")).ledger_part(part).read_bytes()
            assert held.bytes_of(run, part) == whole


class TestCommandLines:
    @pytest.mark.parametrize("given", [["--second-ledger", "127.0.0.1:1"], ["--secret", "x"]])
    def test_one_option_without_the_other_is_wrong_usage(self, tmp_path: Path, given: list[str]) -> None:
        code, _, err = here("write", tmp_path / "volume", "--record", tmp_path / "record", *given)
        assert code == 2
        assert "go together" in err
        assert not (tmp_path / "record").exists()

    def test_an_address_that_is_none_is_wrong_usage(self, tmp_path: Path) -> None:
        code, _, err = here("receive", "--listen", "7420", "--into", tmp_path / "kept", "--secret", tmp_path / "secret")
        assert code == 2
        assert "write it as" in err
        assert os.listdir(tmp_path) == []

    def test_a_port_in_use_and_no_openssl_cannot_run(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        with socket.create_server(("127.0.0.1", 0)) as taken:
            address = f"127.0.0.1:{taken.getsockname()[1]}"
            arguments = ("receive", "--listen", address, "--into", tmp_path / "kept", "--secret", tmp_path / "secret")
            code, _, err = here(*arguments)
            assert code == 4
            assert "nothing can listen at" in err
            monkeypatch.setenv("PATH", str(tmp_path))
            code, _, err = here(*arguments)
            assert code == 4
            assert "openssl is needed" in err


@pytest.mark.parametrize(
    ("lag", "text"),
    [
        (Lag(True, 1000, 1000, 0.0, ""), "second ledger up to date"),
        (Lag(True, 1000, 900, 0.25, ""), "second ledger 0.25 s behind"),
        (Lag(False, 4096, 0, 12.0, "Connection refused"), "second ledger 12.0 s behind, 4 KiB (Connection refused)"),
    ],
)
def test_the_live_line_says_how_far_it_is_behind(lag: Lag, text: str) -> None:
    assert lag_text(lag) == text
