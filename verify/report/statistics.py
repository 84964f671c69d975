"""What a number of drills can show: bounds on the probability of a loss, and unavailability in a year.

The exact bounds are those of Clopper and Pearson (Biometrika 26, 1934): the probabilities under which what was seen
would still have been no rarer than one in twenty (one-sided), or one in forty on either side (two-sided).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

CONFIDENCE = 0.95
DRILLS_MAX = 100_000
YEAR_S = 365 * 86_400
"""A year of 365 days."""

_HALVINGS = 200


def binomial_at_most(losses: int, drills: int, probability: float) -> float:
    """The probability of at most so many losses in so many drills.

    Raises:
        ValueError: unless 0 <= losses <= drills <= DRILLS_MAX and the probability is from 0 to 1.
    """
    _check(losses, drills)
    if not 0.0 <= probability <= 1.0:
        raise ValueError(f"{probability} is no probability")
    if losses == drills or probability == 0.0:
        return 1.0
    if probability == 1.0:
        return 0.0
    log_p, log_q = math.log(probability), math.log1p(-probability)
    whole = math.lgamma(drills + 1)
    return min(
        math.fsum(
            math.exp(whole - math.lgamma(k + 1) - math.lgamma(drills - k + 1) + k * log_p + (drills - k) * log_q)
            for k in range(losses + 1)
        ),
        1.0,
    )


def upper_bound(losses: int, drills: int, confidence: float = CONFIDENCE) -> float:
    """The one-sided exact upper bound on the probability of a loss in one drill.

    Without a loss in n drills it is 1 - (1 - confidence) ** (1 / n).

    Raises:
        ValueError: unless 0 <= losses <= drills, 1 <= drills <= DRILLS_MAX and the confidence is between 0 and 1.
    """
    _check(losses, drills, confidence)
    if losses == drills:
        return 1.0
    if losses == 0:
        return -math.expm1(math.log1p(-confidence) / drills)
    return _solve(lambda p: binomial_at_most(losses, drills, p) - (1.0 - confidence))


def lower_bound(losses: int, drills: int, confidence: float = CONFIDENCE) -> float:
    """The one-sided exact lower bound; 0 without a loss.

    Raises:
        ValueError: as `upper_bound`.
    """
    _check(losses, drills, confidence)
    return 0.0 if losses == 0 else 1.0 - upper_bound(drills - losses, drills, confidence)


def interval(losses: int, drills: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """The two-sided exact interval: half of the doubt on either side.

    Raises:
        ValueError: as `upper_bound`.
    """
    each = 1.0 - (1.0 - confidence) / 2.0
    return lower_bound(losses, drills, each), upper_bound(losses, drills, each)


def drills_needed(bound: float, losses: int = 0, confidence: float = CONFIDENCE) -> int | None:
    """The fewest drills, with so many losses among them, whose one-sided upper bound is at most `bound`.

    Returns:
        The count; None if it is more than DRILLS_MAX.

    Raises:
        ValueError: unless the bound and the confidence are between 0 and 1.
    """
    if not 0.0 < bound < 1.0:
        raise ValueError(f"a bound of {bound}: it must be between 0 and 1")
    low, high = max(losses, 1), DRILLS_MAX
    if upper_bound(losses, high, confidence) > bound:
        return None
    while low < high:
        middle = (low + high) // 2
        if upper_bound(losses, middle, confidence) <= bound:
            high = middle
        else:
            low = middle + 1
    return low


@dataclass(frozen=True)
class Unavailability:
    """How long storage stands still in a year, from stalls that were measured.

    `mean_s` and `worst_s`: if every takeover stalled as long as the mean, and as the longest, of those measured.
    """

    stalls: int
    mean_stall_s: float
    longest_stall_s: float
    takeovers_a_year: float
    mean_s: float
    worst_s: float

    @property
    def availability(self) -> float:
        """The share of a year with service, at the mean stall."""
        return 1.0 - self.mean_s / YEAR_S

    @property
    def availability_worst(self) -> float:
        """Likewise at the longest stall."""
        return 1.0 - self.worst_s / YEAR_S


def unavailability(stalls_s: Sequence[float], takeovers_a_year: float) -> Unavailability | None:
    """Yearly unavailability from measured stalls; None where none was measured.

    Raises:
        ValueError: if a number is negative or no number.
    """
    if not all(math.isfinite(value) and value >= 0 for value in (*stalls_s, takeovers_a_year)):
        raise ValueError("stalls and takeovers a year must be numbers from 0 up")
    if not stalls_s:
        return None
    mean, longest = math.fsum(stalls_s) / len(stalls_s), max(stalls_s)
    return Unavailability(
        stalls=len(stalls_s),
        mean_stall_s=mean,
        longest_stall_s=longest,
        takeovers_a_year=takeovers_a_year,
        mean_s=min(mean * takeovers_a_year, float(YEAR_S)),
        worst_s=min(longest * takeovers_a_year, float(YEAR_S)),
    )


def _check(losses: int, drills: int, confidence: float = CONFIDENCE) -> None:
    if not (0 <= losses <= drills and 1 <= drills <= DRILLS_MAX):
        raise ValueError(f"{losses} losses in {drills} drills: no such count, or over {DRILLS_MAX} drills")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence of {confidence}: it must be between 0 and 1")


def _solve(falls: Callable[[float], float]) -> float:
    """Where a function that falls from above 0 at 0 to below 0 at 1 is 0, by halving."""
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if falls(middle) > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
