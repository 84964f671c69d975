"""Sizes, durations and times as people write them."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from math import inf

from verify.errors import UsageError

_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*([KMGT]i?B|B|[KMGT])?", re.IGNORECASE)
_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s|min|m|h)?", re.IGNORECASE)
SECONDS_MAX = 1000 * 365.25 * 86400
_SECONDS = {"ms": 0.001, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}


def parse_size(text: str, what: str) -> int:
    """Bytes from "4KiB" (1024), "4kB" (1000) or "512".

    Raises:
        UsageError: if the text is no size, or not a whole number of bytes.
    """
    match = _SIZE.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"{what} {text!r} is not a size; write it as 4096, 4KiB or 1GiB")
    number, unit = match[1], (match[2] or "B").upper()
    power = " KMGT".index(unit[0]) if unit[0] in "KMGT" else 0
    base = 1000 if len(unit) == 2 else 1024
    size = float(number) * base**power
    if size == inf or size != int(size):
        raise UsageError(f"{what} {text!r} is not a whole number of bytes")
    return int(size)


def parse_duration(text: str, what: str) -> float:
    """Seconds from "60s", "5min", "250ms", "1h" or "60".

    Raises:
        UsageError: if the text is no duration, or a very long one.
    """
    match = _DURATION.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"{what} {text!r} is not a duration; write it as 60s, 5min, 250ms or 1h")
    seconds = float(match[1]) * _SECONDS[(match[2] or "s").lower()]
    if seconds > SECONDS_MAX:
        raise UsageError(f"{what} {text[:40]!r} is longer than a thousand years")
    return seconds


def format_size(size_bytes: float) -> str:
    """Such as "1.5 GiB": three significant digits or so, binary units."""
    value = float(size_bytes)
    for unit in ("B", "KiB", "MiB", "GiB"):
        if abs(value) < 1024:
            return f"{value:.0f} {unit}" if value == int(value) or value >= 100 else f"{value:.1f} {unit}"
        value /= 1024
    return f"{value:.1f} TiB"


def format_duration(seconds: float) -> str:
    """Such as "0.4 s", "3.25 s", "2 min 5 s": as precise as a person needs."""
    if seconds < 0:
        return "-" + format_duration(-seconds)
    if seconds < 0.1:
        return f"{seconds * 1000:.1f} ms"
    if seconds < 120:
        return f"{seconds:.2f} s" if seconds < 10 else f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes < 120 else f"{minutes // 60} h {minutes % 60} min"


def rfc3339(wall_ns: int) -> str:
    """A wall-clock time in nanoseconds since 1970 as RFC 3339 in UTC, to the microsecond."""
    seconds, ns = divmod(wall_ns, 1_000_000_000)
    second = _second(seconds)
    return f"{second}.{ns // 1000:06d}Z" if second else "unknown"


@lru_cache(maxsize=4096)
def _second(seconds: int) -> str:
    """A whole second since 1970 in UTC, "" if no calendar has it; a list of losses asks for the same ones often."""
    try:
        return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}"
    except (OverflowError, ValueError, OSError):
        return ""


def wall_ns_of(text: str) -> int:
    """The nanoseconds since 1970 that an RFC 3339 time stands for, to the microsecond.

    Raises:
        ValueError: if the text is no such time.
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text[:40]!r} names no time zone")
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000
