"""Acceptance criteria: agreed on before the load, kept in run.json, measured by every check of the run.

They come from the table `[criteria]` of a TOML file:

    [criteria]
    stall = "10s"            # longest stretch in which no lane got an answer
    longest-wait = "20s"     # of any operation around a takeover
    errors = 0               # failed operations that the guest saw
    rate-after = 0.8         # acknowledged writes a second after a takeover, as a share of those before
    latency-after = 3        # of the slowest twentieth of the writes, against that before
    load-at-takeover = 500   # acknowledged writes a second before a takeover

A lost acknowledged write is never accepted, and needs no line.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from verify.drill.quantities import format_duration, parse_duration
from verify.drill.toml_file import read_toml
from verify.errors import UsageError
from verify.judge.slots import AroundTakeover, Window

LIMIT_MAX = 1e12
WINDOW_S_MIN = 0.5
"""A rate is told only where the load ran for at least this long before or after a takeover."""

SLOW_SHARE = 0.95
WRITES_PER_LANE_MIN = 20
"""So many writes of a lane, on average, must lie in a window before its slowest twentieth is told: those that waited
for the takeover itself, one a lane, end in the window after it, and must not be what is measured."""

_TIME, _COUNT, _SHARE, _RATE = 'a time such as "10s"', "a whole number", "a number", "a number of writes a second"


@dataclass(frozen=True)
class _Kind:
    """One kind of criterion: its words, what its limit is, and whether what is measured may be at most that."""

    name: str
    limit: str
    at_most: bool


KINDS = {
    "stall": _Kind("longest stall", _TIME, True),
    "longest-wait": _Kind("longest wait of a lane", _TIME, True),
    "errors": _Kind("errors seen by the guest", _COUNT, True),
    "rate-after": _Kind("writes a second after a takeover, share of before", _SHARE, False),
    "latency-after": _Kind("latency after a takeover (95 %), times that before", _SHARE, True),
    "load-at-takeover": _Kind("writes a second before a takeover", _RATE, False),
}


_DISTURBED = frozenset({"longest-wait", "rate-after", "latency-after", "load-at-takeover"})


@dataclass(frozen=True)
class Criterion:
    """One of `KINDS` with its limit: seconds, a count, a ratio, or writes a second."""

    key: str
    limit: float

    def told(self, measured: float | None) -> dict[str, Any]:
        """The criterion as run.json and verdict.json have it, and reports tell it.

        Args:
            measured: in the unit of the limit; None if it could not be measured.
        """
        kind = KINDS[self.key]
        met = None if measured is None else measured <= self.limit if kind.at_most else measured >= self.limit
        return {
            "key": self.key,
            "name": kind.name,
            "limit": self.limit,
            "required": f"at {'most' if kind.at_most else 'least'} {_text(kind, self.limit)}",
            "measured": None if measured is None else _measured_text(kind, measured, self.limit),
            "met": met,
        }


def read_criteria(path: str) -> tuple[Criterion, ...]:
    """Read the table `[criteria]` of a TOML file, and tell everything that is wrong with it at once.

    Raises:
        UsageError: with a line for each thing, and the number of the line where it stands.
    """
    value, text = read_toml(path, "--criteria")
    table = value.get("criteria")
    if not isinstance(table, dict) or not table or set(value) != {"criteria"}:
        known = ", ".join(KINDS)
        raise UsageError(f"--criteria {path} must hold one table [criteria] and nothing else; known in it are {known}")
    wrong: list[str] = []
    out = []
    for key, limit in table.items():
        try:
            out.append(_criterion(key, limit))
        except UsageError as error:
            wrong.append(f"{path}, line {_line_of(key, text)}: {error}")
    if wrong:
        raise UsageError("\n".join(wrong))
    return tuple(out)


def _criterion(key: str, value: Any) -> Criterion:
    kind = KINDS.get(key)
    if kind is None:
        raise UsageError(f"unknown criterion {key[:60]!r}; known are {', '.join(KINDS)}")
    if kind.limit is _TIME:
        if not isinstance(value, str):
            raise UsageError(f"{key} must be {_TIME}")
        return Criterion(key, _within(key, parse_duration(value, key)))
    if type(value) is int or (kind.limit is not _COUNT and type(value) is float):
        return Criterion(key, _within(key, value))
    raise UsageError(f"{key} must be {kind.limit}")


def _within(key: str, limit: float) -> float:
    if not math.isfinite(limit) or not 0 <= limit <= LIMIT_MAX:
        raise UsageError(f"{key} must be from 0 to {LIMIT_MAX:g}")
    return float(limit)


def _line_of(key: str, text: str) -> int:
    """The number of the line where a key is set, 1 for the first; that of the table if it is set in it otherwise."""
    lines = text.splitlines()
    pattern = re.compile(rf"""\s*(criteria\s*\.\s*)?["']?{re.escape(key)}["']?\s*=""")
    found = [number for number, line in enumerate(lines, 1) if pattern.match(line)]
    return (found or [number for number, line in enumerate(lines, 1) if "criteria" in line] or [1])[0]


def kept_criteria(about: dict[str, Any]) -> tuple[Criterion, ...]:
    """The criteria that run.json holds; none if it holds none.

    Raises:
        UsageError: if what it holds are none.
    """
    kept = about.get("criteria", [])
    try:
        if not isinstance(kept, list):
            raise TypeError
        out = []
        for item in kept:
            key, limit = item["key"], item["limit"]
            if key not in KINDS or type(limit) not in (int, float):
                raise TypeError
            out.append(Criterion(key, _within(key, limit)))
    except (TypeError, KeyError, UsageError):
        raise UsageError("run.json is damaged or was changed: what it holds under `criteria` are none") from None
    return tuple(out)


def measure(
    criteria: Sequence[Criterion],
    around: Sequence[AroundTakeover],
    errors: int,
    lanes: int,
    pauses: Sequence[tuple[int, int]] = (),
) -> list[dict[str, Any]]:
    """Every criterion with what was measured; of several takeovers the worst counts.

    Args:
        criteria: of the run.
        around: what the ledger tells around each takeover.
        errors: failed operations in the whole run.
        lanes: of the run.
        pauses: stretches in which the writer or the guest itself stood still, monotonic nanoseconds.

    Returns:
        A table each with key, name, limit, required, measured and met; the last two are None where it could not be
        measured: around no takeover, with too little load on one side of one, where a stall had not ended that was
        still within its limit, or where the guest stood still at the time: that is not the storage's doing. A stall is
        told without such stretches.
    """
    disturbed = any(_overlap(span, a.before.start_ns, a.after.end_ns) for span in pauses for a in around)
    out = []
    for criterion in criteria:
        known = not disturbed or criterion.key not in _DISTURBED
        out.append(criterion.told(_measured(criterion, around, errors, lanes) if known else None))
    return out


def _overlap(span: tuple[int, int], start_ns: int, end_ns: int) -> bool:
    return span[0] < end_ns and span[1] > start_ns


def _measured(criterion: Criterion, around: Sequence[AroundTakeover], errors: int, lanes: int) -> float | None:
    key = criterion.key
    if key == "errors":
        return float(errors)
    if not around:
        return None
    if key in ("stall", "longest-wait"):
        waits = [(a.takeover.stall_ns if key == "stall" else a.takeover.longest_wait_ns) / 1e9 for a in around]
        unended = any(a.takeover.never_ended for a in around)
        return None if unended and max(waits) <= criterion.limit else max(waits)
    if key == "latency-after":
        return _worst(max, [_ratio(_slow_ns(a.after, lanes), _slow_ns(a.before, lanes)) for a in around])
    rates = [(_rate(a.before), _rate(a.after)) for a in around]
    if key == "rate-after":
        return _worst(min, [_ratio(after, before) for before, after in rates])
    return _worst(min, [before for before, _ in rates])


def _worst(choose: Callable[[list[float]], float], values: Sequence[float | None]) -> float | None:
    """The least or the greatest, None if one is unknown."""
    known = [value for value in values if value is not None]
    return float(choose(known)) if len(known) == len(values) else None


def _ratio(above: float | None, below: float | None) -> float | None:
    return None if above is None or not below else above / below


def _rate(window: Window) -> float | None:
    """Acknowledged writes a second; None if the load did not run for long enough."""
    seconds = (window.end_ns - window.start_ns) / 1e9
    return sum(len(some) for some in window.latencies) / seconds if seconds >= WINDOW_S_MIN else None


def _slow_ns(window: Window, lanes: int) -> float | None:
    """What the slowest twentieth of the writes took at least; None if there are too few of them."""
    if sum(len(some) for some in window.latencies) <= WRITES_PER_LANE_MIN * lanes:
        return None
    return float(np.quantile(np.concatenate(window.latencies), SLOW_SHARE))


def _text(kind: _Kind, value: float) -> str:
    if kind.limit is _TIME:
        return format_duration(value)
    return f"{value:,.0f}" if kind.limit is _COUNT else f"{value:,.2f}" if kind.limit is _SHARE else f"{value:,.1f}"


def _measured_text(kind: _Kind, value: float, limit: float) -> str:
    """What was measured, with more digits where it would read like the limit and is not."""
    text = _text(kind, value)
    if text != _text(kind, limit) or value == limit:
        return text
    return f"{value:.9g}" + (" s" if kind.limit is _TIME else "")


def missed(told: Sequence[dict[str, Any]]) -> list[str]:
    """Each criterion that was not met, in words with required and measured."""
    return [f"{c['name']}: {c['required']} required, {c['measured']} measured" for c in told if c["met"] is False]


def unmeasured(told: Sequence[dict[str, Any]]) -> list[str]:
    """Each criterion that could not be measured, in words."""
    return [f"{c['name']}: {c['required']} required, but it could not be measured" for c in told if c["met"] is None]
