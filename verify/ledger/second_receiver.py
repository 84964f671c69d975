"""The receiver's end of second ledgers: takes the frames of any number of runs from whoever knows the secret.

A thread a connection; the one that listens never waits for any of them. Until it has proved the secret a connection
may send a few hundred bytes and last ten seconds, and only a few of them are kept at a time: a newer one drops the
oldest. So a stranger holds up nobody and makes nothing be allocated or written.
"""

from __future__ import annotations

import contextlib
import fcntl
import math
import os
import socket
import ssl
import threading
import time
from collections.abc import Callable
from pathlib import Path

from verify.errors import CannotRun
from verify.ledger.recorder import DISK_FULL
from verify.ledger.second_channel import (
    HANDSHAKE_S,
    HELD,
    PLACE,
    STATUS,
    WHOLE_RUN,
    Channel,
    Kind,
    ProtocolError,
    greet_sender,
    name_of,
    pack_all,
    pack_text,
    resolve,
)
from verify.ledger.second_copy import Contradiction, RunCopy, read_description

SYNC_EVERY_S = 0.25
"""What came is made lasting, and then confirmed, so often."""
SILENCE_S = 15.0
"""A sender that says nothing for so long has gone."""
WAIT_EVERY_S = 1.0
LAG_TOLD_S = 5.0
"""A sender that says it is behind for longer than this is told of, once until it has caught up."""
STRANGERS_MAX = 8
SENDERS_MAX = 32
COPIES_KNOWN_MAX = 32
STRANGER_TOLD_EVERY_S = 10.0
_ACCEPT_S = 0.25
_BACKLOG = 128
_YIELD_S = 10.0

Say = Callable[[str], None]


class Receiver:
    """Listens, and keeps second ledgers below a folder.

    Args:
        folder: where; made if it is not there.
        address: host and port to listen at; port 0 takes a free one, see `address`.
        secret: the shared secret.
        context, certificate_print: see `second_certificate.server_context`.
        say: told in one line what happens to a run.

    Raises:
        CannotRun: if it cannot listen there, or not write below the folder.
        UsageError: if there is no such address.
    """

    def __init__(
        self, folder: Path, address: tuple[str, int], secret: bytes, context: ssl.SSLContext, certificate_print: bytes,
        say: Say,
    ) -> None:  # fmt: skip
        self.folder = folder
        self.say = say
        self.secret = secret
        self.certificate_print = certificate_print
        self._context = context
        self._lock = threading.Lock()
        self._connections: list[_Connection] = []
        self._copies: dict[str, RunCopy] = {}
        self._told: dict[str | None, set[str]] = {}
        self._stopping = threading.Event()
        self._stranger_told = -math.inf
        self._held = _hold(folder)
        try:
            self._listener = _listen(address)
        except BaseException:
            os.close(self._held)
            raise
        self.address: tuple[str, int] = self._listener.getsockname()[:2]

    def run(self) -> None:
        """Take connections until `stop`; then what was received is made lasting."""
        self._listener.settimeout(_ACCEPT_S)
        try:
            while not self._stopping.is_set():
                self._drop_slow_strangers()
                try:
                    raw, peer = self._listener.accept()
                except TimeoutError:
                    continue
                except OSError:
                    self._stopping.wait(_ACCEPT_S)  # Too many open files, or a connection gone before it was taken.
                    continue
                self._admit(raw, str(peer[0]))
        finally:
            self._listener.close()
            with self._lock:
                left = list(self._connections)
            for connection in left:
                connection.cut()
            for connection in left:
                connection.join(_YIELD_S)
            for copy in self._copies.values():
                copy.close()
            os.close(self._held)

    def stop(self) -> None:
        """Stop taking connections."""
        self._stopping.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # Wakes up who waits for one.

    def _admit(self, raw: socket.socket, peer: str) -> None:
        try:
            raw.settimeout(HANDSHAKE_S)
            sock = self._context.wrap_socket(raw, server_side=True, do_handshake_on_connect=False)
        except (OSError, ValueError):
            raw.close()
            return
        with self._lock:
            strangers = [c for c in self._connections if c.run_id is None and not c.was_cut]
            if len(strangers) >= STRANGERS_MAX:
                strangers[0].cut()
            connection = _Connection(self, sock, peer)
            self._connections.append(connection)
        try:
            connection.start()
        except RuntimeError:  # No thread can be had.
            sock.close()
            self.leave(connection)

    def _drop_slow_strangers(self) -> None:
        """Cut those that have not proved the secret in time, however slowly they go on sending."""
        now = time.monotonic()
        with self._lock:
            for connection in self._connections:
                if connection.run_id is None and now - connection.since > HANDSHAKE_S:
                    connection.cut()

    def take_place(self, connection: _Connection, run_id: str) -> None:
        """Make a connection the only one of its run: an earlier one is cut, for the sender has given it up.

        Raises:
            OSError: if there are too many senders, or the earlier one does not give way.
        """
        with self._lock:
            others = [c for c in self._connections if c.run_id is not None and c is not connection]
            same = [c for c in others if c.run_id == run_id]
            if len(others) - len(same) >= SENDERS_MAX:
                raise OSError(f"run {run_id} is not taken: {SENDERS_MAX} are being received already")
            connection.run_id = run_id
        for other in same:
            other.cut()
            other.join(_YIELD_S)
            if other.is_alive():
                raise OSError("an earlier connection of the run has not ended yet")

    def copy_of(self, content: bytes, peer: str) -> tuple[RunCopy, bool]:
        """The copy of the run that a run.json describes, and whether this receiver has had it before."""
        _, run = read_description(content)
        with self._lock:
            copy = self._copies.pop(run.run_id, None)
            if copy is not None and not copy.path.is_dir():  # It was taken away while nobody sent.
                copy.close()
                copy = None
            known = copy is not None
            copy = copy or RunCopy(self.folder, content, peer)
            self._copies[run.run_id] = copy
            in_use = {c.run_id for c in self._connections}
            idle = [run_id for run_id in self._copies if run_id not in in_use and run_id != run.run_id]
            for run_id in idle[: max(len(self._copies) - COPIES_KNOWN_MAX, 0)]:
                self._copies.pop(run_id).close()
        return copy, known

    def leave(self, connection: _Connection) -> None:
        """Forget a connection that has ended."""
        with self._lock, contextlib.suppress(ValueError):
            self._connections.remove(connection)

    def tell(self, run_id: str | None, text: str) -> None:
        """Say what happens to a run; the same again only after something of it was received."""
        with self._lock:
            told = self._told.setdefault(run_id, set())
            if text in told:
                return
            told.add(text)
        self.say(f"run {run_id}: {text}" if run_id is not None else f"a run: {text}")

    def moved(self, run_id: str | None) -> None:
        """Note that something of a run was received."""
        with self._lock:
            self._told.pop(run_id, None)

    def tell_stranger(self, peer: str, why: str) -> None:
        """Say that a connection was refused, but not for each of many."""
        now = time.monotonic()
        if now - self._stranger_told >= STRANGER_TOLD_EVERY_S:
            self._stranger_told = now
            self.say(f"refused a connection from {peer}: {why}")


def _hold(folder: Path) -> int:
    """Make a folder if it is not there, and keep other receivers from it as long as the result is open."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not os.access(folder, os.W_OK | os.X_OK):
            raise CannotRun(f"{folder} may not be written to")
        held = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as error:
        raise CannotRun(f"{folder} cannot be made: {error.strerror}") from None
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(held)
        raise CannotRun(f"another receiver keeps its ledgers in {folder}") from None
    return held


def _listen(address: tuple[str, int]) -> socket.socket:
    family, place = resolve(address)[0]
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(place)
        listener.listen(_BACKLOG)
    except OSError as error:
        listener.close()
        raise CannotRun(f"nothing can listen at {name_of(address)}: {error.strerror}") from None
    return listener


class _Connection(threading.Thread):
    """One connection; `run_id` is None until its sender has proved the secret and named its run."""

    def __init__(self, receiver: Receiver, sock: ssl.SSLSocket, peer: str) -> None:
        super().__init__(daemon=True, name=f"from {peer}")
        self.run_id: str | None = None
        self.since = time.monotonic()
        self.was_cut = False
        self._receiver = receiver
        self._sock = sock
        self._peer = peer
        self._behind = False

    def cut(self) -> None:
        """End it, from any thread."""
        self.was_cut = True
        with contextlib.suppress(OSError):
            socket.socket.shutdown(self._sock, socket.SHUT_RDWR)

    def run(self) -> None:
        """Serve it to its end; nothing that the other end does comes further than here."""
        try:
            try:
                self._sock.do_handshake()
                channel = greet_sender(self._sock, self._receiver.secret, self._receiver.certificate_print)
                content = channel.expect(Kind.RUN, time.monotonic() + HANDSHAKE_S)
            except (OSError, ProtocolError, ValueError) as error:
                self._receiver.tell_stranger(self._peer, _words(error))
                return
            self._serve(channel, content)
        finally:
            with contextlib.suppress(OSError):
                self._sock.close()
            self._receiver.leave(self)

    def _serve(self, channel: Channel, content: bytes) -> None:
        copy: RunCopy | None = None
        try:
            _, run = read_description(content)
            self._receiver.take_place(self, run.run_id)
            copy, known = self._receiver.copy_of(content, self._peer)
            copy.resume(content, _Waiting(channel))
            how = "goes on" if known or copy.held_bytes else "begins"
            self._say(f"{how}, from {self._peer}; {copy.held_bytes:,} bytes held in {copy.path}")
            channel.send(Kind.HELD, pack_all(HELD, copy.held()))
            self._take_frames(channel, copy)
        except Contradiction as error:
            self._say(f"refused: {error}")
            self._try_to_send(channel, Kind.REFUSED, WHOLE_RUN.to_bytes(2, "little") + pack_text(str(error)))
        except ProtocolError as error:
            self._say(f"cut off: {error}")
        except OSError as error:
            held = f"{copy.held_bytes:,} bytes held" if copy is not None else "nothing held"
            if isinstance(error, ConnectionError | TimeoutError | ssl.SSLError):
                self._say(f"connection lost; {held}")
            else:
                self._say(f"cannot be kept: {_words(error)}; {held}")
                self._try_to_send(channel, Kind.TROUBLE, pack_text(_words(error)))
        finally:
            if copy is not None:
                with contextlib.suppress(OSError):
                    copy.sync()
                copy.rest()

    def _say(self, text: str) -> None:
        self._receiver.tell(self.run_id, text)

    def _take_frames(self, channel: Channel, copy: RunCopy) -> None:
        """Take what the sender sends until it has ended or is lost.

        Raises:
            OSError, ProtocolError, Contradiction: see there.
        """
        heard = synced = time.monotonic()
        while True:
            message = channel.receive(SYNC_EVERY_S)
            now = time.monotonic()
            kind, content = message or (None, b"")
            if kind is None and now - heard > SILENCE_S:
                raise TimeoutError(f"it has said nothing for {SILENCE_S:.0f} s")
            if kind is not None:
                heard = now
            if kind == Kind.FRAMES:
                self._take(channel, copy, content)
            elif kind == Kind.END:
                missing = copy.end(content)
                self._say(f"ended; {_how_complete(copy, missing)}")
                channel.send(Kind.ENDED, pack_text("; ".join(missing)))
                return
            elif kind == Kind.STATUS:
                self._note_lag(content)
            elif kind is not None:
                raise ProtocolError(f"it sent {kind.name}")
            if kind == Kind.STATUS or (copy.unconfirmed and now - synced >= SYNC_EVERY_S):
                synced = now
                if copy.unconfirmed:
                    self._receiver.moved(self.run_id)
                channel.send(Kind.CONFIRMED, pack_all(PLACE, copy.sync()))

    def _take(self, channel: Channel, copy: RunCopy, content: bytes) -> None:
        if len(content) < PLACE.size:
            raise ProtocolError("a message is cut short")
        part, offset = PLACE.unpack_from(content)
        try:
            copy.append(part, offset, content[PLACE.size :])
        except Contradiction as error:
            self._say(f"refused: {error}")
            channel.send(Kind.REFUSED, part.to_bytes(2, "little"), pack_text(str(error)))

    def _note_lag(self, content: bytes) -> None:
        if len(content) != STATUS.size:
            raise ProtocolError("a message is cut short")
        written, behind_ms = STATUS.unpack(content)
        behind_s = behind_ms / 1000
        if behind_s >= LAG_TOLD_S and not self._behind:
            self._behind = True
            self._say(f"lags: {behind_s:.1f} s behind its writer, which has written {written:,} bytes")
        elif behind_s < 1.0 and self._behind:
            self._behind = False
            self._say("has caught up")

    def _try_to_send(self, channel: Channel, kind: Kind, content: bytes) -> None:
        with contextlib.suppress(OSError):
            channel.send(kind, content)


class _Waiting:
    """Keeps a sender patient while a long copy is read: called for every frame, it says so once a second."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._told = time.monotonic()

    def __call__(self) -> None:
        now = time.monotonic()
        if now - self._told >= WAIT_EVERY_S:
            self._told = now
            self._channel.send(Kind.WAIT)


def _how_complete(copy: RunCopy, missing: list[str]) -> str:
    if missing:
        return f"incomplete, {copy.held_bytes:,} bytes held: {'; '.join(missing)}"
    return f"complete, {copy.held_bytes:,} bytes"


def _words(error: Exception) -> str:
    if isinstance(error, ssl.SSLError):
        return "it does not speak TLS 1.3 as a writer does"
    if isinstance(error, OSError) and error.errno in DISK_FULL:
        return "the receiver's disk is full"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error) or type(error).__name__
