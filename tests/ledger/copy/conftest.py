"""A copy of a second ledger without a connection."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.ledger.copy.contents import SENDER
from tests.ledger.second_ends import Written
from verify.ledger.second_copy import RunCopy


@pytest.fixture
def written(tmp_path: Path) -> Written:
    return Written(tmp_path / "guest", 5, 6)


@pytest.fixture
def take(place: Path, written: Written) -> Iterator[Callable[..., RunCopy]]:
    """Makes an object for the copy, as a receiver that is started anew does."""
    made: list[RunCopy] = []

    def make(sender: str = SENDER, content: bytes | None = None) -> RunCopy:
        for copy in made:
            copy.rest()
        made.append(RunCopy(place, content or written.run_json, sender))
        return made[-1]

    yield make
    for copy in made:
        copy.close()


@pytest.fixture
def copy(take: Callable[..., RunCopy], written: Written) -> RunCopy:
    made = take()
    made.resume(written.run_json)
    return made


@pytest.fixture
def lasting(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The paths of all that is made lasting, as it happens."""
    paths: list[str] = []
    for name in ("fsync", "fdatasync"):
        real = getattr(os, name)

        def noting(file: int, real: Callable[[int], None] = real) -> None:
            paths.append(os.readlink(f"/proc/self/fd/{file}"))
            real(file)

        monkeypatch.setattr(os, name, noting)
    return paths
