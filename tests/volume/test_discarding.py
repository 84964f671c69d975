"""Giving the tested span of a real block device back."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from verify.errors import CannotRun
from verify.volume.discarding import discard_span
from verify.volume.identity import identify

pytestmark = pytest.mark.root
MIB = 1 << 20


@pytest.fixture
def device(attach: Callable[..., str], image: Path) -> str:
    image.write_bytes(b"\x5a" * (16 * MIB))
    return attach(image)


def test_the_span_and_nothing_beside_it(device: str, image: Path) -> None:
    """A loop device passes a discard on as a hole in its file: loop(4)'s driver, drivers/block/loop.c."""
    identity = identify(device)
    discard_span(device, identity.identity, identity, 4 * MIB, 8 * MIB)
    assert image.read_bytes() == b"\x5a" * (4 * MIB) + bytes(8 * MIB) + b"\x5a" * (4 * MIB)


def test_another_identity_is_refused(device: str, image: Path) -> None:
    with pytest.raises(CannotRun, match="is another volume"):
        discard_span(device, "serial of another", identify(device), 0, MIB)
    assert image.read_bytes() == b"\x5a" * (16 * MIB)


def test_a_device_in_use_is_refused(device: str, image: Path) -> None:
    identity = identify(device)
    claim = os.open(device, os.O_RDWR | os.O_EXCL)
    with pytest.raises(CannotRun, match="in use"):
        discard_span(device, identity.identity, identity, 0, MIB)
    os.close(claim)
    assert image.read_bytes() == b"\x5a" * (16 * MIB)


def test_a_span_that_cannot_be_discarded_is_told(device: str) -> None:
    identity = identify(device)
    with pytest.raises(CannotRun, match="cannot discard its tested span: Invalid argument"):
        discard_span(device, identity.identity, identity, 1, 100)
