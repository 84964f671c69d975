"""What a played receiver says, and what is due to it."""

from __future__ import annotations

import os

from tests.ledger.second_ends import Written, next_of, wait_for
from verify.ledger.second_channel import HELD, PLACE, Channel, Kind, pack_all
from verify.ledger.second_sender import SecondLedger


def say_held(channel: Channel, *held: tuple[int, int]) -> None:
    channel.send(Kind.HELD, pack_all(HELD, [(part, size, bytes(32)) for part, size in held]))


def confirm(channel: Channel, *rows: tuple[int, int]) -> None:
    channel.send(Kind.CONFIRMED, pack_all(PLACE, rows))


def refuse(channel: Channel, part: int, text: bytes) -> None:
    channel.send(Kind.REFUSED, part.to_bytes(2, "little"), text)


def frame(written: Written, part: int, number: int) -> tuple[Kind, bytes]:
    """The message in which a frame is due."""
    frames = written.whole[part]
    return Kind.FRAMES, PLACE.pack(part, sum(map(len, frames[:number]))) + frames[number]


def sizes(written: Written) -> dict[int, int]:
    """How long the files are."""
    return {part: os.path.getsize(path) if os.path.exists(path) else 0 for part, path in written.paths.items()}


def sent_of_each(channel: Channel, written: Written) -> dict[int, int]:
    """Write a frame of each part and take it in; how long the files are then."""
    written.grow(1)
    size = sizes(written)
    for _ in size:
        next_of(channel)
    return size


def trouble(second: SecondLedger, words: str) -> None:
    wait_for(lambda: second.lag().trouble == words, f"{words!r}, not {second.lag().trouble!r}")
