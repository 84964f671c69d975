"""The verifier's own work on a drill: real ledger reader, judgement, scan and verdict, over memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np

from scripts.drill_campaign.ledger import MemoryFolder
from scripts.drill_campaign.world import Served, ServedVolume, World
from verify.drill import scan
from verify.drill.checking import evidence_of, scan_volume
from verify.drill.opening import OpenedVolume
from verify.drill.readahead import Piece, ReadAhead, Span
from verify.drill.record import LedgerParts, RecordFolder
from verify.drill.scan import ScanResult
from verify.judge.assess import Judged
from verify.judge.decision import CONVICTING, LABELS, Finding, Source
from verify.judge.judgement import Judgement, TakeoverOrder
from verify.judge.verdict import Verdict, conclude
from verify.volume.protocol import Volume

_BY = {Source.EXAMINATION: "exam", Source.READ: "read", Source.CHECK: "check"}


@dataclass(frozen=True)
class ReportedLook:
    """One observation as the verifier judged it; `at` is when the look was issued, -1 for a check."""

    slot: int
    by: str
    at: int
    finding: str
    floor: int
    lost: int
    late_replay: bool


@dataclass(frozen=True)
class Reported:
    """What one check reported."""

    looks: list[ReportedLook]
    lost_writes: int
    verdict: Verdict
    judgement: Judgement
    orders: list[TakeoverOrder | None]


class ReadAtOnce(ReadAhead):
    """Reads each piece when it is asked for: no thread may have a say in what a seed replays."""

    def __init__(self, volume: Volume, spans: Sequence[Span], starts: Sequence[int] = ()) -> None:
        self.volume = volume
        self.spans = tuple(spans)
        self.buffers = 1
        self._pieces = self._in_order(starts or [0] * len(spans))

    def take(self) -> Piece | None:
        """The next piece, read now."""
        piece = next(self._pieces, None)
        if piece is not None:
            span = self.spans[piece.stream]
            piece.read(self.volume, span, memoryview(bytearray(piece.count * span.block_bytes)))
        return piece

    def give_back(self, piece: Piece) -> None:
        """Its memory is not used again."""

    def settle(self) -> None:
        """There is one buffer as it is."""

    def close(self) -> None:
        """There is no thread to be ended."""


def without_threads() -> None:
    """Let the scan read in the calling thread, for this process."""
    setattr(scan, "ReadAhead", ReadAtOnce)  # noqa: B010  (a name that another module imported)


class NoSpecimens:
    """Takes raw blocks and keeps none."""

    def has_room(self, _length_bytes: int) -> bool:
        """There is no end to nothing."""
        return True

    def keep(self, _block: memoryview) -> dict[str, Any] | None:
        """Forget the block."""
        return None

    def close(self) -> None:
        """Nothing to close."""


def judge_checks(world: World) -> Iterator[Reported]:
    """Judge every check of a drill, each knowing what those before it saw."""
    seen_before: dict[int, int] = {}
    with MemoryFolder(world.left) as folder:
        ledger = LedgerParts(cast(RecordFolder, folder), world.plan.run)
        items = list(ledger())
    for served in world.served:
        found, reported = _judge(world, served, ledger, items, seen_before)
        for slot, n in found.seen_in_flight.items():
            seen_before[slot] = max(n, seen_before.get(slot, -1))
        yield reported


def _judge(
    world: World, served: Served, ledger: LedgerParts, items: list[tuple[int, Any]], seen_before: dict[int, int]
) -> tuple[ScanResult, Reported]:
    run = world.plan.run
    judgement = Judgement(run, lambda: items)
    judgement.recall(seen_before)
    opened = _opened(world, served)
    kept = cast(Any, NoSpecimens())
    found = scan_volume(judgement, opened, kept, served.planned.twice, lambda done, total: None, None, (None, None))
    looks = [look for judged in judgement.judge(seen_before, found.found_beyond) for look in _looks(judged)]
    about = {"ledger_heads": world.drive.heads} if world.heads_recorded else {}
    evidence, _ = evidence_of(judgement, ledger, about, (), opened, found)
    orders = [judgement.order(index, found.slots_read > 0) for index in range(len(judgement.takeovers))]
    lost = judgement.assessor.totals.lost_writes
    return found, Reported(looks, lost, conclude(evidence), judgement, orders)


def _opened(world: World, served: Served) -> OpenedVolume:
    how, run = served.planned.volume, world.plan.run
    if served.looks is None:
        return OpenedVolume(None, "memory", "the volume is not there")
    size_bytes = run.end_bytes
    volume = ServedVolume(world.places, served.looks, size_bytes, run.streams[0].layout.sector_bytes)
    cache = "the page cache of this machine was in the way of the check" if how == "page cache" else ""
    other = "serial:other" if how in ("other", "same by blocks") else ""
    return OpenedVolume(volume, "memory", "", cache, other)


def _looks(judged: Judged) -> list[ReportedLook]:
    """The observations that convict, or show a tear that is allowed."""
    told = np.flatnonzero(np.isin(judged.finding, (*CONVICTING, Finding.TEAR_IN_FLIGHT)))
    out = []
    for i in told.tolist():
        row, source = judged.rows[i], Source(judged.rows["source"][i])
        out.append(
            ReportedLook(
                int(row["slot"]), _BY[source], -1 if source is Source.CHECK else int(row["issued_ns"]),
                LABELS[Finding(judged.finding[i])], int(judged.floor[i]), int(judged.lost_writes[i]),
                bool(judged.late_replay[i]),
            )
        )  # fmt: skip
    return out
