"""`ackproof rehearse`: the whole job on the simulated pair, sound and with every fault."""

from __future__ import annotations

import secrets
import sys
from pathlib import Path

import click

from verify.commands.live import LiveLine
from verify.errors import EXIT_FAIL, EXIT_PASS, UsageError
from verify.interruption import held_back, let_through
from verify.judge.verdict import plural
from verify.load.supervisor import Snapshot
from verify.rehearsal.faults import FAULTS
from verify.rehearsal.rehearse import Rehearsed, rehearse_all

_COLUMNS = (("pair", 22), ("what it really did", 40), ("what was reported", 44), ("agreed", 6))


@click.command(
    short_help="The whole job on a simulated pair.",
    epilog="\b\nExample:\n  ackproof rehearse\n  ackproof rehearse --fault mirror-lagging --record ./lagging\n"
    "  ackproof check ./lagging/mirror-lagging/record"
)
@click.option("--fault", "name", type=click.Choice(list(FAULTS)), default=None,
              help="Rehearse this one alone and keep its record.")  # fmt: skip
@click.option("--record", metavar="DIR", default=None,
              help="Folder to keep the records in. [default with --fault: ./rehearsal-NAME]")  # fmt: skip
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=None,
              help="Seed of load and faults. [default: random]")  # fmt: skip
@click.option("--list", "listing", is_flag=True, help="Say what the faults are, and end.")
def rehearse(name: str | None, record: str | None, seed: int | None, listing: bool) -> int:
    """Run load, takeover, more load and check on a simulated pair, and compare with what the pair really did.

    Needs no root and no hardware. Exits 0 only if verifier and pair agree exactly, block by block, for every fault.
    """
    if listing:
        for fault in FAULTS.values():
            click.echo(f"{fault.name:<22} {fault.description}")
        return EXIT_PASS
    seed = secrets.randbits(32) if seed is None else seed
    keep = Path(record) if record else Path(f"rehearsal-{name}") if name else None
    if keep is not None and keep.exists() and any(keep.iterdir()):
        raise UsageError(f"{keep} is not empty; name a new folder with --record")
    faults = [FAULTS[name]] if name else list(FAULTS.values())
    click.echo(f"seed {seed}")
    click.echo("  ".join(f"{title:<{width}}" for title, width in _COLUMNS).rstrip())
    live = LiveLine()
    if sys.stderr.isatty():
        live.start()

    def told(rehearsed: Rehearsed) -> None:
        if sys.stderr.isatty():
            click.echo("\r\x1b[2K", err=True, nl=False)
        click.echo(_row(rehearsed))
        for line in rehearsed.comparison.disagreements[:5]:
            click.echo(f"    {line}")

    def show(snapshot: Snapshot) -> None:
        let_through()
        live.show(snapshot)

    with held_back():
        done = rehearse_all(faults, seed, keep, told, show)
    if sys.stderr.isatty():
        live.stop()
    agreed = sum(rehearsed.agrees for rehearsed in done)
    click.echo(f"{agreed} of {len(done)} agreed, block by block")
    if keep is not None:
        click.echo(f"records kept: {', '.join(str(rehearsed.record) for rehearsed in done)}")
    if agreed != len(done):
        click.echo(f"to see it again: ackproof rehearse --seed {seed}", err=True)
        return EXIT_FAIL
    return EXIT_PASS


def _amount(blocks: int, writes: int) -> str:
    return f"{plural(blocks, 'block')}, {plural(writes, 'write')}"


def _row(rehearsed: Rehearsed) -> str:
    comparison = rehearsed.comparison
    if comparison.real_blocks:
        really = f"{', '.join(comparison.kinds)}: {_amount(comparison.real_blocks, comparison.real_writes)}"
    else:
        really = "kept its promise"
    reported = rehearsed.verdict["verdict"]
    if comparison.reported_blocks:
        reported += f": {_amount(comparison.reported_blocks, comparison.reported_writes)}"
    order = next((t["order"] for t in rehearsed.verdict["takeovers"] if t["order"]), None)
    if order is not None and not order["for_information_only"]:
        reported += ", one moment" if order["one_moment"] else ", reordered"
    cells = (rehearsed.fault.name, really, reported, "yes" if rehearsed.agrees else "NO")
    return "  ".join(f"{cell:<{width}}" for cell, (_, width) in zip(cells, _COLUMNS, strict=True)).rstrip()
