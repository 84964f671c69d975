"""How long the standby takes to notice, against the standard that the VRRP daemons follow."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from scripts.takeover_lab.layout import Settings
from scripts.takeover_lab.network import AddressWatch
from scripts.takeover_lab.pair import Lab
from scripts.takeover_lab.processes import wait_until

pytestmark = pytest.mark.lab


def active_down_interval_s(priority: int, interval_s: float) -> float:
    """RFC 9568 section 6.1: Active_Down_Interval = 3 * Active_Adver_Interval + Skew_Time of the standby."""
    return 3 * interval_s + (256 - priority) * interval_s / 256


def test_the_formula_gives_the_handbook_values() -> None:
    """RFC 9568 section 6.1, worked by hand."""
    assert active_down_interval_s(100, 1.0) == pytest.approx(3.609375)
    assert active_down_interval_s(254, 1.0) == pytest.approx(3.0078125)
    assert active_down_interval_s(100, 0.1) == pytest.approx(0.3609375)


@pytest.mark.parametrize(("priorities", "interval_s"), [((200, 100), 1.0), ((150, 254), 0.5)])
@pytest.mark.parametrize("injection", ["pull", "kill"])
def test_the_address_moves_when_the_standard_says(
    tmp_path: Path, priorities: tuple[int, int], interval_s: float, injection: str
) -> None:
    """The last advertisement came up to one interval before the pull, so one interval less is the earliest."""
    expected_s = active_down_interval_s(priorities[1], interval_s)
    lab = Lab.up(tmp_path / "pair", Settings(volume_bytes=4 << 20, priorities=priorities, interval_s=interval_s))
    try:
        with AddressWatch(lab.layout.namespace("b")) as watch:
            hurt_ns = time.monotonic_ns()
            (lab.pull if injection == "pull" else lab.kill)("a")
            done_ns = time.monotonic_ns()
            wait_until(lambda: watch.changes, "the floating address to come to b", expected_s + 10)
        (change,) = watch.changes
    finally:
        lab.down()
    assert change.came
    assert (change.at_ns - hurt_ns) / 1e9 >= expected_s - interval_s
    assert (change.at_ns - done_ns) / 1e9 <= expected_s + 1.0
