"""A block far beyond the end of an open ledger: believed, but nothing is demanded on its word."""

from __future__ import annotations

import pytest

from tests.judge.checking import Checked, check
from tests.judge.plain_runs import log_of, story_of, sweep, whole
from verify.judge import slots
from verify.judge.decision import Finding

DONE = 4
LIMIT = 9


@pytest.fixture(autouse=True)
def short_demand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(slots, "DEMANDED_OPERATIONS_MAX", LIMIT)


def found(last: int) -> Checked:
    """Four operations are in the ledger of two slots written in turn; slot `last` % 2 holds operation `last`."""
    seen = [whole(slot, DONE - 2 + slot) for slot in range(2)]
    seen[last % 2] = whole(last % 2, last)
    return check(story_of(sweep(), [log_of(DONE, is_open=True)], seen, open_parts={0, 1}))


def test_up_to_the_limit_what_came_before_is_demanded() -> None:
    checked = found(DONE + LIMIT)
    assert checked.judgement.state.proven == {0: DONE + LIMIT}
    assert checked.finding_of_check((DONE + LIMIT) % 2) is Finding.INTACT
    assert checked.finding_of_check((DONE + LIMIT + 1) % 2) is Finding.LOST


def test_beyond_it_the_block_is_accepted_and_nothing_demanded() -> None:
    checked = found(DONE + LIMIT + 1)
    assert checked.judgement.state.proven == {}
    assert checked.convicted_slots() == set()


def test_the_limit_is_an_hour_at_70_000_operations_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    assert slots.DEMANDED_OPERATIONS_MAX >= 3600 * 70_000
