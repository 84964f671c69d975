"""`ackproof report`: the written report of a check, from its record folder."""

from __future__ import annotations

import importlib
import os
import sys

import click
from tqdm import tqdm

from verify.drill.record import RecordFolder
from verify.drill.reporting import write_report
from verify.errors import CannotRun

NEEDS_PACKAGES = "the written report needs more packages: pip install 'ackproof[report]'"


def require_packages() -> None:
    """Make sure that pages can be made.

    Raises:
        CannotRun: with what to install, if a package is missing.
    """
    for name in ("jinja2", "matplotlib"):
        try:
            importlib.import_module(name)
        except ImportError:
            raise CannotRun(f"{NEEDS_PACKAGES} ({name} is not there)") from None


@click.command(
    short_help="Write report.html and junit.xml of a check.",
    epilog="\b\nExample:\n  ackproof report /root/drill-1\n  ackproof report /root/drill-1 --check 001",
)
@click.argument("record", metavar="DIR")
@click.option("--check", "name", default=None, metavar="NAME", help="Which check, such as 001. [default: the latest]")
def report(record: str, name: str | None) -> int:
    """Write the report of a check of the run in DIR into the check's folder, with junit.xml beside it.

    report.html is one file that refers to nothing outside and can be read in any browser, printed on A4, or mailed.
    The packages it needs come with pip install 'ackproof[report]'. Exit code 0 whatever the verdict says.
    """
    require_packages()
    from verify.report.page import report_html

    bar = tqdm(
        total=None, unit=" records", unit_scale=True, desc="ledger", file=sys.stderr, disable=not sys.stderr.isatty(),
        colour=None, leave=False,
    )  # fmt: skip

    def progress(records: int) -> None:
        bar.update(records)

    try:
        path = write_report(RecordFolder.open(record), report_html, name, progress)
    finally:
        bar.close()
    click.echo(os.path.relpath(path))
    click.echo(os.path.relpath(path.with_name("junit.xml")))
    return 0
