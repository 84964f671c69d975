"""The receiver's end by itself: its folder, its address, what it says how often, and which copies it knows."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from tests.ledger.receiver.conversation import another, not_running
from tests.ledger.second_ends import (
    PATIENCE_S,
    SECRET,
    Clock,
    Written,
    certificate,
    open_files,
    wait_for,
)
from verify.errors import CannotRun
from verify.ledger import second_receiver
from verify.ledger.second_receiver import (
    STRANGER_TOLD_EVERY_S,
    Receiver,
)


class TestBeginning:
    def end(self, receiver: Receiver) -> None:
        receiver.stop()
        receiver.run()
        receiver.stop()

    def test_makes_its_folder_and_gives_back_everything_at_its_end(self, tmp_path: Path) -> None:
        before = sorted(os.listdir("/proc/self/fd"))
        for _ in range(2):
            receiver = not_running(tmp_path / "a" / "b" / "kept")
            host, port = receiver.address
            assert host == "127.0.0.1"
            socket.create_connection((host, port)).close()
            self.end(receiver)
            assert sorted(os.listdir("/proc/self/fd")) == before

    def test_listens_at_addresses_of_six_parts(self, tmp_path: Path) -> None:
        try:
            with socket.create_server(("::1", 0), family=socket.AF_INET6):
                pass
        except OSError as error:
            pytest.skip(f"this host has no such address: {error}")
        receiver = not_running(tmp_path / "kept", host="::1")
        host, port = receiver.address
        assert host == "::1"
        socket.create_connection((host, port)).close()
        self.end(receiver)

    def test_connections_do_not_hold_up_the_end_of_the_process(self, tmp_path: Path) -> None:
        receiver = not_running(tmp_path / "kept")
        before = set(threading.enumerate())
        running = threading.Thread(target=receiver.run)
        running.start()
        with socket.create_connection(receiver.address):
            wait_for(lambda: len(set(threading.enumerate()) - before) == 2, "the connection's thread")
            (one,) = set(threading.enumerate()) - before - {running}
            assert one.daemon
        receiver.stop()
        running.join(PATIENCE_S)
        assert not running.is_alive()

    def test_says_what_stands_in_its_way(self, tmp_path: Path) -> None:
        file = tmp_path / "file"
        file.write_text("")
        receiver = not_running(tmp_path / "kept")
        before = sorted(os.listdir("/proc/self/fd"))
        for folder, words in (
            (file, f"{file} cannot be made: File exists"),
            (tmp_path / "kept", f"another receiver keeps its ledgers in {tmp_path / 'kept'}"),
        ):
            with pytest.raises(CannotRun) as raised:
                not_running(folder)
            assert str(raised.value) == words
        context, shown = certificate()
        with pytest.raises(CannotRun) as raised:
            Receiver(tmp_path / "other", receiver.address, SECRET, context, shown, print)
        address = f"127.0.0.1:{receiver.address[1]}"
        assert str(raised.value) == f"nothing can listen at {address}: Address already in use"
        assert sorted(os.listdir("/proc/self/fd")) == before
        self.end(receiver)

    def test_says_that_its_folder_may_not_be_written_to(self, small_disk: Callable[[int], Path]) -> None:
        disk = small_disk(65536)
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        with pytest.raises(CannotRun) as raised:
            not_running(disk)
        assert str(raised.value) == f"{disk} may not be written to"


class TestSaying:
    @pytest.fixture
    def said(self) -> list[str]:
        return []

    @pytest.fixture
    def receiver(self, clock: Clock, kept: Path, said: list[str]) -> Iterator[Receiver]:
        made = not_running(kept, said)
        yield made
        made.stop()
        made.run()

    def test_the_same_of_a_run_only_after_something_came(self, receiver: Receiver, said: list[str]) -> None:
        for _ in range(2):
            receiver.tell("a", "x")
            receiver.tell("b", "x")
            receiver.tell("a", "y")
            receiver.tell(None, "x")
        assert said == ["run a: x", "run b: x", "run a: y", "a run: x"]
        receiver.moved("a")
        receiver.moved("c")
        for run_id in ("a", "b", None):
            receiver.tell(run_id, "x")
        assert said[4:] == ["run a: x"]

    def test_of_strangers_not_each(self, receiver: Receiver, said: list[str], clock: Clock) -> None:
        clock.now = 0.0
        for seconds, told in ((0.0, 1), (STRANGER_TOLD_EVERY_S / 2, 1), (STRANGER_TOLD_EVERY_S, 2)):
            clock.now = seconds
            receiver.tell_stranger("192.0.2.9", "why")
            assert said == ["refused a connection from 192.0.2.9: why"] * told

    def test_nothing_of_a_connection_that_is_gone_already(self, receiver: Receiver, said: list[str]) -> None:
        receiver.leave(cast(Any, object()))
        assert said == []

    def test_of_copies_which_are_known(self, receiver: Receiver, written: Written, tmp_path: Path) -> None:
        runs = [written, another(tmp_path, 6)]
        copies = [receiver.copy_of(run.run_json, "192.0.2.9") for run in runs]
        assert [known for _, known in copies] == [False, False]
        assert [receiver.copy_of(run.run_json, "192.0.2.9") for run in runs] == [(copy, True) for copy, _ in copies]
        copies[0][0].resume(written.run_json)
        assert json.loads((copies[0][0].path / "received.json").read_text())["sender"] == "192.0.2.9"
        copies[0][0].path.rename(tmp_path / "taken away")
        assert open_files(tmp_path / "taken away") > 0
        copy, known = receiver.copy_of(written.run_json, "192.0.2.9")
        assert not known
        assert open_files(tmp_path / "taken away") == 0
        copy.resume(written.run_json)

    def test_of_copies_not_more_than_so_many_are_known(
        self, receiver: Receiver, written: Written, tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(second_receiver, "COPIES_KNOWN_MAX", 2)
        runs = [written, another(tmp_path, 6), another(tmp_path, 7)]
        copies = [receiver.copy_of(run.run_json, "a")[0] for run in runs]
        assert open_files(kept) == 3, "the folder and two locks"
        assert receiver.copy_of(runs[1].run_json, "a") == (copies[1], True)
        assert receiver.copy_of(runs[2].run_json, "a") == (copies[2], True)
        assert not receiver.copy_of(runs[0].run_json, "a")[1]
        assert not receiver.copy_of(runs[1].run_json, "a")[1], "it was the one that nobody had asked for the longest"
        monkeypatch.setattr(second_receiver, "COPIES_KNOWN_MAX", 0)
        receiver.copy_of(runs[2].run_json, "a")[0].resume(runs[2].run_json)
