"""What a played sender sends, and what is due to it."""

from __future__ import annotations

from pathlib import Path

from tests.ledger.second_ends import (
    SECRET,
    Held,
    Written,
    certificate,
    wait_for,
)
from verify.ledger.second_channel import (
    PLACE,
    Kind,
    pack_all,
)
from verify.ledger.second_receiver import (
    Receiver,
)

SYNC_S = 1 / 32
"""What came is made lasting so often in these tests; no fraction is lost."""


def frames_of(written: Written, part: int, first: int, last: int) -> bytes:
    """A message's content: some frames and where they belong."""
    frames = written.whole[part]
    return PLACE.pack(part, sum(map(len, frames[:first]))) + b"".join(frames[first:last])


def confirmed(written: Written, *frames: int) -> tuple[Kind, bytes]:
    """The confirmation of so many frames of each part."""
    rows = [(part, sum(map(len, written.whole[part][:count]))) for part, count in enumerate(frames)]
    return Kind.CONFIRMED, pack_all(PLACE, rows)


def says(held: Held, written: Written, *lines: str) -> None:
    """What it says of the run, in all."""
    wanted = [f"run {written.run.run_id}: {line}" for line in lines]
    wait_for(lambda: len(held.said) >= len(wanted), f"{wanted}, not {held.said}")
    assert held.said == wanted


def another(tmp_path: Path, seed: int) -> Written:
    return Written(tmp_path / f"guest{seed}", seed, 2)


def not_running(folder: Path, said: list[str] | None = None, host: str = "127.0.0.1") -> Receiver:
    """A receiver that takes no connections."""
    context, shown = certificate()
    return Receiver(folder, (host, 0), SECRET, context, shown, (said if said is not None else []).append)
