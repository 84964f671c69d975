"""The sender's end: how it ends, waits, and connects again, by a clock that the test moves."""

from __future__ import annotations

import socket
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.ledger.second_ends import (
    PATIENCE_S,
    SECRET,
    Clock,
    PlayedReceiver,
    Written,
    certificate,
    next_of,
    open_files,
    wait_for,
)
from tests.ledger.sender.conversation import confirm, refuse, say_held, sent_of_each, sizes, trouble
from verify.ledger import second_sender
from verify.ledger.second_channel import Channel, Kind
from verify.ledger.second_sender import PAUSE_S_MIN, STATUS_EVERY_S, SecondLedger, paths_of


class TestEnding:
    def test_is_told_once_and_after_all_is_confirmed(
        self, second: SecondLedger, channel: Channel, written: Written, clock: Clock
    ) -> None:
        written.grow(2)
        size = sizes(written)
        for _ in range(6):
            next_of(channel)
        assert second.end(written.end_json, 0.0) is None
        for rows in ([(0, size[0]), (1, size[1])], [(2, size[2] - 1)]):
            confirm(channel, *rows)
            clock.let_it_look()
            clock.now += STATUS_EVERY_S
            assert next_of(channel)[0] == Kind.STATUS, "it ended before all was confirmed"
        confirm(channel, *size.items())
        assert next_of(channel) == (Kind.END, written.end_json)
        clock.now += STATUS_EVERY_S
        assert next_of(channel)[0] == Kind.STATUS, "the end was told again"
        before = open_files(written.folder)
        assert before == 3
        channel.send(Kind.ENDED, b"a part \n is missing")
        assert second.end(written.end_json, PATIENCE_S) == second.missing == "a part ? is missing"
        assert not second.lag().connected
        assert open_files(written.folder) == 0
        with pytest.raises(ConnectionError):
            next_of(channel)

    def test_needs_nothing_of_a_part_that_is_refused(
        self, second: SecondLedger, channel: Channel, written: Written
    ) -> None:
        size = sent_of_each(channel, written)
        refuse(channel, 1, b"why")
        confirm(channel, (0, size[0]), (2, size[2]))
        second.end(written.end_json, 0.0)
        assert next_of(channel) == (Kind.END, written.end_json)
        channel.send(Kind.ENDED)
        assert second.end(written.end_json, PATIENCE_S) == ""

    def test_is_not_told_while_the_run_goes_on(self, channel: Channel, clock: Clock) -> None:
        clock.let_it_look()
        clock.now += STATUS_EVERY_S
        assert next_of(channel)[0] == Kind.STATUS

    def test_waits_no_longer_than_it_is_given(
        self, second: SecondLedger, channel: Channel, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        waits: list[float | None] = []
        real = threading.Thread.join

        def join(thread: threading.Thread, seconds: float | None = None) -> None:
            waits.append(seconds)
            real(thread, 0.0 if seconds is None else seconds)

        with monkeypatch.context() as patch:
            patch.setattr(threading.Thread, "join", join)
            assert second.end(written.end_json, 0.01) is None
            second.stop()
        assert waits == [0.01, second_sender._THREAD_PATIENCE_S]


class Impatient:
    """Is asked whether to give up, while a second passes; does so at the fourth time."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.asked: list[float] = []
        self.slept: list[float] = []

    def __call__(self) -> bool:
        self.asked.append(self._clock.now)
        self._clock.now += 1.0
        return len(self.asked) == 4


class TestWaiting:
    @pytest.fixture
    def impatient(self, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> Impatient:
        made = Impatient(clock)
        monkeypatch.setattr(second_sender, "time", SimpleNamespace(monotonic=clock.monotonic, sleep=made.slept.append))
        return made

    @pytest.mark.parametrize(("patience_s", "asked"), [(0.0, 1), (2.0, 3), (9.0, 4)])
    def test_ends_when_the_time_is_over_or_it_is_given_up(
        self, second: SecondLedger, channel: Channel, written: Written, impatient: Impatient, clock: Clock,
        patience_s: float, asked: int,
    ) -> None:  # fmt: skip
        written.grow(1)
        lag = second.wait_confirmed(patience_s, impatient)
        assert lag.behind_bytes == sum(sizes(written).values())
        assert impatient.asked == [100.0, 101.0, 102.0, 103.0][:asked]
        assert impatient.slept == [second_sender.POLL_S] * min(asked, 3)

    def test_ends_at_once_if_all_is_confirmed_but_what_is_refused(
        self, second: SecondLedger, channel: Channel, written: Written, impatient: Impatient
    ) -> None:
        assert second.wait_confirmed(9.0, impatient).behind_bytes == 0
        size = sent_of_each(channel, written)
        refuse(channel, 1, b"why")
        confirm(channel, (0, size[0]), (2, size[2]))
        wait_for(lambda: second.lag().confirmed_bytes == size[0] + size[2], "the confirmation")
        assert second.wait_confirmed(9.0, impatient).behind_bytes == size[1]
        assert impatient.asked == []


class TestConnecting:
    def closed(self) -> tuple[str, int]:
        """An address at which nobody listens."""
        with socket.create_server(("127.0.0.1", 0)) as server:
            return server.getsockname()[:2]

    def test_pauses_longer_after_each_attempt_that_fails(
        self, second: SecondLedger, played: PlayedReceiver, written: Written, clock: Clock
    ) -> None:
        second.start(written.run_json, written.paths)
        written.grow(1)
        for pause_s in (0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0):
            self.fail(second, played, clock)
            self.must_pause(played, clock, pause_s)
        for _ in range(2):
            channel, _ = played.take()
            say_held(channel)
            wait_for(lambda: second.lag().connected, "the connection")
            channel.close()
            wait_for(lambda: not second.lag().connected, "its end")
            self.must_pause(played, clock, PAUSE_S_MIN)
        assert second.facts()["longest_behind_s"] > 16, "it did not look while it could not send"

    def fail(self, second: SecondLedger, played: PlayedReceiver, clock: Clock) -> None:
        """Refuse an attempt to connect."""
        played.listener.accept()[0].close()
        clock.let_it_look()

    def must_pause(self, played: PlayedReceiver, clock: Clock, seconds: float) -> None:
        clock.let_it_look()
        began = clock.now
        clock.now = began + seconds * 0.99
        clock.let_it_look()
        played.listener.settimeout(0.0)
        with pytest.raises(BlockingIOError):
            played.listener.accept()
        played.listener.settimeout(PATIENCE_S)
        clock.now = began + seconds

    def test_tries_one_address_after_the_other(
        self, played: PlayedReceiver, written: Written, clock: Clock, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        places = [(socket.AF_INET, self.closed()), (socket.AF_INET, played.address)]
        monkeypatch.setattr(second_sender, "resolve", lambda _address: places)
        second = SecondLedger(("name", 7420), SECRET)
        second.start(written.run_json, written.paths)
        played.take()[0].close()
        second.stop()

    @pytest.mark.parametrize(("places", "words"), [(1, "Connection refused"), (0, "there is no address")])
    def test_says_why_none_can_be_had(
        self, written: Written, clock: Clock, monkeypatch: pytest.MonkeyPatch, places: int, words: str
    ) -> None:
        closed = self.closed()
        monkeypatch.setattr(second_sender, "resolve", lambda _address: [(socket.AF_INET, closed)] * places)
        second = SecondLedger(("name", 7420), SECRET)
        second.start(written.run_json, written.paths)
        trouble(second, words)
        second.stop()
        assert open_files(written.folder) == 0

    def test_says_what_kind_of_error_it_was_that_has_no_words(
        self, second: SecondLedger, played: PlayedReceiver, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fail(*_: object) -> None:
            raise ConnectionAbortedError

        monkeypatch.setattr(second_sender, "greet_receiver", fail)
        second.start(written.run_json, written.paths)
        raw, _ = played.listener.accept()
        certificate()[0].wrap_socket(raw, server_side=True).close()
        trouble(second, "ConnectionAbortedError")

    def test_does_not_hold_up_the_end_of_the_process(self, second: SecondLedger, written: Written) -> None:
        before = set(threading.enumerate())
        second.start(written.run_json, written.paths)
        (thread,) = set(threading.enumerate()) - before
        assert thread.daemon


def test_paths_of_parts(tmp_path: Path) -> None:
    assert paths_of("/a/ledger", (0, 12)) == {0: "/a/ledger/000.ledger", 12: "/a/ledger/012.ledger"}
