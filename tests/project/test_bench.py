"""How the bench says that cost grows."""

import pytest

from scripts.throughput.growth import exponent, per_slot


@pytest.mark.parametrize("power", [0.5, 1.0, 1.5, 2.0])
def test_the_power_of_a_power_law_is_found(power):
    assert exponent([(size, 7 * size**power) for size in (10, 40, 100)]) == pytest.approx(power)


def test_what_is_not_measured_gives_no_power():
    assert exponent([]) is None
    assert exponent([(10, 3), (10, 4)]) is None
    assert exponent([(10, 3), (20, 0)]) is None


def test_memory_a_slot_leaves_what_is_always_taken_out():
    assert per_slot((1 << 18, 100_000_000), (1 << 20, 100_000_000 + 24 * 3 * (1 << 18))) == pytest.approx(24)
    assert per_slot((5, 1), (5, 1)) is None
