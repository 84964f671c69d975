"""One connection to a receiver, from its beginning to its end: what is answered, and what is told."""

from __future__ import annotations

import errno
import json
import os
import socket
import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from blake3 import blake3

from tests.ledger.receiver.conversation import SYNC_S, confirmed, frames_of, says
from tests.ledger.second_ends import (
    SECRET,
    Clock,
    Held,
    Written,
    certificate,
    encrypted,
    ends,
    next_of,
    open_files,
    wait_for,
)
from verify.ledger import second_receiver
from verify.ledger.second_channel import (
    HELD,
    PLACE,
    STATUS,
    WHOLE_RUN,
    Channel,
    Kind,
    greet_receiver,
    pack_all,
)
from verify.ledger.second_copy import Contradiction
from verify.ledger.second_receiver import (
    LAG_TOLD_S,
    SILENCE_S,
    WAIT_EVERY_S,
)


class TestServing:
    def test_says_what_it_holds_and_confirms_what_is_lasting(
        self, held: Held, channel: Channel, connect: Callable[..., Channel], written: Written, clock: Clock
    ) -> None:
        where = held.folder / written.run.run_id
        says(held, written, f"begins, from 127.0.0.1; 0 bytes held in {where}")
        assert json.loads((where / "received.json").read_text())["sender"] == "127.0.0.1"
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

    def test_tells_a_sender_nothing_that_is_gone(
        self, held: Held, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        sock = encrypted(held)
        channel = greet_receiver(sock, SECRET)

        def leave(_content: bytes) -> None:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))  # Reset, not ended.
            channel.close()
            raise Contradiction("why")

        monkeypatch.setattr(second_receiver, "read_description", leave)
        channel.send(Kind.RUN, written.run_json)
        wait_for(lambda: held.said and not held.receiver._connections, "the refusal")
        assert held.said == ["a run: refused: why"]

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

    @pytest.mark.parametrize(
        ("number", "words"), [(errno.EIO, "Input/output error"), (errno.ENOSPC, "the receiver's disk is full")]
    )
    def test_says_what_cannot_be_kept_and_holds_what_was_lasting(
        self, held: Held, channel: Channel, connect: Callable[..., Channel], written: Written, number: int, words: str,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        def fail(_file: int) -> None:
            raise OSError(number, os.strerror(number))

        channel.send(Kind.FRAMES, frames_of(written, 0, 0, 6))
        channel.send(Kind.STATUS, STATUS.pack(0, 0))
        assert next_of(channel) == confirmed(written, 6, 0, 0)
        del held.said[:]
        with monkeypatch.context() as patch:
            patch.setattr(os, "fdatasync", fail)
            for part in (1, 2):
                channel.send(Kind.FRAMES, frames_of(written, part, 0, 1))
            channel.send(Kind.STATUS, STATUS.pack(0, 0))
            assert next_of(channel) == (Kind.TROUBLE, words.encode())
            assert ends(channel)
            size, more = len(b"".join(written.whole[0][:6])), len(written.whole[2][0])
            says(held, written, f"cannot be kept: {words}; {size + more:,} bytes held")
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
        for seconds in (SILENCE_S, 0.5):
            clock.now += seconds
            clock.let_it_look()
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
