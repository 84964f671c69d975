"""Spans of time: merging, subtracting, finding what overlaps; in integer nanoseconds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from verify.judge.arrays import BoolArray, Int64Array, flags, int64

Span = tuple[int, int]


def merge(spans: Iterable[Span], gap_ns: int = 0) -> list[Span]:
    """The spans in order, those that overlap or stand at most `gap_ns` apart made one."""
    out: list[Span] = []
    for start, end in sorted(spans):
        if out and start - out[-1][1] <= gap_ns:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return out


def subtract(span: Span, holes: Sequence[Span]) -> list[Span]:
    """What is left of `span` when the `holes` (in order, disjoint) are taken out."""
    out: list[Span] = []
    start, end = span
    for hole_start, hole_end in holes:
        out.append((start, min(hole_start, end)))
        start = max(start, hole_end)
    out.append((start, end))
    return [(begin, until) for begin, until in out if begin < until]


def overlaps(starts: Int64Array, ends: Int64Array, spans: Sequence[Span]) -> BoolArray:
    """For each (start, end) whether any of the `spans` (in order, disjoint) reaches into it.

    A span that ends just where the stretch starts, or starts where it ends, does not: the wait that an
    acknowledgement ended is not after that acknowledgement.
    """
    span_starts = int64([s for s, _ in spans])
    span_ends = int64([e for _, e in spans])
    first = np.searchsorted(span_ends, starts, side="right")
    inside = first < len(spans)
    out = flags(len(starts))
    out[inside] = span_starts[first[inside]] < ends[inside]
    return out
