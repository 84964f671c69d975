"""`ackproof check`: read the volume back, judge it against the ledger, and write the verdict."""

from __future__ import annotations

import os
import sys

import click
from tqdm import tqdm

from verify.drill.checking import check_record, open_recorded_volume
from verify.drill.record import RecordFolder
from verify.errors import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from verify.report.text import summary

EXIT_OF_VERDICT = {"PASS": EXIT_PASS, "FAIL": EXIT_FAIL, "INCONCLUSIVE": EXIT_INCONCLUSIVE}


@click.command(
    short_help="Read back, judge, write the verdict.",
    epilog="\b\nExample:\n  ackproof check /root/drill-1\n  ackproof check /root/drill-1 --volume /dev/sdc",
)
@click.argument("record", metavar="DIR")
@click.option("--read-twice", is_flag=True, help="Read everything twice; blocks that differ are unstable.")
@click.option("--volume", default=None, metavar="PATH", help="The same volume by another path, or on another guest.")
@click.option("--resume", is_flag=True, help="Go on with a check that was interrupted, instead of beginning anew.")
def check(record: str, read_twice: bool, volume: str | None, resume: bool) -> int:
    """Judge the run in DIR: what was acknowledged and is not there, and exactly where.

    Only reads the volume. Can be repeated, through each path, after failback, after a cold start; every check is kept
    in DIR/checks, and DIR/verdict.json is the worst of them. Exit code 0 PASS, 1 FAIL, 3 INCONCLUSIVE.

    With --resume a check that was killed goes on from where it was, unless the volume, the ledger or the machine's boot
    changed since, or a note was made. What it had read is not read again, and the verdict says so.
    """
    folder = RecordFolder.open(record)
    about, _ = folder.read_run()
    opened = open_recorded_volume(about, volume)
    bar = tqdm(
        total=None, unit="B", unit_scale=True, desc="read back", file=sys.stderr, disable=not sys.stderr.isatty(),
        colour=None, leave=False,
    )  # fmt: skip

    def progress(done: int, total: int) -> None:
        bar.total = total
        bar.update(done - bar.n)

    try:
        result = check_record(folder, opened, read_twice, progress, resume)
    except KeyboardInterrupt:
        if folder.interrupted_check():
            click.echo(f"what was read is kept: ackproof check {record} --resume goes on from there", err=True)
        raise
    finally:
        bar.close()
        if opened.volume is not None:
            opened.volume.close()
    losses = str(result.folder / "losses.csv")
    click.echo(summary(result.verdict, record, min(os.path.relpath(losses), losses, key=len)))
    return EXIT_OF_VERDICT[result.verdict["verdict"]]
