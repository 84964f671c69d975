"""Streams as people describe them, by options or by [[stream]] tables of a TOML file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verify.drill.planning import BLOCK_BYTES_DEFAULT, LANES_DEFAULT, StreamRequest
from verify.drill.quantities import parse_size
from verify.drill.toml_file import read_toml
from verify.errors import UsageError
from verify.load.schedule import Flush, Pattern

STREAM_KEYS = ("block", "lanes", "span", "pattern", "read-share", "flush-every", "pace")
PATTERNS = tuple(pattern.name.lower() for pattern in Pattern)


def stream_request(values: Mapping[str, Any], prefix: str = "--", where: str = "") -> StreamRequest:
    """One stream from values by `STREAM_KEYS`, texts or numbers; what is missing takes its default.

    Args:
        values: what was said.
        prefix: put before a key in a message: "--" for options.
        where: put before a message.

    Raises:
        UsageError: if a value cannot be read; whether it can be meant is for `RunRequest.check` to say.
    """
    span = values.get("span")
    try:
        flush, flush_every = parse_flush(str(values.get("flush-every", "never")), f"{prefix}flush-every")
        return StreamRequest(
            block_bytes=parse_size(str(values.get("block", BLOCK_BYTES_DEFAULT)), f"{prefix}block"),
            lanes=int(values.get("lanes", LANES_DEFAULT)),
            span_bytes=None if span is None else parse_size(str(span), f"{prefix}span"),
            pattern=_pattern(str(values.get("pattern", "uniform"))),
            read_share=float(values.get("read-share", 0.0)),
            flush=flush,
            flush_every=flush_every,
            pace=float(values.get("pace", 0.0)),
        )
    except (TypeError, ValueError, OverflowError, UsageError) as error:
        raise UsageError(f"{where}{error}") from None


def parse_flush(text: str, what: str) -> tuple[Flush, int]:
    """When a stream flushes, from a count of writes, "write" or "never".

    Raises:
        UsageError: if the text is none of them.
    """
    if text in ("never", "write"):
        return Flush[text.upper()], 0
    if text.isdecimal() and 0 < int(text) < 2**31:
        return Flush.EVERY, int(text)
    raise UsageError(f"{what} {text!r} is neither a count of writes, nor `write`, nor `never`")


def read_streams(path: str) -> tuple[StreamRequest, ...]:
    """The streams of a file of [[stream]] tables.

    Raises:
        UsageError: if it cannot be read, or holds something else.
    """
    value, _ = read_toml(path, "--streams")
    tables = value.get("stream")
    if set(value) != {"stream"} or not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        raise UsageError(f"--streams {path} must hold [[stream]] tables and nothing else")
    out = []
    for number, table in enumerate(tables, 1):
        unknown = set(table) - set(STREAM_KEYS)
        if unknown:
            known = ", ".join(STREAM_KEYS)
            raise UsageError(f"{path}, stream {number}: unknown key {min(unknown)!r}; known are {known}")
        out.append(stream_request(table, where=f"{path}, stream {number}: "))
    return tuple(out)


def _pattern(text: str) -> Pattern:
    if text not in PATTERNS:
        raise UsageError(f"pattern {text!r} is none of {', '.join(PATTERNS)}")
    return Pattern[text.upper()]
