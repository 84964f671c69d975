"""`ackproof`: the group of commands and the one place where failures become exit codes."""

from __future__ import annotations

import io
import sys
from collections.abc import Sequence

import click

from verify.commands.check import check
from verify.commands.dossier import dossier
from verify.commands.drill import drill
from verify.commands.mark import mark
from verify.commands.rehearse import rehearse
from verify.commands.report import report
from verify.commands.survey import survey
from verify.commands.write import write
from verify.errors import EXIT_CANNOT_RUN, EXIT_USAGE, AckproofError


class _InOrder(click.Group):
    """Lists the commands in the order of a drill."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  (the base class gives it)
        return list(self.commands)


@click.group(cls=_InOrder, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="ackproof", prog_name="ackproof")
def cli() -> None:
    """Prove that a storage takeover lost no acknowledged write.

    Lay down load with `write`, pull what is to be pulled, `mark` it, let the load go on, then `check`. A trial of the
    whole job without any hardware: `ackproof rehearse`.

    Exit codes: 0 PASS or done, 1 FAIL, 2 wrong usage, 3 INCONCLUSIVE, 4 could not run.
    """


for _command in (survey, write, mark, check, report, drill, dossier, rehearse):
    cli.add_command(_command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit with the documented code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        code = cli.main(args=arguments, prog_name="ackproof", standalone_mode=False)
    except click.exceptions.Abort:
        _say("stopped; nothing was concluded")
        sys.exit(EXIT_CANNOT_RUN)
    except KeyboardInterrupt:
        _say("stopped; nothing was concluded")
        sys.exit(EXIT_CANNOT_RUN)
    except click.ClickException as error:
        error.show()
        sys.exit(EXIT_USAGE)
    except AckproofError as error:
        _say(str(error))
        sys.exit(error.exit_code)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(EXIT_CANNOT_RUN)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        _say(f"{where}{error.strerror or error}")
        sys.exit(EXIT_CANNOT_RUN)
    except MemoryError:
        _say("out of memory; nothing was concluded. Check on a machine with more memory, or a smaller span")
        sys.exit(EXIT_CANNOT_RUN)
    sys.exit(code if isinstance(code, int) else 0)


def _say(text: str) -> None:
    click.echo(f"ackproof: {text}", err=True)
