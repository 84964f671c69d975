"""The writer's end of a second ledger: reads the ledger files as they grow, and sends whole frames.

It is one thread of the supervisor's process, begun after the workers were forked, and takes nothing from them but what
the kernel already has of their files. So no write ever waits for it, and the second ledger is a beginning of the
first, to the byte. What it does not cover: what lanes have not handed to the kernel yet, which is 50 ms, or all since
the record folder's disk began to hang. Frames handed over in memory would cover that, but then each copy could hold
what the other lacks, and a contradiction could no longer be told from a crash.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from verify.ledger.second_certificate import client_context
from verify.ledger.second_channel import (
    HANDSHAKE_S,
    HELD,
    PLACE,
    STATUS,
    WHOLE_RUN,
    Channel,
    Kind,
    ProtocolError,
    greet_receiver,
    name_of,
    resolve,
    unpack_all,
    unpack_text,
)
from verify.ledger.second_tail import Tail

POLL_S = 0.05
STATUS_EVERY_S = 1.0
SILENCE_S = 10.0
"""A receiver that says nothing for so long has gone."""

WINDOW_BYTES = 8 * 1024 * 1024
"""So much may be under way unconfirmed."""
PAUSE_S_MIN, PAUSE_S_MAX = 0.1, 5.0
"""Between attempts to connect: doubled after each that fails."""
_THREAD_PATIENCE_S = 2.0


@dataclass(frozen=True)
class Lag:
    """How far the receiver is behind the ledger files.

    `behind_s` is for how long the oldest byte that is not confirmed has been in its file; `trouble` says why nothing
    is being sent, or that a part was refused; "" for no trouble.
    """

    connected: bool
    written_bytes: int
    confirmed_bytes: int
    behind_s: float
    trouble: str

    @property
    def behind_bytes(self) -> int:
        """Bytes written and not confirmed."""
        return self.written_bytes - self.confirmed_bytes


class SecondLedger:
    """Keeps the ledger of one run at a receiver too.

    Args:
        address: host and port of the receiver, which are looked up at once.
        secret: the shared secret.

    Raises:
        UsageError: if there is no such address.
    """

    def __init__(self, address: tuple[str, int], secret: bytes) -> None:
        self.address = name_of(address)
        self._places = resolve(address)
        self._secret = secret
        self._context = client_context()
        self._parts: dict[int, Tail] = {}
        self._start = b""
        self._final: bytes | None = None
        self._ended: str | None = None
        self._connected = False
        self._connections = 0
        self._trouble = "not connected yet"
        self._longest_s = 0.0
        self._most_bytes = 0
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None

    def start(self, run_json: bytes, paths: Mapping[int, str]) -> None:
        """Begin to send, the first time this is called.

        Args:
            run_json: run.json as at the run's start.
            paths: the path of each part's file, there or not.
        """
        if self._thread is None:
            self._start, self._parts = run_json, {part: Tail(path) for part, path in paths.items()}
            self._thread = threading.Thread(target=self._run, daemon=True, name="second ledger")
            self._thread.start()

    def lag(self) -> Lag:
        """How far the receiver is behind; never blocks for long."""
        with self._lock:
            return self._lag(time.monotonic())

    def wait_confirmed(self, patience_s: float, given_up: Callable[[], bool] = lambda: False) -> Lag:
        """Wait until all that was written is confirmed, or for so long, or until given up; returns how far it came."""
        deadline = time.monotonic() + patience_s
        while True:
            self._look()
            if self._all_confirmed() or time.monotonic() > deadline or given_up():
                return self.lag()
            time.sleep(POLL_S)

    def end(self, run_json: bytes, patience_s: float) -> str | None:
        """Send run.json as at the run's end; what the receiver says is missing ("" for nothing), None if it did not."""
        with self._lock:
            self._final = run_json
        if self._thread is not None:
            self._thread.join(patience_s)
        return self.missing

    @property
    def missing(self) -> str | None:
        """What the receiver said is missing at the run's end, "" for nothing; None if it did not say."""
        return self._ended

    def stop(self) -> None:
        """Stop sending."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(_THREAD_PATIENCE_S)

    def facts(self) -> dict[str, Any]:
        """What run.json says of how far it came; bytes are of the ledger files, frames and all."""
        with self._lock:
            lag = self._lag(time.monotonic())
            refused = {f"{number:03d}": part.refused for number, part in self._parts.items() if part.refused}
            return {
                "address": self.address,
                "written_bytes": lag.written_bytes,
                "confirmed_bytes": lag.confirmed_bytes,
                "behind_s": round(lag.behind_s, 3),
                "longest_behind_s": round(max(self._longest_s, lag.behind_s), 3),
                "most_behind_bytes": max(self._most_bytes, lag.behind_bytes),
                "connections": self._connections,
                "refused": refused,
                "trouble": lag.trouble,
            }

    def _lag(self, now: float) -> Lag:
        parts = self._parts.values()
        since = [at for at in (part.waiting_since() for part in parts) if at is not None]
        refused = [part.refused for part in parts if part.refused]
        return Lag(
            connected=self._connected,
            written_bytes=sum(part.written for part in parts),
            confirmed_bytes=sum(min(part.confirmed, part.written) for part in parts),
            behind_s=now - min(since) if since else 0.0,
            trouble=self._trouble or (f"no more is sent of a part: {refused[0]}" if refused else ""),
        )

    def _all_confirmed(self) -> bool:
        """Whether all that is written is confirmed, but for parts that are refused."""
        return all(part.refused or part.written <= part.confirmed for part in self._parts.values())

    def _look(self) -> None:
        """See how long the files are; one that cannot be opened is told of when it is to be read."""
        now = time.monotonic()
        with self._lock:
            for part in self._parts.values():
                with contextlib.suppress(OSError):
                    part.look(now)
            lag = self._lag(now)
            self._longest_s = max(self._longest_s, lag.behind_s)
            self._most_bytes = max(self._most_bytes, lag.behind_bytes)

    def _run(self) -> None:
        pause_s = PAUSE_S_MIN
        while not self._stop.is_set():
            before = self._connections
            self._look()
            try:
                self._connect_and_send()
                break
            except (OSError, ProtocolError) as error:
                self._trouble = _words(error)
            finally:
                self._connected = False
            pause_s = PAUSE_S_MIN if self._connections > before else min(2 * pause_s, PAUSE_S_MAX)
            self._rest(pause_s)
        for part in self._parts.values():
            part.close()

    def _rest(self, seconds: float) -> None:
        """Wait between two attempts, and go on counting how far the receiver is behind."""
        deadline = time.monotonic() + seconds
        while not self._stop.wait(POLL_S) and time.monotonic() < deadline:
            self._look()

    def _connect_and_send(self) -> None:
        """One connection, to its end: returns when all is sent and ended, or when stopped.

        Raises:
            OSError, ProtocolError: if the connection is lost or of no use.
        """
        channel = self._connect()
        try:
            channel.send(Kind.RUN, self._start)
            self._take_up(channel)
            self._connected = True
            self._connections += 1
            self._trouble = ""
            self._stream(channel)
        finally:
            channel.close()

    def _connect(self) -> Channel:
        failure: OSError | None = None
        for family, place in self._places:
            raw = socket.socket(family, socket.SOCK_STREAM)
            try:
                raw.settimeout(HANDSHAKE_S)
                raw.connect(place)
                raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                sock = self._context.wrap_socket(raw)
            except OSError as error:
                raw.close()
                failure = error
                continue
            try:
                return greet_receiver(sock, self._secret)
            except BaseException:
                sock.close()
                raise
        raise failure or OSError("there is no address")

    def _take_up(self, channel: Channel) -> None:
        """Learn what the receiver holds, and go on from there."""
        while True:
            message = channel.receive(SILENCE_S)
            if message is None:
                raise TimeoutError("the receiver does not answer")
            kind, content = message
            if kind == Kind.HELD:
                break
            self._take(kind, content)
            if self._stop.is_set():
                raise OSError("stopped")
        with self._lock:
            for row in unpack_all(HELD, content):
                part = self._parts.get(int(row[0]))
                if part is not None:
                    part.sent = int(row[1])
                    part.confirm(part.sent)

    def _stream(self, channel: Channel) -> None:
        heard = told = time.monotonic()
        ending = False
        while not self._stop.is_set():
            final = self._final  # Before the look: what stands in the files when this is given is all there will be.
            self._look()
            moved = self._send_frames(channel)
            now = time.monotonic()
            if now - told >= STATUS_EVERY_S:
                told, lag = now, self.lag()
                channel.send(Kind.STATUS, STATUS.pack(lag.written_bytes, round(lag.behind_s * 1000)))
            if final is not None and not ending and not moved and self._nothing_under_way():
                channel.send(Kind.END, final)
                ending = True
            message = channel.receive(0.0 if moved else POLL_S)
            while message is not None:
                heard = time.monotonic()
                if message[0] == Kind.ENDED:
                    self._ended = unpack_text(message[1])
                    return
                self._take(*message)
                message = channel.receive(0.0)
            if time.monotonic() - heard > SILENCE_S:
                raise TimeoutError("the receiver does not answer")

    def _nothing_under_way(self) -> bool:
        return all(part.refused or part.sent == part.confirmed for part in self._parts.values())

    def _send_frames(self, channel: Channel) -> bool:
        """Send the next frames of every part in turn, as far as the window allows; whether anything was sent.

        A part that cannot be read does not stop the others.

        Raises:
            OSError: if the connection is lost.
        """
        moved, unreadable = False, ""
        for number, part in self._parts.items():
            if sum(p.sent - p.confirmed for p in self._parts.values() if not p.refused) >= WINDOW_BYTES:
                break
            try:
                frames = part.whole_frames()
            except OSError as error:
                unreadable = f"{part.name} cannot be read: {_words(error)}"
                continue
            except ValueError as error:
                part.refused = str(error)
                continue
            if frames:
                channel.send(Kind.FRAMES, PLACE.pack(number, part.sent), frames)
                part.sent += len(frames)
                moved = True
        self._trouble = unreadable
        return moved

    def _take(self, kind: Kind, content: bytes) -> None:
        """Take what the receiver says.

        Raises:
            OSError: if it cannot go on now.
            ProtocolError: if it has no right to say that.
        """
        if kind == Kind.CONFIRMED:
            with self._lock:
                for row in unpack_all(PLACE, content):
                    part = self._parts.get(int(row[0]))
                    if part is not None and int(row[1]) <= part.sent:
                        part.confirm(int(row[1]))
        elif kind == Kind.REFUSED:
            number, text = int.from_bytes(content[:2], "little"), unpack_text(content[2:])
            if number == WHOLE_RUN or number not in self._parts:
                raise OSError(f"the receiver refuses the run: {text}")
            self._parts[number].refused = text
        elif kind == Kind.TROUBLE:
            raise OSError(f"the receiver says: {unpack_text(content)}")
        elif kind != Kind.WAIT:
            raise ProtocolError(f"the receiver sent {kind.name}")


def _words(error: Exception) -> str:
    """Why there is no connection, in words."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error) or type(error).__name__


def paths_of(folder: str, parts: Sequence[int]) -> dict[int, str]:
    """The path of each part's file in the folder of a ledger."""
    return {part: os.path.join(folder, f"{part:03d}.ledger") for part in parts}
