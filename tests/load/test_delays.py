"""The histogram of delays: every delay has one class, and quantiles are told from above and closely."""

import math

from hypothesis import given
from hypothesis import strategies as st

from verify.load.delays import CLASSES, class_end_ns, counter, delay_class, delays_to_json


def cells(workers: int = 1) -> memoryview:
    return memoryview(bytearray(8 * CLASSES * workers)).cast("q")


@given(st.integers(0, 2**41))
def test_a_class_ends_at_most_an_eighth_above_its_delays(delay_ns: int) -> None:
    number = delay_class(delay_ns)
    assert delay_ns <= class_end_ns(number) <= delay_ns + max(delay_ns, 8) // 8


def test_classes_stand_side_by_side() -> None:
    for number in range(CLASSES - 1):
        assert delay_class(class_end_ns(number)) == number
        assert delay_class(class_end_ns(number) + 1) == number + 1


def test_what_is_beyond_all_classes_is_in_the_last() -> None:
    assert delay_class(2**63) == CLASSES - 1
    assert delay_class(-5) == 0


@given(st.lists(st.tuples(st.integers(0, 10**10), st.integers(1, 50)), min_size=1, max_size=40))
def test_quantiles_are_those_of_the_sorted_delays(delays: list[tuple[int, int]]) -> None:
    both = cells(2)
    counts = [counter(both[:CLASSES]), counter(both[CLASSES:])]
    for number, (delay_ns, operations) in enumerate(delays):
        counts[number % 2](delay_ns, operations)
    ordered = sorted(delay_ns for delay_ns, operations in delays for _ in range(operations))
    told = delays_to_json(both.tolist())
    assert told is not None
    assert told["operations"] == len(ordered)
    for name, share in (("p50_ns", 0.5), ("p99_ns", 0.99), ("max_ns", 1.0)):
        exact = ordered[math.ceil(share * len(ordered)) - 1]
        assert exact <= told[name] <= exact + max(exact, 8) // 8


def test_nothing_is_told_where_nothing_was_counted() -> None:
    assert delays_to_json(cells()) is None
