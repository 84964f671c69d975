"""The lab's command line: `scripts/lab`."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from scripts.takeover_lab.layout import CONTROLLERS, FLOATING_ADDRESS, Kind, Layout, Settings
from scripts.takeover_lab.packages import cannot_run_here, install, missing_packages
from scripts.takeover_lab.pair import Lab
from scripts.takeover_lab.processes import ENDING_SIGNALS, in_namespace
from scripts.takeover_lab.soak import soak as run_soak
from verify.drill.quantities import parse_duration, parse_size
from verify.errors import AckproofError, CannotRun, UsageError

_ROOT = Path(__file__).parents[2]
_FOLDER_DEFAULT = _ROOT / ".lab"

folder_option = click.option(
    "--folder", type=click.Path(path_type=Path), default=_FOLDER_DEFAULT, show_default=".lab in the clone",
    help="Where the lab keeps its files, on a file system that takes direct I/O.",
)  # fmt: skip
controller_argument = click.argument("controller", type=click.Choice(CONTROLLERS))


def _telling(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn the lab's failures into one sentence and the documented exit code."""

    @wraps(command)
    def wrapped(*args: Any, **options: Any) -> Any:
        try:
            return command(*args, **options)
        except AckproofError as error:
            click.echo(f"scripts/lab: {error}", err=True)
            sys.exit(error.exit_code)

    return wrapped


EXAMPLE = """
\b
Example:
  scripts/lab up
  scripts/lab guest ackproof write .lab/guest/volume --erase "$PWD/.lab/guest/volume" --record /var/tmp/drill-1 \\
      --span 64MiB --for 30s &
  sleep 15; scripts/lab kill a; wait
  scripts/lab guest ackproof check /var/tmp/drill-1
  scripts/lab down

Exit codes: 0 done, 1 a takeover of `soak` was not as it must be, 2 wrong usage, 4 could not run.
"""


@click.group(epilog=EXAMPLE, context_settings={"help_option_names": ["-h", "--help"]})
def lab() -> None:
    """A dual-controller pair on this machine, of real general-purpose parts, and ways to hurt it.

    Two controllers (an iSCSI target and a VRRP daemon each) share one disk image, in network namespaces joined by a
    bridge; the guest sees the volume behind the floating address as a file with direct I/O. Needs root. Everything
    is inside the lab's folder and its own namespaces, and `down` removes all of it.
    """


@lab.command()
@folder_option
@click.option("--pair", "kind", type=click.Choice([kind.value for kind in Kind]), default=Kind.SOUND.value,
              show_default=True, help="A sound pair, or one that loses data in its own way.")  # fmt: skip
@click.option("--size", metavar="SIZE", default="64MiB", show_default=True, help="Size of the volume.")
@click.option("--priorities", type=(click.IntRange(1, 254), click.IntRange(1, 254)), default=(200, 100),
              show_default=True, metavar="A B", help="VRRP priorities of A and B.")  # fmt: skip
@click.option("--interval", metavar="TIME", default="1s", show_default=True, help="VRRP advertisement interval.")
@click.option("--destage-every", metavar="TIME", default="3s", show_default=True,
              help="How often a cache goes to the disk.")  # fmt: skip
@_telling
def up(folder: Path, kind: str, size: str, priorities: tuple[int, int], interval: str, destage_every: str) -> None:
    """Install what is missing, build the pair, and attach the guest."""
    reason = cannot_run_here()
    if reason:
        missing = " ".join(missing_packages())
        raise CannotRun(reason + (f"; Debian's packages {missing} are missing, too" if missing else ""))
    if Layout.load(folder.resolve()) is not None:
        raise UsageError(f"there is a lab in {folder} already; take it down first")
    size_bytes = parse_size(size, "--size")
    if size_bytes % 4096 or not 1 << 20 <= size_bytes <= 1 << 34:
        raise UsageError("--size must be a multiple of 4 KiB from 1 MiB to 16 GiB")
    interval_s = parse_duration(interval, "--interval")
    if not 0.01 <= interval_s <= 40.95:
        raise UsageError("--interval must be from 0.01s to 40.95s (RFC 9568, 12 bits of centiseconds)")
    destage_every_s = parse_duration(destage_every, "--destage-every")
    needed = missing_packages()
    if needed:
        click.echo(f"installing {' '.join(needed)}")
        install(needed)
    built = Lab.up(folder.resolve(), Settings(Kind(kind), size_bytes, priorities, interval_s, destage_every_s))
    _tell(built)
    click.echo(f"the volume  {built.layout.volume}; leave its last 1 MiB to the probe")
    click.echo(f"as guest    scripts/lab guest COMMAND; the floating address is {FLOATING_ADDRESS}")


def _tell(lab_now: Lab) -> None:
    for line in lab_now.status():
        click.echo(line)


@lab.command()
@folder_option
@_telling
def down(folder: Path) -> None:
    """End and remove everything that the lab made."""
    left = Lab.open(folder.resolve()).down()
    others = f"what others put into {folder} is left: {', '.join(left)}"
    click.echo(others if left else "nothing of the lab is left")


@lab.command()
@folder_option
@_telling
def status(folder: Path) -> None:
    """How the pair stands."""
    _tell(Lab.open(folder.resolve()))


def _injection(name: str, act: Callable[[Lab, str], str | None], text: str) -> None:
    """Add a command that does one thing to one controller."""

    @lab.command(name, help=text)
    @folder_option
    @controller_argument
    @_telling
    def command(folder: Path, controller: str) -> None:
        found = Lab.open(folder.resolve())
        said = act(found, controller)
        if said:
            click.echo(said)
        _tell(found)


_injection("pull", Lab.pull, "Pull a controller's cable.")
_injection("replug", Lab.replug, "Plug a controller's cable in again.")
_injection("kill", Lab.kill, "End a controller outright, as a loss of power does.")
_injection("start", Lab.start, "Start a controller that is off; it comes up as the standby.")
_injection("freeze", Lab.freeze, "Stop a controller where it stands, as one that hangs.")
_injection("thaw", Lab.thaw, "Let a frozen controller go on.")


@lab.command()
@folder_option
@_telling
def takeover(folder: Path) -> None:
    """Let the standby take over in an orderly way."""
    found = Lab.open(folder.resolve())
    found.take_over()
    _tell(found)


@lab.command()
@folder_option
@_telling
def failback(folder: Path) -> None:
    """Give the work back to controller A in an orderly way."""
    found = Lab.open(folder.resolve())
    found.fail_back()
    _tell(found)


@lab.command("cut-peers", short_help="Cut the VRRP daemons off from each other.")
@folder_option
@_telling
def cut_peers(folder: Path) -> None:
    """Cut the two VRRP daemons off from each other, and nothing else."""
    Lab.open(folder.resolve()).cut_peers()


@lab.command("join-peers")
@folder_option
@_telling
def join_peers(folder: Path) -> None:
    """Let the two VRRP daemons hear each other again."""
    Lab.open(folder.resolve()).join_peers()


@lab.command(short_help="Run a command on the guest's network.",
             context_settings={"ignore_unknown_options": True, "allow_interspersed_args": False})  # fmt: skip
@folder_option
@click.argument("command", nargs=-1, required=True, type=click.UNPROCESSED)
@_telling
def guest(folder: Path, command: tuple[str, ...]) -> None:
    """Run COMMAND on the guest's network; `ackproof` is the one of this clone."""
    found = Lab.open(folder.resolve())
    words = list(command)
    if words[0] == "ackproof":
        words[:1] = [sys.executable, "-m", "verify"]
    line = in_namespace(found.layout.namespace("guest"), words)
    os.execvp(line[0], line)


@lab.command(short_help="Takeovers of a sound pair in a row.")
@click.option("--takeovers", type=click.IntRange(1), default=30, show_default=True, help="How many in a row.")
@click.option("--seed", type=int, default=1, show_default=True, help="Number that moments and loads follow from.")
@folder_option
@_telling
def soak(takeovers: int, seed: int, folder: Path) -> None:
    """Takeovers of a sound pair in a row, with random moments, loads and injections; each must PASS."""
    sys.exit(0 if run_soak(folder.resolve(), takeovers, seed, click.echo) else 1)


if __name__ == "__main__":
    for ending in ENDING_SIGNALS:
        signal.signal(ending, lambda number, frame: sys.exit(128 + number))
    lab(prog_name="scripts/lab")
