"""Where the content of a copy is, and how a test changes it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from verify.ledger.second_copy import RunCopy

SENDER = "192.0.2.5"


def file_of(copy: RunCopy, part: int) -> Path:
    return copy.path / "ledger" / f"{part:03d}.ledger"


def changed(content: bytes, **more: Any) -> bytes:
    """A run.json that says something else, or more."""
    return json.dumps({**json.loads(content), **more}).encode()


def length_of(frames: list[bytes]) -> int:
    return sum(map(len, frames))
