"""Every target of scripts/fuzz for a moment: hostile input by chance, from real runs made on the spot.

A target raises for anything but a documented error, and where its input made a verdict better than the honest one.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scripts.fuzzing.catalogue import TARGETS, Target, make_target
from scripts.fuzzing.chance import inputs, try_until

BYTES_MAX = 4096
EXAMPLES = {"blocks": 150, "ledger": 150, "marks": 150, "seal": 150, "toml": 150, "lies": 25, "run-json": 40}
EXAMPLES_ELSE = 12
"""Of those that open a whole record folder."""


@pytest.fixture(autouse=True)
def _no_syncs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hundreds of checks need not be made non-volatile."""
    monkeypatch.setattr(os, "fsync", lambda fd: None)
    monkeypatch.setattr(os, "fdatasync", lambda fd: None)


@pytest.fixture(params=TARGETS)
def named(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, Target]:
    return request.param, make_target(request.param, tmp_path)


def test_no_hostile_input_raises_anything_or_betters_a_verdict(named: tuple[str, Target]) -> None:
    name, target = named

    @settings(
        max_examples=EXAMPLES.get(name, EXAMPLES_ELSE), database=None, print_blob=True,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )  # fmt: skip
    @given(inputs(target.seeds(), BYTES_MAX))
    def try_some(data: bytes) -> None:
        target(data)

    for one in target.seeds()[:12]:
        target(one)
    try_some()


def test_a_target_that_fails_is_told_with_the_shortest_input() -> None:
    def fails(data: bytes) -> None:
        if b"x" in data:
            raise ValueError("an x")

    count, latest, told = try_until(fails, st.binary(max_size=9), float("inf"))
    assert count > 0
    assert latest == b"x"
    assert told is not None
    assert "an x" in "".join(told)


def test_a_target_without_fault_ends_with_its_time() -> None:
    tried: list[bytes] = []
    count, _, told = try_until(tried.append, st.binary(max_size=3), 0.0)
    assert (count, told) == (0, None)
