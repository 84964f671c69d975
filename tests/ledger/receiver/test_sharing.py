"""Many connections to one receiver: who is taken, who is dropped, and what is told of strangers."""

from __future__ import annotations

import os
import resource
import socket
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.ledger.receiver.conversation import another, confirmed, frames_of
from tests.ledger.second_ends import (
    PATIENCE_S,
    Clock,
    Held,
    Written,
    encrypted,
    next_of,
    wait_for,
)
from verify.ledger import second_receiver
from verify.ledger.second_channel import (
    STATUS,
    Channel,
    Kind,
    Stranger,
    greet_receiver,
)
from verify.ledger.second_receiver import (
    HANDSHAKE_S,
    STRANGER_TOLD_EVERY_S,
)


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

    def test_a_connection_that_is_gone_before_it_is_encrypted_is_let_go(
        self, held: Held, connect: Callable[..., Channel], written: Written
    ) -> None:
        gone = socket.socket()
        gone.close()
        held.receiver._admit(gone, "192.0.2.1")
        assert held.receiver._connections == []
        assert next_of(connect(written.run_json))[0] == Kind.HELD

    def test_a_stranger_that_was_dropped_counts_no_more_even_if_he_lingers(
        self, held: Held, clock: Clock, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(second_receiver, "STRANGERS_MAX", 2)
        go_on = threading.Event()
        monkeypatch.setattr(held.receiver, "say", lambda _line: go_on.wait(PATIENCE_S))
        strangers = []
        for number in range(4):
            strangers.append(socket.create_connection(held.address, timeout=PATIENCE_S))
            wait_for(lambda: len(held.receiver._connections) > min(number, 2), "its place")  # noqa: B023
        assert strangers[1].recv(1) == b""
        go_on.set()
        for sock in strangers:
            sock.close()

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
        words = f"run {other.run.run_id} is not taken: 1 are being received already"
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
    def test_are_told_of_by_the_kind_of_a_reason_without_words(
        self, held: Held, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fail(*_: object) -> None:
            raise ConnectionAbortedError

        monkeypatch.setattr(second_receiver, "greet_sender", fail)
        encrypted(held).close()
        wait_for(lambda: held.said, "the refusal")
        assert held.said == ["refused a connection from 127.0.0.1: ConnectionAbortedError"]

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
