"""Loads by name, each like the disks of one kind of guest. Shares, sizes and rates are common practice, no source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from verify.drill.planning import StreamRequest
from verify.errors import UsageError
from verify.load.schedule import Flush, Pattern

KIB = 1024
ALIGNMENT_BYTES = 1 << 22
"""Every stream begins at a multiple of the largest block."""


@dataclass(frozen=True)
class Part:
    """One stream of a load set; its span is a share of the whole, in hundredths."""

    hundredths: int
    block_bytes: int
    lanes: int
    pattern: Pattern = Pattern.UNIFORM
    read_share: float = 0.0
    flush: Flush = Flush.NEVER
    flush_every: int = 0


@dataclass(frozen=True)
class LoadSet:
    """A load by name; `about` is one line for people."""

    about: str
    parts: tuple[Part, ...]


LOAD_SETS = {
    "virtual machines": LoadSet(
        "small mixed random requests, 9 KiB on average, 30 % reads, a flush now and then",
        (
            Part(60, 4 * KIB, 28, read_share=0.3, flush=Flush.EVERY, flush_every=64),
            Part(40, 16 * KIB, 20, read_share=0.3, flush=Flush.EVERY, flush_every=64),
        ),
    ),
    "databases": LoadSet(
        "pages of 8 KiB, few of them often, half reads; and a log of 4 KiB, each write forced",
        (
            Part(90, 8 * KIB, 32, Pattern.SKEWED, read_share=0.5, flush=Flush.EVERY, flush_every=128),
            Part(10, 4 * KIB, 2, Pattern.SWEEP, flush=Flush.WRITE),
        ),
    ),
    "backup streams": LoadSet(
        "a few long sequential writers of 1 MiB",
        (Part(100, 1024 * KIB, 6, Pattern.SWEEP, flush=Flush.EVERY, flush_every=64),),
    ),
    "file services": LoadSet(
        "files of 64 KiB, few of them often, 60 % reads; and their directory of 4 KiB",
        (
            Part(85, 64 * KIB, 12, Pattern.SKEWED, read_share=0.6, flush=Flush.EVERY, flush_every=32),
            Part(15, 4 * KIB, 4, read_share=0.5, flush=Flush.EVERY, flush_every=8),
        ),
    ),
    "everything at once": LoadSet(
        "virtual machines and databases, with a backup beside them",
        (
            Part(40, 4 * KIB, 16, read_share=0.3, flush=Flush.EVERY, flush_every=64),
            Part(30, 8 * KIB, 16, Pattern.SKEWED, read_share=0.5, flush=Flush.EVERY, flush_every=128),
            Part(5, 4 * KIB, 2, Pattern.SWEEP, flush=Flush.WRITE),
            Part(25, 1024 * KIB, 2, Pattern.SWEEP),
        ),
    ),
}


def load_set(name: str, span_bytes: int) -> tuple[StreamRequest, ...]:
    """The streams of a load set, over a span.

    Raises:
        UsageError: if there is no such set, or the span has too few blocks for its lanes.
    """
    if name not in LOAD_SETS:
        raise UsageError(f"there is no load set {name[:60]!r}; there are {', '.join(LOAD_SETS)}")
    parts = LOAD_SETS[name].parts
    spans = _spans(parts, span_bytes)
    for part, span in zip(parts, spans, strict=True):
        if span // part.block_bytes < part.lanes:
            raise UsageError(
                f"a span of {span_bytes} bytes is too small for the load set {name!r}; give at least 256MiB"
            )
    return tuple(
        StreamRequest(
            part.block_bytes, part.lanes, span, part.pattern, part.read_share, part.flush, part.flush_every
        )
        for part, span in zip(parts, spans, strict=True)
    )


def _spans(parts: Sequence[Part], span_bytes: int) -> list[int]:
    """What each part gets: whole multiples of the alignment, but the last, which gets the rest in whole blocks."""
    spans = [span_bytes * part.hundredths // 100 // ALIGNMENT_BYTES * ALIGNMENT_BYTES for part in parts[:-1]]
    rest = (span_bytes - sum(spans)) // parts[-1].block_bytes * parts[-1].block_bytes
    return [*spans, rest]
