"""The judge's arrays: times, sequence numbers and slots in 64 bits with sign, and a flag for each of something."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

Int64Array = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def int64(values: Iterable[int] = ()) -> Int64Array:
    """The values as an array, also if there are none.

    Raises:
        OverflowError: one needs more than 64 bits.
    """
    return np.array(list(values), dtype=np.int64)


def filled(shape: int | tuple[int, ...], value: int) -> Int64Array:
    """An array of that shape with the same number everywhere."""
    return np.full(shape, value)


def zeros(shape: int | tuple[int, ...]) -> Int64Array:
    """An array of that shape for counting."""
    return np.zeros(shape, dtype=np.int64)


def flags(count: int) -> BoolArray:
    """So many flags, none of them set."""
    return np.zeros(count, dtype=np.bool_)
