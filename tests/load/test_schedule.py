"""What operation n does follows from seed, stream, lane and n alone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare

from verify.blocks.layout import StreamLayout
from verify.load.schedule import SKEW_EXPONENT, Pattern, Schedule, Stream


def schedule(slots=64, lanes=4, lane=1, seed=5, stream=0, **values):
    layout = StreamLayout(stream, 0, 4096, 512, slots, lanes, 0, 0)
    return Schedule(Stream(layout, **values), lane, seed)


@given(
    first=st.integers(0, 2**45), count=st.integers(1, 60), cut=st.integers(0, 60),
    pattern=st.sampled_from(Pattern), fill=st.booleans(), share=st.sampled_from([0.0, 0.3, 1.0]),
    seed=st.integers(0, 2**64 - 1), lane=st.integers(0, 3), stream=st.integers(0, 3),
)  # fmt: skip
@settings(max_examples=300)
def test_any_stretch_equals_its_parts_in_any_order(first, count, cut, pattern, fill, share, seed, lane, stream):
    plan = schedule(lane=lane, seed=seed, stream=stream, pattern=pattern, fill=fill, read_share=share)
    whole = plan.operations(first, count)
    cut = min(cut, count)
    tail = plan.operations(first + cut, count - cut) if cut < count else None
    head = plan.operations(first, cut) if cut else None
    slots = np.concatenate([part.slots for part in (head, tail) if part is not None])
    writes = np.concatenate([part.writes for part in (head, tail) if part is not None])
    assert np.array_equal(whole.slots, slots)
    assert np.array_equal(whole.writes, writes)
    assert (whole.slots % 4 == lane).all()
    assert ((whole.slots >= 0) & (whole.slots < 64)).all()


def test_the_fill_writes_each_own_slot_once():
    plan = schedule(slots=10, lanes=4, lane=1, read_share=1.0)
    operations = plan.operations(0, 3)
    assert operations.slots.tolist() == [1, 5, 9]
    assert operations.writes.all()
    assert not plan.operations(3, 50).writes.any()


@pytest.mark.parametrize("seed", [0, 5, 2**63, 2**63 + 1, 2**64 - 1])
def test_seeds_streams_and_lanes_give_different_schedules(seed):
    """Seeds above 2**63 lose nothing: a list of mixed words would pass through a float inside numpy."""
    base = schedule(seed=seed, fill=False).operations(0, 200)
    for other in (
        schedule(seed=(seed + 1) % 2**64, fill=False),
        schedule(seed=seed, stream=1, fill=False),
        schedule(seed=seed, lane=2, fill=False),
    ):
        assert not np.array_equal(base.slots // 4, other.operations(0, 200).slots // 4)


def test_known_answer_so_that_no_later_version_reads_an_old_record_otherwise():
    plan = schedule(slots=1000, lanes=3, lane=2, seed=2**63 + 12345, read_share=0.25, fill=False)
    operations = plan.operations(10, 8)
    skewed = schedule(slots=1000, lanes=3, lane=2, seed=1, pattern=Pattern.SKEWED, fill=False).operations(0, 8)
    assert (operations.slots.tolist(), operations.writes.tolist(), skewed.slots.tolist()) == (
        KNOWN_SLOTS, KNOWN_WRITES, KNOWN_SKEWED,
    )  # fmt: skip


KNOWN_SLOTS = [539, 851, 860, 347, 473, 260, 662, 221]
KNOWN_WRITES = [False, True, False, False, True, False, True, False]
KNOWN_SKEWED = [746, 929, 677, 848, 101, 8, 569, 263]


def test_uniform_spreads_evenly():
    plan = schedule(slots=400, lanes=4, fill=False)
    counts = np.bincount(plan.operations(0, 100_000).slots // 4, minlength=100)
    assert chisquare(counts).pvalue > 1e-6


def test_read_share_is_kept():
    writes = schedule(read_share=0.3, fill=False).operations(0, 100_000).writes
    assert abs((1 - writes.mean()) - 0.3) < 0.01


def test_sweep_goes_through_the_slots_in_order():
    plan = schedule(slots=12, lanes=4, lane=3, pattern=Pattern.SWEEP, fill=False)
    assert plan.operations(0, 7).slots.tolist() == [3, 7, 11, 3, 7, 11, 3]


def test_skewed_follows_the_power_law_that_is_documented():
    """The k-th busiest slot draws in proportion to k ** -7/8: compared with the integral of that law."""
    lanes, own = 1, 10_000
    counts = np.bincount(
        schedule(slots=own, lanes=lanes, lane=0, pattern=Pattern.SKEWED, fill=False).operations(0, 400_000).slots,
        minlength=own,
    )
    busiest = np.sort(counts)[::-1]
    power = 1 - SKEW_EXPONENT
    for share in (0.01, 0.1, 0.5):
        top = int(own * share)
        expected = (((top + 1) ** power) - 1) / (((own + 1) ** power) - 1)
        assert abs(busiest[:top].sum() / counts.sum() - expected) < 0.03


def test_skewed_reaches_every_slot_of_a_small_lane():
    plan = schedule(slots=40, lanes=4, lane=0, pattern=Pattern.SKEWED, fill=False)
    assert set(plan.operations(0, 20_000).slots.tolist()) == set(range(0, 40, 4))
