"""Spans of time: made one, taken out of one another, and what reaches into what."""

from __future__ import annotations

import numpy as np

from verify.judge.spans import merge, overlaps, subtract


def test_merging_keeps_the_longer_end_and_joins_up_to_the_gap() -> None:
    assert merge([(5, 6), (0, 4), (1, 2)]) == [(0, 4), (5, 6)]
    assert merge([(0, 4), (4, 6)]) == [(0, 6)]
    assert merge([(0, 4), (6, 7), (10, 11)], 2) == [(0, 7), (10, 11)]


def test_holes_beside_a_span_leave_it_whole() -> None:
    assert subtract((10, 20), [(0, 10), (20, 30)]) == [(10, 20)]
    assert subtract((10, 20), [(0, 5), (12, 14), (18, 25)]) == [(10, 12), (14, 18)]
    assert subtract((10, 20), [(8, 12), (15, 20)]) == [(12, 15)]
    assert subtract((10, 20), [(12, 14), (14, 16)]) == [(10, 12), (16, 20)]
    assert subtract((10, 20), [(0, 2), (5, 9), (21, 22), (25, 30)]) == [(10, 20)]
    assert subtract((10, 20), [(0, 30)]) == []
    assert subtract((10, 10), []) == []


def test_what_only_touches_does_not_overlap() -> None:
    starts, ends = np.array([0, 5, 10, 21]), np.array([5, 10, 20, 22])
    assert overlaps(starts, ends, [(5, 7), (20, 21)]).tolist() == [False, True, False, False]
    assert overlaps(starts, ends, []).tolist() == [False] * 4
