"""A receiver inside the test process, and senders that the test plays."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.ledger.receiver.conversation import SYNC_S
from tests.ledger.second_ends import (
    SECRET,
    Clock,
    Held,
    Written,
    certificate,
    encrypted,
    next_of,
)
from verify.ledger import second_receiver
from verify.ledger.second_certificate import client_context
from verify.ledger.second_channel import (
    Channel,
    Kind,
    greet_receiver,
)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """What the receiver takes for time: so far ahead that no channel's deadline is over by it."""
    made = Clock(float(int(time.monotonic()) + 100_000))
    monkeypatch.setattr(second_receiver, "time", SimpleNamespace(monotonic=made.monotonic))
    monkeypatch.setattr(second_receiver, "SYNC_EVERY_S", SYNC_S)
    monkeypatch.setattr(second_receiver, "_ACCEPT_S", 0.01)
    return made


@pytest.fixture
def written(tmp_path: Path) -> Written:
    return Written(tmp_path / "guest", 5, 6)


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    return tmp_path / "kept"


@pytest.fixture
def held(kept: Path, clock: Clock) -> Iterator[Held]:
    made = Held(kept, made=certificate())
    yield made
    made.stop()


@pytest.fixture
def connect(held: Held) -> Iterator[Callable[..., Channel]]:
    """Connects to a receiver as a sender that knows the secret, and sends a run.json."""
    made: list[Channel] = []

    def start(run_json: bytes, sock: socket.socket | None = None, to: Held | None = None) -> Channel:
        tls = encrypted(to or held) if sock is None else client_context().wrap_socket(sock)
        channel = greet_receiver(tls, SECRET)
        made.append(channel)
        channel.send(Kind.RUN, run_json)
        return channel

    yield start
    for channel in made:
        channel.close()


@pytest.fixture
def channel(connect: Callable[..., Channel], written: Written) -> Channel:
    """A connection of a run of which nothing is held."""
    made = connect(written.run_json)
    assert next_of(made)[0] == Kind.HELD
    return made
