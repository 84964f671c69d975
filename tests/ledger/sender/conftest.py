"""A sender inside the test process, and a receiver that the test plays."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.ledger.second_ends import (
    SECRET,
    Clock,
    PlayedReceiver,
    Written,
    wait_for,
)
from tests.ledger.sender.conversation import say_held
from verify.ledger import second_sender, second_tail
from verify.ledger.frames import HEADER_BYTES
from verify.ledger.second_channel import Channel
from verify.ledger.second_sender import SecondLedger


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """What the sender takes for time; it sends one frame in each message."""
    made = Clock(100.0)
    monkeypatch.setattr(second_sender, "time", SimpleNamespace(monotonic=made.monotonic, sleep=time.sleep))
    monkeypatch.setattr(second_sender, "POLL_S", 0.002)
    monkeypatch.setattr(second_tail, "FRAMES_BYTES", HEADER_BYTES)
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
