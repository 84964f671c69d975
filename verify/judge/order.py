"""Whether a takeover that lost acknowledged writes put the volume back to one moment, or reordered it.

Every slot that shows a write v allows the moments from the issue of v to the acknowledgement of the next
write n issued on it before the takeover, both ends included: at any of them the slot may have held v. A slot
without n, or whose n was never acknowledged, allows every moment from the issue of v on.

Closed intervals share a moment exactly when the latest lower end is not after the earliest upper end (Helly's
theorem on the line). So one pair of slots proves that nothing is shared: the one with the earliest upper end
lost a write that was acknowledged before the survivor of the one with the latest lower end was issued. The
most intervals that share a moment share some upper end, or every moment after the last upper end, so the
fewest slots to set aside are found by two sorts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from verify.judge.arrays import BoolArray, Int64Array

OPEN_NS: Final = int(np.iinfo(np.int64).max)
"""The time, in nanoseconds, of an acknowledgement that never came."""

NO_SEQUENCE: Final = -1
"""The sequence number of a write that does not exist."""


@dataclass(frozen=True)
class Witness:
    """A lost write that was acknowledged strictly before a surviving write was issued.

    Slots are numbered as the caller numbers them, sequence numbers are those of the slots' lanes, and times
    are nanoseconds of the monotonic clock. Both writes are of one slot only if that slot allows no moment by
    itself.
    """

    lost_slot: int
    lost_sequence: int
    lost_acknowledged_ns: int
    surviving_slot: int
    surviving_sequence: int
    surviving_issued_ns: int


@dataclass(frozen=True)
class Order:
    """What the surviving writes of one takeover say about the moment the volume went back to.

    Attributes:
        one_moment: whether one moment lies in the intervals of all slots judged; true where there were none.
        moment_from_ns: the earliest such moment; None when reordered, and when no slot was judged.
        moment_to_ns: the latest such moment; None when reordered, when no slot was judged, and when nothing
            bounds the moment from above (no slot judged has a next write that was acknowledged).
        witness: when reordered, the pair with the longest time from the lost acknowledgement to the surviving
            issue, among equals the one with the lowest lost slot, then the lowest surviving slot; else None.
        overtaken: the number of lost acknowledged writes that some surviving write was issued strictly after.
        set_aside: the fewest slots to leave out so that the others share one moment.
        slots: the number of slots judged.
    """

    one_moment: bool
    moment_from_ns: int | None
    moment_to_ns: int | None
    witness: Witness | None
    overtaken: int
    set_aside: int
    slots: int


class SlotColumns(NamedTuple):
    """The slots to judge, one a row: the first five arguments of `judge_order`, int64 of shape (k,) each."""

    slot: Int64Array
    survivor: Int64Array
    issued_ns: Int64Array
    next_sequence: Int64Array
    next_acknowledged_ns: Int64Array


def add_intact(columns: SlotColumns, slot: Int64Array, survivor: Int64Array, issued_ns: Int64Array) -> SlotColumns:
    """Append slots on which no later write was acknowledged, so that nothing bounds their moment from above.

    Such slots lost nothing, but a surviving write issued late on one of them can prove a reordering.

    Args:
        columns: the slots gathered so far; not changed.
        slot: int64 of shape (j,), the slot numbers.
        survivor: int64 of shape (j,), the sequence number of the write each slot shows.
        issued_ns: int64 of shape (j,), when that write was issued, in nanoseconds.

    Returns:
        New columns with the j slots after those of `columns`.

    Raises:
        ValueError: an array is not one-dimensional int64, or lengths differ.
    """
    _require_equal_columns(**columns._asdict())
    _require_equal_columns(slot=slot, survivor=survivor, issued_ns=issued_ns)
    return SlotColumns(
        np.concatenate((columns.slot, slot)),
        np.concatenate((columns.survivor, survivor)),
        np.concatenate((columns.issued_ns, issued_ns)),
        np.concatenate((columns.next_sequence, np.full_like(slot, NO_SEQUENCE))),
        np.concatenate((columns.next_acknowledged_ns, np.full_like(slot, OPEN_NS))),
    )


def judge_order(
    slot: Int64Array,
    survivor: Int64Array,
    issued_ns: Int64Array,
    next_sequence: Int64Array,
    next_acknowledged_ns: Int64Array,
    lost_acknowledged_ns: Int64Array,
) -> Order:
    """Say whether all slots may show the volume at one moment, and if not, how far they are from it.

    Slots that lost nothing belong here too, with no next write. An interval that is empty by itself (the next
    write acknowledged before the survivor was issued, which one sequential lane cannot do) shares no moment
    with anything: the answer is then "reordered", and that slot is among those set aside.

    Takes O(k log k) time when reordered and O(k) otherwise; the order of the rows does not matter.

    Args:
        slot: int64 of shape (k,), numbers that name the slots, each at most once.
        survivor: int64 of shape (k,), the sequence number of the write that each slot shows.
        issued_ns: int64 of shape (k,), when that write was issued, in nanoseconds.
        next_sequence: int64 of shape (k,), the sequence number of the next write issued on the slot before
            the takeover; -1 if there is none.
        next_acknowledged_ns: int64 of shape (k,), when that next write was acknowledged, in nanoseconds;
            `OPEN_NS` if it never was, or there is none.
        lost_acknowledged_ns: int64 of shape (m,), when each lost acknowledged write of these k slots was
            acknowledged, in nanoseconds; every lost write of a slot, not only its first. Writes lost on slots
            that are left out of the judgement do not belong here.

    Returns:
        The order; its numbers are plain Python integers.

    Raises:
        ValueError: an array is not one-dimensional int64, the first five differ in length, or a slot without
            a next write has an acknowledgement for it.

    Slot 0 went back to its write 0 and lost writes 3 and 6, slot 1 shows write 4 and lost write 7, slot 2
    shows write 5 and lost nothing. Their intervals are [10, 45], [50, 90] and [60, open). Write 5 was issued
    at 60, after the lost write 3 had been acknowledged at 45, so no moment fits all:

    >>> def column(*values): return np.array(values, dtype=np.int64)
    >>> order = judge_order(
    ...     slot=column(0, 1, 2),
    ...     survivor=column(0, 4, 5),
    ...     issued_ns=column(10, 50, 60),
    ...     next_sequence=column(3, 7, -1),
    ...     next_acknowledged_ns=column(45, 90, OPEN_NS),
    ...     lost_acknowledged_ns=column(45, 80, 90),
    ... )
    >>> order.one_moment, order.overtaken, order.set_aside, order.slots
    (False, 1, 1, 3)
    >>> order.witness  # doctest: +NORMALIZE_WHITESPACE
    Witness(lost_slot=0, lost_sequence=3, lost_acknowledged_ns=45,
            surviving_slot=2, surviving_sequence=5, surviving_issued_ns=60)

    With slot 0 set aside, the other two allow every moment from 60 to 90:

    >>> judge_order(  # doctest: +NORMALIZE_WHITESPACE
    ...     column(1, 2), column(4, 5), column(50, 60), column(7, -1), column(90, OPEN_NS), column(90)
    ... )
    Order(one_moment=True, moment_from_ns=60, moment_to_ns=90,
          witness=None, overtaken=0, set_aside=0, slots=2)
    """
    _require_equal_columns(
        slot=slot,
        survivor=survivor,
        issued_ns=issued_ns,
        next_sequence=next_sequence,
        next_acknowledged_ns=next_acknowledged_ns,
    )
    _require_column("lost_acknowledged_ns", lost_acknowledged_ns)
    _require_no_acknowledgement_without_a_write(slot, next_sequence, next_acknowledged_ns)

    slots = int(slot.size)
    if slots == 0:
        return Order(True, None, None, None, overtaken=0, set_aside=0, slots=0)
    latest_issue_ns = int(issued_ns.max())
    earliest_acknowledgement_ns = int(next_acknowledged_ns.min())
    overtaken = int(np.count_nonzero(lost_acknowledged_ns < latest_issue_ns))
    if latest_issue_ns <= earliest_acknowledgement_ns:
        moment_to_ns = None if earliest_acknowledgement_ns == OPEN_NS else earliest_acknowledgement_ns
        return Order(True, latest_issue_ns, moment_to_ns, None, overtaken, set_aside=0, slots=slots)

    losing = _lowest_slot_where(next_acknowledged_ns == earliest_acknowledgement_ns, slot)
    surviving = _lowest_slot_where(issued_ns == latest_issue_ns, slot)
    witness = Witness(
        lost_slot=int(slot[losing]),
        lost_sequence=int(next_sequence[losing]),
        lost_acknowledged_ns=earliest_acknowledgement_ns,
        surviving_slot=int(slot[surviving]),
        surviving_sequence=int(survivor[surviving]),
        surviving_issued_ns=latest_issue_ns,
    )
    set_aside = slots - _most_that_share_a_moment(issued_ns, next_acknowledged_ns)
    return Order(False, None, None, witness, overtaken, set_aside, slots)


def _lowest_slot_where(chosen: BoolArray, slot: Int64Array) -> int:
    """Give the row index of the lowest slot number among the chosen rows."""
    rows = np.flatnonzero(chosen)
    return int(rows[np.argmin(slot[rows])])


def _most_that_share_a_moment(from_ns: Int64Array, to_ns: Int64Array) -> int:
    """Count the most closed intervals that have a moment in common; an empty interval shares none.

    A common moment can always be moved later until an interval that holds it ends, or, where none of them
    ends, past everything. So it is enough to look at the ends (those begun by then, less those ended before)
    and beyond the last one (those that never end).
    """
    sound = from_ns <= to_ns
    begins_ns = from_ns[sound]
    begins_ns.sort()
    ends_ns = to_ns[sound & (to_ns != OPEN_NS)]
    ends_ns.sort()
    begun_by_end = np.searchsorted(begins_ns, ends_ns, side="right")
    ended_before_end = np.arange(ends_ns.size)
    never_ending = int(begins_ns.size - ends_ns.size)
    return int((begun_by_end - ended_before_end).max(initial=never_ending))


def _require_column(name: str, column: Int64Array) -> None:
    if not isinstance(column, np.ndarray):
        raise ValueError(f"{name} must be an int64 array of one dimension, not {type(column).__name__}")
    if column.dtype != np.int64 or column.ndim != 1:
        raise ValueError(f"{name} must be an int64 array of one dimension, not {column.dtype} of shape {column.shape}")


def _require_equal_columns(**columns: Int64Array) -> None:
    for name, column in columns.items():
        _require_column(name, column)
    if len({column.size for column in columns.values()}) > 1:
        sizes = ", ".join(f"{name} has {column.size}" for name, column in columns.items())
        raise ValueError(f"the slots' columns must have one length, but {sizes}")


def _require_no_acknowledgement_without_a_write(
    slot: Int64Array, next_sequence: Int64Array, next_acknowledged_ns: Int64Array
) -> None:
    wrong = (next_sequence < 0) & (next_acknowledged_ns != OPEN_NS)
    if wrong.any():
        row = int(wrong.argmax())
        raise ValueError(
            f"slot {slot[row]} has no next write (sequence {next_sequence[row]}), "
            f"so its acknowledgement must be OPEN_NS, not {next_acknowledged_ns[row]}"
        )
