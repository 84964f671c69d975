"""The receiver's end alone, against senders that a test plays: what it says, to whom, and how it shares itself out."""

from __future__ import annotations

import json
import os
import resource
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from blake3 import blake3

from tests.ledger.second_ends import PATIENCE_S, SECRET, Held, Written, certificate, encrypted, ends, next_of, wait_for
from verify.errors import CannotRun
from verify.ledger import second_receiver
from verify.ledger.second_certificate import client_context
from verify.ledger.second_channel import (
    HELD,
    PLACE,
    STATUS,
    WHOLE_RUN,
    Channel,
    Kind,
    Stranger,
    greet_receiver,
    pack_all,
)
from verify.ledger.second_receiver import (
    HANDSHAKE_S,
    LAG_TOLD_S,
    SILENCE_S,
    STRANGER_TOLD_EVERY_S,
    WAIT_EVERY_S,
    Receiver,
)

SYNC_S = 1 / 32


class Clock:
    """What the receiver takes for time, so far ahead that no channel's deadline is over by it; moved by the test."""

    def __init__(self) -> None:
        self.now = float(int(time.monotonic()) + 100_000)
        self.asked = 0

    def monotonic(self) -> float:
        self.asked += 1
        return self.now

    def let_it_look(self) -> None:
        before = self.asked
        wait_for(lambda: self.asked > before + 6, "a look at the clock")


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(second_receiver, "time", SimpleNamespace(monotonic=made.monotonic))
    monkeypatch.setattr(second_receiver, "SYNC_EVERY_S", SYNC_S)
    monkeypatch.setattr(second_receiver, "_ACCEPT_S", 0.01)
    return made


@pytest.fixture
def written(tmp_path: Path) -> Written:
    return Written(tmp_path / "guest", 5, 6)


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    return tmp_path / "kept"


@pytest.fixture
def held(kept: Path, clock: Clock) -> Iterator[Held]:
    made = Held(kept, made=certificate())
    yield made
    made.stop()


@pytest.fixture
def connect(held: Held) -> Iterator[Callable[..., Channel]]:
    """Connects to a receiver as a sender that knows the secret, and sends a run.json."""
    made: list[Channel] = []

    def start(run_json: bytes, sock: socket.socket | None = None, to: Held | None = None) -> Channel:
        tls = encrypted(to or held) if sock is None else client_context().wrap_socket(sock)
        channel = greet_receiver(tls, SECRET)
        made.append(channel)
        channel.send(Kind.RUN, run_json)
        return channel

    yield start
    for channel in made:
        channel.close()


@pytest.fixture
def channel(connect: Callable[..., Channel], written: Written) -> Channel:
    """A connection of a run of which nothing is held."""
    made = connect(written.run_json)
    assert next_of(made)[0] == Kind.HELD
    return made


def frames_of(written: Written, part: int, first: int, last: int) -> bytes:
    """A message's content: some frames and where they belong."""
    frames = written.whole[part]
    return PLACE.pack(part, sum(map(len, frames[:first]))) + b"".join(frames[first:last])


def confirmed(written: Written, *frames: int) -> tuple[Kind, bytes]:
    """The confirmation of so many frames of each part."""
    rows = [(part, sum(map(len, written.whole[part][:count]))) for part, count in enumerate(frames)]
    return Kind.CONFIRMED, pack_all(PLACE, rows)


def says(held: Held, written: Written, *lines: str) -> None:
    """What it says of the run, in all."""
    wanted = [f"run {written.run.run_id}: {line}" for line in lines]
    wait_for(lambda: len(held.said) >= len(wanted), f"{wanted}, not {held.said}")
    assert held.said == wanted


def open_files(folder: Path) -> int:
    """So many files of the folder are open in this process."""
    links = [f"/proc/self/fd/{number}" for number in os.listdir("/proc/self/fd")]
    return sum(os.readlink(link).startswith(str(folder)) for link in links if os.path.lexists(link))


def another(tmp_path: Path, seed: int) -> Written:
    return Written(tmp_path / f"guest{seed}", seed, 2)


def not_running(folder: Path, said: list[str] | None = None) -> Receiver:
    """A receiver that takes no connections."""
    context, shown = certificate()
    return Receiver(folder, ("127.0.0.1", 0), SECRET, context, shown, (said if said is not None else []).append)


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


class TestServing:
    def test_says_what_it_holds_and_confirms_what_is_lasting(
        self, held: Held, channel: Channel, connect: Callable[..., Channel], written: Written, clock: Clock
    ) -> None:
        where = held.folder / written.run.run_id
        says(held, written, f"begins, from 127.0.0.1; 0 bytes held in {where}")
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 0, 0, 0)
        channel.send(Kind.FRAMES, frames_of(written, 1, 0, 6))
        channel.send(Kind.FRAMES, frames_of(written, 2, 0, 0))
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 0, 6, 0)
        channel.close()
        size = len(b"".join(written.whole[1][:6]))
        assert size > 1000
        wait_for(lambda: len(held.said) == 2, "the loss")
        again = connect(written.run_json)
        rows = [(0, 0, bytes(32)), (1, size, blake3(written.whole[1][5]).digest()), (2, 0, bytes(32))]
        assert next_of(again) == (Kind.HELD, pack_all(HELD, rows))
        again.close()
        wait_for(lambda: not held.receiver._connections, "its end")
        connect(written.run_json)
        lines = [
            f"begins, from 127.0.0.1; 0 bytes held in {where}", f"connection lost; {size:,} bytes held",
            f"goes on, from 127.0.0.1; {size:,} bytes held in {where}",
        ]  # fmt: skip
        says(held, written, *lines)

    def test_confirms_by_itself_what_came_and_nothing_else(
        self, held: Held, channel: Channel, written: Written, clock: Clock
    ) -> None:
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 0, 0, 0)
        for count in (1, 2):
            clock.now += 1.0
            clock.let_it_look()
            channel.send(Kind.FRAMES, frames_of(written, 0, count - 1, count))
            assert next_of(channel) == confirmed(written, count, count - 1, 0)
            channel.send(Kind.FRAMES, frames_of(written, 1, count - 1, count))
            wait_for(lambda: held.bytes_of(written.run, 1).endswith(written.whole[1][count - 1]), "it")  # noqa: B023
            clock.now += SYNC_S
            assert next_of(channel) == confirmed(written, count, count, 0)
        clock.now += 1.0
        clock.let_it_look()
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 2, 2, 0)
        channel.send(Kind.FRAMES, frames_of(written, 2, 0, 1))
        clock.let_it_look()
        channel.send(Kind.END, written.end_json)
        assert next_of(channel)[0] == Kind.ENDED, "something was confirmed too early, or twice"

    @pytest.mark.parametrize("whole", [True, False])
    def test_says_at_the_end_what_is_missing(self, held: Held, channel: Channel, written: Written, whole: bool) -> None:
        for part in written.whole:
            channel.send(Kind.FRAMES, PLACE.pack(part, 0), b"".join(written.whole[part][: None if whole else 2]))
        channel.send(Kind.END, written.end_json)
        missing = (
            [] if whole else [f"{part:03d}.ledger ends before the run did: 2 frames are held" for part in (0, 1, 2)]
        )
        assert next_of(channel) == (Kind.ENDED, "; ".join(missing).encode())
        assert ends(channel)
        size = sum(map(len, (b"".join(frames[: None if whole else 2]) for frames in written.whole.values())))
        begun = f"begins, from 127.0.0.1; 0 bytes held in {held.folder / written.run.run_id}"
        end = f"complete, {size:,} bytes" if whole else f"incomplete, {size:,} bytes held: {'; '.join(missing)}"
        says(held, written, begun, f"ended; {end}")

    def test_refuses_a_part_and_goes_on(self, held: Held, channel: Channel, written: Written) -> None:
        for part, words in (
            (1, "frames of 001.ledger at byte 9 leave a gap: 0 bytes are held"), (258, "the run has no part 258")
        ):  # fmt: skip
            channel.send(Kind.FRAMES, PLACE.pack(part, 9), written.whole[1][0])
            assert next_of(channel) == (Kind.REFUSED, bytes([part % 256, part // 256]) + words.encode())
            assert held.said[-1] == f"run {written.run.run_id}: refused: {words}"
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 0, 0, 0)

    def test_refuses_a_run(self, held: Held, connect: Callable[..., Channel], written: Written) -> None:
        words = "it is described by no run.json"
        channel = connect(b"[]")
        assert next_of(channel) == (Kind.REFUSED, WHOLE_RUN.to_bytes(2, "little") + words.encode())
        assert ends(channel)
        assert held.said == [f"a run: refused: {words}"]
        del held.said[:]
        for folder in ("", "ledger"):
            (held.folder / written.run.run_id / folder).mkdir()
        (held.folder / written.run.run_id / "seal.json").write_text("{}")
        channel = connect(written.run_json)
        words = "it was checked and sealed here: it may not grow any more"
        assert next_of(channel) == (Kind.REFUSED, WHOLE_RUN.to_bytes(2, "little") + words.encode())
        assert ends(channel)
        says(held, written, f"refused: {words}")

    @pytest.mark.parametrize(
        ("kind", "content", "words"),
        [
            (Kind.STATUS, bytes(15), "a message is cut short"),
            (Kind.STATUS, bytes(17), "a message is cut short"),
            (Kind.FRAMES, bytes(PLACE.size - 1), "a message is cut short"),
            (Kind.HELLO, b"", "it sent HELLO"),
        ],
    )
    def test_cuts_off_who_speaks_otherwise(
        self, held: Held, channel: Channel, written: Written, kind: Kind, content: bytes, words: str
    ) -> None:
        channel.send(kind, content)
        assert ends(channel)
        says(
            held, written, f"begins, from 127.0.0.1; 0 bytes held in {held.folder / written.run.run_id}",
            f"cut off: {words}",
        )  # fmt: skip

    def test_says_what_cannot_be_kept_and_holds_what_was_lasting(
        self, held: Held, channel: Channel, connect: Callable[..., Channel], written: Written,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        def fail(_file: int) -> None:
            raise OSError(5, "Input/output error")

        channel.send(Kind.FRAMES, frames_of(written, 0, 0, 6))
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 6, 0, 0)
        del held.said[:]
        with monkeypatch.context() as patch:
            patch.setattr(os, "fdatasync", fail)
            for part in (1, 2):
                channel.send(Kind.FRAMES, frames_of(written, part, 0, 1))
            channel.send(Kind.STATUS, STATUS.pack(0, 0))
            assert next_of(channel) == (Kind.TROUBLE, b"Input/output error")
            assert ends(channel)
            size, more = len(b"".join(written.whole[0][:6])), len(written.whole[2][0])
            says(held, written, f"cannot be kept: Input/output error; {size + more:,} bytes held")
            wait_for(lambda: not held.receiver._connections, "its end")
        again = connect(written.run_json)
        rows = [(0, size, blake3(written.whole[0][5]).digest()), (1, 0, bytes(32)), (2, 0, bytes(32))]
        assert next_of(again) == (Kind.HELD, pack_all(HELD, rows))

    def test_goes_on_with_what_a_former_receiver_held_and_keeps_the_sender_patient(
        self, held: Held, channel: Channel, connect: Callable[..., Channel], written: Written, clock: Clock,
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        for part in (0, 1):
            channel.send(Kind.FRAMES, frames_of(written, part, 0, 3))
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 3, 3, 0)
        held.stop()
        assert open_files(held.folder) == 0
        for every_s, waits in ((WAIT_EVERY_S, 0), (0.0, 6)):
            monkeypatch.setattr(second_receiver, "WAIT_EVERY_S", every_s)
            newer = Held(held.folder, made=certificate())
            again = connect(written.run_json, to=newer)
            assert [next_of(again) for _ in range(waits)] == [(Kind.WAIT, b"")] * waits
            assert next_of(again)[0] == Kind.HELD
            size = sum(len(frame) for part in (0, 1) for frame in written.whole[part][:3])
            says(newer, written, f"goes on, from 127.0.0.1; {size:,} bytes held in {held.folder / written.run.run_id}")
            newer.stop()
            assert ends(again)

    def test_tells_of_a_lag_once_until_it_is_over(self, held: Held, channel: Channel, written: Written) -> None:
        del held.said[:]
        told_ms = int(LAG_TOLD_S * 1000)

        def lag(*behind_ms: int) -> None:
            for milliseconds in behind_ms:
                channel.send(Kind.STATUS, STATUS.pack(12345, milliseconds))
                assert next_of(channel)[0] == Kind.CONFIRMED

        lag(100, told_ms - 1)
        assert held.said == []
        lag(told_ms, told_ms + 1000, 1000)
        first = f"lags: {LAG_TOLD_S:.1f} s behind its writer, which has written 12,345 bytes"
        says(held, written, first)
        lag(999, 0)
        says(held, written, first, "has caught up")
        lag(told_ms, 0)
        says(held, written, first, "has caught up")
        channel.send(Kind.FRAMES, frames_of(written, 0, 0, 1))
        lag(0, told_ms, 0)
        says(held, written, first, "has caught up", first, "has caught up")

    def test_gives_up_a_sender_that_is_silent_for_too_long(
        self, held: Held, channel: Channel, written: Written, clock: Clock
    ) -> None:
        for _ in range(2):
            clock.now += SILENCE_S
            clock.let_it_look()
            channel.send(Kind.STATUS, STATUS.pack(0, 0))
            assert next_of(channel) == confirmed(written, 0, 0, 0)
            clock.let_it_look()
        clock.now += SILENCE_S + 0.5
        assert ends(channel)
        assert held.said[1:] == [f"run {written.run.run_id}: connection lost; 0 bytes held"]

    def test_makes_lasting_what_came_when_it_is_stopped(self, held: Held, channel: Channel, written: Written) -> None:
        channel.send(Kind.FRAMES, frames_of(written, 0, 0, 3))
        wait_for(lambda: held.bytes_of(written.run, 0), "the frames")
        held.stop()
        assert ends(channel)
        assert not held.receiver._connections
        assert open_files(held.folder) == 0
        assert held.bytes_of(written.run, 0) == b"".join(written.whole[0][:3])


class TestSharing:
    def test_strangers_drop_the_oldest_of_them_and_no_sender(
        self, held: Held, channel: Channel, connect: Callable[..., Channel], written: Written, tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        monkeypatch.setattr(second_receiver, "STRANGERS_MAX", 2)
        strangers = []
        for number in range(3):
            strangers.append(socket.create_connection(held.address, timeout=PATIENCE_S))
            wait_for(lambda: len(held.receiver._connections) > min(number + 1, 2), "its place")  # noqa: B023
        assert strangers[0].recv(1) == b""
        strangers[0].close()
        for sock, seed in zip(strangers[1:], (6, 7), strict=True):
            assert next_of(connect(another(tmp_path, seed).run_json, sock))[0] == Kind.HELD
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 0, 0, 0)

    def test_a_stranger_is_dropped_in_time_and_no_sender(
        self, held: Held, channel: Channel, connect: Callable[..., Channel], written: Written, tmp_path: Path,
        clock: Clock,
    ) -> None:  # fmt: skip
        strangers = [socket.create_connection(held.address, timeout=PATIENCE_S) for _ in range(2)]
        wait_for(lambda: len(held.receiver._connections) == 3, "their places")
        clock.now += HANDSHAKE_S
        clock.let_it_look()
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 0, 0, 0)
        assert next_of(connect(another(tmp_path, 6).run_json, strangers[0]))[0] == Kind.HELD
        clock.now += 0.5
        assert strangers[1].recv(1) == b""
        strangers[1].close()
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 0, 0, 0)

    def test_so_many_runs_are_received_and_no_more(
        self, held: Held, connect: Callable[..., Channel], written: Written, tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        monkeypatch.setattr(second_receiver, "SENDERS_MAX", 1)
        monkeypatch.setattr(second_receiver, "COPIES_KNOWN_MAX", 0)
        stranger = socket.create_connection(held.address, timeout=PATIENCE_S)
        wait_for(lambda: held.receiver._connections, "its place")
        for _ in range(2):
            channel = connect(written.run_json)
            assert next_of(channel)[0] == Kind.HELD
        other = another(tmp_path, 6)
        refused = connect(other.run_json)
        words = "1 runs are being received: no more are taken"
        assert next_of(refused) == (Kind.TROUBLE, words.encode())
        assert held.said[-1] == f"a run: cannot be kept: {words}; nothing held"
        channel.send(Kind.FRAMES, frames_of(written, 0, 0, 1))
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 1, 0, 0)
        stranger.close()

    def test_copies_in_use_are_kept_whatever_their_number(
        self, held: Held, channel: Channel, connect: Callable[..., Channel], written: Written, tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        monkeypatch.setattr(second_receiver, "COPIES_KNOWN_MAX", 0)
        assert next_of(connect(another(tmp_path, 6).run_json))[0] == Kind.HELD
        channel.send(Kind.FRAMES, frames_of(written, 0, 0, 1))
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 1, 0, 0)

    def test_an_earlier_connection_that_hangs_is_told(
        self, held: Held, channel: Channel, connect: Callable[..., Channel], written: Written,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        monkeypatch.setattr(second_receiver, "_YIELD_S", 0.01)
        hanging, go_on = threading.Event(), threading.Event()

        def hang(_file: int) -> None:
            hanging.set()
            go_on.wait(PATIENCE_S)

        with monkeypatch.context() as patch:
            patch.setattr(os, "fdatasync", hang)
            channel.send(Kind.FRAMES, frames_of(written, 0, 0, 1))
            channel.send(Kind.STATUS, STATUS.pack(0, 0))
            hanging.wait(PATIENCE_S)
            words = "an earlier connection of the run has not ended yet"
            assert next_of(connect(written.run_json)) == (Kind.TROUBLE, words.encode())
            assert held.said[-1] == f"run {written.run.run_id}: cannot be kept: {words}; nothing held"
            go_on.set()
            wait_for(lambda: not held.receiver._connections, "the end of both")
        assert next_of(connect(written.run_json))[0] == Kind.HELD

    def test_a_connection_for_which_no_thread_can_be_had_is_ended(
        self, held: Held, connect: Callable[..., Channel], written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fail(_thread: threading.Thread) -> None:
            raise RuntimeError("can't start new thread")

        with monkeypatch.context() as patch:
            patch.setattr(threading.Thread, "start", fail)
            with socket.create_connection(held.address, timeout=PATIENCE_S) as sock:
                assert sock.recv(1) == b""
            wait_for(lambda: not held.receiver._connections, "its end")
        assert next_of(connect(written.run_json))[0] == Kind.HELD

    def test_too_many_open_files_are_waited_out(
        self, held: Held, connect: Callable[..., Channel], written: Written, clock: Clock
    ) -> None:
        sock = socket.socket()
        sock.settimeout(PATIENCE_S)
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (sock.fileno() + 1, hard))
        filled = []
        try:
            while True:
                filled.append(os.dup(0))
        except OSError:
            pass
        try:
            sock.connect(held.address)
            clock.let_it_look()
            assert not held.receiver._connections
        finally:
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
            for file in filled:
                os.close(file)
        assert next_of(connect(written.run_json, sock))[0] == Kind.HELD


class TestStrangers:
    def test_are_told_of_with_the_reason(self, held: Held, clock: Clock) -> None:
        with socket.create_connection(held.address, timeout=PATIENCE_S) as sock:
            sock.sendall(b"GET / HTTP/1.1\r\n\r\n")
            wait_for(lambda: held.said, "the refusal")
        clock.now += STRANGER_TOLD_EVERY_S
        with encrypted(held) as tls, pytest.raises(Stranger):
            greet_receiver(tls, b"another secret of thirty-two bytes")
        wait_for(lambda: len(held.said) == 2, "the refusal")
        words = ("it does not speak TLS 1.3 as a writer does", "it does not know the secret")
        assert held.said == [f"refused a connection from 127.0.0.1: {why}" for why in words]
