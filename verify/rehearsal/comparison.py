"""What the pair really did beside what the verifier reported, block by block and write by write."""

from __future__ import annotations

import csv
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from verify.blocks.encode import BlockMaker
from verify.drill.record import LedgerParts, RecordFolder
from verify.judge.order import Order
from verify.ledger.frames import Kind, Records
from verify.load.run import Run
from verify.rehearsal.truth import Damage, Moment, Truth, Version, digest_of

KINDS_REPORTED = {
    "lost": frozenset({"lost", "stale read"}),
    "torn": frozenset({"torn"}),
    "misplaced": frozenset({"misplaced"}),
    "blank": frozenset({"blank"}),
    "damaged": frozenset({"damaged"}),
    "stale read": frozenset({"stale read", "lost"}),
    "unreadable": frozenset({"unreadable"}),
}
"""The findings by which the verifier may report each kind of damage; a read under load calls a lost write stale, and
an examination calls what a stale read cache serves lost, since neither can look behind the controller."""

FLUSHES_TRIED = 64
"""So many flushes after a write are looked at: each lane has one outstanding at most, so the first to end is among
them."""


@dataclass(frozen=True)
class Reported:
    """One row of losses.csv."""

    kind: str
    offset_bytes: int
    lost_writes: int
    seen_by: str


@dataclass
class Comparison:
    """How far pair and verifier agree.

    `disagreements` says each difference in words; `real_blocks` and `real_writes` count what the pair damaged where
    anyone could see it, `reported_blocks` and `reported_writes` what the verifier found.
    """

    real_blocks: int = 0
    real_writes: int = 0
    hidden_blocks: int = 0
    reported_blocks: int = 0
    reported_writes: int = 0
    kinds: tuple[str, ...] = ()
    disagreements: list[str] = field(default_factory=list)


def read_losses(path: Path) -> list[Reported]:
    """The rows of losses.csv."""
    with open(path, newline="", encoding="utf-8") as file:
        return [
            Reported(row["kind"], int(row["offset"]), int(row["lost_writes"]), row["seen_by"])
            for row in csv.DictReader(file)
        ]


def compare(
    truth: Truth, covers: Callable[[Version], bool] | None, rows: Iterable[Reported], lost: int
) -> Comparison:
    """Set the pair's truth against the verifier's report.

    Args:
        truth: of the pair, after the load.
        covers: under the promise `flushed`, which versions were covered as far as their caller could know.
        rows: all rows of losses.csv.
        lost: `lost.acknowledged_writes` of the verdict.
    """
    out = Comparison()
    damages: dict[int, list[Damage]] = defaultdict(list)
    for damage in truth.damages(covers=covers):
        damages[damage.offset_bytes].append(damage)
    reported: dict[int, list[Reported]] = defaultdict(list)
    for row in rows:
        reported[row.offset_bytes].append(row)
    out.reported_blocks = len(reported)
    out.reported_writes = lost
    kinds: set[str] = set()
    expected_writes = 0
    for offset in sorted(damages.keys() | reported.keys()):
        visible = [d for d in damages[offset] if _visible(d)]
        out.hidden_blocks += int(bool(damages[offset]) and not visible)
        out.real_blocks += int(bool(visible))
        kinds |= {d.kind for d in visible}
        expected_writes += _compare_block(offset, visible, reported[offset], out.disagreements)
    out.real_writes = expected_writes
    out.kinds = tuple(sorted(kinds))
    if expected_writes != lost:
        out.disagreements.append(f"{expected_writes} writes were lost, {lost} were reported")
    return out


def _visible(damage: Damage) -> bool:
    """Whether anyone could know: it was read under load, or it still stands for the check."""
    return bool(damage.read_ns) or (damage.ended_ns is None and damage.first_seen in (None, "read"))


def _compare_block(offset: int, visible: list[Damage], rows: list[Reported], out: list[str]) -> int:
    """Compare one block; returns the lost writes that its rows had to report."""
    if visible and not rows:
        out.append(f"offset {offset}: {visible[0].kind} and not reported ({visible[0].detail})")
        return sum(d.lost_writes for d in visible)
    if rows and not visible:
        out.append(f"offset {offset}: reported {rows[0].kind} by {rows[0].seen_by}, and it is sound")
        return 0
    allowed = frozenset().union(*(KINDS_REPORTED[d.kind] for d in visible))
    out.extend(
        f"offset {offset}: really {visible[0].kind}, reported {row.kind} by {row.seen_by}"
        for row in rows
        if row.kind not in allowed
    )
    standing = any(d.ended_ns is None for d in visible)
    by_check = any(row.seen_by == "check" for row in rows)
    if standing and not by_check:
        out.append(f"offset {offset}: {visible[0].kind} still stands, and the check did not report it")
    if by_check and not standing:
        out.append(f"offset {offset}: the check reported it, and it had been set right")
    if all(row.seen_by == "read" for row in rows):
        return 0
    writes = {row.lost_writes for row in rows if row.seen_by != "read"}
    expected = {d.lost_writes for d in visible}
    if not writes <= expected:
        out.append(f"offset {offset}: {sorted(expected)} writes lost, reported {sorted(writes)}")
    return sum(d.lost_writes for d in visible)


def compare_moment(moments: Iterable[Moment], order: Order | None, out: list[str]) -> None:
    """Where the whole volume shows one moment of the past, the verifier must say so and its interval must hold it."""
    for moment in moments:
        if moment.went_back_to_ns is None or order is None:
            continue
        true_from, true_to = moment.went_back_to_ns
        if not order.one_moment or order.moment_from_ns is None:
            out.append("the volume went back to one moment, and was called reordered")
            continue
        low, high = order.moment_from_ns, order.moment_to_ns
        if low > true_to or (high is not None and high < true_from):
            out.append("the moment that the volume went back to lies outside the reported interval")


def covers_by_ledger(folder: RecordFolder, run: Run) -> Callable[[Version], bool]:
    """Which versions were covered by a flush as far as the ledger knows, by a plain loop over its records.

    A flush covers the writes acknowledged before it was issued, unless something went wrong between that and its end.
    """
    flushes: list[tuple[int, int]] = []
    writes: list[tuple[int, int, int, bool]] = []
    trouble: list[tuple[int, int]] = []
    for _, item in LedgerParts(folder, run)():
        if not isinstance(item, Records):
            continue
        for i in range(len(item)):
            kind, issued, done = int(item.kind[i]), int(item.issued_ns[i]), int(item.done_ns[i])
            if kind == Kind.CLOCK:
                continue
            if kind == Kind.ERROR or done - issued > run.stall_ns:
                trouble.append((issued, done))
            if kind == Kind.FLUSH:
                flushes.append((issued, done))
            elif kind in (Kind.WRITE, Kind.WRITE_THROUGH):
                writes.append((int(item.lane[i]), int(item.sequence[i]), done, kind == Kind.WRITE_THROUGH))
    flushes.sort()
    starts = [issued for issued, _ in flushes]
    makers = [BlockMaker(stream.layout, run.seed, run.tag) for stream in run.streams]
    slots = [run.schedule(lane).operations(0, 1 + max((w[1] for w in writes if w[0] == lane), default=0)).slots
             for lane in range(run.lanes)]  # fmt: skip
    covered: dict[bytes, bool] = {}
    for lane, sequence, done, through in writes:
        layout = run.stream_of_lane(lane).layout
        block = makers[layout.stream].block(int(slots[lane][sequence]), lane - layout.first_lane, sequence)
        first = bisect_right(starts, done)
        ends = [end for _, end in flushes[first : first + FLUSHES_TRIED]]
        clear = any(not any(a <= end and b >= done for a, b in trouble) for end in ends)
        covered[digest_of(block)] = through or clear
    return lambda version: covered.get(version.digest, False)
