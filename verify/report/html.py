"""Pages out of templates: text from outside is always escaped, and made visible where it would hide or turn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import jinja2
from markupsafe import Markup

from verify.drill.quantities import format_duration, format_size
from verify.load.run import Run
from verify.report.visible import shortened, visible

CELL_CHARACTERS_MAX = 20_000
"""No single text on a page is longer than this; what is left out is counted."""

SURVEY_ROWS_MAX = 400
_LEVEL_SIGNS = {"fine": "✓", "warning": "!", "stop": "✗"}


@dataclass(frozen=True)
class Figure:
    """A drawing for a wide and for a narrow page, as SVG, with what it shows in words."""

    wide: str
    narrow: str
    title: str


def _shown(value: Any) -> Any:
    """What a template prints for a value."""
    if isinstance(value, Markup | int):
        return value
    if value is None:
        return ""
    return visible(shortened(str(value), CELL_CHARACTERS_MAX))


def _environment() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("verify.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["size"] = format_size
    made.filters["duration"] = format_duration
    made.filters["number"] = lambda value: f"{value:,}"
    made.filters["drawing"] = Markup
    return made


def render_page(template: str, **values: Any) -> str:
    """One page.

    Raises:
        KeyError: if a template asks for a field that is not there.
    """
    try:
        return _environment().get_template(template).render(**values)
    except jinja2.UndefinedError as error:
        raise KeyError(error.message) from error


def flat(value: Any) -> str:
    """A value of an event or a survey as one line of text."""
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {flat(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(flat(item) for item in value)
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def environment(about: Mapping[str, Any], run: Run) -> list[tuple[str, list[tuple[str, str]]]]:
    """What was run on what, as named groups of (label, value)."""
    scenario = [(label, text) for label, text in _pairs(about.get("scenario")) if text]
    return [
        *([("Scenario", scenario)] if scenario else []),
        ("Volume", _volume(about)),
        ("Load", _load(about, run)),
        ("Machine", [*_pairs(about.get("host")), *(("version of " + k, v) for k, v in _pairs(about.get("software")))]),
    ]


def _pairs(value: Any) -> list[tuple[str, str]]:
    if not isinstance(value, Mapping):
        return []
    return [(str(key).replace("_", " "), flat(item)) for key, item in value.items()]


def _volume(about: Mapping[str, Any]) -> list[tuple[str, str]]:
    volume = about.get("volume")
    if not isinstance(volume, Mapping):
        return []
    identity = volume.get("identity")
    out = []
    if isinstance(identity, Mapping):
        for key in ("path", "kind", "identity", "model", "size_bytes", "sector_bytes", "backing"):
            value = identity.get(key)
            if value not in (None, ""):
                is_size = key == "size_bytes" and type(value) is int
                text = f"{value:,} bytes ({format_size(value)})" if is_size else flat(value)
                out.append((key.removesuffix("_bytes").replace("_", " "), text))
    out += [(label, text) for label, text in _pairs(volume) if label != "identity" and text]
    return out


def _load(about: Mapping[str, Any], run: Run) -> list[tuple[str, str]]:
    out = [
        ("run", run.run_id),
        ("seed", str(run.seed)),
        ("promise", run.promise),
        ("stall threshold", format_duration(run.stall_ns / 1e9)),
        ("stalls merged within", format_duration(run.merge_ns / 1e9)),
        ("atomic unit", format_size(run.atomic_bytes)),
        ("started", flat(about.get("started"))),
        ("ended", flat(about.get("ended"))),
        ("ended because", flat(about.get("ended_because"))),
    ]
    for number, stream in enumerate(run.streams, 1):
        layout = stream.layout
        span = layout.slots * layout.block_bytes
        text = (
            f"{format_size(layout.block_bytes)} blocks, {layout.lanes} lanes, {format_size(span)} from offset "
            f"{layout.start_bytes:,}, {stream.pattern.name.lower()}, reads {stream.read_share:.0%}, flush "
            f"{stream.flush.name.lower()}"
        )
        text += f" {stream.flush_every}" if stream.flush_every else ""
        text += f", at most {stream.pace:g} operations a second" if stream.pace else ""
        out.append((f"stream {number}", text))
    result = about.get("result")
    if isinstance(result, Mapping) and isinstance(result.get("acknowledged_writes_per_second"), int | float):
        out.append(("acknowledged writes a second, over the load", f"{result['acknowledged_writes_per_second']:,.0f}"))
    return out


def survey_table(survey: Any) -> list[list[str]]:
    """A survey kept in run.json as rows of cells, whatever its shape; [] for none."""
    if isinstance(survey, Mapping):
        for key in ("lines", "rows"):
            if isinstance(survey.get(key), list):
                return survey_table(survey[key])
        return [[str(key), flat(value)] for key, value in survey.items()][:SURVEY_ROWS_MAX]
    if isinstance(survey, list):
        out = []
        for row in survey[:SURVEY_ROWS_MAX]:
            if isinstance(row, Mapping) and {"label", "value", "level"} <= set(row):
                level = flat(row["level"])
                out.append([flat(row["label"]), flat(row["value"]), f"{_LEVEL_SIGNS.get(level, '')} {level}".strip()])
                out[-1].append(flat(row.get("reason", "")))
            elif isinstance(row, Mapping):
                out.append([flat(value) for value in row.values()])
            elif isinstance(row, list | tuple):
                out.append([flat(value) for value in row])
            else:
                out.append([flat(row)])
        return out
    return []
