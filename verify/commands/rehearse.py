"""`ackproof rehearse`: the whole job on the simulated pair."""

from __future__ import annotations

import click


@click.command()
def rehearse() -> int:
    """Placeholder until the comparison is wired."""
    raise click.ClickException("not built yet")
