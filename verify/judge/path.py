"""Which way a takeover went, told from the hardware address that was seen behind the floating address."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from verify.judge.takeovers import Takeover
from verify.judge.timeline import Neighbour

NOTICED_AFTER_NS = 1_000_000_000
"""How long after the end of a stall the change of a neighbour may still be noticed and belong to it."""

NOTICED_BEFORE_NS = 250_000_000
"""How long before the last lane began to wait the address may have moved already."""


@dataclass(frozen=True)
class Direction:
    """What was behind the floating address before a takeover and after it; either may be None, if it is not known.

    `moves` is how often the address was seen to go from one controller to another meanwhile.
    """

    address: str
    before: Neighbour | None
    after: Neighbour | None
    moves: int

    @property
    def moved(self) -> bool | None:
        """Whether the address went to another controller, for good or not; None where that is not known."""
        if self.moves:
            return True
        return None if self.before is None or self.after is None else False


def controller_of(neighbour: Neighbour) -> str:
    """What tells one controller from another: its name, as one may have several ports, or else its hardware address."""
    return neighbour.name or neighbour.hardware_address


def directions(
    takeovers: Sequence[Takeover], neighbours: Sequence[Neighbour], merge_ns: int, watched_until_ns: int
) -> list[Direction | None]:
    """The direction of each takeover; None where no floating address was watched.

    A change belongs to a takeover if it was seen from a moment before its start to the merge time after its end,
    and before the next takeover. That the address stayed where it was is said only if it was still watched then.

    Args:
        takeovers: in order of their start.
        neighbours: what was seen, in order of time.
        merge_ns: within this after a takeover the address may still move.
        watched_until_ns: when the watch ended.
    """
    if not neighbours:
        return [None] * len(takeovers)
    known = [neighbour for neighbour in neighbours if neighbour.hardware_address]
    times = [neighbour.since_ns for neighbour in known]
    all_times = [neighbour.since_ns for neighbour in neighbours]
    begins = _begins(takeovers)
    out: list[Direction | None] = []
    for index, takeover in enumerate(takeovers):
        noticed_ns = takeover.end_ns + NOTICED_AFTER_NS
        until_ns = takeover.end_ns + max(NOTICED_AFTER_NS, merge_ns)
        if index + 1 < len(takeovers):
            noticed_ns = min(noticed_ns, begins[index + 1])
            until_ns = min(until_ns, begins[index + 1])
        first = bisect_right(times, begins[index]) or min(bisect_right(times, takeover.start_ns), 1)
        before = known[first - 1] if first else None
        seen = known[first : bisect_right(times, until_ns)]
        after = seen[-1] if seen else before
        chain = [controller_of(neighbour) for neighbour in ([before] if before else []) + seen]
        moves = sum(one != other for one, other in pairwise(chain))
        if before is not None and not moves:
            latest = neighbours[bisect_right(all_times, until_ns) - 1]  # `before` was seen by then.
            if not latest.hardware_address or watched_until_ns < noticed_ns:
                after = None
        out.append(Direction(neighbours[0].address, before, after, moves))
    return out


def _begins(takeovers: Sequence[Takeover]) -> list[int]:
    """For each takeover the moment up to which what was seen belongs to the time before it."""
    out: list[int] = []
    for index, takeover in enumerate(takeovers):
        begin_ns = takeover.start_ns - NOTICED_BEFORE_NS if takeover.observed else takeover.looks_from_ns
        if index:
            begin_ns = max(begin_ns, min(takeovers[index - 1].end_ns, takeover.start_ns))
        out.append(begin_ns)
    return out
