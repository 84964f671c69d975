"""What operation n of a lane does, from (seed, stream, lane, n) alone.

Two 64-bit words of a counter-based generator belong to each operation, so any stretch of operations can be
recomputed in any order and vectorised, and the ledger need not store what an operation did.

Source of the generator: Philox4x64-10, Salmon, Moraes, Dror and Shaw, "Parallel random numbers: as easy as 1, 2, 3",
SC 2011, as `numpy.random.Philox`, whose raw stream numpy promises to keep. Only exact IEEE 754 operations (addition,
multiplication, square root) follow, so every machine computes the same schedule.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from verify.blocks.layout import StreamLayout

SKEW_EXPONENT = 0.875
"""Exponent of the skewed pattern: the k-th most written slot of a lane is written in proportion to k ** -0.875.

One less an eighth, so that the inverse of the distribution needs only square roots and squares. The busiest 1 % of a
lane's slots draw about 56 % of its operations where it owns very many."""

_SCATTER = 0x9E3779B1
"""Odd multiplier (a prime) that spreads the busiest slots over the span."""

_WORDS_PER_OPERATION = 2
_OPERATIONS_PER_COUNTER = 2


class Pattern(IntEnum):
    """Where a lane's operations go among its own slots."""

    UNIFORM = 0
    SWEEP = 1
    SKEWED = 2


class Flush(IntEnum):
    """When a lane makes its writes non-volatile."""

    NEVER = 0
    EVERY = 1
    WRITE = 2


@dataclass(frozen=True)
class Stream:
    """One kind of load on its own part of the span.

    `flush_every` counts acknowledged writes of a lane between its flushes and means something only with
    `Flush.EVERY`. `pace` is operations per second of the whole stream, 0 for as fast as they go. With `fill`, the first
    operations of a lane write each of its slots once.
    """

    layout: StreamLayout
    pattern: Pattern = Pattern.UNIFORM
    read_share: float = 0.0
    flush: Flush = Flush.NEVER
    flush_every: int = 0
    pace: float = 0.0
    fill: bool = True

    def fill_operations(self, lane: int) -> int:
        """How many operations of lane `lane` (counted within the stream) belong to the fill."""
        return self.layout.lane_slots(lane) if self.fill else 0


@dataclass(frozen=True)
class Operations:
    """A stretch of one lane's operations: for each, whether it writes and the slot (counted within the stream)."""

    first: int
    writes: npt.NDArray[np.bool_]
    slots: npt.NDArray[np.int64]


class Schedule:
    """The operations of one lane.

    Args:
        stream: the stream.
        lane: the lane, counted within the stream.
        seed: the run's seed, unsigned 64-bit.
    """

    def __init__(self, stream: Stream, lane: int, seed: int) -> None:
        self.stream = stream
        self.lane = lane
        self.key = seed | stream.layout.stream << 96 | lane << 64
        """One 128-bit number: a list of words above and below 2**63 would pass through float64 inside numpy."""
        self.own_slots = stream.layout.lane_slots(lane)
        self.fill_count = stream.fill_operations(lane)
        self._read_below = round(stream.read_share * 2.0**32)
        root = np.sqrt(np.sqrt(np.sqrt(np.float64(self.own_slots + 1))))
        self._skew_factor = np.float64(root - 1.0)

    def operations(self, first: int, count: int) -> Operations:
        """Operations `first` to `first + count - 1`; `slots` and `writes` have shape (count,)."""
        lanes = self.stream.layout.lanes
        writes = np.ones(count, dtype=np.bool_)
        own = np.arange(first, first + count, dtype=np.int64)
        fill = min(max(self.fill_count - first, 0), count)
        if fill < count:
            load_first = first + fill
            words = self._words(load_first, count - fill)
            writes[fill:] = (words[:, 0] >> np.uint64(32)) >= np.uint64(self._read_below)
            own[fill:] = self._places(load_first, words[:, 1])
        return Operations(first, writes, own * lanes + self.lane)

    def _words(self, first: int, count: int) -> npt.NDArray[np.uint64]:
        counter, skip = divmod(first, _OPERATIONS_PER_COUNTER)
        generator = np.random.Philox(key=self.key, counter=counter)
        raw = generator.random_raw((skip + count) * _WORDS_PER_OPERATION)
        return np.asarray(raw, dtype=np.uint64).reshape(-1, _WORDS_PER_OPERATION)[skip:]

    def _places(self, first: int, words: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
        """The lane's own slots, counted 0 to own_slots - 1, of load operations from `first` on."""
        own = self.own_slots
        if self.stream.pattern is Pattern.SWEEP:
            return np.arange(first, first + len(words), dtype=np.int64) % own
        high = words >> np.uint64(32)
        if self.stream.pattern is Pattern.UNIFORM:
            return ((high * np.uint64(own)) >> np.uint64(32)).astype(np.int64)
        share = high.astype(np.float64) * 2.0**-32
        root = share * self._skew_factor + 1.0
        square = root * root
        fourth = square * square
        rank = np.minimum((fourth * fourth - 1.0).astype(np.int64), own - 1)
        return (rank * _scatter(own) + self.lane) % own


def _scatter(own_slots: int) -> int:
    """A multiplier without a common factor with `own_slots`, so that no two ranks fall on one slot."""
    return _SCATTER if own_slots % _SCATTER else 1
