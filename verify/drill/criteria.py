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

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

from verify.drill.quantities import format_duration, parse_duration
from verify.drill.toml_file import KeyLines, read_toml
from verify.errors import UsageError
from verify.judge.surroundings import AroundTakeover, Window

LIMIT_MAX = 1e12
WINDOW_S_MIN = 0.5
"""A rate is told only where the load ran for at least this long before or after a takeover."""

SLOW_SHARE = 0.95
WRITES_PER_LANE_MIN = 20
"""So many writes of a lane, on average, must lie in a window before its slowest twentieth is told: those that waited
for the takeover itself, one a lane, end in the window after it, and must not be what is measured."""



class _Limit(Enum):
    """What a limit is, in the words of what is said of another."""

    TIME = 'a time such as "10s"'
    COUNT = "a whole number"
    RATIO = "a number"
    RATE = "a number of writes a second"


@dataclass(frozen=True)
class _Kind:
    """One kind of criterion: its name, its limit, whether that is the most or the least that may be measured.

    What is not `own_free` is measured only where nothing of our own was in the way: a guest that stood still, a worker
    that was lost.
    """

    name: str
    limit: _Limit
    at_most: bool
    own_free: bool = False


KINDS = {
    "stall": _Kind("longest stall", _Limit.TIME, True, own_free=True),
    "longest-wait": _Kind("longest wait of a lane", _Limit.TIME, True),
    "errors": _Kind("errors seen by the guest", _Limit.COUNT, True, own_free=True),
    "rate-after": _Kind("writes a second after a takeover, share of before", _Limit.RATIO, False),
    "latency-after": _Kind("latency after a takeover (95 %), times that before", _Limit.RATIO, True),
    "load-at-takeover": _Kind("writes a second before a takeover", _Limit.RATE, False),
}


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
    lines = KeyLines(text)
    wrong: list[str] = []
    out = criteria_of(table, lambda key, said: wrong.append(f"{path}, line {lines.of('criteria', key)}: {said}"))
    if wrong:
        raise UsageError("\n".join(wrong))
    return out


def criteria_of(table: Mapping[str, Any], complain: Callable[[str, str], object]) -> tuple[Criterion, ...]:
    """The criteria of a table `[criteria]`; what is wrong is told by key and text, and left out."""
    out = []
    for key, limit in table.items():
        try:
            out.append(_criterion(key, limit))
        except UsageError as error:
            complain(key, str(error))
    return tuple(out)


def _criterion(key: str, value: Any) -> Criterion:
    kind = KINDS.get(key)
    if kind is None:
        raise UsageError(f"unknown criterion {key[:60]!r}; known are {', '.join(KINDS)}")
    if kind.limit is _Limit.TIME:
        if not isinstance(value, str):
            raise UsageError(f"{key} must be {kind.limit.value}")
        return Criterion(key, _within(key, parse_duration(value, key)))
    if type(value) is int or (kind.limit is not _Limit.COUNT and type(value) is float):
        return Criterion(key, _within(key, value))
    raise UsageError(f"{key} must be {kind.limit.value}")


def _within(key: str, limit: float) -> float:
    if not 0 <= limit <= LIMIT_MAX:  # nor NaN, and a whole number may be too long for a float
        raise UsageError(f"{key} must be from 0 to {LIMIT_MAX:g}")
    return float(limit)


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


@dataclass(frozen=True)
class Measured:
    """What the criteria of a run are held against.

    Attributes:
        around: what the ledger tells around each takeover.
        errors: failed operations in the whole run.
        lanes: of the run.
        threshold_s: shorter stalls are not told, so that one of an attested takeover may have been so long.
        pauses: stretches in which the writer or the guest itself stood still, monotonic nanoseconds.
        workers_lost: whether lanes ended before the run did.
        in_doubt: whether the ledger is damaged, so that nothing is known.
    """

    around: Sequence[AroundTakeover]
    errors: int
    lanes: int
    threshold_s: float
    pauses: Sequence[tuple[int, int]] = ()
    workers_lost: bool = False
    in_doubt: bool = False

    def told(self, criteria: Sequence[Criterion]) -> list[dict[str, Any]]:
        """Every criterion with what was measured; of several takeovers the worst counts.

        Returns:
            A table each with key, name, limit, required, measured and met; the last two are None where it could not be
            measured: around no takeover; with too little load on one side of one; where a stall had not ended that was
            still within its limit, or limit and stall are too short to be told; where the guest stood still at the
            time (a stall is told without such stretches), a worker was lost or the ledger is damaged; or where only the
            looks that lanes took at their slots after an outage decide: they cost time, and that is not the storage's
            doing.
        """
        own = self.workers_lost or any(
            pause[0] < around.after.end_ns and pause[1] > around.before.start_ns
            for pause in self.pauses
            for around in self.around
        )
        out = []
        for criterion in criteria:
            known = not self.in_doubt and (KINDS[criterion.key].own_free or not own)
            out.append(criterion.told(self._of(criterion) if known else None))
        return out

    def _of(self, criterion: Criterion) -> float | None:
        key, limit = criterion.key, criterion.limit
        if key == "errors":
            return float(self.errors)
        if not self.around:
            return None
        if key in ("stall", "longest-wait"):
            takeovers = [around.takeover for around in self.around]
            longest = max(t.stall_ns if key == "stall" else t.longest_wait_ns for t in takeovers) / 1e9
            untold = key == "stall" and limit < self.threshold_s and not all(t.observed for t in takeovers)
            return None if longest <= limit and (untold or any(t.never_ended for t in takeovers)) else longest
        if key == "latency-after":
            sides = [(self._slow_ns(around.after), self._slow_ns(around.before)) for around in self.around]
            ratios = [after / before for after, before in sides if after is not None and before]
            return max(ratios) if len(ratios) == len(sides) else None
        return _decided(limit, [self._rate(around, key) for around in self.around])

    def _rate(self, around: AroundTakeover, key: str) -> tuple[float, float] | None:
        """A rate, or its share of that before: by writes alone, and at best, with looks at slots counted too."""
        before, after = _rates(around.before), _rates(around.after)
        if key == "load-at-takeover" or before is None:
            return before
        if after is None or not before[0]:
            return None
        return after[0] / before[1], after[1] / before[0]

    def _slow_ns(self, window: Window) -> float | None:
        """What the slowest twentieth of the writes took at least; None if there are too few of them."""
        return window.latency_ns(SLOW_SHARE) if window.writes > WRITES_PER_LANE_MIN * self.lanes else None


def _rates(window: Window) -> tuple[float, float] | None:
    """Acknowledged writes a second, and with looks at slots; None if the load did not run for long enough."""
    if window.seconds < WINDOW_S_MIN:
        return None
    return window.writes / window.seconds, (window.writes + window.examinations) / window.seconds


def _decided(limit: float, rates: Sequence[tuple[float, float] | None]) -> float | None:
    """The least rate, if it is known whether it reaches the limit: by writes alone it does, or at best it does not."""
    known = [rate for rate in rates if rate is not None]
    least, best = min((low for low, _ in known), default=0.0), min((high for _, high in known), default=0.0)
    if len(known) < len(rates) or least < limit <= best:
        return None
    return least if least >= limit else best


def _text(kind: _Kind, value: float) -> str:
    if kind.limit is _Limit.TIME:
        return format_duration(value)
    decimals = {_Limit.COUNT: 0, _Limit.RATIO: 2, _Limit.RATE: 1}[kind.limit]
    return f"{value:,.{decimals}f}"


def _measured_text(kind: _Kind, value: float, limit: float) -> str:
    """What was measured, with more digits where it would read like the limit and is not."""
    text = _text(kind, value)
    if text != _text(kind, limit) or value == limit:
        return text
    return f"{value:.9g}" + (" s" if kind.limit is _Limit.TIME else "")


def missed(told: Sequence[dict[str, Any]]) -> list[str]:
    """Each criterion that was not met, in words with required and measured."""
    return [f"{c['name']}: {c['required']} required, {c['measured']} measured" for c in told if c["met"] is False]


def unmeasured(told: Sequence[dict[str, Any]]) -> list[str]:
    """Each criterion that could not be measured, in words."""
    return [f"{c['name']}: {c['required']} required, but it could not be measured" for c in told if c["met"] is None]
