"""`ackproof check`: read the volume back, judge it against the ledger, and write the verdict."""

from __future__ import annotations

import os

import click

from verify.commands.reading_bar import ReadingBar
from verify.drill.opening import open_and_begin, open_recorded_volume
from verify.errors import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from verify.interruption import held_back, too_late

EXIT_OF_VERDICT = {"PASS": EXIT_PASS, "FAIL": EXIT_FAIL, "INCONCLUSIVE": EXIT_INCONCLUSIVE}


@click.command(
    short_help="Read back, judge, write the verdict.",
    epilog="\b\nExample:\n  ackproof check /root/drill-1\n  ackproof check /root/drill-1 --volume /dev/sdc",
)
@click.argument("record", metavar="DIR")
@click.option("--read-twice", is_flag=True, help="Read everything twice; blocks that differ are unstable.")
@click.option("--volume", default=None, metavar="PATH", help="The same volume by another path, or on another guest.")
@click.option("--resume", is_flag=True, help="Go on with a check that was interrupted, instead of beginning anew.")
@click.option("--second-ledger", metavar="COPY", default=None,
              help="The run's second ledger, as `receive` kept it; judged where it is longer.")  # fmt: skip
def check(record: str, read_twice: bool, volume: str | None, resume: bool, second_ledger: str | None) -> int:
    """Judge the run in DIR: what was acknowledged and is not there, and exactly where.

    Only reads the volume. Can be repeated, through each path, after failback, after a cold start; every check is kept
    in DIR/checks, and DIR/verdict.json is the worst of them. Exit code 0 PASS, 1 FAIL, 3 INCONCLUSIVE.

    With --resume a check that was killed goes on from where it was, unless the volume, the ledger or the machine's boot
    changed since, or a note was made. What it had read is not read again, and the verdict says so.

    With --second-ledger each file of the ledger is held to its second copy: the longer is judged if the other is its
    beginning, and what was taken is kept with the check. If they contradict each other the verdict is never PASS.
    Where the record folder itself is gone, check the second ledger: ackproof check COPY --volume PATH.

    Ctrl-C ends the check, and what was read is kept for --resume. Where a volume that hangs delays that, a second one
    ends it at once.
    """
    with held_back():
        return _check(record, read_twice, volume, resume, second_ledger)


def _check(record: str, read_twice: bool, volume: str | None, resume: bool, second_ledger: str | None) -> int:
    opened = None if resume else open_and_begin(record, volume)
    # From here on the volume is being read; the rest of the program is loaded meanwhile.
    from verify.drill.checking import check_record
    from verify.drill.record import RecordFolder
    from verify.report.text import summary

    folder = RecordFolder.open(record)
    progress = ReadingBar()
    try:
        opened = opened or open_recorded_volume(folder.read_run()[0], volume)
        result = check_record(folder, opened, read_twice, progress, resume, second_ledger)
    except KeyboardInterrupt:
        if folder.interrupted_check():
            click.echo(f"what was read is kept: ackproof check {record} --resume goes on from there", err=True)
        raise
    finally:
        progress.close()
        if opened is not None:
            opened.close()
    too_late()
    losses = str(result.folder / "losses.csv")
    click.echo(summary(result.verdict, record, min(os.path.relpath(losses), losses, key=len)))
    return EXIT_OF_VERDICT[result.verdict["verdict"]]
