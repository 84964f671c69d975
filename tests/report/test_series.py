"""Rate and latency over time: nothing is lost or counted twice, and quantiles are near the exact ones."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.report.facts_for_tests import writes_at
from verify.ledger.frames import Kind, Records
from verify.report.series import (
    BUCKETS,
    BUCKETS_PER_DECADE,
    EDGES_NS,
    Binned,
    Histogram,
    Series,
    bucket_of,
    quantile_ns,
)

HALF_A_BUCKET = 10 ** (1 / BUCKETS_PER_DECADE)


@given(st.lists(st.integers(0, 2**55), min_size=1, max_size=50))
def test_every_latency_is_in_a_bucket_and_within_its_edges(latencies):
    buckets = bucket_of(np.array(latencies, dtype=np.int64))
    for latency, bucket in zip(latencies, buckets.tolist(), strict=True):
        assert 0 <= bucket < BUCKETS
        assert EDGES_NS[bucket] <= latency or bucket == 0
        assert latency < EDGES_NS[bucket + 1] or bucket == BUCKETS - 1


@pytest.mark.parametrize("share", [0.0, 0.5, 0.95, 0.99, 1.0])
def test_a_quantile_is_within_a_bucket_of_the_exact_one(share):
    latency = np.random.default_rng(1).lognormal(13, 1.5, 20_000).astype(np.int64)
    counts = np.bincount(bucket_of(latency), minlength=BUCKETS)
    exact = np.quantile(latency, share)
    assert exact / HALF_A_BUCKET <= quantile_ns(counts, share) <= exact * HALF_A_BUCKET


def test_no_quantile_of_a_bin_is_over_its_longest_wait():
    binned = Binned(0, 10**9, 10)
    Series(binned, [], []).feed(writes_at(np.arange(0, 5 * 10**8, 10**6), 10**5 + np.arange(500) * 7))
    value = binned.quantile_ns(0.99)
    assert (value[:5] <= binned.longest_ns[:5]).all()
    assert (value[:5] > 0).all()
    assert np.isnan(value[5:]).all()


def test_where_nothing_was_counted_there_is_no_quantile():
    assert np.isnan(quantile_ns(np.zeros((3, BUCKETS), dtype=np.int64), 0.5)).all()


@given(st.integers(1, 10**15), st.integers(1, 400))
def test_bins_cover_the_stretch_and_are_not_too_many(length_ns, bins_max):
    binned = Binned(5, 5 + length_ns, bins_max)
    assert 1 <= len(binned) <= bins_max
    assert binned.end_ns >= 5 + length_ns > binned.end_ns - binned.width_ns
    assert binned.seconds().sum() == pytest.approx(length_ns / 1e9)


@given(st.lists(st.integers(0, 10**9 - 1), max_size=60), st.lists(st.integers(1, 10**8), min_size=60, max_size=60))
def test_every_write_is_counted_once_in_its_bin(moments, latencies):
    binned = Binned(0, 10**9, 50)
    histogram = Histogram(0, 10**9 // 2)
    series = Series(binned, [], [histogram])
    for at, latency in zip(moments, latencies, strict=False):
        series.feed(writes_at([at], [latency]))
    assert binned.writes.sum() == binned.latency.sum() == len(moments)
    for at, latency in zip(moments, latencies, strict=False):
        assert binned.longest_ns[at // binned.width_ns] >= latency
    assert histogram.writes == sum(at < 10**9 // 2 for at in moments)


def test_records_fed_at_once_or_one_by_one_count_the_same():
    done, latency = np.arange(0, 10**9, 10**6), np.arange(1, 1001) * 1000
    one, other = (Series(Binned(0, 10**9, 100), [Binned(10**8, 2 * 10**8, 30)], []) for _ in range(2))
    one.feed(writes_at(done, latency))
    for at in range(0, 1000, 7):
        other.feed(writes_at(done[at : at + 7], latency[at : at + 7]))
    for a, b in zip((one.overview, *one.details), (other.overview, *other.details), strict=True):
        assert (a.latency == b.latency).all()
        assert (a.longest_ns == b.longest_ns).all()


def test_reads_and_errors_are_told_apart_from_writes_and_the_rest_left_out():
    kinds = np.array([Kind.READ, Kind.READ_ODD, Kind.ERROR, Kind.FLUSH, Kind.CLOCK, Kind.IN_FLIGHT], dtype=np.uint8)
    zeros = np.zeros(6, dtype=np.int64)
    series = Series(Binned(0, 10**9, 10), [], [])
    series.feed(Records(kinds, zeros.astype(np.uint8), zeros, zeros, zeros, zeros + 5))
    assert series.overview.reads.sum() == 2
    assert series.overview.errors.sum() == 1
    assert series.overview.writes.sum() == 0
