"""The lines of a survey: what was seen, and whether it is fine, a warning or a stop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum

from verify.errors import UsageError

_UNITS = ("KiB", "MiB", "GiB", "TiB", "PiB")
NOT_TOLD = "not told by the kernel"


class Level(StrEnum):
    """How a line stands towards the drill."""

    FINE = "fine"
    WARNING = "warning"
    STOP = "stop"


@dataclass(frozen=True)
class Line:
    """One thing that was looked at.

    Attributes:
        topic: what it is about, for programs: the same word at every release.
        label: the same for people.
        value: what was seen.
        level: fine, a warning, or a stop.
        reason: why it is not fine; "" where it is.
    """

    topic: str
    label: str
    value: str
    level: Level = Level.FINE
    reason: str = ""

    def to_json(self) -> dict[str, str]:
        """Give the fields by name, ready for JSON."""
        return {name: str(value) for name, value in asdict(self).items()}

    @classmethod
    def from_json(cls, values: object) -> Line:
        """Take back what `to_json` gave; members of other names are ignored.

        Raises:
            UsageError: a field is missing or impossible.
        """
        if not isinstance(values, Mapping):
            raise UsageError("a line of a survey must be a table of fields")
        texts = {name: values.get(name) for name in ("topic", "label", "value", "level", "reason")}
        for name, text in texts.items():
            if not isinstance(text, str):
                raise UsageError(f"a line of a survey lacks the text {name}")
        level = texts.pop("level")
        if level not in tuple(Level):
            raise UsageError(f"a line of a survey has the level {level!r}, which is none of {', '.join(Level)}")
        return cls(level=Level(level), **texts)  # type: ignore[arg-type]


def fine(topic: str, label: str, value: str) -> Line:
    """Make a line of what is as it should be, or is merely told."""
    return Line(topic, label, value)


def warning(topic: str, label: str, value: str, reason: str) -> Line:
    """Make a line of what a drill can live with, if the reason is known."""
    return Line(topic, label, value, Level.WARNING, reason)


def stop(topic: str, label: str, value: str, reason: str) -> Line:
    """Make a line of what a drill must not begin with."""
    return Line(topic, label, value, Level.STOP, reason)


def size_text(size_bytes: int) -> str:
    """Write a size exactly, and rounded in the largest unit that fits."""
    amount, unit = float(size_bytes), ""
    for larger in _UNITS:
        if amount < 1024:
            break
        amount, unit = amount / 1024, larger
    return f"{size_bytes} bytes ({amount:.4g} {unit})" if unit else f"{size_bytes} bytes"
