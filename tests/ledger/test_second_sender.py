"""The sender's end alone, against a receiver that a test plays, by a clock that the test moves."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.ledger.second_ends import PATIENCE_S, SECRET, PlayedReceiver, Written, next_of, wait_for
from verify.ledger import second_sender, second_tail
from verify.ledger.frames import HEADER_BYTES
from verify.ledger.second_channel import HELD, PLACE, STATUS, WHOLE_RUN, Channel, Kind, name_of, pack_all
from verify.ledger.second_sender import PAUSE_S_MAX, PAUSE_S_MIN, SILENCE_S, STATUS_EVERY_S, Lag, SecondLedger, paths_of


class Clock:
    """What the sender takes for time; `asked` counts how often it looked."""

    def __init__(self) -> None:
        self.now = 100.0
        self.asked = 0

    def monotonic(self) -> float:
        self.asked += 1
        return self.now

    def let_it_look(self) -> None:
        """Wait until the sender has looked often enough to have done what is due."""
        before = self.asked
        wait_for(lambda: self.asked > before + 8, "a look at the clock")


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(second_sender, "time", SimpleNamespace(monotonic=made.monotonic, sleep=time.sleep))
    monkeypatch.setattr(second_sender, "POLL_S", 0.002)
    monkeypatch.setattr(second_tail, "FRAMES_BYTES", HEADER_BYTES)  # One frame in each message.
    return made


@pytest.fixture
def written(tmp_path: Path) -> Written:
    return Written(tmp_path / "guest", 5, 4)


@pytest.fixture
def played() -> Iterator[PlayedReceiver]:
    made = PlayedReceiver()
    with made.listener:
        yield made


@pytest.fixture
def second(clock: Clock, played: PlayedReceiver) -> Iterator[SecondLedger]:
    made = SecondLedger(played.address, SECRET)
    yield made
    played.listener.close()  # Or it might wait to be taken.
    made.stop()


@pytest.fixture
def channel(second: SecondLedger, played: PlayedReceiver, written: Written) -> Iterator[Channel]:
    """A connection of which the receiver holds nothing yet."""
    second.start(written.run_json, written.paths)
    made, _ = played.take()
    say_held(made)
    wait_for(lambda: second.lag().connected, "the connection")
    yield made
    made.close()


def say_held(channel: Channel, *held: tuple[int, int]) -> None:
    channel.send(Kind.HELD, pack_all(HELD, [(part, size, bytes(32)) for part, size in held]))


def confirm(channel: Channel, *rows: tuple[int, int]) -> None:
    channel.send(Kind.CONFIRMED, pack_all(PLACE, rows))


def refuse(channel: Channel, part: int, text: bytes) -> None:
    channel.send(Kind.REFUSED, part.to_bytes(2, "little"), text)


def frame(written: Written, part: int, number: int) -> tuple[Kind, bytes]:
    """The message in which a frame is due."""
    frames = written.whole[part]
    return Kind.FRAMES, PLACE.pack(part, sum(map(len, frames[:number]))) + frames[number]


def sizes(written: Written) -> dict[int, int]:
    """How long the files are."""
    return {part: os.path.getsize(path) if os.path.exists(path) else 0 for part, path in written.paths.items()}


def open_files(folder: Path) -> int:
    """So many files of the folder are open in this process."""
    links = [f"/proc/self/fd/{number}" for number in os.listdir("/proc/self/fd")]
    return sum(os.readlink(link).startswith(str(folder)) for link in links if os.path.lexists(link))


def trouble(second: SecondLedger, words: str) -> None:
    wait_for(lambda: second.lag().trouble == words, f"{words!r}, not {second.lag().trouble!r}")


class TestFacts:
    def test_before_it_is_started(self, second: SecondLedger, played: PlayedReceiver) -> None:
        assert second.facts() == {
            "address": name_of(played.address), "written_bytes": 0, "confirmed_bytes": 0, "behind_s": 0.0,
            "longest_behind_s": 0.0, "most_behind_bytes": 0, "connections": 0, "refused": {},
            "trouble": "not connected yet",
        }  # fmt: skip
        assert second.lag() == Lag(False, 0, 0, 0.0, "not connected yet")
        assert second.end(b"{}", 0.0) is None
        assert second.missing is None

    def test_say_how_far_behind_it_is_and_was(
        self, second: SecondLedger, channel: Channel, written: Written, clock: Clock
    ) -> None:
        written.grow(1)
        size = sizes(written)
        assert [next_of(channel) for _ in size] == [frame(written, part, 0) for part in size]
        total = sum(size.values())
        confirm(channel, (0, size[0]))
        wait_for(lambda: second.lag().confirmed_bytes, "the confirmation")
        clock.now = 103.5006
        assert second.lag() == Lag(True, total, size[0], 103.5006 - 100.0, "")
        facts = second.facts()
        assert facts["behind_s"] == facts["longest_behind_s"] == 3.501
        assert facts["most_behind_bytes"] == total
        assert (facts["written_bytes"], facts["confirmed_bytes"]) == (total, size[0])
        clock.let_it_look()
        confirm(channel, *size.items())
        wait_for(lambda: not second.lag().behind_bytes, "the confirmation")
        facts = second.facts()
        wanted = {
            "behind_s": 0.0,
            "longest_behind_s": 3.501,
            "most_behind_bytes": total,
            "connections": 1,
            "trouble": "",
        }
        assert {name: facts[name] for name in wanted} == wanted

    def test_of_what_the_receiver_holds_beyond_the_file_say_only_what_is_there(
        self, second: SecondLedger, played: PlayedReceiver, written: Written
    ) -> None:
        written.grow(1)
        size = sizes(written)
        second.start(written.run_json, written.paths)
        channel, _ = played.take()
        say_held(channel, (0, 10**6), (1, size[1]), (77, 5))
        assert next_of(channel) == frame(written, 2, 0)
        assert second.lag().confirmed_bytes == size[0] + size[1]
        channel.close()


class TestTakingUp:
    def test_sends_run_json_of_the_first_start_and_goes_on_where_the_receiver_is(
        self, second: SecondLedger, played: PlayedReceiver, written: Written
    ) -> None:
        while written.grow(1):
            pass
        second.start(written.run_json, written.paths)
        second.start(b"other", {})
        channel, run_json = played.take()
        assert run_json == written.run_json
        channel.send(Kind.WAIT)
        ends = {part: sum(map(len, written.whole[part][:part])) for part in written.whole}
        say_held(channel, *ends.items())
        assert [next_of(channel) for _ in ends] == [frame(written, part, part) for part in ends]
        assert second.lag().confirmed_bytes == sum(ends.values())
        channel.close()

    @pytest.mark.parametrize(
        ("kind", "content", "words"),
        [
            (Kind.REFUSED, b"\xff\xffit was \x1b sealed", "the receiver refuses the run: it was ? sealed"),
            (Kind.REFUSED, b"\x05\0no part", "the receiver refuses the run: no part"),
            (Kind.TROUBLE, b"its disk is \n full", "the receiver says: its disk is ? full"),
            (Kind.FRAMES, b"", "the receiver sent FRAMES"),
            (Kind.HELD, b"1", "a message is cut short"),
        ],
    )
    def test_is_given_up_and_tried_again_if_the_receiver_will_not(
        self, second: SecondLedger, played: PlayedReceiver, written: Written, clock: Clock,
        kind: Kind, content: bytes, words: str,
    ) -> None:  # fmt: skip
        second.start(written.run_json, written.paths)
        channel, _ = played.take()
        channel.send(kind, content)
        trouble(second, words)
        assert second.facts()["connections"] == 0
        assert not second.lag().connected
        clock.now += PAUSE_S_MAX
        again, _ = played.take()
        for one in (channel, again):
            one.close()

    def test_is_given_up_if_the_receiver_says_nothing(
        self, second: SecondLedger, played: PlayedReceiver, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(second_sender, "SILENCE_S", 0.01)
        second.start(written.run_json, written.paths)
        channel, _ = played.take()
        trouble(second, "the receiver does not answer")
        channel.close()

    def test_ends_if_it_is_stopped_while_the_receiver_reads(
        self, second: SecondLedger, played: PlayedReceiver, written: Written
    ) -> None:
        second.start(written.run_json, written.paths)
        channel, _ = played.take()
        stopping = threading.Thread(target=second.stop)
        stopping.start()
        while stopping.is_alive():
            try:
                channel.send(Kind.WAIT)
            except OSError:
                break
            stopping.join(0.01)
        stopping.join(PATIENCE_S)
        trouble(second, "stopped")
        channel.close()


class TestStreaming:
    @pytest.mark.parametrize("messages", [3, 5])
    def test_sends_parts_in_turn_as_far_as_the_window_allows(
        self, second: SecondLedger, channel: Channel, written: Written, clock: Clock, messages: int,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        due = [frame(written, part, number) for number in (0, 1) for part in (0, 1, 2)]
        window = sum(len(content) - PLACE.size for _, content in due[:messages])
        monkeypatch.setattr(second_sender, "WINDOW_BYTES", window)
        written.grow(3)
        assert [next_of(channel) for _ in range(messages)] == due[:messages]
        clock.now += STATUS_EVERY_S
        assert next_of(channel)[0] == Kind.STATUS, "more than the window was sent"
        if messages == 5:
            confirm(channel, (0, 1))
            assert next_of(channel) == frame(written, 0, 2)
        else:
            refuse(channel, 1, b"why")
            assert next_of(channel) == frame(written, 0, 1), "what is refused is not under way any more"

    def test_tells_every_second_what_is_written_and_how_far_it_is_behind(
        self, second: SecondLedger, channel: Channel, written: Written, clock: Clock
    ) -> None:
        clock.now += STATUS_EVERY_S
        assert next_of(channel) == (Kind.STATUS, STATUS.pack(0, 0))
        written.grow(1)
        size = sizes(written)
        assert [next_of(channel)[0] for _ in size] == [Kind.FRAMES] * 3
        clock.now += STATUS_EVERY_S / 2
        clock.let_it_look()
        written.grow(1)
        assert [next_of(channel)[0] for _ in size] == [Kind.FRAMES] * 3, "it tells more often"
        clock.now += STATUS_EVERY_S / 2
        assert next_of(channel) == (Kind.STATUS, STATUS.pack(sum(sizes(written).values()), 1000))

    def test_takes_confirmations_of_what_was_sent_alone(
        self, second: SecondLedger, channel: Channel, written: Written
    ) -> None:
        written.grow(1)
        size = sizes(written)
        for _ in size:
            next_of(channel)
        confirm(channel, (0, size[0] + 1), (77, 1), (1, size[1]), (2, 3))
        wait_for(lambda: second.lag().confirmed_bytes == size[1] + 3, "the confirmation")

    def test_goes_on_without_a_part_that_is_refused(
        self, second: SecondLedger, channel: Channel, written: Written, clock: Clock
    ) -> None:
        for part, text in ((2, b"why not"), (1, b"because\n")):
            refuse(channel, part, text)
        wait_for(lambda: len(second.facts()["refused"]) == 2, "the refusals")
        assert second.facts()["refused"] == {"001": "because?", "002": "why not"}
        assert second.lag().trouble == "no more is sent of a part: because?"
        written.grow(2)
        assert [next_of(channel), next_of(channel)] == [frame(written, 0, number) for number in (0, 1)]
        clock.now += STATUS_EVERY_S
        assert next_of(channel)[0] == Kind.STATUS, "something of a refused part was sent"

    def test_goes_on_without_a_part_that_cannot_be_read(
        self, second: SecondLedger, played: PlayedReceiver, written: Written, clock: Clock, tmp_path: Path
    ) -> None:
        written.grow(2)
        (tmp_path / "000.ledger").mkdir()
        file = Path(written.paths[1])
        paths = {0: str(tmp_path / "000.ledger"), 1: str(file / "001.ledger"), 2: written.paths[2]}
        second.start(written.run_json, paths)
        channel, _ = played.take()
        say_held(channel)
        assert [next_of(channel), next_of(channel)] == [frame(written, 2, number) for number in (0, 1)]
        trouble(second, "000.ledger cannot be read: Is a directory")
        assert second.lag().connected
        channel.close()

    def test_says_that_a_part_holds_no_frames(self, second: SecondLedger, channel: Channel, written: Written) -> None:
        Path(written.paths[0]).write_bytes(bytes(500))
        written.at[0] = len(written.whole[0])
        written.grow(1)
        assert [next_of(channel), next_of(channel)] == [frame(written, part, 0) for part in (1, 2)]
        assert second.facts()["refused"] == {"000": "000.ledger holds no frame at byte 0"}

    def test_gives_up_a_receiver_that_is_silent_for_too_long(
        self, second: SecondLedger, played: PlayedReceiver, channel: Channel, written: Written, clock: Clock
    ) -> None:
        for _ in range(2):
            clock.now += SILENCE_S
            assert next_of(channel)[0] == Kind.STATUS
            clock.let_it_look()
            assert second.lag().connected
            channel.send(Kind.WAIT)
            clock.let_it_look()
        clock.now += SILENCE_S + 0.5
        trouble(second, "the receiver does not answer")
        assert not second.lag().connected
        clock.now += PAUSE_S_MIN
        played.take()[0].close()

    @pytest.mark.parametrize(
        ("kind", "content", "words"),
        [
            (Kind.TROUBLE, b"full", "the receiver says: full"),
            (Kind.REFUSED, WHOLE_RUN.to_bytes(2, "little") + b"sealed", "the receiver refuses the run: sealed"),
            (Kind.RUN, b"", "the receiver sent RUN"),
            (Kind.CONFIRMED, b"1", "a message is cut short"),
        ],
    )
    def test_connects_again_if_the_receiver_ends_it(
        self, second: SecondLedger, played: PlayedReceiver, channel: Channel, written: Written, clock: Clock,
        kind: Kind, content: bytes, words: str,
    ) -> None:  # fmt: skip
        channel.send(kind, content)
        trouble(second, words)
        for wanted in (2, 3):
            clock.now += PAUSE_S_MIN
            again, run_json = played.take()
            assert run_json == written.run_json
            say_held(again)
            wait_for(lambda: second.facts()["connections"] == wanted, "the connection")  # noqa: B023  (called at once)
            trouble(second, "")
            again.close()
            trouble(second, "the other end closed the connection")


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
        written.grow(1)
        size = sizes(written)
        for _ in size:
            next_of(channel)
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
        written.grow(1)
        size = sizes(written)
        for _ in size:
            next_of(channel)
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

    def test_does_not_hold_up_the_end_of_the_process(self, second: SecondLedger, written: Written) -> None:
        before = set(threading.enumerate())
        second.start(written.run_json, written.paths)
        (thread,) = set(threading.enumerate()) - before
        assert thread.daemon


def test_paths_of_parts(tmp_path: Path) -> None:
    assert paths_of("/a/ledger", (0, 12)) == {0: "/a/ledger/000.ledger", 12: "/a/ledger/012.ledger"}
