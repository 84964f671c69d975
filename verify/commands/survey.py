"""`ackproof survey`: look at a volume before anything is written."""

from __future__ import annotations

import json
import textwrap
from typing import Any

import click

from verify.drill.quantities import parse_duration, parse_size
from verify.volume.lines import Level, Line
from verify.volume.survey import Asked, Survey
from verify.volume.survey import survey as survey_volume

EXAMPLE = """
\b
Example:
  ackproof survey /dev/sdb --record /root/drill-1 --floating-address 192.0.2.10 \\
      --vrrp-priority 100 --vrrp-interval 1s --span 64GiB --array-cache 16GiB

Exit codes: 0 nothing stops the drill (there may be warnings), 2 wrong usage, 4 something stops it, or no such volume.
"""

WIDTH = 110
"""Columns that a reason is broken at; what was seen never is, for the identity is copied from it."""

_WORDS = {Level.FINE: "fine", Level.WARNING: "warn", Level.STOP: "STOP"}


@click.command(short_help="Look at a volume; write nothing.", epilog=EXAMPLE)
@click.argument("volume")
@click.option("--record", metavar="DIR", default=None, help="Where the records shall go; may not be on the volume.")
@click.option("--start", metavar="SIZE", default="0", show_default=True,
              help="Where the tested span shall begin on the volume.")  # fmt: skip
@click.option("--span", metavar="SIZE", default=None, help="Length of the tested span.")
@click.option("--array-cache", metavar="SIZE", default=None, help="The array's cache, to hold the span against.")
@click.option("--floating-address", metavar="ADDR", default=None, help="IP address that moves in a takeover.")
@click.option("--expected-stall", metavar="TIME", default=None, help="Stall to hold the time-outs against.")
@click.option("--vrrp-priority", metavar="N", type=int, default=None,
              help="The standby's, 1 to 254: gives the stall by RFC 9568.")  # fmt: skip
@click.option("--vrrp-interval", metavar="TIME", default=None, help="Between advertisements, 10ms to 40.95s.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of lines.")
def survey(volume: str, as_json: bool, **options: Any) -> int:
    """Say what VOLUME is, how it is reached, who uses it, and what would spoil a drill on it. Writes nothing.

    Each line is fine, a warning or a stop, with its reason. The volume is opened read-only, by a process of its own
    that is left behind if a dead path never answers.
    """
    found = survey_volume(volume, _asked(options))
    if as_json:
        click.echo(json.dumps(found.to_json(), indent=2))
    else:
        for line in _lines(found):
            click.echo(line)
    return found.exit_code


def _asked(options: dict[str, Any]) -> Asked:
    def read(name: str, parse: Any) -> Any:
        text = options[name.replace("-", "_")]
        return None if text is None else parse(text, f"--{name}")

    return Asked(
        record=options["record"],
        start_bytes=parse_size(options["start"], "--start"),
        span_bytes=read("span", parse_size),
        array_cache_bytes=read("array-cache", parse_size),
        floating_address=options["floating_address"],
        expected_stall_s=read("expected-stall", parse_duration),
        vrrp_priority=options["vrrp_priority"],
        vrrp_interval_s=read("vrrp-interval", parse_duration),
    )


def _lines(found: Survey) -> list[str]:
    width = max(len(_plain(line.label)) for line in found.lines)
    out = [text for line in found.lines for text in _texts(line, width)]
    stops, warnings = len(found.of_level(Level.STOP)), len(found.of_level(Level.WARNING))
    tail = f"{stops} to stop for, {warnings} to be warned of"
    return [*out, "", f"{'do not begin' if stops else 'nothing stops the drill'}: {tail}"]


def _texts(line: Line, width: int) -> list[str]:
    indent = " " * (width + 7)
    texts = [f"{_WORDS[line.level]} {_plain(line.label):<{width}}  {_plain(line.value)}"]
    if line.reason:
        texts += textwrap.wrap(
            f"{line.level}: {_plain(line.reason)}",
            max(WIDTH, len(indent) + 40),
            initial_indent=indent,
            subsequent_indent=indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
    return texts


def _plain(text: str) -> str:
    """Write what does not print as an escape: names come from devices and targets, and may be anything."""
    return "".join(letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in text)
