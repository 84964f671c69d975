"""Takes the tables of a TOML file apart key by key, and collects everything that is wrong with them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from verify.drill.quantities import parse_duration, parse_size
from verify.drill.toml_file import KeyLines
from verify.errors import UsageError

TEXT_CHARACTERS_MAX = 2000
T = TypeVar("T")


class Complaints:
    """What is wrong with a file, in the order of its lines.

    Args:
        path: of the file, as the user named it.
        text: of the file.
    """

    def __init__(self, path: str, text: str) -> None:
        self._path = path
        self._lines = KeyLines(text)
        self._told: list[tuple[int, str]] = []

    def add(self, place: tuple[str | int, ...], said: str) -> None:
        """Take down that something is wrong at a place (see `KeyLines`)."""
        self._told.append((self._lines.of(*place), said))

    def raise_if_any(self) -> None:
        """Tell all of it at once.

        Raises:
            UsageError: with a line for each, and the number of the line where it stands.
        """
        if self._told:
            told = dict.fromkeys(sorted(self._told, key=lambda one: one[0]))
            raise UsageError("\n".join(f"{self._path}, line {number}: {said}" for number, said in told))


class Table:
    """One table of the file.

    Every method that takes a key gives the default where the key is missing or wrong; what is wrong is taken down.
    After the last one, `end` tells of keys that nobody asked for.
    """

    def __init__(self, value: Mapping[str, Any], place: tuple[str | int, ...], complaints: Complaints) -> None:
        self._value = value
        self._asked: list[str] = []
        self.place = place
        self.complaints = complaints

    def __contains__(self, key: str) -> bool:
        return key in self._value

    def wrong(self, key: str, said: str) -> None:
        """Take down that something is wrong with a key."""
        self.complaints.add((*self.place, key), said)

    def end(self) -> None:
        """Tell of every key that is not known here."""
        for key in self._value:
            if key not in self._asked:
                self.wrong(key, f"unknown key {key[:60]!r} in {self._name()}; known are {', '.join(self._asked)}")

    def need(self, *keys: str) -> None:
        """Tell of keys that are missing."""
        for key in keys:
            if key not in self._value:
                self.wrong(key, f"{self._name()} lacks the key {key}")

    def text(self, key: str, default: str = "") -> str:
        """A text of at most `TEXT_CHARACTERS_MAX` characters."""
        value = self._get(key, default)
        if isinstance(value, str) and len(value) <= TEXT_CHARACTERS_MAX:
            return value
        return self._not(key, f"a text of at most {TEXT_CHARACTERS_MAX:,} characters", default)

    def texts(self, key: str, default: Sequence[str] = ()) -> tuple[str, ...]:
        """A list of texts."""
        value = self._get(key, list(default))
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            return tuple(value)
        return self._not(key, "a list of texts", tuple(default))

    def command(self, key: str) -> tuple[str, ...]:
        """A program and its arguments, () if it is missing."""
        value = self.texts(key)
        if key in self and not (value and value[0]):
            return self._not(key, 'a list of a program and its arguments, such as ["/root/pull", "A"]', ())
        return value

    def choice(self, key: str, allowed: Sequence[str], default: str) -> str:
        """One of several words."""
        value = self._get(key, default)
        if value in allowed or key not in self:
            return str(value)
        return self._not(key, f"one of {', '.join(allowed)}", default)

    def flag(self, key: str, default: bool = False) -> bool:
        """Whether a key is true."""
        value = self._get(key, default)
        return value if isinstance(value, bool) else self._not(key, "true or false", default)

    def whole(self, key: str, low: int, high: int, default: int) -> int:
        """A whole number within bounds."""
        value = self._get(key, default)
        if key not in self or (type(value) is int and low <= value <= high):
            return int(value)
        return self._not(key, f"a whole number from {low:,} to {high:,}", default)

    def number(self, key: str, low: float, high: float) -> float | None:
        """A number within bounds, None if it is missing."""
        value = self._get(key, None)
        if value is None:
            return None
        if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
            return float(value)
        return self._not(key, f"a number from {low:g} to {high:g}", None)

    def duration(self, key: str, default: float, low: float = 0.0, high: float = 7 * 86400.0) -> float:
        """Seconds, from a text such as "60s"."""
        value = self._get(key, None)
        if value is None:
            return default
        try:
            seconds = parse_duration(value, key) if isinstance(value, str) else math.nan
        except UsageError:
            seconds = math.nan
        if low <= seconds <= high:
            return seconds
        return self._not(key, f'a time from {low:g} s to {high:g} s, written as "60s", "5min" or "1h"', default)

    def size(self, key: str, low: int = 0) -> int | None:
        """Bytes, from a text such as "4KiB"; None if it is missing."""
        value = self._get(key, None)
        if value is None:
            return None
        try:
            size = parse_size(str(value), key)
        except UsageError:
            size = -1
        return size if low <= size <= 2**60 else self._not(key, 'a size, written as 4096, "4KiB" or "1GiB"', None)

    def table(self, key: str) -> Table:
        """A table within this one; an empty one if it is missing."""
        value = self._get(key, {})
        if not isinstance(value, dict):
            value = self._not(key, f"a table, written as [{key}]", {})
        return Table(value, (*self.place, key), self.complaints)

    def tables(self, key: str) -> list[Table]:
        """An array of tables; an empty one if it is missing."""
        value = self._get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            value = self._not(key, f"written as [[{key}]] tables", [])
        return [Table(item, (*self.place, key, index), self.complaints) for index, item in enumerate(value)]

    def raw(self, *keys: str) -> dict[str, Any]:
        """Values as they stand, of those of these keys that are there."""
        self._asked += keys
        return {key: self._value[key] for key in keys if key in self._value}

    def everything(self) -> Mapping[str, Any]:
        """The whole table as it stands, for a reader of its own."""
        self._asked += list(self._value)
        return self._value

    def _get(self, key: str, default: Any) -> Any:
        self._asked.append(key)
        return self._value.get(key, default)

    def _not(self, key: str, wanted: str, default: T) -> T:
        self.wrong(key, f"{key} in {self._name()} must be {wanted}")
        return default

    def _name(self) -> str:
        names = [part for part in self.place if isinstance(part, str)]
        numbers = [part for part in self.place if isinstance(part, int)]
        if not names:
            return "the plan"
        return f"[[{'.'.join(names)}]] {numbers[-1] + 1}" if numbers else f"[{'.'.join(names)}]"
