"""One connection between the two ends of a second ledger: messages inside TLS, and who may send any.

`SECOND.md` beside this file is the same in prose, with the reasons. A channel belongs to one thread.
"""

from __future__ import annotations

import re
import secrets
import socket
import ssl
import struct
import time
from collections.abc import Iterable, Sequence
from enum import IntEnum

from verify.errors import UsageError
from verify.ledger.frames import BODY_BYTES_MAX, HEADER_BYTES
from verify.ledger.second_secret import NONCE_BYTES, PROOF_BYTES, RECEIVER, SENDER, fingerprint, proof, proves

MAGIC = b"aK2l"
VERSION = 1
MESSAGE_HEAD = struct.Struct("<IB")
"""Bytes of the content, and its kind."""
HELLO = struct.Struct(f"<4sB{NONCE_BYTES}s")
PLACE = struct.Struct("<HQ")
"""Part, bytes of its file: where frames belong, and how much of it is lasting."""
HELD = struct.Struct("<HQ32s")
"""Part, bytes held, BLAKE3 of the last frame held."""
STATUS = struct.Struct("<QQ")
"""Bytes of the ledger written, and for how many milliseconds the oldest unconfirmed of them has been there."""
WHOLE_RUN = 0xFFFF
STRANGER_BYTES_MAX = 256
"""What somebody may send in one message before he has proved the secret."""
CONTENT_BYTES_MAX = PLACE.size + HEADER_BYTES + BODY_BYTES_MAX
TEXT_BYTES_MAX = 1000
HANDSHAKE_S = 10.0
SEND_PATIENCE_S = 10.0
_READ_BYTES = 64 * 1024


class Kind(IntEnum):
    """What a message is."""

    HELLO = 1
    """Both ends: magic, version, a random number."""
    PROOF = 2
    """Both ends, the sender first: the proof of the secret."""
    RUN = 3
    """Sender: run.json as at the run's start."""
    HELD = 4
    """Receiver: what it holds of each part."""
    FRAMES = 5
    """Sender: whole frames of a part, and where they belong."""
    CONFIRMED = 6
    """Receiver: up to where each part is lasting on its disk."""
    REFUSED = 7
    """Receiver: a part, or the whole run, will not be taken, and why."""
    STATUS = 8
    """Sender, every second: how much was written, and how far the receiver is behind."""
    WAIT = 9
    """Receiver: it is still reading what it holds."""
    END = 10
    """Sender: run.json as at the run's end; no frame comes after it."""
    ENDED = 11
    """Receiver: it is kept; the text says what is missing of the ledger, if anything."""
    TROUBLE = 12
    """Receiver: it cannot take anything now, and why; the sender is to try again later."""


class ProtocolError(Exception):
    """The other end does not speak as it must."""


class Stranger(ProtocolError):
    """The other end has not proved that it knows the secret."""


class Channel:
    """Messages over one TLS connection.

    Args:
        sock: the connection, its handshake done.
    """

    def __init__(self, sock: ssl.SSLSocket) -> None:
        self._sock = sock
        self._got = bytearray()
        self.content_bytes_max = STRANGER_BYTES_MAX

    def send(self, kind: Kind, *content: bytes) -> None:
        """Send one message.

        Raises:
            OSError: if the connection is lost, or takes nothing for `SEND_PATIENCE_S`.
        """
        self._sock.settimeout(SEND_PATIENCE_S)
        self._sock.sendall(MESSAGE_HEAD.pack(sum(map(len, content)), kind) + b"".join(content))

    def receive(self, patience_s: float) -> tuple[Kind, bytes] | None:
        """The next message; None if no whole one has come within `patience_s`.

        Raises:
            OSError: if the connection is lost.
            ProtocolError: if what comes is no message, or is longer than allowed.
        """
        deadline = time.monotonic() + patience_s
        while True:
            message = self._cut()
            if message is not None:
                return message
            self._sock.settimeout(max(deadline - time.monotonic(), 0.0))
            try:
                chunk = self._sock.recv(_READ_BYTES)
            except (TimeoutError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return None
            if not chunk:
                raise ConnectionResetError("the other end closed the connection")
            self._got += chunk

    def expect(self, kind: Kind, deadline: float, length: int | None = None) -> bytes:
        """The content of the next message, which must be of this kind and length and come before the deadline.

        Raises:
            OSError: if the connection is lost, or nothing comes in time.
            ProtocolError: if something else comes.
        """
        message = self.receive(deadline - time.monotonic())
        if message is None:
            raise TimeoutError("the other end does not answer")
        if message[0] != kind or (length is not None and len(message[1]) != length):
            raise ProtocolError(f"a message {message[0].name} came where {kind.name} was due")
        return message[1]

    def close(self) -> None:
        """Close the connection."""
        self._sock.close()

    def _cut(self) -> tuple[Kind, bytes] | None:
        if len(self._got) < MESSAGE_HEAD.size:
            return None
        length, kind = MESSAGE_HEAD.unpack_from(self._got)
        if length > self.content_bytes_max or kind not in Kind.__members__.values():
            raise ProtocolError("what came is no message of a second ledger")
        end = MESSAGE_HEAD.size + length
        if len(self._got) < end:
            return None
        content = bytes(self._got[MESSAGE_HEAD.size : end])
        del self._got[:end]
        return Kind(kind), content


def greet_receiver(sock: ssl.SSLSocket, secret: bytes) -> Channel:
    """Prove the secret to a receiver and have it proved; nothing of the run was sent before.

    Raises:
        OSError: if the connection is lost.
        Stranger: if the other end does not know the secret.
        ProtocolError: if it speaks otherwise.
    """
    certificate = sock.getpeercert(binary_form=True)
    if certificate is None:
        raise ProtocolError("the other end shows no certificate")
    shown, own = fingerprint(certificate), secrets.token_bytes(NONCE_BYTES)
    channel, deadline = Channel(sock), time.monotonic() + HANDSHAKE_S
    channel.send(Kind.HELLO, HELLO.pack(MAGIC, VERSION, own))
    other = _hello(channel.expect(Kind.HELLO, deadline, HELLO.size))
    channel.send(Kind.PROOF, proof(secret, SENDER, shown, own, other))
    try:
        given = channel.expect(Kind.PROOF, deadline, PROOF_BYTES)
    except (ConnectionError, ssl.SSLError):
        raise Stranger("the receiver does not take this secret") from None
    if not proves(given, proof(secret, RECEIVER, shown, own, other)):
        raise Stranger("the receiver does not know the secret")
    channel.content_bytes_max = CONTENT_BYTES_MAX
    return channel


def greet_sender(sock: ssl.SSLSocket, secret: bytes, certificate_print: bytes) -> Channel:
    """Have the secret proved by whoever connected, then prove it; the sender goes first, so strangers learn nothing.

    Raises:
        OSError: if the connection is lost.
        Stranger: if the other end does not know the secret.
        ProtocolError: if it speaks otherwise.
    """
    channel, deadline = Channel(sock), time.monotonic() + HANDSHAKE_S
    other, own = _hello(channel.expect(Kind.HELLO, deadline, HELLO.size)), secrets.token_bytes(NONCE_BYTES)
    channel.send(Kind.HELLO, HELLO.pack(MAGIC, VERSION, own))
    given = channel.expect(Kind.PROOF, deadline, PROOF_BYTES)
    if not proves(given, proof(secret, SENDER, certificate_print, other, own)):
        raise Stranger("it does not know the secret")
    channel.send(Kind.PROOF, proof(secret, RECEIVER, certificate_print, other, own))
    channel.content_bytes_max = CONTENT_BYTES_MAX
    return channel


def _hello(content: bytes) -> bytes:
    magic, version, nonce = HELLO.unpack(content)
    if magic != MAGIC:
        raise ProtocolError("the other end is no second ledger")
    if version != VERSION:
        raise ProtocolError(f"the other end speaks version {version} of the protocol, this one {VERSION}")
    return bytes(nonce)


def pack_all(layout: struct.Struct, rows: Iterable[Sequence[int | bytes]]) -> bytes:
    """Rows of one layout end to end."""
    return b"".join(layout.pack(*row) for row in rows)


def unpack_all(layout: struct.Struct, content: bytes) -> list[tuple[int | bytes, ...]]:
    """The rows back.

    Raises:
        ProtocolError: if the content is not made of them.
    """
    if len(content) % layout.size:
        raise ProtocolError("a message is cut short")
    return list(layout.iter_unpack(content))


def pack_text(text: str) -> bytes:
    """A text as it is sent, cut to `TEXT_BYTES_MAX`."""
    return text.encode("utf-8", "replace")[:TEXT_BYTES_MAX]


def unpack_text(content: bytes) -> str:
    """A text that was sent, fit for a terminal."""
    text = content[:TEXT_BYTES_MAX].decode("utf-8", "replace")
    return "".join(c if c.isprintable() else "?" for c in text)


_ADDRESS = re.compile(r"(?:\[(?P<v6>[0-9A-Fa-f:.%\w]+)\]|(?P<host>[^\[\]:]+)):(?P<port>\d{1,5})")


def parse_address(text: str, what: str) -> tuple[str, int]:
    """Host and port of "192.0.2.7:7420", "name:7420" or "[2001:db8::7]:7420".

    Raises:
        UsageError: if the text is no such address.
    """
    match = _ADDRESS.fullmatch(text.strip())
    if match is None or int(match["port"]) > 65535:
        raise UsageError(f"{what} {text!r} is no address; write it as 192.0.2.7:7420 or [2001:db8::7]:7420")
    return match["v6"] or match["host"], int(match["port"])


def name_of(address: tuple[str, int]) -> str:
    """An address as people write it."""
    host, port = address
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def resolve(address: tuple[str, int]) -> list[tuple[socket.AddressFamily, tuple[str, int]]]:
    """The numeric addresses of a host and port, so that no name has to be looked up while storage stands still.

    Raises:
        UsageError: if there is none.
    """
    try:
        found = socket.getaddrinfo(*address, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise UsageError(f"{name_of(address)} is no address that can be found: {why}") from None
    return [(family, place[:2]) for family, _, _, _, place in found]  # type: ignore[misc]
