"""`ackproof`: the group of commands and the one place where failures become exit codes."""

from __future__ import annotations

import contextlib
import errno
import io
import sys
import traceback
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn, cast

import click

from verify.errors import EXIT_CANNOT_RUN, EXIT_USAGE, AckproofError
from verify.report.visible import visible

_COMMANDS = ("survey", "write", "mark", "check", "report", "drill", "dossier", "rehearse", "receive")
"""In the order of a drill. Each stands in a file of its name, and is a function of that name."""

_NO_ROOM_FOR_A_LIBRARY = "failed to map segment from shared object"
"""How the loader (glibc, elf/dl-load.c) says that there is no memory for a library."""


class _Commands(click.Group):
    """Loads the one command that is asked for: all of them together take longer than a short check."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  (the base class gives it)
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _COMMANDS:
            return None
        return cast(click.Command, getattr(import_module(f"verify.commands.{cmd_name}"), cmd_name))


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="ackproof", prog_name="ackproof")
def cli() -> None:
    """Prove that a storage takeover lost no acknowledged write.

    Lay down load with `write`, pull what is to be pulled, `mark` it, let the load go on, then `check`. A trial of the
    whole job without any hardware: `ackproof rehearse`.

    Exit codes: 0 PASS or done, 1 FAIL, 2 wrong usage, 3 INCONCLUSIVE, 4 could not run.
    """


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
    except SystemExit:  # So click ends when nobody reads any more, with a 1 that would stand for FAIL here.
        sys.exit(EXIT_CANNOT_RUN)
    except OSError as error:
        if error.errno == errno.ENOMEM:
            _end_for_want_of_memory()
        where = f"{error.filename}: " if error.filename else ""
        _say(f"{where}{error.strerror or error}")
        sys.exit(EXIT_CANNOT_RUN)
    except MemoryError:
        _end_for_want_of_memory()
    except Exception as error:  # noqa: BLE001  (the interpreter would end with 1, which says FAIL of a volume)
        if isinstance(error, ImportError) and _NO_ROOM_FOR_A_LIBRARY in str(error):
            _end_for_want_of_memory()
        traceback.print_exc()
        _say("this is a fault of ackproof itself and says nothing of the volume; nothing was concluded")
        sys.exit(EXIT_CANNOT_RUN)
    sys.exit(code if isinstance(code, int) else 0)


def _end_for_want_of_memory() -> NoReturn:
    _say("out of memory; nothing was concluded. Check on a machine with more memory, or a smaller span")
    sys.exit(EXIT_CANNOT_RUN)


def _say(text: str) -> None:
    """Print why it ended; a terminal that hung up or a pipe that was closed must not change the exit code."""
    lines = "\n".join(visible(line) for line in text.split("\n"))
    with contextlib.suppress(OSError):
        click.echo(f"ackproof: {lines}", err=True)
