"""Fixtures of the ledger's tests."""

from __future__ import annotations

import os
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.ledger import second_ends


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[int], Path]]:
    """Mounts a file system of so many bytes; needs root."""
    if os.geteuid() != 0:
        pytest.skip("needs root: a small file system is mounted")
    mounted: list[Path] = []

    def mount(size_bytes: int) -> Path:
        place = tmp_path / f"disk{len(mounted)}"
        place.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(place)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.skip(f"needs root that may mount: {done.stderr.strip()}")
        mounted.append(place)
        return place

    yield mount
    for place in mounted:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """Where copies of second ledgers are kept."""
    made = tmp_path / "kept"
    made.mkdir()
    return made


@pytest.fixture(autouse=True)
def threads_that_die(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who waits for a thread that has ended by an exception fails at once, and not when his patience is over."""
    second_ends.DIED.clear()
    former = threading.excepthook

    def note(args: threading.ExceptHookArgs) -> None:
        second_ends.DIED.append(repr(args.exc_value))
        former(args)

    monkeypatch.setattr(threading, "excepthook", note)
