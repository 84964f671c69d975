"""The second ledger survives cuts of the connection and deaths of both ends, at random moments: no loss, no doubles."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from tests.ledger.second_ends import SECRET, WORKERS, Held, Link, Written, sending, wait_for
from verify.ledger import second_receiver, second_sender, second_tail
from verify.ledger.second_sender import SecondLedger

CUTS = int(os.environ.get("ACKPROOF_TEST_CUTS", "100"))
DEATHS = 12
FRAMES = 600


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Small messages, so that connections of a few kilobytes get something through, and no rest between them."""
    monkeypatch.setattr(second_tail, "FRAMES_BYTES", 4096)
    monkeypatch.setattr(second_sender, "PAUSE_S_MIN", 0.001)
    monkeypatch.setattr(second_sender, "PAUSE_S_MAX", 0.01)
    monkeypatch.setattr(second_sender, "POLL_S", 0.005)
    monkeypatch.setattr(second_receiver, "SYNC_EVERY_S", 0.02)
    monkeypatch.setattr(second_sender, "STATUS_EVERY_S", 0.01)


def whole_frames_before(written: Written, part: int, length: int) -> int:
    """The bytes of the last whole frames of a part that end at or before `length`."""
    end = 0
    for frame in written.whole[part]:
        if end + len(frame) > length:
            break
        end += len(frame)
    return end


class Dying:
    """A receiver that dies as its machine would: what it had not made lasting may be gone, or cut short."""

    def __init__(self, folder: Path, written: Written, chosen: random.Random) -> None:
        self.folder = folder
        self.deaths = 0
        self._written = written
        self._chosen = chosen
        self.held = Held(folder)

    @property
    def address(self) -> tuple[str, int]:
        return self.held.address

    def die(self, second: SecondLedger) -> None:
        """End, lose some of what was never confirmed, and begin anew."""
        self.held.stop()
        self.deaths += 1
        for part in self._written.whole:
            path = self.folder / self._written.run.run_id / "ledger" / f"{part:03d}.ledger"
            if path.exists():
                lasting = second._parts[part].confirmed
                size = path.stat().st_size
                assert size >= lasting, "what was confirmed is not there"
                os.truncate(path, self._chosen.randint(lasting, size))
        self.held = Held(self.folder)


def test_after_any_number_of_cuts_and_deaths_it_holds_every_byte_once(tmp_path: Path) -> None:
    chosen = random.Random(20261125)
    written = Written(tmp_path / "guest", 1, FRAMES)
    dying = Dying(tmp_path / "kept", written, chosen)
    link = Link(lambda: dying.address, lambda: chosen.choice((700, 2500, 6000, 12000)) + chosen.randrange(3000))
    wanted = [CUTS * death // (DEATHS + 1) for death in range(1, DEATHS + 1)]
    more = written.grow(3)
    try:
        with sending(written, link.address) as second:
            while link.cuts < CUTS:
                cuts = link.cuts
                more = written.grow(3) if more else False
                wait_for(lambda: link.cuts > cuts, "a cut")  # noqa: B023  (called at once)
                if dying.deaths < DEATHS and link.cuts >= wanted[dying.deaths]:
                    dying.die(second)
                for part in written.whole:
                    held = dying.held.bytes_of(written.run, part)
                    assert written.bytes_of(part).startswith(held)
            assert any(second._parts[part].confirmed < len(written.bytes_of(part)) for part in written.whole)
            link._budget = lambda: None
            while written.grow(50):
                pass
            assert second.wait_confirmed(60.0).behind_bytes == 0
            assert second.end(written.end_json, 60.0) == ""
            facts = second.facts()
    finally:
        link.stop()
        dying.held.stop()
    for part in written.whole:
        assert dying.held.bytes_of(written.run, part) == written.bytes_of(part)
    assert link.cuts >= CUTS
    assert dying.deaths == DEATHS
    assert facts["connections"] > CUTS // 2, "most cuts came before anything of the run was sent"
    assert facts["written_bytes"] == facts["confirmed_bytes"] == sum(len(written.bytes_of(p)) for p in written.whole)
    assert len(written.whole) == WORKERS + 1


def test_a_sender_that_dies_leaves_whole_frames_up_to_the_last_that_was_sent(tmp_path: Path) -> None:
    """Each time another sender takes over the same files, as none would in life, it goes on where the last ended."""
    chosen = random.Random(7)
    written = Written(tmp_path / "guest", 2, 200)
    held = Held(tmp_path / "kept")
    more, deaths = True, 0
    try:
        while more:
            link = Link(lambda: held.address, lambda: 4000 + chosen.randrange(30_000))
            more = written.grow(chosen.randrange(1, 25))
            with sending(written, link.address):
                wait_for(lambda: link.cuts, "the sender's death")  # noqa: B023  (called at once)
                link._to = lambda: ("127.0.0.1", 1)
            link.stop()
            deaths += 1
            for part in written.whole:
                wait_for(lambda: not held.receiver._connections, "the connection's end")
                ours = held.bytes_of(written.run, part)
                assert written.bytes_of(part).startswith(ours)
                assert whole_frames_before(written, part, len(ours)) == len(ours)
        with sending(written, held.address, SECRET) as second:
            assert second.wait_confirmed(60.0).behind_bytes == 0
    finally:
        held.stop()
    assert deaths > 5
    for part in written.whole:
        assert held.bytes_of(written.run, part) == written.bytes_of(part)
