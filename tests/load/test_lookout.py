"""Looking out for completions: done where it completes more, left off where it does not, and asked again later."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from verify.load.lookout import KEEP_NS, TRIES, TRY_NS, WORTH, LookOut

STEP_NS = 100_000


def shares(rate: Callable[[bool, int], float], for_ns: int) -> list[bool]:
    """Whether it looked out, step by step, where so many operations a step are completed: by what it does, and when."""
    looking, out, owed = LookOut(7), [], 0.0
    for at_ns in range(0, for_ns, STEP_NS):
        out.append(looking.wanted)
        owed += rate(looking.wanted, at_ns)
        looking.count(int(owed), 7 + at_ns + STEP_NS)
        owed -= int(owed)
    return out


TRIED = len(TRIES) * TRY_NS // STEP_NS
ROUND = TRIED + KEEP_NS // STEP_NS


@pytest.mark.parametrize(
    ("asleep", "looking", "kept"),
    [
        pytest.param(1.0, 2.0, True, id="looking out completes more"),
        pytest.param(2.0, 1.0, False, id="sleeping completes more"),
        pytest.param(1.0, 1.0, False, id="both the same, as where the load keeps a pace"),
        pytest.param(1.0, (1 + WORTH) / 2, False, id="hardly more"),
        pytest.param(0.0, 0.0, False, id="nothing at all, as in a stall"),
    ],
)
def test_what_completes_more_is_kept(asleep: float, looking: float, kept: bool) -> None:
    done = shares(lambda wanted, _: looking if wanted else asleep, 3 * ROUND * STEP_NS)
    for first in range(0, len(done), ROUND):
        tried, after = done[first : first + TRIED], done[first + TRIED : first + ROUND]
        assert sum(tried) * 2 == len(tried)
        assert set(after) == {kept}


def test_a_machine_that_becomes_busy_is_noticed_within_seconds() -> None:
    quiet_ns = 5 * ROUND * STEP_NS
    done = shares(lambda wanted, at_ns: 2.0 if wanted is (at_ns < quiet_ns) else 1.0, 9 * ROUND * STEP_NS)
    assert all(done[4 * ROUND + TRIED : 5 * ROUND])
    assert not any(done[8 * ROUND + TRIED :])


@pytest.mark.parametrize("better", [True, False])
@pytest.mark.parametrize("drift", [8, -8])
def test_a_drift_does_not_decide(better: bool, drift: int) -> None:
    done = shares(lambda wanted, at_ns: 3 + drift * at_ns / 1e9 + (wanted is better) / 5, ROUND * STEP_NS)
    assert set(done[TRIED:ROUND]) == {better}
