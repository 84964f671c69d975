"""A standby's timers against RFC 9568, section 6.1."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.errors import UsageError
from verify.volume.vrrp import vrrp_times


@pytest.mark.parametrize(
    ("priority", "interval_s", "skew_s", "down_s"),
    [
        (100, 1, 0.609375, 3.609375),
        (200, 1, 0.21875, 3.21875),
        (254, 1, 0.0078125, 3.0078125),
        (100, 0.1, 0.0609375, 0.3609375),
    ],
)
def test_times_worked_out_by_the_formula_of_rfc_9568_section_6_1(
    priority: int, interval_s: float, skew_s: float, down_s: float
) -> None:
    """Skew_Time and Active_Down_Interval: our own arithmetic on the RFC's formula, by hand."""
    times = vrrp_times(priority, interval_s)
    assert math.isclose(times.skew_s, skew_s, rel_tol=1e-12)
    assert math.isclose(times.active_down_s, down_s, rel_tol=1e-12)


@given(st.integers(1, 254), st.floats(0.01, 40.95))
def test_a_standby_waits_more_than_three_and_less_than_four_intervals(priority: int, interval_s: float) -> None:
    times = vrrp_times(priority, interval_s)
    assert 3 * interval_s < times.active_down_s < 4 * interval_s


@given(st.integers(1, 253), st.floats(0.01, 40.95))
def test_the_higher_priority_takes_over_first(priority: int, interval_s: float) -> None:
    assert vrrp_times(priority + 1, interval_s).active_down_s < vrrp_times(priority, interval_s).active_down_s


@pytest.mark.parametrize("priority", [-1, 0, 255, 256])
def test_a_standby_has_no_other_priority(priority: int) -> None:
    with pytest.raises(UsageError, match="from 1 to 254"):
        vrrp_times(priority, 1)


@pytest.mark.parametrize("interval_s", [-1, 0, 0.009, 40.96, math.inf, math.nan])
def test_no_other_interval_fits_into_an_advertisement(interval_s: float) -> None:
    with pytest.raises(UsageError, match=r"from 0\.01 to 40\.95 s"):
        vrrp_times(100, interval_s)
