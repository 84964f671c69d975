"""How what was measured grows with size."""

from __future__ import annotations

import math
from collections.abc import Sequence

Point = tuple[float, float]
"""A size, and what was measured there."""


def exponent(points: Sequence[Point]) -> float | None:
    """The power of the size by which the measured grows: the slope of the least squares line through the logarithms.

    Source: the ordinary least squares estimate of a slope, as in any handbook of statistics.

    Returns:
        None with fewer than two sizes, or where something is not positive.
    """
    if len({size for size, _ in points}) < 2 or min(min(point) for point in points) <= 0:
        return None
    x, y = ([math.log(point[i]) for point in points] for i in (0, 1))
    x_mean, y_mean = sum(x) / len(x), sum(y) / len(y)
    products = sum((a - x_mean) * (b - y_mean) for a, b in zip(x, y, strict=True))
    return products / sum((a - x_mean) ** 2 for a in x)


def per_slot(smallest: Point, larger: Point) -> float | None:
    """What one more slot costs, from two measurements (slots, bytes); None if they are of one size."""
    slots = larger[0] - smallest[0]
    return (larger[1] - smallest[1]) / slots if slots > 0 else None
