"""Reading a format page: its tables and its dumps of bytes, so that tests can hold them to the code."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
_DUMP_LINE = re.compile(r"([0-9a-f]{4})  ((?:[0-9a-f]{2} ?)+)")
_FENCED = re.compile(r"^```(\w*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_CODE = re.compile(r"`([^`]*)`")

Row = dict[str, str]


@dataclass(frozen=True)
class Page:
    """One format page, cut at its headings."""

    sections: dict[str, str]

    def tables(self, heading: str) -> list[list[Row]]:
        """The tables of one section, each a list of rows by column name."""
        found: list[list[Row]] = []
        names: list[str] = []
        for line in self.sections[heading].splitlines():
            if not line.startswith("|"):
                names = []
                continue
            cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
            if not names:
                names = cells
                found.append([])
            elif not set("".join(cells)) <= {"-"}:
                assert len(cells) == len(names), line
                found[-1].append(dict(zip(names, cells, strict=True)))
        return found

    def fenced(self, heading: str, language: str = "") -> list[str]:
        """The fenced pieces of one section in the given language."""
        return [text for name, text in _FENCED.findall(self.sections[heading]) if name == language]

    def dumps(self, heading: str) -> list[bytes]:
        """The bytes of every dump in one section; its offsets must follow one another."""
        found = []
        for text in self.fenced(heading):
            content = bytearray()
            for line in text.splitlines():
                match = _DUMP_LINE.fullmatch(line)
                assert match is not None, line
                assert int(match[1], 16) == len(content), line
                content += bytes.fromhex(match[2])
            found.append(bytes(content))
        return found


def read_page(room: str, name: str = "FORMAT.md") -> Page:
    """A format page of one room of the package."""
    text = (ROOT / "verify" / room / name).read_text(encoding="utf-8")
    pieces = re.split(r"^#+ (.+)$", text, flags=re.MULTILINE)
    return Page(dict(zip(pieces[1::2], pieces[2::2], strict=True)))


def code(cell: str) -> str:
    """The first piece of code in a cell."""
    match = _CODE.search(cell)
    assert match is not None, cell
    return match[1]


def all_code(cell: str) -> list[str]:
    """Every piece of code in a cell."""
    return _CODE.findall(cell)
