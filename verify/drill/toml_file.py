"""TOML files that a user names by an option."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from verify.errors import UsageError

FILE_BYTES_MAX = 1 << 20


def read_toml(path: str, option: str) -> tuple[dict[str, Any], str]:
    """What such a file holds, and its text.

    Args:
        path: of the file; it is read up to `FILE_BYTES_MAX`.
        option: that named it, such as "--about"; for what is said.

    Raises:
        UsageError: if it cannot be read or is no TOML.
    """
    try:
        with open(Path(path), "rb") as file:
            text = file.read(FILE_BYTES_MAX).decode("utf-8")
        return tomllib.loads(text), text
    except OSError as error:
        raise UsageError(f"{option} {path} cannot be read: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError, ValueError) as error:
        raise UsageError(f"{option} {path} is not TOML: {str(error)[:200]}") from None


_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]#]+?)\s*\]\]?\s*(#.*)?")
_KEY = re.compile(r"""\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[\w-]+|"[^"]*"|'[^']*'""")


class KeyLines:
    """Tells on which line of a TOML text a key stands, so that whoever wrote it finds what is wrong.

    A place is a tuple of keys, with the number of the table, from 0, after the name of an array of tables:
    ("scenario", 1, "run-in"). Only for messages: keys inside inline tables and multi-line strings are not looked for.
    """

    def __init__(self, text: str) -> None:
        self._lines: dict[tuple[str | int, ...], int] = {}
        counts: dict[tuple[str | int, ...], int] = {}
        table: tuple[str | int, ...] = ()
        quote = ""
        for number, line in enumerate(text.splitlines(), 1):
            begun_in_text = bool(quote)
            for mark in re.findall(r"\"\"\"|'''", line):
                quote = "" if quote == mark else quote or mark
            if begun_in_text:
                continue
            if header := _HEADER.fullmatch(line):
                table = self._table(_parts(header[2]), header[1] == "[[", counts)
                self._lines.setdefault(table, number)
            elif key := _KEY.match(line):
                self._lines.setdefault((*table, *_parts(key[1])), number)

    def of(self, *place: str | int) -> int:
        """The line of a key, or of the nearest table around it that has one; 1 where there is none."""
        for length in range(len(place), 0, -1):
            if place[:length] in self._lines:
                return self._lines[place[:length]]
        return 1

    @staticmethod
    def _table(
        parts: list[str], is_array: bool, counts: dict[tuple[str | int, ...], int]
    ) -> tuple[str | int, ...]:
        """The place of a table by its header; within an array of tables it is that of the latest one."""
        at: tuple[str | int, ...] = ()
        for index, part in enumerate(parts):
            at = (*at, part)
            if is_array and index == len(parts) - 1:
                counts[at] = counts.get(at, -1) + 1
            if at in counts:
                at = (*at, counts[at])
        return at


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(dotted)]
