"""Both ends of a second ledger inside the test process, a ledger to send, and a link between them that can be cut."""

from __future__ import annotations

import contextlib
import functools
import json
import os
import random
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from blake3 import blake3

from tests.ledger.slow_ledger import Frame, build, writes
from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.ledger.second_certificate import client_context, server_context
from verify.ledger.second_channel import Channel, Kind, greet_sender
from verify.ledger.second_receiver import Receiver
from verify.ledger.second_sender import SecondLedger, paths_of
from verify.load.run import Run

SECRET = b"0123456789abcdef0123456789abcdef"
PATIENCE_S = 60.0
WORKERS = 2


DIED: list[str] = []
"""What threads of the running test have ended by, and should not have."""


def wait_for(true: Callable[[], object], what: str) -> None:
    """Wait for something to become true, or fail: at once if a thread has died."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert not DIED, f"waited in vain for {what}"
        assert time.monotonic() < end, f"waited in vain for {what}"
        time.sleep(0.002)


class Written:
    """A run whose whole ledger is known: `whole` gives each part's frames; `grow` puts some of them into its files."""

    def __init__(self, folder: Path, seed: int, frames: int) -> None:
        chosen = random.Random(seed)
        request = RunRequest(streams=(StreamRequest(lanes=4, span_bytes=1 << 20),), seed=seed, workers=WORKERS)
        self.run: Run = plan_run(request, 1 << 20, 512)
        self.folder = folder
        (folder / "ledger").mkdir(parents=True)
        self.about: dict[str, Any] = {"format": "ackproof-run/1", "run": self.run.to_json(), "started": "now"}
        self.run_json = json.dumps(self.about).encode()
        self.whole: dict[int, list[bytes]] = {}
        for part in self.run.ledger_parts:
            opening = {"event": "open", "part": part, "run": self.run.run_id, "description": self.run.digest}
            made, first = [Frame(spelled(opening))], 0
            for _ in range(frames):
                count = chosen.choice((1, 3, 20, 100))
                made.append(Frame(writes(part, first, count)))
                first += count
            made.append(Frame(spelled({"event": "close", "monotonic_ns": 7})))
            self.whole[part] = build(made, self.run.tag, part)
        self.at = dict.fromkeys(self.whole, 0)

    @property
    def paths(self) -> dict[int, str]:
        return paths_of(str(self.folder / "ledger"), self.run.ledger_parts)

    def bytes_of(self, part: int) -> bytes:
        return b"".join(self.whole[part])

    def grow(self, frames: int) -> bool:
        """Append so many frames to each file; whether there are more."""
        for part, all_frames in self.whole.items():
            some = all_frames[self.at[part] : self.at[part] + frames]
            with open(self.paths[part], "ab") as file:
                file.write(b"".join(some))
            self.at[part] += len(some)
        return any(self.at[part] < len(all_frames) for part, all_frames in self.whole.items())

    @property
    def end_json(self) -> bytes:
        """run.json as at the end, with the heads that the slow ledger gives."""
        heads = {str(part): blake3(frames[-1]).hexdigest() for part, frames in self.whole.items()}
        return json.dumps({**self.about, "ended": "then", "ledger_heads": heads}).encode()


def spelled(event: dict[str, Any]) -> bytes:
    return json.dumps(event, separators=(",", ":"), sort_keys=True).encode()


class Held:
    """A receiver in this process. `said` is what it said."""

    def __init__(
        self, folder: Path, port: int = 0, secret: bytes = SECRET, made: tuple[ssl.SSLContext, bytes] | None = None
    ) -> None:
        self.folder = folder
        self.said: list[str] = []
        context, shown = made or server_context()
        self.receiver = Receiver(folder, ("127.0.0.1", port), secret, context, shown, self.said.append)
        self.address = self.receiver.address
        self._thread = threading.Thread(target=self.receiver.run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self.receiver.stop()
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()

    def bytes_of(self, run: Run, part: int) -> bytes:
        path = self.folder / run.run_id / "ledger" / f"{part:03d}.ledger"
        return path.read_bytes() if path.exists() else b""


@functools.cache
def certificate() -> tuple[ssl.SSLContext, bytes]:
    """What a receiver that a test plays encrypts with: made once, for making it takes long."""
    return server_context()


@contextlib.contextmanager
def joined() -> Iterator[tuple[ssl.SSLSocket, ssl.SSLSocket]]:
    """Both ends of an encrypted connection, the sender's first, over a pair of sockets and in one thread."""
    near, far = socket.socketpair()
    sender = client_context().wrap_socket(near, do_handshake_on_connect=False)
    receiver = certificate()[0].wrap_socket(far, server_side=True, do_handshake_on_connect=False)
    with sender, receiver:
        for end in (sender, receiver, sender, receiver):
            end.settimeout(0.0)
            with contextlib.suppress(ssl.SSLWantReadError):
                end.do_handshake()
        for end in (sender, receiver):
            end.settimeout(PATIENCE_S)
        yield sender, receiver


def encrypted(held: Held) -> ssl.SSLSocket:
    """A connection to it that has proved nothing yet."""
    return client_context().wrap_socket(socket.create_connection(held.address, timeout=PATIENCE_S))


def ends(channel: Channel) -> bool:
    """Whether the other end ends the connection, whatever it says before."""
    try:
        while channel.receive(PATIENCE_S) is not None:
            pass
    except OSError:
        return True
    return False


@contextlib.contextmanager
def receiving(folder: Path, secret: bytes = SECRET) -> Iterator[Held]:
    held = Held(folder, secret=secret)
    try:
        yield held
    finally:
        held.stop()


@contextlib.contextmanager
def sending(written: Written, address: tuple[str, int], secret: bytes = SECRET) -> Iterator[SecondLedger]:
    second = SecondLedger(address, secret)
    second.start(written.run_json, written.paths)
    try:
        yield second
    finally:
        second.stop()


class PlayedReceiver:
    """The receiver's end as a test plays it, message by message, for a real sender."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.settimeout(PATIENCE_S)
        self.address: tuple[str, int] = self.listener.getsockname()[:2]

    def take(self) -> tuple[Channel, bytes]:
        """The next connection, once its sender has proved the secret, and the run.json that it sent."""
        raw, _ = self.listener.accept()
        raw.settimeout(PATIENCE_S)
        context, shown = certificate()
        channel = greet_sender(context.wrap_socket(raw, server_side=True), SECRET, shown)
        return channel, channel.expect(Kind.RUN, time.monotonic() + PATIENCE_S)


def next_of(channel: Channel) -> tuple[Kind, bytes]:
    """What the other end says next."""
    said: list[tuple[Kind, bytes]] = []

    def hear() -> bool:
        message = channel.receive(0.05)
        said.extend([message] if message is not None else [])
        return bool(said)

    wait_for(hear, "a message")
    return said[0]


class Clock:
    """What one end takes for time, moved by the test alone; `asked` counts how often it looked."""

    def __init__(self, now: float) -> None:
        self.now = now
        self.asked = 0

    def monotonic(self) -> float:
        self.asked += 1
        return self.now

    def let_it_look(self) -> None:
        """Wait until it was looked at often enough for all to have been done that is due."""
        before = self.asked
        wait_for(lambda: self.asked > before + 8, "a look at the clock")


def open_files(folder: Path) -> int:
    """So many files of the folder are open in this process."""
    links = [f"/proc/self/fd/{number}" for number in os.listdir("/proc/self/fd")]
    return sum(os.readlink(link).startswith(str(folder)) for link in links if os.path.lexists(link))


class Link:
    """Forwards connections to a receiver, and cuts each after as many bytes as `budget` says; None for never.

    `heard` keeps what came from the sender's end, connection by connection.
    """

    def __init__(self, to: Callable[[], tuple[str, int]], budget: Callable[[], int | None]) -> None:
        self._to = to
        self._budget = budget
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self.address: tuple[str, int] = self._listener.getsockname()[:2]
        self.cuts = 0
        self.heard: list[bytearray] = []
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join(PATIENCE_S)
        self._listener.close()

    def _accept(self) -> None:
        while not self._stopping.is_set():
            try:
                near, _ = self._listener.accept()
            except TimeoutError:
                continue
            self._forward(near)

    def _forward(self, near: socket.socket) -> None:
        """One connection at a time, so that the order of what happens is the seed's."""
        left = self._budget()
        heard = bytearray()
        self.heard.append(heard)
        try:
            far = socket.create_connection(self._to(), timeout=PATIENCE_S)
        except OSError:
            near.close()
            return
        ends = {near: far, far: near}
        for end in ends:
            end.settimeout(0.002)
        try:
            while not self._stopping.is_set():
                for end, other in ends.items():
                    try:
                        chunk = end.recv(4096 if left is None else max(min(left, 4096), 1))
                    except TimeoutError:
                        continue
                    if not chunk:
                        return
                    if end is near:
                        heard += chunk
                    other.settimeout(PATIENCE_S)
                    other.sendall(chunk)
                    other.settimeout(0.002)
                    if left is not None:
                        left -= len(chunk)
                        if left <= 0:
                            self.cuts += 1
                            return
        except OSError:
            return
        finally:
            near.close()
            far.close()
