"""What only people know of an acceptance: scope, participants, what was planned, what was observed; a TOML file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from verify.drill.toml_file import read_toml
from verify.errors import UsageError

_TEXTS = ("title", "system", "scope")
_LISTS = ("objectives", "deviations", "blocked", "observations", "recommendations", "open", "cautions")
_TABLES: dict[str, dict[str, type]] = {
    "participant": {"name": str, "role": str},
    "planned": {"scenario": str, "direction": str, "repeats": int},
    "run": {"id": str, "scenario": str, "direction": str, "repeat": int},
}
_NEEDED = {"participant": ("name",), "planned": ("scenario",), "run": ("id", "scenario")}
_NUMBERS = ("takeovers-a-year", "bound")


@dataclass(frozen=True)
class Particulars:
    """The contents of such a file; empty where it says nothing.

    `planned` has scenario, direction and repeats of each planned scenario; `runs` gives scenario, direction and repeat
    to runs that do not say so themselves, by run id. `bound` is the loss probability to be shown, between 0 and 1.
    `incomplete` is set where something that was planned was left out: no dossier passes then.
    """

    title: str = "Acceptance of storage takeovers"
    system: str = ""
    scope: str = ""
    lists: dict[str, list[str]] = field(default_factory=dict)
    participants: list[dict[str, Any]] = field(default_factory=list)
    planned: list[dict[str, Any]] = field(default_factory=list)
    runs: dict[str, dict[str, Any]] = field(default_factory=dict)
    takeovers_a_year: float | None = None
    bound: float | None = None
    incomplete: bool = False

    def texts(self, name: str) -> list[str]:
        """One of the lists of sentences."""
        return self.lists.get(name, [])


def read_particulars(path: str) -> Particulars:
    """Read such a file, whole, and tell everything that is wrong with it at once.

    Raises:
        UsageError: with one line for each thing.
    """
    value, _ = read_toml(path, "--about")
    wrong: list[str] = []
    out = particulars_of(value, wrong)
    if wrong:
        raise UsageError("\n".join(f"{path}: {line}" for line in wrong))
    return out


def particulars_of(value: Mapping[str, Any], wrong: list[str]) -> Particulars:
    """What such a table holds; what is wrong with it is added to a list, and nothing is to be made of it then."""
    known = (*_TEXTS, *_LISTS, *_NUMBERS, *_TABLES)
    wrong += [f"unknown key {key[:60]!r}; known are {', '.join(known)}" for key in value if key not in known]
    for key in _TEXTS:
        if key in value and not isinstance(value[key], str):
            wrong.append(f"{key} must be a text")
    for key in _LISTS:
        items = value.get(key, [])
        if not isinstance(items, list) or not all(isinstance(item, str) for item in items):
            wrong.append(f"{key} must be a list of texts")
    numbers = {key: _number(value.get(key), key, wrong) for key in _NUMBERS}
    tables = {name: _tables(value.get(name, []), name, wrong) for name in _TABLES}
    if wrong:
        return Particulars()
    return Particulars(
        title=value.get("title", Particulars.title),
        system=value.get("system", ""),
        scope=value.get("scope", ""),
        lists={key: list(value.get(key, [])) for key in _LISTS},
        participants=tables["participant"],
        planned=tables["planned"],
        runs={table["id"]: table for table in tables["run"]},
        takeovers_a_year=numbers["takeovers-a-year"],
        bound=numbers["bound"],
    )


def valid_number(key: str, value: float) -> str:
    """What is wrong with `takeovers-a-year` or `bound`, "" if nothing."""
    if key == "bound":
        return "" if 0 < value < 1 else "bound must be between 0 and 1, such as 0.05"
    return "" if 0 <= value <= 1e6 else "takeovers-a-year must be from 0 to 1,000,000"


def _number(value: Any, key: str, wrong: list[str]) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        wrong.append(f"{key} must be a number")
        return None
    said = valid_number(key, value)
    wrong += [said] if said else []
    return None if said else float(value)


def _tables(value: Any, name: str, wrong: list[str]) -> list[dict[str, Any]]:
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        wrong.append(f"{name} must be written as [[{name}]] tables")
        return []
    fields = _TABLES[name]
    for number, table in enumerate(value, 1):
        at = f"[[{name}]] {number}"
        for key in table:
            if key not in fields:
                wrong.append(f"{at}: unknown key {key[:60]!r}; known are {', '.join(fields)}")
            elif type(table[key]) is not fields[key]:
                wrong.append(f"{at}: {key} must be a {'text' if fields[key] is str else 'whole number'}")
            elif fields[key] is int and table[key] < 1:
                wrong.append(f"{at}: {key} must be at least 1")
        wrong += [f"{at}: {key} is missing" for key in _NEEDED[name] if key not in table]
    return value
