"""Whoever does not know the secret changes nothing, learns nothing and holds up nobody; nor does one in the middle."""

from __future__ import annotations

import contextlib
import os
import random
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.ledger.second_ends import SECRET, Held, Link, Written, encrypted, ends, receiving, sending, wait_for
from verify.errors import UsageError
from verify.ledger import second_channel, second_receiver
from verify.ledger.second_certificate import client_context, server_context
from verify.ledger.second_channel import (
    HELLO,
    MAGIC,
    MESSAGE_HEAD,
    VERSION,
    Channel,
    Kind,
    ProtocolError,
    Stranger,
    greet_receiver,
    parse_address,
)
from verify.ledger.second_secret import NONCE_BYTES, RECEIVER, SENDER, fingerprint, proof

OTHER_SECRET = b"another secret of thirty-two bytes"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(second_receiver, "SYNC_EVERY_S", 0.02)


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody is cut off for being slow alone."""
    monkeypatch.setattr(second_receiver, "HANDSHAKE_S", 1000.0)
    monkeypatch.setattr(second_channel, "HANDSHAKE_S", 1000.0)


@pytest.fixture
def written(tmp_path: Path) -> Written:
    made = Written(tmp_path / "guest", 3, 20)
    made.grow(10)
    return made


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Held]:
    with receiving(tmp_path / "kept") as made:
        yield made


def is_closed(sock: socket.socket) -> bool:
    """Whether the other end ends the connection, whatever it says before."""
    sock.settimeout(30)
    try:
        while sock.recv(4096):
            pass
    except TimeoutError:
        return False
    except OSError:
        pass
    return True


def still_serves(held: Held, written: Written) -> None:
    """A proper sender gets everything through."""
    with sending(written, held.address) as second:
        assert second.wait_confirmed(30.0).behind_bytes == 0
        assert second.lag().connected


def test_a_wrong_secret_is_refused_and_nothing_is_made(held: Held, written: Written) -> None:
    with sending(written, held.address, OTHER_SECRET) as second:
        wait_for(lambda: "secret" in second.lag().trouble, "the refusal")
        assert second.facts()["connections"] == 0
        assert second.lag().confirmed_bytes == 0
        assert second.lag().behind_bytes == second.lag().written_bytes > 0
    assert os.listdir(held.folder) == []
    assert any("does not know the secret" in line for line in held.said)
    still_serves(held, written)


def test_a_receiver_without_the_secret_learns_nothing_of_the_run(tmp_path: Path, written: Written) -> None:
    with receiving(tmp_path / "kept", OTHER_SECRET) as held, sending(written, held.address) as second:
        wait_for(lambda: "secret" in second.lag().trouble, "the refusal")
    assert os.listdir(held.folder) == []
    shown = client_context()
    assert shown.minimum_version == ssl.TLSVersion.TLSv1_3


class InTheMiddle:
    """Ends the encryption of both ends under a certificate of its own, and passes on what it reads."""

    def __init__(self, to: tuple[str, int]) -> None:
        self._to = to
        self._context, _ = server_context()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address: tuple[str, int] = self._listener.getsockname()[:2]
        self.read = bytearray()
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                raw, _ = self._listener.accept()
                with contextlib.suppress(OSError):
                    self._pass_on(self._context.wrap_socket(raw, server_side=True))

    def _pass_on(self, near: ssl.SSLSocket) -> None:
        far = client_context().wrap_socket(socket.create_connection(self._to, timeout=30))
        for end in (near, far):
            end.settimeout(0.01)
        while True:
            for end, other in ((near, far), (far, near)):
                try:
                    chunk = end.recv(4096)
                except TimeoutError:
                    continue
                if not chunk:
                    near.close()
                    far.close()
                    return
                if end is near:
                    self.read += chunk
                other.sendall(chunk)

    def stop(self) -> None:
        self._listener.close()


def test_one_in_the_middle_with_a_certificate_of_his_own_gets_neither_end_to_talk(held: Held, written: Written) -> None:
    middle = InTheMiddle(held.address)
    try:
        with sending(written, middle.address) as second:
            wait_for(lambda: "secret" in second.lag().trouble, "the refusal")
            assert second.facts()["connections"] == 0
    finally:
        middle.stop()
    assert bytes(middle.read[MESSAGE_HEAD.size :]).startswith(MAGIC), "it read nothing"
    assert written.run.run_id.encode() not in bytes(middle.read)
    assert os.listdir(held.folder) == []


class TestGarbage:
    @pytest.mark.parametrize("seed", range(4))
    def test_that_is_no_tls(self, held: Held, written: Written, seed: int) -> None:
        with socket.create_connection(held.address, timeout=30) as sock:
            with contextlib.suppress(OSError):
                sock.sendall(random.Random(seed).randbytes(3000))
            assert is_closed(sock)
        assert os.listdir(held.folder) == []
        still_serves(held, written)

    @pytest.mark.parametrize(
        "content",
        [
            random.Random(9).randbytes(3000),
            MESSAGE_HEAD.pack(second_channel.STRANGER_BYTES_MAX + 1, Kind.HELLO),
            MESSAGE_HEAD.pack(2**32 - 1, Kind.RUN),
            MESSAGE_HEAD.pack(0, 99),
            MESSAGE_HEAD.pack(2, Kind.RUN) + b"{}",
            MESSAGE_HEAD.pack(HELLO.size - 1, Kind.HELLO) + bytes(HELLO.size - 1),
            MESSAGE_HEAD.pack(HELLO.size, Kind.HELLO) + HELLO.pack(b"none", VERSION, bytes(NONCE_BYTES)),
            MESSAGE_HEAD.pack(HELLO.size, Kind.HELLO) + HELLO.pack(MAGIC, VERSION + 1, bytes(NONCE_BYTES)),
        ],
        ids=["noise", "long", "endless", "unknown", "early run", "short hello", "other magic", "other version"],
    )
    def test_inside_tls(self, held: Held, written: Written, content: bytes, patient: None) -> None:
        with encrypted(held) as sock:
            sock.sendall(content)
            assert is_closed(sock)
        assert os.listdir(held.folder) == []
        still_serves(held, written)

    def test_after_the_proof_is_cut_off_and_changes_nothing(self, held: Held, written: Written) -> None:
        still_serves(held, written)
        before = {part: held.bytes_of(written.run, part) for part in written.whole}
        for kind, content in ((Kind.HELLO, b""), (Kind.FRAMES, b"\0"), (Kind.STATUS, b"1"), (Kind.CONFIRMED, b"")):
            channel = greet_receiver(encrypted(held), SECRET)
            channel.send(Kind.RUN, written.run_json)
            while (message := channel.receive(30.0)) is None or message[0] != Kind.HELD:
                pass
            channel.send(kind, content)
            assert ends(channel)
            channel.close()
        assert {part: held.bytes_of(written.run, part) for part in written.whole} == before


def test_older_encryption_is_refused(held: Held) -> None:
    context = client_context()
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    with socket.create_connection(held.address, timeout=30) as sock, pytest.raises(ssl.SSLError):
        context.wrap_socket(sock)
    with encrypted(held) as sock:
        assert sock.version() == "TLSv1.3"


class TestReplay:
    def test_of_a_whole_connection_changes_nothing(self, held: Held, written: Written) -> None:
        link = Link(lambda: held.address, lambda: None)
        with sending(written, link.address) as second:
            assert second.wait_confirmed(30.0).behind_bytes == 0
        wait_for(lambda: not held.receiver._connections, "its end")
        link.stop()
        before = {part: held.bytes_of(written.run, part) for part in written.whole}
        assert len(link.heard[0]) > len(before[1])
        with socket.create_connection(held.address, timeout=30) as sock:
            with contextlib.suppress(OSError):
                sock.sendall(bytes(link.heard[0]))
            assert is_closed(sock)
        assert {part: held.bytes_of(written.run, part) for part in written.whole} == before
        assert sum("goes on" in line for line in held.said) == 0

    def test_of_a_proof_in_a_connection_of_its_own_is_refused(self, held: Held) -> None:
        """The proof of another connection under the same certificate: only the receiver's random number is new."""
        nonce = bytes(range(NONCE_BYTES))
        proofs = []
        for _ in range(2):
            with encrypted(held) as sock:
                channel = Channel(sock)
                channel.send(Kind.HELLO, HELLO.pack(MAGIC, VERSION, nonce))
                theirs = HELLO.unpack(channel.expect(Kind.HELLO, time.monotonic() + 30))[2]
                certificate = sock.getpeercert(binary_form=True)
                assert certificate is not None
                proofs.append(proof(SECRET, SENDER, fingerprint(certificate), nonce, theirs))
                channel.send(Kind.PROOF, proofs[0])
                if len(proofs) == 1:
                    given = channel.expect(Kind.PROOF, time.monotonic() + 30)
                    assert given == proof(SECRET, RECEIVER, fingerprint(certificate), nonce, theirs)
                else:
                    assert is_closed(sock)
        assert proofs[0] != proofs[1]

    def test_of_the_senders_own_proof_does_not_pass_for_the_receivers(self) -> None:
        near, far = socket.socketpair()
        context, _ = server_context()
        failures: list[BaseException] = []

        def mirror() -> None:
            try:
                with context.wrap_socket(far, server_side=True) as sock:
                    channel = Channel(sock)
                    for kind in (Kind.HELLO, Kind.PROOF):
                        channel.send(kind, channel.expect(kind, time.monotonic() + 30))
                    is_closed(sock)
            except OSError as error:
                failures.append(error)

        thread = threading.Thread(target=mirror)
        thread.start()
        with client_context().wrap_socket(near) as sock, pytest.raises(Stranger):
            greet_receiver(sock, SECRET)
        thread.join(30)


class TestManyAndSlow:
    def test_strangers_who_say_nothing_hold_up_nobody(self, held: Held, written: Written, patient: None) -> None:
        crowd = [socket.create_connection(held.address, timeout=30) for _ in range(3 * second_receiver.STRANGERS_MAX)]
        try:
            still_serves(held, written)
            wait_for(lambda: len(held.receiver._connections) <= second_receiver.STRANGERS_MAX + 1, "the crowd's end")
        finally:
            for sock in crowd:
                sock.close()

    def test_a_stranger_who_goes_on_slowly_is_cut_off_in_time(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(second_receiver, "HANDSHAKE_S", 0.3)
        with receiving(tmp_path / "kept") as held, encrypted(held) as sock:
            sock.sendall(MESSAGE_HEAD.pack(HELLO.size, Kind.HELLO))
            sent = 0
            with contextlib.suppress(OSError):
                while sent < HELLO.size - 1 and held.receiver._connections:
                    sock.sendall(b"x")
                    sent += 1
                    time.sleep(0.05)
            wait_for(lambda: not held.receiver._connections, "its end")
            assert sent < HELLO.size - 1, "it was let go on to the end"

    def test_refusals_are_told_of_but_not_each(self, held: Held) -> None:
        for _ in range(5):
            with encrypted(held) as sock:
                sock.sendall(b"x" * 100)
                assert is_closed(sock)
        assert len([line for line in held.said if line.startswith("refused a connection")]) == 1


@pytest.mark.parametrize(
    ("text", "wanted"),
    [("192.0.2.7:7420", ("192.0.2.7", 7420)), ("name:1", ("name", 1)), ("[2001:db8::7]:65535", ("2001:db8::7", 65535))],
)
def test_addresses_are_read(text: str, wanted: tuple[str, int]) -> None:
    assert parse_address(text, "--listen") == wanted


@pytest.mark.parametrize("text", ["", "192.0.2.7", ":1", "192.0.2.7:", "a:65536", "2001:db8::7:1", "a:b", "a:1:2"])
def test_what_is_no_address_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="--listen"):
        parse_address(text, "--listen")


def test_a_message_that_is_not_the_one_due_is_told() -> None:
    near, far = socket.socketpair()
    context, _ = server_context()

    def send() -> None:
        with context.wrap_socket(far, server_side=True) as sock:
            Channel(sock).send(Kind.RUN, b"{}")

    thread = threading.Thread(target=send)
    thread.start()
    channel = Channel(client_context().wrap_socket(near))
    thread.join(30)
    with pytest.raises(ProtocolError, match="RUN came where HELLO was due"):
        channel.expect(Kind.HELLO, time.monotonic() + 30)
    channel.close()
