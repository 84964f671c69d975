"""`ackproof survey`: look at a volume before anything is written."""

from __future__ import annotations

import click

from verify.volume.describe import describe
from verify.volume.identity import identify
from verify.volume.safety import look_inside


@click.command(short_help="Look at a volume; write nothing.", epilog="\b\nExample:\n  ackproof survey /dev/sdb")
@click.argument("volume")
def survey(volume: str) -> int:
    """Say what VOLUME is, by what identity it is known, what it holds and whether it may be erased. Writes nothing."""
    identity = identify(volume)
    rows = describe(identity, look_inside(identity))
    width = max(len(label) for label, _ in rows)
    for label, value in rows:
        first, *more = value.splitlines() or [""]
        click.echo(f"{label:<{width}}  {first}")
        for line in more:
            click.echo(f"{'':<{width}}  {line}")
    return 0
