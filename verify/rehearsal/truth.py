"""What the simulated pair really did, kept apart from what it serves.

For every block the acknowledged versions (never their bytes, only a digest), and for every moment at which
the pair went wrong the blocks that no longer show their newest acknowledged version. Ordinals count the
acknowledged versions of one block from 1; 0 is what the medium held before.
"""

from __future__ import annotations

import struct
from bisect import bisect_left, insort
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from blake3 import blake3

Promise = Literal["completed", "flushed"]
Kind = Literal["lost", "torn", "misplaced", "blank", "damaged", "stale read", "unreadable"]
FirstSeen = Literal["read", "overwritten", "in flight"]

DIGEST_BYTES = 16
_RECORD = struct.Struct("<16sqqB")


def digest_of(data: bytes) -> bytes:
    """BLAKE3 of a block's bytes, 16 bytes long."""
    return blake3(data).digest(DIGEST_BYTES)


@dataclass(frozen=True, slots=True)
class Version:
    """One acknowledged write of one block; times are monotonic nanoseconds as the pair saw them."""

    offset_bytes: int
    ordinal: int
    digest: bytes
    issued_ns: int
    acknowledged_ns: int
    through: bool
    flush_covered: bool


@dataclass(slots=True)
class Change:
    """A block that no longer shows its newest acknowledged version, whatever the promise says about it.

    `surviving_ordinal` is None where no whole version is left; `first_seen` is the first thing a caller did
    to the block afterwards; `ended_ns` is when a write (or the end of a stale cache) set it right.
    """

    offset_bytes: int
    length_bytes: int
    kind: Kind
    last_acknowledged_ordinal: int
    surviving_ordinal: int | None
    happened_ns: int
    visible_ns: int
    detail: str
    first_seen: FirstSeen | None = None
    first_seen_ns: int | None = None
    read_ns: list[int] = field(default_factory=list)
    ended_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Damage:
    """A block at which the pair broke its promise.

    `lost_writes` counts the acknowledged versions newer than the whole survivor, 1 where there is none; under
    the promise "flushed" only up to the newest version that a flush or a write through covered. `first_seen`
    is "read", "overwritten", "in flight" (a write issued before the damage could be seen replaced it:
    invisible), or None (nobody touched the block during the load). `read_ns` are the moments at which the
    damaged content was served during the load; `ended_ns` is when the block was set right, None while the
    damage stands.
    """

    offset_bytes: int
    length_bytes: int
    kind: Kind
    last_acknowledged_ordinal: int
    surviving_ordinal: int | None
    lost_writes: int
    happened_ns: int
    detail: str
    first_seen: FirstSeen | None
    first_seen_ns: int | None
    read_ns: tuple[int, ...]
    ended_ns: int | None

    def to_json(self) -> dict[str, Any]:
        """The damage as a dictionary that JSON can hold."""
        return {**asdict(self), "read_ns": list(self.read_ns)}


@dataclass(frozen=True, slots=True)
class Moment:
    """One event at which the pair changed what it serves.

    `visible_ns` is when callers could first see it (the end of the stall); `in_service` are the offsets of
    the blocks being written just then; `went_back_to_ns` is, where the whole volume shows one moment of the
    past, that moment as an interval: everything acknowledged up to the first time shows, nothing acknowledged
    from the second on does.
    """

    name: str
    happened_ns: int
    visible_ns: int
    in_service: tuple[int, ...] = ()
    changes: tuple[Change, ...] = ()
    went_back_to_ns: tuple[int, int] | None = None


@dataclass(slots=True)
class _Epoch:
    """A stretch without a stall: a flush covers only what was acknowledged in the stretch of its issue."""

    start_ns: int
    covered_until_ns: int


class Truth:
    """The record of every acknowledgement and of every block the pair then failed to show.

    Written by the pair under its lock; to be read when the load has ended.

    Args:
        promise: what an acknowledgement guarantees in this rehearsal.
    """

    def __init__(self, promise: Promise) -> None:
        self.promise = promise
        self.moments: list[Moment] = []
        self.unreachable_since_ns: int | None = None
        self.flushes = 0
        self.lengths: dict[int, int] = {}
        self._records: dict[int, bytearray] = {}
        self._starts: list[int] = []
        self._epochs = [_Epoch(0, 0)]
        self._standing: dict[int, Change] = {}
        self._load_ended = False

    # --- written by the pair ---

    def learn_block(self, offset_bytes: int, length_bytes: int) -> bool:
        """Note the place of a block before its first write; False if it overlaps another block."""
        index = bisect_left(self._starts, offset_bytes)
        if index < len(self._starts) and self._starts[index] < offset_bytes + length_bytes:
            return False
        if index and self._starts[index - 1] + self.lengths[self._starts[index - 1]] > offset_bytes:
            return False
        insort(self._starts, offset_bytes)
        self.lengths[offset_bytes] = length_bytes
        self._records[offset_bytes] = bytearray()
        return True

    def acknowledge(
        self, offset_bytes: int, digest: bytes, issued_ns: int, acknowledged_ns: int, through: bool
    ) -> None:
        """Add the next version of a block."""
        self._records[offset_bytes] += _RECORD.pack(digest, issued_ns, acknowledged_ns, through)
        if self._standing:
            change = self._standing.pop(offset_bytes, None)
            if change is not None:
                change.ended_ns = acknowledged_ns
                if change.first_seen is None:
                    change.first_seen = "in flight" if issued_ns <= change.visible_ns else "overwritten"
                    change.first_seen_ns = acknowledged_ns

    @property
    def anything_standing(self) -> bool:
        """Whether a read during the load could meet a damaged block now."""
        return bool(self._standing) and not self._load_ended

    def served(self, offset_bytes: int, length_bytes: int, now_ns: int) -> None:
        """Note that a range was read, for the damaged blocks in it."""
        exact = self._standing.get(offset_bytes)
        if exact is not None and exact.length_bytes == length_bytes:
            touched = [exact]
        elif self.lengths.get(offset_bytes) == length_bytes:
            return
        else:
            end_bytes = offset_bytes + length_bytes
            touched = [
                change
                for change in self._standing.values()
                if change.offset_bytes < end_bytes
                and change.offset_bytes + change.length_bytes > offset_bytes
            ]
        for change in touched:
            change.read_ns.append(now_ns)
            if change.first_seen is None:
                change.first_seen, change.first_seen_ns = "read", now_ns

    def flushed(self, issued_ns: int) -> None:
        """Note a flush: it covers what was acknowledged before its issue and after the last stall."""
        self.flushes += 1
        epoch = self._epochs[-1]
        epoch.covered_until_ns = max(epoch.covered_until_ns, issued_ns)

    def happened(self, moment: Moment) -> None:
        """Add a moment with its changes; after a stall, a flush issued before it covers nothing more."""
        self.moments.append(moment)
        if moment.visible_ns > moment.happened_ns:
            self._epochs.append(_Epoch(moment.happened_ns, moment.happened_ns))
        for change in moment.changes:
            self._standing[change.offset_bytes] = change

    def set_right(self, offset_bytes: int, now_ns: int) -> None:
        """End the damage of a block without a write (a stale cache was dropped)."""
        change = self._standing.pop(offset_bytes, None)
        if change is not None:
            change.ended_ns = now_ns

    def end_load(self) -> None:
        """Reads from now on belong to a check, and no longer count as seen during the load."""
        self._load_ended = True

    # --- read by whoever compares ---

    def last_ordinal(self, offset_bytes: int) -> int:
        """The newest acknowledged version of a block; 0 if there is none."""
        records = self._records.get(offset_bytes)
        return len(records) // _RECORD.size if records else 0

    def blocks(self) -> Iterator[tuple[int, int, int]]:
        """(offset, length, newest ordinal) of every block with an acknowledged version, by offset."""
        for offset_bytes in self._starts:
            last = self.last_ordinal(offset_bytes)
            if last:
                yield offset_bytes, self.lengths[offset_bytes], last

    def version(self, offset_bytes: int, ordinal: int) -> Version:
        """One acknowledged version of a block; raises IndexError if there is no such."""
        if not 1 <= ordinal <= self.last_ordinal(offset_bytes):
            raise IndexError(f"the block at byte {offset_bytes} has no acknowledged version {ordinal}")
        position = (ordinal - 1) * _RECORD.size
        digest, issued_ns, acknowledged_ns, through = _RECORD.unpack_from(
            self._records[offset_bytes], position
        )
        return Version(
            offset_bytes,
            ordinal,
            digest,
            issued_ns,
            acknowledged_ns,
            bool(through),
            bool(through) or self._flush_covers(acknowledged_ns),
        )

    def versions(self, offset_bytes: int) -> list[Version]:
        """Every acknowledged version of a block, oldest first."""
        return [self.version(offset_bytes, n) for n in range(1, self.last_ordinal(offset_bytes) + 1)]

    def ordinal_of(self, offset_bytes: int, digest: bytes) -> int | None:
        """The newest acknowledged version with this digest, or None."""
        for ordinal in range(self.last_ordinal(offset_bytes), 0, -1):
            if self.version(offset_bytes, ordinal).digest == digest:
                return ordinal
        return None

    def changes(self) -> list[Change]:
        """Every change of every moment, in order of time, whatever the promise says about it."""
        return [change for moment in self.moments for change in moment.changes]

    def damages(
        self, promise: Promise | None = None, covers: Callable[[Version], bool] | None = None
    ) -> list[Damage]:
        """The blocks at which the promise was broken, by moment and offset.

        Args:
            promise: the promise to judge by; None for the one of this rehearsal.
            covers: under "flushed", whether a version was covered as its caller could know it; None for the
                pair's own times (it acknowledges a little before the caller learns it, and takes a flush a
                little after the caller issued it, so a caller may know of less).
        """
        promise = promise or self.promise
        damages = []
        for change in self.changes():
            lost_writes = self._lost_writes(change, promise, covers or _covered_for_the_pair)
            if lost_writes:
                damages.append(_damage(change, lost_writes))
        if self.unreachable_since_ns is not None:
            for offset_bytes, length_bytes, last in self.blocks():
                change = Change(
                    offset_bytes,
                    length_bytes,
                    "unreadable",
                    last,
                    None,
                    self.unreachable_since_ns,
                    self.unreachable_since_ns,
                    "the address never came back",
                )
                damages.append(_damage(change, 1))
        return damages

    def standing(self) -> list[Damage]:
        """The damages that nothing has set right: what a check after the load can find."""
        return [damage for damage in self.damages() if damage.ended_ns is None]

    def summary(self) -> dict[str, Any]:
        """The whole truth in numbers, as a dictionary that JSON can hold; times in monotonic nanoseconds."""
        damages = self.damages()
        first_seen = Counter(damage.first_seen or "never" for damage in damages)
        return {
            "promise": self.promise,
            "blocks": sum(1 for _ in self.blocks()),
            "acknowledged_writes": sum(last for _, _, last in self.blocks()),
            "flushes": self.flushes,
            "moments": [
                {
                    "name": moment.name,
                    "happened_ns": moment.happened_ns,
                    "visible_ns": moment.visible_ns,
                    "in_service": len(moment.in_service),
                    "changed_blocks": len(moment.changes),
                    "went_back_to_ns": list(moment.went_back_to_ns) if moment.went_back_to_ns else None,
                }
                for moment in self.moments
            ],
            "damaged_blocks": len(damages),
            "standing_blocks": sum(1 for damage in damages if damage.ended_ns is None),
            "lost_writes": sum(damage.lost_writes for damage in damages),
            "kinds": dict(sorted(Counter(damage.kind for damage in damages).items())),
            "first_seen": dict(sorted(first_seen.items())),
        }

    def _flush_covers(self, acknowledged_ns: int) -> bool:
        for epoch in reversed(self._epochs):
            if acknowledged_ns > epoch.start_ns:
                return acknowledged_ns < epoch.covered_until_ns
        return False

    def _lost_writes(self, change: Change, promise: Promise, covers: Callable[[Version], bool]) -> int:
        owed = change.last_acknowledged_ordinal
        if promise == "flushed":
            while owed and not covers(self.version(change.offset_bytes, owed)):
                owed -= 1
        if change.surviving_ordinal is None:
            return 1 if owed else 0
        if change.surviving_ordinal >= owed:
            return 0
        return 1 if change.surviving_ordinal == 0 else owed - change.surviving_ordinal


def _covered_for_the_pair(version: Version) -> bool:
    return version.flush_covered


def _damage(change: Change, lost_writes: int) -> Damage:
    return Damage(
        change.offset_bytes,
        change.length_bytes,
        change.kind,
        change.last_acknowledged_ordinal,
        change.surviving_ordinal or None,
        lost_writes,
        change.happened_ns,
        change.detail,
        change.first_seen,
        change.first_seen_ns,
        tuple(change.read_ns),
        change.ended_ns,
    )
