"""Bounds on the probability of a loss, and unavailability a year, against scipy and published values."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from verify.report.statistics import (
    DRILLS_MAX,
    binomial_at_most,
    drills_needed,
    interval,
    lower_bound,
    unavailability,
    upper_bound,
)

counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(
    ("drills", "exact", "rule"), [(14, 0.19264, 0.21429), (112, 0.02639, 0.02679), (167, 0.01778, 0.01796)]
)
def test_no_loss_is_bounded_below_the_rule_of_three(drills, exact, rule):
    """Hanley and Lippman-Hand, JAMA 1983;249:1743: at most 3/n; the exact values are calculated [own arithmetic]."""
    assert upper_bound(0, drills) == pytest.approx(exact, abs=5e-6)
    assert 3 / drills == pytest.approx(rule, abs=5e-6)
    assert upper_bound(0, drills) < 3 / drills


@pytest.mark.parametrize(
    ("losses", "drills", "low", "high"),
    [
        (0, 10, 0.0, 0.308497),
        (0, 30, 0.0, 0.115703),
        (0, 59, 0.0, 0.060609),
        (1, 20, 0.001265, 0.248733),
        (5, 50, 0.033275, 0.218135),
    ],
)
def test_two_sided_clopper_pearson(losses, drills, low, high):
    """Clopper and Pearson 1934, 95 %, two-sided [own arithmetic]; and scipy.stats.binomtest."""
    found = interval(losses, drills)
    assert found == pytest.approx((low, high), abs=5e-7)
    reference = stats.binomtest(losses, drills).proportion_ci(0.95, "exact")
    assert found == pytest.approx((reference.low, reference.high), abs=1e-12)


@pytest.mark.parametrize(("drills", "high"), [(10, 0.258866), (30, 0.095034), (59, 0.049508)])
def test_one_sided_clopper_pearson_without_a_loss(drills, high):
    """Clopper and Pearson 1934, 95 %, one-sided [own arithmetic]."""
    assert upper_bound(0, drills) == pytest.approx(high, abs=5e-7)
    assert upper_bound(0, drills) == pytest.approx(1 - 0.05 ** (1 / drills), abs=1e-14)


@given(counts, st.floats(0.5, 0.999))
@settings(max_examples=150)
def test_one_sided_bounds_are_those_of_scipy(count, confidence):
    losses, drills = count
    high = stats.binomtest(losses, drills, alternative="less").proportion_ci(confidence, "exact").high
    low = stats.binomtest(losses, drills, alternative="greater").proportion_ci(confidence, "exact").low
    assert upper_bound(losses, drills, confidence) == pytest.approx(high, abs=1e-9)
    assert lower_bound(losses, drills, confidence) == pytest.approx(low, abs=1e-9)


@given(counts, st.floats(0, 1))
@settings(max_examples=150)
def test_the_binomial_sum_is_that_of_scipy(count, probability):
    losses, drills = count
    assert binomial_at_most(losses, drills, probability) == pytest.approx(
        stats.binom.cdf(losses, drills, probability), abs=1e-10
    )


@pytest.mark.parametrize(("bound", "drills"), [(0.10, 29), (0.05, 59), (0.01, 299)])
def test_drills_without_failure_needed(bound, drills):
    """Drills without failure to show p below 10 %, 5 % and 1 % at 95 % [own arithmetic: ln 0.05 / ln(1 - p)]."""
    assert drills_needed(bound) == drills
    assert math.ceil(math.log(0.05) / math.log(1 - bound)) == drills
    assert upper_bound(0, drills) <= bound < upper_bound(0, drills - 1)


@given(st.floats(0.02, 0.9), st.integers(0, 5))
@settings(max_examples=50)
def test_one_drill_fewer_would_not_do(bound, losses):
    drills = drills_needed(bound, losses)
    assert drills is not None
    assert upper_bound(losses, drills) <= bound
    assert drills == max(losses, 1) or upper_bound(losses, drills - 1) > bound


def test_what_no_number_of_drills_shows():
    assert drills_needed(1e-9) is None
    assert upper_bound(3, 3) == 1.0
    assert lower_bound(3, 3) == pytest.approx(0.05 ** (1 / 3))


@pytest.mark.parametrize("count", [(-1, 5), (6, 5), (0, 0), (0, DRILLS_MAX + 1)])
def test_counts_that_cannot_be_are_refused(count):
    with pytest.raises(ValueError, match="losses in"):
        upper_bound(*count)


@pytest.mark.parametrize("bound", [0.0, 1.0, -1.0, math.nan])
def test_bounds_that_cannot_be_are_refused(bound):
    with pytest.raises(ValueError, match="between 0 and 1"):
        drills_needed(bound)


@pytest.mark.parametrize(
    ("share", "minutes"), [(0.999, 525.6), (0.9999, 52.56), (0.99999, 5.256), (0.999999, 0.5256)]
)
def test_a_years_unavailability_is_the_usual_number_of_minutes(share, minutes):
    """Minutes of a year of 365 days without service [own arithmetic]."""
    found = unavailability([minutes * 60 / 4], takeovers_a_year=4)
    assert found is not None
    assert found.mean_s / 60 == pytest.approx(minutes)
    assert found.availability == pytest.approx(share, abs=1e-12)


def test_mean_and_longest_stall_give_a_mean_and_a_worst_year():
    found = unavailability([2.0, 4.0, 9.0], 12)
    assert found is not None
    assert (found.mean_s, found.worst_s) == (60.0, 108.0)
    assert found.availability > found.availability_worst


def test_without_a_stall_nothing_is_told():
    assert unavailability([], 12) is None


@pytest.mark.parametrize("stalls", [[-1.0], [math.nan], [math.inf]])
def test_stalls_that_cannot_be_are_refused(stalls):
    with pytest.raises(ValueError, match="from 0 up"):
        unavailability(stalls, 1)
