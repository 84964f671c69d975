"""Ledgers cut short or with a flipped bit: never a traceback, never a false finding, never a false PASS."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import attest, check_on, convicting, load_on, losses_of, no_false_finding
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder
from verify.ledger.frames import HEADER, HEADER_BYTES, FrameKind, Kind, Records
from verify.load.run import Run

BLOCK_BYTES = 512
LANES = 2
SLOTS = 32
OPERATIONS = 40
PARTS = (0, 1, 2)
SPOILT_PARTS = (0, 1)
"""The supervisor's file, and that of one worker; the other's stays whole."""

FLIPS = 40


class RememberingVolume(MemoryVolume):
    """Remembers everything that was ever written, by offset."""

    def __init__(self, size_bytes: int) -> None:
        super().__init__(size_bytes, write_delay_s=0.02)
        self.written: dict[int, list[bytes]] = {}

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        self.written.setdefault(offset_bytes, []).append(bytes(buffer))
        return super().write(offset_bytes, buffer, through)


@dataclass
class Kept:
    """A finished run with a takeover attested in it, and the bytes of its ledger files."""

    record: Path
    volume: RememberingVolume
    run: Run
    ledgers: dict[int, bytes]

    def path(self, part: int) -> Path:
        return self.record / "ledger" / f"{part:03d}.ledger"

    def check(
        self, volume: MemoryVolume | None = None, **ledgers: bytes
    ) -> tuple[dict[str, Any], list[dict[str, str]]]:
        """Check with other bytes in some ledger files, given as part_0=..., and leave no trace of it."""
        for part, whole in self.ledgers.items():
            self.path(part).write_bytes(ledgers.get(f"part_{part}", whole))
        result = check_on(volume or self.volume, self.record)
        rows = losses_of(result.folder)
        shutil.rmtree(self.record / "checks")
        (self.record / "verdict.json").unlink()
        return result.verdict, rows


def frames_of(ledger: bytes) -> list[tuple[int, int, bytes]]:
    """Start, end and body of every frame of a whole ledger file."""
    out, start = [], 0
    while start < len(ledger):
        body_bytes = HEADER.unpack_from(ledger, start)[4]
        end = start + HEADER_BYTES + body_bytes
        out.append((start, end, ledger[start + HEADER_BYTES : end]))
        start = end
    return out


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    record = tmp_path_factory.mktemp("ledgers") / "record"
    volume = RememberingVolume(SLOTS * BLOCK_BYTES)
    marker = threading.Thread(target=attest, args=(record, volume))
    marker.start()
    stream = StreamRequest(BLOCK_BYTES, LANES, SLOTS * BLOCK_BYTES)
    run = load_on(volume, record, RunRequest((stream,), seed=11, tag=3, operations=OPERATIONS, workers=2))
    marker.join()
    return Kept(record, volume, run, {part: ledger_of(record, part) for part in PARTS})


def ledger_of(record: Path, part: int) -> bytes:
    return (record / "ledger" / f"{part:03d}.ledger").read_bytes()


@pytest.fixture(autouse=True)
def _no_syncs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Thousands of checks need not be made non-volatile."""
    monkeypatch.setattr(os, "fsync", lambda fd: None)


@pytest.fixture
def killed(kept: Kept) -> Iterator[Kept]:
    """The same run as if it had been killed shortly before its end: no close anywhere, and run.json as at the start."""
    path = kept.record / "run.json"
    whole = path.read_text()
    about = json.loads(whole)
    for name in ("ended", "ended_because", "ledger_heads", "workers_lost", "result"):
        del about[name]
    path.write_text(json.dumps(about))
    yield Kept(kept.record, kept.volume, kept.run, {part: before_the_end(data) for part, data in kept.ledgers.items()})
    path.write_text(whole)


def before_the_end(ledger: bytes) -> bytes:
    """A ledger file without its last records, which tell that lanes ended, and without stop and close."""
    end = len(ledger)
    for start, _, body in reversed(frames_of(ledger)):
        is_event = HEADER.unpack_from(ledger, start)[2] == FrameKind.EVENT
        if is_event and json.loads(body)["event"] not in ("stop", "close"):
            break
        end = start
        if not is_event:
            break
    return ledger[:end]


def cuts(ledger: bytes) -> list[int]:
    """Lengths that end within the last three frames: before one, and at and around the ends of its header and body.

    A cut anywhere else within a header or a body reads the same (tests/ledger/test_reader_tails.py, at every byte).
    """
    out: set[int] = set()
    for start, end, _ in frames_of(ledger)[-3:]:
        body = start + HEADER_BYTES
        out |= {start, start + 1, body - 1, body, body + 1, (body + end) // 2, end - 1}
    return sorted(out)


def test_the_run_as_it_stands_passes(kept: Kept) -> None:
    verdict, rows = kept.check()
    assert (verdict["verdict"], rows) == ("PASS", [])
    assert all(len(frames_of(ledger)) > 6 for ledger in kept.ledgers.values())


@pytest.mark.parametrize("part", SPOILT_PARTS)
def test_a_closed_ledger_cut_anywhere_is_inconclusive_and_says_so(kept: Kept, part: int) -> None:
    for length in cuts(kept.ledgers[part]):
        verdict, rows = kept.check(**{f"part_{part}": kept.ledgers[part][:length]})
        no_false_finding(verdict, rows)
        assert verdict["verdict"] == "INCONCLUSIVE", f"cut to {length}"
        assert any(f"{part:03d}.ledger" in reason for reason in verdict["reasons"]), verdict["reasons"]


class TestALedgerWithoutClose:
    def test_it_is_believed_as_far_as_it_goes(self, killed: Kept) -> None:
        verdict, rows = killed.check()
        no_false_finding(verdict, rows)
        assert verdict["verdict"] == "PASS"
        assert any("never closed" in limit for limit in verdict["not_proved"])

    @pytest.mark.parametrize("part", SPOILT_PARTS)
    def test_cut_anywhere_it_accuses_nobody(self, killed: Kept, part: int) -> None:
        for length in cuts(killed.ledgers[part]):
            verdict, rows = killed.check(**{f"part_{part}": killed.ledgers[part][:length]})
            no_false_finding(verdict, rows)
            assert not any("damaged" in reason for reason in verdict["reasons"]), f"cut to {length}"

    def test_what_a_later_block_proves_is_still_demanded(self, killed: Kept) -> None:
        part = 1
        slot, volume = self.rolled_back(killed, part)
        lengths = cuts(killed.ledgers[part])
        untold = 0
        for length in lengths:
            verdict, rows = killed.check(volume, **{f"part_{part}": killed.ledgers[part][:length]})
            assert convicting(verdict) == {"lost": 1}, f"cut to {length}: {verdict['reasons']}"
            [row] = rows
            assert (int(row["offset"]), int(row["lane"])) == (slot * BLOCK_BYTES, slot % LANES)
            assert (row["kind"], row["lost_writes"]) == ("lost", "1"), f"cut to {length}: {row}"
            assert verdict["lost"]["acknowledged_writes"] == 1
            untold += row["acknowledged"] == ""
        assert 0 < untold < len(lengths), "the cuts never took the write, or always did"

    def rolled_back(self, killed: Kept, part: int) -> tuple[int, RememberingVolume]:
        """A slot put back by one write, and the volume with it.

        Of the last three frames one before the last tells of the write; a later one of its lane is on the volume.
        """
        first, last = (frames_of(killed.ledgers[part])[k][0] for k in (-3, -1))
        lane = killed.run.lane_workers.index(part)
        told_from, told_to = (self.operations_told(killed, part, end, lane) for end in (first, last))
        total = SLOTS // LANES + OPERATIONS
        slots = killed.run.schedule(lane).operations(0, total).slots.tolist()
        newest = {slot: n for n, slot in enumerate(slots)}
        slot = next(slot for slot, n in newest.items() if told_from <= n < min(told_to, total - 1))
        return slot, rolled_back(killed, slot)

    def operations_told(self, killed: Kept, part: int, end: int, lane: int) -> int:
        """How many operations of a lane a ledger file tells of that is cut at `end`."""
        killed.path(part).write_bytes(killed.ledgers[part][:end])
        ledger = RecordFolder.open(str(killed.record)).ledger_file(part, killed.run.tag)
        stretches = [item for item in ledger.items() if isinstance(item, Records)]
        return sum(int(((r.kind == Kind.WRITE) & (r.lane == lane)).sum()) for r in stretches)


def rolled_back(kept: Kept, slot: int) -> RememberingVolume:
    """The volume with one slot put back by one write."""
    volume = RememberingVolume(len(kept.volume.data))
    volume.data[:] = kept.volume.data
    at = slot * BLOCK_BYTES
    volume.data[at : at + BLOCK_BYTES] = kept.volume.written[at][-2]
    return volume


class TestAFlippedBit:
    @pytest.mark.parametrize("part", SPOILT_PARTS)
    def test_in_a_closed_ledger(self, kept: Kept, part: int) -> None:
        self.flip_all(kept, part, kept.ledgers[part], seed=part)

    @pytest.mark.parametrize("part", SPOILT_PARTS)
    def test_in_a_ledger_without_close(self, killed: Kept, part: int) -> None:
        self.flip_all(killed, part, killed.ledgers[part], seed=10 + part)

    def flip_all(self, kept: Kept, part: int, ledger: bytes, seed: int) -> None:
        chosen = random.Random(seed)
        frames = frames_of(ledger)
        middle = frames[len(frames) // 2][0]
        spots = [*range(0, HEADER_BYTES, 7), *range(middle, middle + HEADER_BYTES), len(ledger) - 1]
        spots += chosen.sample(range(len(ledger)), FLIPS)
        for spot in spots:
            spoilt = bytearray(ledger)
            spoilt[spot] ^= 1 << chosen.randrange(8)
            verdict, rows = kept.check(**{f"part_{part}": bytes(spoilt)})
            no_false_finding(verdict, rows)
            assert verdict["verdict"] == "INCONCLUSIVE", f"seed {seed}, byte {spot}"
            number, start = next((i, s) for i, (s, e, _) in enumerate(frames) if s <= spot < e)
            where = rf"{part:03d}\.ledger, frame {number} at byte {start}\b"
            assert any(re.search(where, reason) for reason in verdict["reasons"]), verdict["reasons"]

    def test_does_not_hide_what_stands_before_it(self, kept: Kept) -> None:
        """A slot of a lane whose ledger file is sound still convicts."""
        ledger = kept.ledgers[1]
        spoilt = bytearray(ledger)
        spoilt[frames_of(ledger)[-2][0] + HEADER_BYTES] ^= 1
        slot = kept.run.lane_workers.index(2)
        verdict, rows = kept.check(rolled_back(kept, slot), part_1=bytes(spoilt))
        assert verdict["verdict"] == "FAIL"
        assert [(row["kind"], int(row["offset"])) for row in rows] == [("lost", slot * BLOCK_BYTES)]
