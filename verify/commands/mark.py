"""`ackproof mark`: time-stamp what an operator does, into a running run."""

from __future__ import annotations

import time

import click

from verify.drill.record import RecordFolder


@click.command(
    short_help="Time-stamp an action into a running load.",
    epilog='\b\nExample:\n  ackproof mark --takeover /root/drill-1 "data cable of controller A pulled"',
)
@click.argument("record", metavar="DIR")
@click.argument("text")
@click.option("--takeover", is_flag=True, help="This action takes a controller over; lanes then examine every block.")
def mark(record: str, text: str, takeover: bool) -> int:
    """Record TEXT with the time of this moment in the run that is writing to DIR.

    Once the run has ended it is kept as a note, which proves nothing.

    Before you pull power or cables or open a chassis: follow the maker's service instructions and local codes, and
    leave it to qualified staff.
    """
    pressed_ns, pressed_wall_ns = time.monotonic_ns(), time.time_ns()
    how = RecordFolder.open(record).drop_mark(text, takeover, pressed_ns, pressed_wall_ns)
    if how == "note":
        click.echo("the run has ended: kept as a note, which cannot attest a takeover")
    else:
        click.echo("marked" + (" as a takeover" if takeover else ""))
    return 0
