"""Messages of a second ledger over an encrypted pair of sockets: how they are cut, who may send which, what is told."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from time import monotonic
from typing import Any, cast

import pytest

from tests.ledger.second_ends import PATIENCE_S, SECRET, certificate, joined
from verify.errors import UsageError
from verify.ledger import second_channel
from verify.ledger.second_channel import (
    CONTENT_BYTES_MAX,
    HELLO,
    MAGIC,
    PLACE,
    STRANGER_BYTES_MAX,
    VERSION,
    Channel,
    Kind,
    ProtocolError,
    Stranger,
    greet_receiver,
    greet_sender,
    name_of,
    pack_all,
    pack_text,
    parse_address,
    resolve,
    unpack_all,
    unpack_text,
)
from verify.ledger.second_secret import NONCE_BYTES, RECEIVER, SENDER, fingerprint, proof

Ends = tuple[ssl.SSLSocket, ssl.SSLSocket]


@pytest.fixture
def ends() -> Iterator[Ends]:
    with joined() as made:
        yield made


def message(kind: int, content: bytes = b"", length: int | None = None) -> bytes:
    """A message as SECOND.md lays it out."""
    return (len(content) if length is None else length).to_bytes(4, "little") + bytes([kind]) + content


def hello(magic: bytes = MAGIC, version: int = VERSION, nonce: bytes = bytes(32)) -> bytes:
    return message(1, magic + bytes([version]) + nonce)


class PlayedSocket:
    """Gives what it is told to, piece by piece, and notes for how long it may wait for each."""

    def __init__(self, *pieces: bytes | None) -> None:
        self._pieces = list(pieces)
        self.patience: list[float] = []

    def settimeout(self, seconds: float) -> None:
        self.patience.append(seconds)

    def recv(self, _size: int) -> bytes:
        piece = self._pieces.pop(0)
        if piece is None:
            raise TimeoutError
        return piece


class TestMessages:
    def test_are_sent_as_the_page_says(self, ends: Ends) -> None:
        sender, receiver = ends
        Channel(sender).send(Kind.FRAMES, b"ab", b"", b"cde")
        Channel(sender).send(Kind.WAIT)
        assert receiver.recv(100) + receiver.recv(100) == message(5, b"abcde") + message(9)

    def test_are_received_however_they_are_cut(self, ends: Ends) -> None:
        sender, receiver = ends
        channel = Channel(receiver)
        whole = message(3, b"{}") + message(9) + message(8, b"x" * 16)
        for cut in (1, 4, 5, 6, 7, 8, 11, 12, 20):
            sender.sendall(whole[:cut])
            got = []
            while (one := channel.receive(0.0)) is not None:
                got.append(one)
            assert len(got) == (cut >= 7) + (cut >= 12), f"of {cut} bytes"
            sender.sendall(whole[cut:])
            while (one := channel.receive(0.0)) is not None:
                got.append(one)
            assert got == [(Kind.RUN, b"{}"), (Kind.WAIT, b""), (Kind.STATUS, b"x" * 16)]
            assert isinstance(got[0][0], Kind)

    @pytest.mark.parametrize(
        ("sent", "taken"),
        [
            (message(1, b"x" * STRANGER_BYTES_MAX), True),
            (message(1, length=STRANGER_BYTES_MAX + 1), False),
            (message(0), False),
            (message(12), True),
            (message(13), False),
            (message(255, length=2**32 - 1), False),
        ],
        ids=["as long as may be", "longer", "kind 0", "the last kind", "kind 13", "noise"],
    )
    def test_of_a_stranger_are_short_and_of_a_known_kind(self, ends: Ends, sent: bytes, taken: bool) -> None:
        sender, receiver = ends
        sender.sendall(sent)
        if taken:
            assert Channel(receiver).receive(0.0) == (sent[4], sent[5:])
            return
        with pytest.raises(ProtocolError) as raised:
            Channel(receiver).receive(0.0)
        assert str(raised.value) == "what came is no message of a second ledger"

    def test_that_do_not_come_are_waited_for_until_the_deadline(self) -> None:
        part = message(3, b"{}")
        for wait in (lambda c: c.receive(1000.0), lambda c: c.expect(Kind.RUN, monotonic() + 1000.0)):
            sock = PlayedSocket(part[:3], part[3:])
            wait(Channel(cast(Any, sock)))
            assert len(sock.patience) == 2
            assert 1000.0 >= sock.patience[0] >= sock.patience[1] > 0.0

    @pytest.mark.parametrize("patience_s", [0.0, -3.0])
    def test_that_are_not_there_are_not_waited_for(self, patience_s: float) -> None:
        sock = PlayedSocket(None)
        assert Channel(cast(Any, sock)).receive(patience_s) is None
        assert sock.patience == [0.0]

    def test_the_end_of_the_connection_is_told(self, ends: Ends) -> None:
        sender, receiver = ends
        Channel(sender).close()
        with pytest.raises(ConnectionResetError) as raised:
            Channel(receiver).receive(PATIENCE_S)
        assert str(raised.value) == "the other end closed the connection"

    def test_that_nobody_takes_are_given_up(self, ends: Ends, monkeypatch: pytest.MonkeyPatch) -> None:
        sender, receiver = ends
        monkeypatch.setattr(second_channel, "SEND_PATIENCE_S", 0.01)
        end = threading.Timer(PATIENCE_S, socket.socket.shutdown, (receiver, socket.SHUT_RDWR))
        end.start()
        with pytest.raises(TimeoutError):
            Channel(sender).send(Kind.FRAMES, bytes(1 << 24))
        end.cancel()


class TestWhatIsDue:
    @pytest.mark.parametrize(
        ("sent", "length", "words"),
        [
            (message(3, b"{}"), None, "a message RUN came where HELLO was due"),
            (message(9), 0, "a message WAIT came where HELLO was due"),
            (message(1, b"abc"), 4, "a message HELLO came where HELLO was due"),
        ],
    )
    def test_something_else_is_told(self, ends: Ends, sent: bytes, length: int | None, words: str) -> None:
        ends[0].sendall(sent)
        with pytest.raises(ProtocolError) as raised:
            Channel(ends[1]).expect(Kind.HELLO, monotonic(), length)
        assert str(raised.value) == words

    def test_is_given_if_it_is_there(self, ends: Ends) -> None:
        ends[0].sendall(message(1, b"abc") + message(1, b"abcd"))
        channel = Channel(ends[1])
        assert channel.expect(Kind.HELLO, monotonic() - 1.0, 3) == b"abc"
        assert channel.expect(Kind.HELLO, monotonic() - 1.0) == b"abcd"
        with pytest.raises(TimeoutError) as raised:
            channel.expect(Kind.HELLO, monotonic() - 1.0)
        assert str(raised.value) == "the other end does not answer"


def as_receiver(sock: ssl.SSLSocket) -> Channel:
    return greet_sender(sock, SECRET, certificate()[1])


def as_sender(sock: ssl.SSLSocket) -> Channel:
    return greet_receiver(sock, SECRET)


class TestGreeting:
    def test_proves_the_secret_both_ways_and_then_longer_messages_are_taken(self, ends: Ends) -> None:
        with ThreadPoolExecutor(1) as pool:
            other = pool.submit(as_receiver, ends[1])
            channels = as_sender(ends[0]), other.result(PATIENCE_S)
        for one, two in (channels, channels[::-1]):
            one.send(Kind.RUN, b"x" * (STRANGER_BYTES_MAX + 1))
            assert two.receive(PATIENCE_S) == (Kind.RUN, b"x" * (STRANGER_BYTES_MAX + 1))
        for end, channel in zip(ends, channels[::-1], strict=True):
            end.sendall(message(5, length=CONTENT_BYTES_MAX))
            assert channel.receive(0.0) is None

    @pytest.mark.parametrize("end", [0, 1], ids=["sender", "receiver"])
    def test_messages_afterwards_have_a_limit(self, ends: Ends, end: int) -> None:
        with ThreadPoolExecutor(1) as pool:
            other = pool.submit(as_receiver, ends[1])
            channels = as_sender(ends[0]), other.result(PATIENCE_S)
        ends[1 - end].sendall(message(5, length=CONTENT_BYTES_MAX + 1))
        with pytest.raises(ProtocolError, match="is no message"):
            channels[end].receive(0.0)

    def test_is_made_of_what_the_page_says_and_anew_each_time(self) -> None:
        shown = certificate()[1]
        nonces = set()
        for _ in range(2):
            with joined() as (near, far), ThreadPoolExecutor(1) as pool:
                far_channel = Channel(far)
                other = pool.submit(as_sender, near)
                magic, version, theirs = HELLO.unpack(far_channel.expect(Kind.HELLO, monotonic() + PATIENCE_S))
                assert (magic, version) == (b"aK2l", 1)
                far_channel.send(Kind.HELLO, HELLO.pack(MAGIC, VERSION, bytes(range(32))))
                given = far_channel.expect(Kind.PROOF, monotonic() + PATIENCE_S)
                assert given == proof(SECRET, SENDER, shown, theirs, bytes(range(32)))
                far_channel.send(Kind.PROOF, proof(SECRET, RECEIVER, shown, theirs, bytes(range(32))))
                other.result(PATIENCE_S)
                nonces.add(theirs)
            with joined() as (near, far), ThreadPoolExecutor(1) as pool:
                certificate_shown = near.getpeercert(binary_form=True)
                assert certificate_shown is not None
                assert fingerprint(certificate_shown) == shown
                channel = Channel(near)
                other = pool.submit(as_receiver, far)
                near.sendall(hello(nonce=bytes(range(32))))
                magic, version, theirs = HELLO.unpack(channel.expect(Kind.HELLO, monotonic() + PATIENCE_S))
                assert (magic, version) == (b"aK2l", 1)
                channel.send(Kind.PROOF, proof(SECRET, SENDER, shown, bytes(range(32)), theirs))
                given = channel.expect(Kind.PROOF, monotonic() + PATIENCE_S)
                assert given == proof(SECRET, RECEIVER, shown, bytes(range(32)), theirs)
                other.result(PATIENCE_S)
                nonces.add(theirs)
        assert len(nonces) == 4
        assert all(len(nonce) == NONCE_BYTES for nonce in nonces)

    @pytest.mark.parametrize(
        ("sent", "words"),
        [
            (message(3, b"{}"), "a message RUN came where HELLO was due"),
            (message(1, bytes(36)), "a message HELLO came where HELLO was due"),
            (hello(magic=b"none"), "the other end is no second ledger"),
            (hello(version=2), "the other end speaks version 2 of the protocol, this one 1"),
            (hello() + message(3, b"{}"), "a message RUN came where PROOF was due"),
            (hello() + message(2, bytes(31)), "a message PROOF came where PROOF was due"),
        ],
        ids=["run", "short hello", "magic", "version", "run for a proof", "short proof"],
    )
    @pytest.mark.parametrize("greet", [as_sender, as_receiver])
    def test_of_somebody_who_speaks_otherwise(
        self, ends: Ends, sent: bytes, words: str, greet: Callable[[ssl.SSLSocket], Channel]
    ) -> None:
        own, other = ends if greet is as_sender else ends[::-1]
        other.sendall(sent)
        with pytest.raises(ProtocolError) as raised:
            greet(own)
        assert str(raised.value) == words
        assert not isinstance(raised.value, Stranger)

    @pytest.mark.parametrize(
        ("greet", "words"),
        [(as_sender, "the receiver does not know the secret"), (as_receiver, "it does not know the secret")],
    )
    def test_of_somebody_without_the_secret(
        self, ends: Ends, greet: Callable[[ssl.SSLSocket], Channel], words: str
    ) -> None:
        own, other = ends if greet is as_sender else ends[::-1]
        other.sendall(hello() + message(2, bytes(32)))
        with pytest.raises(Stranger) as raised:
            greet(own)
        assert str(raised.value) == words
        own.close()
        told = b""
        while piece := other.recv(4096):
            told += piece
        kinds = [told[4], *told[5 + HELLO.size :][4:5]]
        assert kinds == ([Kind.HELLO, Kind.PROOF] if greet is as_sender else [Kind.HELLO])

    def test_of_a_receiver_that_ends_it_at_the_proof(self, ends: Ends) -> None:
        ends[1].sendall(hello())
        socket.socket.shutdown(ends[1], socket.SHUT_WR)
        with pytest.raises(Stranger) as raised:
            as_sender(ends[0])
        assert str(raised.value) == "the receiver does not take this secret"

    @pytest.mark.parametrize("sent", [b"", hello()], ids=["nothing", "hello"])
    @pytest.mark.parametrize("greet", [as_sender, as_receiver])
    def test_of_somebody_who_says_no_more(
        self, ends: Ends, sent: bytes, greet: Callable[[ssl.SSLSocket], Channel], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(second_channel, "HANDSHAKE_S", 0.01)
        own, other = ends if greet is as_sender else ends[::-1]
        other.sendall(sent)
        with pytest.raises(TimeoutError) as raised:
            greet(own)
        assert str(raised.value) == "the other end does not answer"

    def test_of_a_receiver_without_a_certificate(self) -> None:
        class Bare:
            def getpeercert(self, binary_form: bool) -> None:
                assert binary_form

        with pytest.raises(ProtocolError) as raised:
            as_sender(cast(Any, Bare()))
        assert str(raised.value) == "the other end shows no certificate"


class TestContents:
    def test_rows_there_and_back(self) -> None:
        rows = [(1, 2), (0xFFFF, 2**64 - 1)]
        packed = pack_all(PLACE, rows)
        assert packed == b"\1\0" + b"\2" + bytes(7) + b"\xff" * 10
        assert unpack_all(PLACE, packed) == rows
        assert unpack_all(PLACE, b"") == []
        for cut in (packed[:-1], packed[:1], packed + b"x"):
            with pytest.raises(ProtocolError) as raised:
                unpack_all(PLACE, cut)
            assert str(raised.value) == "a message is cut short"

    def test_texts_are_cut_and_made_fit_for_a_terminal(self) -> None:
        assert pack_text("\u00e9\udc80") == b"\xc3\xa9?"
        assert pack_text("\u00e9" * 600) == b"\xc3\xa9" * 500
        assert unpack_text(b"a\x1b[2J\xc3\xa9\xff\nb") == "a?[2J\u00e9\ufffd?b"
        assert unpack_text(b"x" * 999 + b"yz") == "x" * 999 + "y"


class TestAddresses:
    @pytest.mark.parametrize("text", ["a", ":7420", "a:65536", "2001:db8::7:1"])
    def test_what_is_none_is_told_with_what_to_write(self, text: str) -> None:
        with pytest.raises(UsageError) as raised:
            parse_address(text, "--listen")
        wanted = f"--listen {text!r} is no address; write it as 192.0.2.7:7420 or [2001:db8::7]:7420"
        assert str(raised.value) == wanted

    @pytest.mark.parametrize("address", [("192.0.2.7", 1), ("name", 65535), ("2001:db8::7", 7420)])
    def test_are_read_as_they_are_written(self, address: tuple[str, int]) -> None:
        assert parse_address(f" {name_of(address)} ", "--listen") == address

    def test_of_six_parts_stand_in_brackets(self) -> None:
        assert name_of(("2001:db8::7", 7420)) == "[2001:db8::7]:7420"
        assert name_of(("192.0.2.7", 7420)) == "192.0.2.7:7420"

    def test_are_looked_up_for_connections_alone(self) -> None:
        assert resolve(("127.0.0.1", 7420)) == [(socket.AF_INET, ("127.0.0.1", 7420))]
        assert resolve(("::1", 7420)) == [(socket.AF_INET6, ("::1", 7420))]

    @pytest.mark.parametrize("host", ["::1%no-such-link", "a..b"], ids=["not found", "no name"])
    def test_that_cannot_be_found_are_told_with_the_reason(self, host: str) -> None:
        with pytest.raises((OSError, UnicodeError)) as known:
            socket.getaddrinfo(host, 7420)
        why = known.value.strerror if isinstance(known.value, OSError) else str(known.value)
        with pytest.raises(UsageError) as raised:
            resolve((host, 7420))
        assert str(raised.value) == f"{name_of((host, 7420))} is no address that can be found: {why}"
