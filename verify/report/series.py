"""Rate and latency over time, out of a ledger of any length, in memory that does not grow with it.

Operations are counted in bins of time and in buckets of latency, both of a fixed number. Latencies told from buckets
are good to within half a bucket; the longest of each bin is exact.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from verify.ledger.frames import Kind, Records

Int64Array = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

BUCKETS_PER_DECADE = 20
LATENCY_NS_MIN = 1_000
"""Everything faster than a microsecond is counted in the first bucket."""

DECADES = 11
BUCKETS = BUCKETS_PER_DECADE * DECADES
EDGES_NS: FloatArray = LATENCY_NS_MIN * 10.0 ** (np.arange(BUCKETS + 1) / BUCKETS_PER_DECADE)
"""Bucket i counts latencies from EDGES_NS[i] up to EDGES_NS[i + 1]; the last reaches 10 ** 14 ns, 28 hours."""

_WRITES = (int(Kind.WRITE), int(Kind.WRITE_THROUGH))
_READS = (int(Kind.READ), int(Kind.READ_ODD))
_WIDTHS_NS = tuple(factor * 10**power for power in range(6, 15) for factor in (1, 2, 5))


def bucket_of(latency_ns: Int64Array) -> Int64Array:
    """The bucket of each latency; whatever is outside the buckets counts in the first or the last."""
    found: Int64Array = np.searchsorted(EDGES_NS, latency_ns, side="right").astype(np.int64) - 1
    return found.clip(0, BUCKETS - 1)


def quantile_ns(counts: Int64Array, share: float) -> FloatArray:
    """A quantile of bucketed latencies.

    Args:
        counts: shape (..., BUCKETS).
        share: 0 to 1.

    Returns:
        Nanoseconds, of shape (...), geometrically within the bucket; NaN where nothing was counted.
    """
    total = counts.sum(axis=-1)
    reached = np.cumsum(counts, axis=-1)
    wanted = np.maximum(share * total, 1e-9)  # Of the first that there is, where the share is 0.
    index = np.minimum((reached < wanted[..., None]).sum(axis=-1), BUCKETS - 1)
    inside = np.take_along_axis(counts, index[..., None], axis=-1)[..., 0]
    below = np.take_along_axis(reached, index[..., None], axis=-1)[..., 0] - inside
    part = np.where(inside > 0, (wanted - below) / np.maximum(inside, 1), 0.0).clip(0.0, 1.0)
    value = EDGES_NS[index] * 10.0 ** (part / BUCKETS_PER_DECADE)
    return np.where(total > 0, value, np.nan)


@dataclass
class Histogram:
    """Latencies of the writes acknowledged from `start_ns` up to `end_ns`."""

    start_ns: int
    end_ns: int
    counts: Int64Array = field(default_factory=lambda: np.zeros(BUCKETS, dtype=np.int64))

    def feed(self, done_ns: Int64Array, bucket: Int64Array) -> None:
        """Count the writes that fall into the stretch."""
        inside = (done_ns >= self.start_ns) & (done_ns < self.end_ns)
        if inside.any():
            self.counts += np.bincount(bucket[inside], minlength=BUCKETS)

    @property
    def writes(self) -> int:
        """How many there were."""
        return int(self.counts.sum())


class Binned:
    """What was acknowledged in each bin of a stretch of time.

    Args:
        start_ns, end_ns: the stretch, monotonic.
        bins_max: no more bins than this; their width is 1, 2 or 5 times a power of ten.

    Attributes:
        writes, reads, errors: count by the bin in which the operation (or the attempt) ended; shape (bins,).
        latency: writes by bin and latency bucket; shape (bins, BUCKETS).
        longest_ns: longest wait of a write that ended in the bin; shape (bins,).
    """

    def __init__(self, start_ns: int, end_ns: int, bins_max: int) -> None:
        length_ns = max(end_ns - start_ns, 1)
        self.width_ns = next((w for w in _WIDTHS_NS if math.ceil(length_ns / w) <= bins_max), length_ns)
        self.start_ns = start_ns
        bins = math.ceil(length_ns / self.width_ns)
        self.end_ns = start_ns + bins * self.width_ns
        self.stretch_end_ns = max(end_ns, start_ns + 1)
        self.writes = np.zeros(bins, dtype=np.int64)
        self.reads = np.zeros(bins, dtype=np.int64)
        self.errors = np.zeros(bins, dtype=np.int64)
        self.latency = np.zeros((bins, BUCKETS), dtype=np.int64)
        self.longest_ns = np.zeros(bins, dtype=np.int64)

    def __len__(self) -> int:
        return len(self.writes)

    def feed_writes(self, done_ns: Int64Array, latency_ns: Int64Array, bucket: Int64Array) -> None:
        """Count acknowledged writes."""
        inside = np.flatnonzero((done_ns >= self.start_ns) & (done_ns < self.end_ns))
        if not len(inside):
            return
        at = (done_ns[inside] - self.start_ns) // self.width_ns
        self.writes += np.bincount(at, minlength=len(self))
        flat = np.bincount(at * BUCKETS + bucket[inside], minlength=len(self) * BUCKETS)
        self.latency += flat.reshape(self.latency.shape)
        np.maximum.at(self.longest_ns, at, latency_ns[inside])

    def feed_others(self, counts: Int64Array, done_ns: Int64Array) -> None:
        """Count reads or errors into the array given."""
        inside = done_ns[(done_ns >= self.start_ns) & (done_ns < self.end_ns)]
        if len(inside):
            counts += np.bincount((inside - self.start_ns) // self.width_ns, minlength=len(self))

    def quantile_ns(self, share: float) -> FloatArray:
        """A quantile of the latency of writes by bin, never over the longest; NaN where there were none; (bins,)."""
        value = quantile_ns(self.latency, share)
        return np.where(np.isnan(value), value, np.minimum(value, self.longest_ns))

    def seconds(self) -> FloatArray:
        """How long each bin is: the last one only as long as the stretch; shape (bins,)."""
        out = np.full(len(self), self.width_ns / 1e9)
        out[-1] = max(self.stretch_end_ns - (self.end_ns - self.width_ns), 1) / 1e9
        return out

    def middles_s(self, zero_ns: int) -> FloatArray:
        """The middle of each bin, in seconds after `zero_ns`; shape (bins,)."""
        return (self.start_ns - zero_ns + (np.arange(len(self)) + 0.5) * self.width_ns) / 1e9


class Series:
    """Fed the records of a ledger; then everything below may be read.

    Args:
        overview: the whole load.
        details: narrower stretches to be seen closely.
        histograms: stretches whose latency distribution is wanted.
    """

    def __init__(self, overview: Binned, details: Sequence[Binned], histograms: Sequence[Histogram]) -> None:
        self.overview = overview
        self.details = details
        self.histograms = histograms

    def feed(self, records: Records) -> None:
        """Take a stretch of records, in any order."""
        writes = np.flatnonzero(np.isin(records.kind, _WRITES))
        done_ns = records.done_ns[writes]
        latency_ns = done_ns - records.issued_ns[writes]
        bucket = bucket_of(latency_ns)
        reads = records.done_ns[np.isin(records.kind, _READS)]
        errors = records.done_ns[records.kind == Kind.ERROR]
        for binned in (self.overview, *self.details):
            binned.feed_writes(done_ns, latency_ns, bucket)
            binned.feed_others(binned.reads, reads)
            binned.feed_others(binned.errors, errors)
        for histogram in self.histograms:
            histogram.feed(done_ns, bucket)
