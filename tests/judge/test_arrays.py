"""The judge's arrays: their shapes, values and widths, whatever is put in."""

from __future__ import annotations

import numpy as np
import pytest

from verify.judge.arrays import filled, flags, int64, zeros


@pytest.mark.parametrize("values", [[], [3, -1], range(3), [2**63 - 1, -(2**63)]], ids=["none", "two", "range", "ends"])
def test_numbers_have_64_bits_and_a_sign_also_where_there_are_none(values: list[int]) -> None:
    made = int64(values)
    assert made.dtype == np.int64
    assert made.shape == (len(values),)
    assert made.tolist() == list(values)


def test_a_number_of_more_than_64_bits_is_refused() -> None:
    with pytest.raises(OverflowError):
        int64([2**63])


@pytest.mark.parametrize(("shape", "value"), [(3, -1), (0, 5), ((2, 3), 2**62)])
def test_one_number_everywhere(shape: int | tuple[int, ...], value: int) -> None:
    made = filled(shape, value)
    assert made.dtype == np.int64
    assert np.array_equal(made, np.array([value], dtype=np.int64) + np.zeros(shape, dtype=np.int64))


@pytest.mark.parametrize("shape", [3, (2, 3), (0, 2)])
def test_zeros_are_there_for_counting(shape: int | tuple[int, ...]) -> None:
    made = zeros(shape)
    assert made.dtype == np.int64
    assert made.shape == (shape if isinstance(shape, tuple) else (shape,))
    assert not made.any()


def test_no_flag_is_set() -> None:
    made = flags(4)
    assert made.dtype == np.bool_
    assert made.tolist() == [False] * 4
