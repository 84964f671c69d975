"""Hostile input as edits of honest input: a few bytes say where, how, and what is put there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from copy import deepcopy
from typing import Any

GARBAGE: tuple[Any, ...] = (
    None, True, False, -1, 0, 1, 7, 255, 65535, 65536, 2**31, 2**32, 2**48, 2**62, 2**62 + 1, 2**63 - 1, 2**63, 2**80,
    -(2**70), 0.5, 1e308, float("inf"), float("-inf"), float("nan"), "", "x", "12", "0" * 5000, "\x00", "\udc80",
    "../../outside", "/outside", [], [1], [[]], {}, {"a": 1}, "2026-11-25T00:00:00Z",
)  # fmt: skip
"""What stands in place of a value of a JSON object."""


class Bytes:
    """Hostile bytes, taken piece by piece; nought once they are used up."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def __bool__(self) -> bool:
        return self._at < len(self._data)

    def number(self, size_bytes: int = 1) -> int:
        """The next so many bytes as an unsigned number."""
        taken = self._data[self._at : self._at + size_bytes]
        self._at += size_bytes
        return int.from_bytes(taken, "little")

    def below(self, count: int) -> int:
        """A number below `count`, which is at least 1."""
        return self.number(2) % count

    def choice(self, of: Sequence[Any]) -> Any:
        """One of several."""
        return of[self.below(len(of))]

    def piece(self) -> bytes:
        """A short piece, its length before it."""
        size = self.number() % 64
        taken = self._data[self._at : self._at + size]
        self._at += size
        return taken

    def rest(self) -> bytes:
        """All that is left."""
        taken = self._data[self._at :]
        self._at = len(self._data)
        return taken


def edited(honest: bytes, edits: Bytes, most: int = 8) -> bytes:
    """Honest bytes with up to `most` pieces of them changed, cut out, doubled or put in."""
    out = bytearray(honest)
    for _ in range(most):
        if not edits:
            break
        how, at = edits.number() % 6, edits.number(4) % (len(out) + 1)
        if how == 0:
            out[at : at + 1] = bytes([edits.number()])
        elif how == 1:
            piece = edits.piece()
            out[at : at + len(piece)] = piece
        elif how == 2:
            out[at:at] = edits.piece()
        elif how == 3:
            del out[at : at + edits.number(2)]
        elif how == 4:
            out[at:at] = out[at : at + edits.number(2)]
        else:
            del out[at:]
    return bytes(out)


def respelled(value: Any, edits: Bytes, most: int = 6) -> Any:
    """A JSON value with up to `most` of its fields and items gone, doubled, or replaced by something else."""
    for _ in range(most):
        if not edits:
            break
        places = list(_places(value))
        if not places:
            break
        inner, key = edits.choice(places)
        how = edits.number() % 4
        if how == 0:
            del inner[key]
        elif how == 1 and isinstance(inner, list):
            inner.insert(key, inner[key])
        elif how == 2:
            _, other = edits.choice(places)
            inner[key] = deepcopy(inner.get(other)) if isinstance(inner, dict) else edits.number(8)
        else:
            inner[key] = deepcopy(edits.choice(GARBAGE))
    return value


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every (object or list, key or index) within a JSON value."""
    items: Any = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in list(items):
        yield value, key
        yield from _places(inner)
