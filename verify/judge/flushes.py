"""Which acknowledged writes a flush covers: the promise `flushed`.

A write is covered if it was written through, or acknowledged before the issue of a flush that completed, with no outage
between the acknowledgement and the flush's completion. Where a part of the ledger is cut or damaged, what follows may
be an outage that only that part told of. Source: Linux `Documentation/block/writeback_cache_control.rst`
(a flush covers only writes completed before it was issued) and `Documentation/filesystems/vfs.rst` (a write-back error
is told once, so a flush that completes after an error proves nothing about what came before it).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from verify.judge.arrays import BoolArray, Int64Array
from verify.judge.spans import Span, overlaps

NOT_COVERED_NS = np.iinfo(np.int64).max


class FlushCover:
    """When each write became covered.

    Args:
        issued_ns, done_ns: issue and completion of every completed flush, in the order of issue, shape (flushes,).
        outages: stretches of outage, in order and disjoint.
    """

    def __init__(self, issued_ns: Int64Array, done_ns: Int64Array, outages: Sequence[Span]) -> None:
        self._issued = issued_ns
        # When the first of this flush and those after it was done; behind the last stands the one that never comes.
        self._first_done = np.minimum.accumulate(np.append(done_ns, NOT_COVERED_NS)[::-1])[::-1]
        self._outages = outages

    def covered_at(self, acknowledged_ns: Int64Array, through: BoolArray) -> Int64Array:
        """For each write the moment from which it was covered, `NOT_COVERED_NS` if never.

        Args:
            acknowledged_ns, through: of each write, shape (writes,).
        """
        covered_ns = self._first_done[np.searchsorted(self._issued, acknowledged_ns, side="right")]
        covered_ns[overlaps(acknowledged_ns, covered_ns, self._outages)] = NOT_COVERED_NS
        covered_ns[through] = acknowledged_ns[through]
        return covered_ns
