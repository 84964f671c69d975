"""How long a standby waits before it takes a floating address over (VRRP version 3, RFC 9568, section 6.1)."""

from __future__ import annotations

from dataclasses import dataclass

from verify.errors import UsageError

PRIORITIES_OF_A_STANDBY = range(1, 255)
INTERVALS_S = (0.01, 40.95)
"""Shortest and longest interval: 1 to 4095 centiseconds, a field of 12 bits (RFC 9568, section 5.2.7)."""


@dataclass(frozen=True)
class VrrpTimes:
    """What a standby's timers come to.

    Attributes:
        skew_s: Skew_Time in seconds; also the whole wait where the active router hands the address over itself.
        active_down_s: Active_Down_Interval in seconds: silence after which the active router counts as gone.
    """

    skew_s: float
    active_down_s: float


def vrrp_times(priority: int, interval_s: float) -> VrrpTimes:
    """Work out a standby's timers: RFC 9568, section 6.1.

    Skew_Time = (256 - Priority) * Active_Adver_Interval / 256, and Active_Down_Interval = 3 * Active_Adver_Interval +
    Skew_Time.

    Args:
        priority: of the standby, 1 to 254.
        interval_s: between advertisements of the active router, 0.01 to 40.95 s.

    Raises:
        UsageError: either is out of its range.
    """
    if priority not in PRIORITIES_OF_A_STANDBY:
        raise UsageError(f"the VRRP priority of a standby is from 1 to 254, not {priority}")
    shortest_s, longest_s = INTERVALS_S
    if not shortest_s <= interval_s <= longest_s:
        raise UsageError(f"a VRRP advertisement interval is from {shortest_s} to {longest_s} s, not {interval_s:g} s")
    skew_s = (256 - priority) * interval_s / 256
    return VrrpTimes(skew_s, 3 * interval_s + skew_s)
