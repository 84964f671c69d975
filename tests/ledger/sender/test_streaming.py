"""The sender's end: where it goes on, what it sends when, and what it says of itself."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from tests.ledger.second_ends import (
    PATIENCE_S,
    Clock,
    PlayedReceiver,
    Written,
    next_of,
    wait_for,
)
from tests.ledger.sender.conversation import confirm, frame, refuse, say_held, sent_of_each, sizes, trouble
from verify.ledger import second_sender
from verify.ledger.second_channel import PLACE, STATUS, WHOLE_RUN, Channel, Kind, name_of
from verify.ledger.second_sender import PAUSE_S_MAX, PAUSE_S_MIN, SILENCE_S, STATUS_EVERY_S, Lag, SecondLedger


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
        clock.now += PAUSE_S_MAX
        again, _ = played.take()
        assert second.lag().connected is False
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
        self, second: SecondLedger, played: PlayedReceiver, written: Written, clock: Clock, messages: int,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        second.start(written.run_json, written.paths)
        channel, _ = played.take()
        due = [frame(written, part, number) for number in (0, 1) for part in (0, 1, 2)]
        window = sum(len(content) - PLACE.size for _, content in due[:messages])
        monkeypatch.setattr(second_sender, "WINDOW_BYTES", window)
        written.grow(3)
        say_held(channel)
        assert [next_of(channel) for _ in range(messages)] == due[:messages]
        clock.now += STATUS_EVERY_S
        assert next_of(channel)[0] == Kind.STATUS, "more than the window was sent"
        if messages == 5:
            confirm(channel, (0, 1))
            assert next_of(channel) == frame(written, 0, 2)
        else:
            refuse(channel, 1, b"why")
            assert next_of(channel) == frame(written, 0, 1), "what is refused is not under way any more"
        channel.close()

    def test_waits_for_nothing_while_there_are_frames_and_then_does_not_spin(
        self, second: SecondLedger, played: PlayedReceiver, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        waits: list[float] = []
        here, real = threading.current_thread(), Channel.receive

        def receive(channel: Channel, patience_s: float) -> tuple[Kind, bytes] | None:
            if threading.current_thread() is not here and patience_s != SILENCE_S:  # Which it waits for HELD.
                waits.append(patience_s)
            return real(channel, patience_s)

        poll_s = 10 * PATIENCE_S  # Far beyond what the test waits for.
        monkeypatch.setattr(second_sender, "POLL_S", poll_s)
        monkeypatch.setattr(Channel, "receive", receive)
        second.start(written.run_json, written.paths)
        channel, _ = played.take()
        written.grow(3)
        del waits[:]
        say_held(channel)
        assert [next_of(channel) for _ in range(9)] == [
            frame(written, part, n) for n in (0, 1, 2) for part in (0, 1, 2)
        ]
        wait_for(lambda: waits == [0.0] * 3 + [poll_s], f"it to wait, not {waits}")
        channel.send(Kind.WAIT)
        wait_for(lambda: waits == [0.0] * 3 + [poll_s, 0.0, poll_s], f"it to wait, not {waits}")
        channel.close()

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
        size = sent_of_each(channel, written)
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
