"""Which way a takeover went, told from the hardware address that was seen behind the floating address."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from verify.judge.takeovers import Takeover
from verify.judge.timeline import Neighbour

NOTICED_AFTER_NS = 1_000_000_000
"""How long after the end of a stall the change of a neighbour may still be noticed and belong to it."""

NOTICED_BEFORE_NS = 250_000_000
"""How long before the last lane began to wait the address may have moved already."""


@dataclass(frozen=True)
class Direction:
    """What was behind the floating address before a takeover and after it; either may be None, if never seen."""

    address: str
    before: Neighbour | None
    after: Neighbour | None

    @property
    def moved(self) -> bool | None:
        """Whether another controller serves; None where either is not known."""
        if self.before is None or self.after is None:
            return None
        return self.before.hardware_address != self.after.hardware_address


def directions(takeovers: Sequence[Takeover], neighbours: Sequence[Neighbour], merge_ns: int) -> list[Direction | None]:
    """The direction of each takeover; None where no floating address was watched.

    Args:
        takeovers: in order of their start.
        neighbours: what was seen, in order of time.
        merge_ns: within this after its mark an attested takeover may still move the address.
    """
    if not neighbours:
        return [None] * len(takeovers)
    known = [neighbour for neighbour in neighbours if neighbour.hardware_address]
    times = [neighbour.since_ns for neighbour in known]

    def in_force(moment_ns: int) -> Neighbour | None:
        index = bisect_right(times, moment_ns)
        return known[index - 1] if index else None

    out: list[Direction | None] = []
    for index, takeover in enumerate(takeovers):
        until = takeover.end_ns + (NOTICED_AFTER_NS if takeover.observed else max(NOTICED_AFTER_NS, merge_ns))
        if index + 1 < len(takeovers):
            until = min(until, takeovers[index + 1].looks_from_ns - 1)
        start = min(takeover.start_ns, takeover.looks_from_ns)
        before = in_force(start - NOTICED_BEFORE_NS if takeover.observed else start) or in_force(start)
        out.append(Direction(neighbours[0].address, before, in_force(until)))
    return out
