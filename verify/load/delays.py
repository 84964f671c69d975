"""How long completions had lain before they were recorded: a histogram in shared memory, and what it says.

Delays are counted in classes an eighth of an octave wide, so that a quantile is told to within an eighth, from above.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

CLASSES = 320
"""The last begins at 68 minutes and takes in all that is longer."""
_STEPS_SHIFT = 3
QUANTILES = (("p50", 0.5), ("p99", 0.99), ("max", 1.0))


def delay_class(delay_ns: int) -> int:
    """The class of a delay of so many nanoseconds."""
    if delay_ns < 1 << _STEPS_SHIFT:
        return max(delay_ns, 0)
    octave = delay_ns.bit_length() - 1 - _STEPS_SHIFT
    return min((octave << _STEPS_SHIFT) + (delay_ns >> octave), CLASSES - 1)


def class_end_ns(number: int) -> int:
    """The longest delay in a class, in nanoseconds."""
    octave = max((number >> _STEPS_SHIFT) - 1, 0)
    return ((number - (octave << _STEPS_SHIFT) + 1) << octave) - 1


def counter(cells: memoryview[int]) -> Callable[[int, int], None]:
    """Counts operations into `cells`, one for each class: called with a delay in nanoseconds and how many had it."""

    def count(delay_ns: int, operations: int) -> None:
        cells[delay_class(delay_ns)] += operations

    return count


def delays_to_json(cells: Sequence[int]) -> dict[str, int] | None:
    """How many operations were counted, and the quantiles of their delays in nanoseconds; None if there were none.

    Args:
        cells: a count for each class; those of several workers may be laid end to end.
    """
    counts = [sum(cells[number::CLASSES]) for number in range(CLASSES)]
    operations = sum(counts)
    if not operations:
        return None
    out = {"operations": operations}
    for name, share in QUANTILES:
        left, number = math.ceil(share * operations), 0
        while left > counts[number]:
            left -= counts[number]
            number += 1
        out[f"{name}_ns"] = class_end_ns(number)
    return out
