"""`ackproof drill`: conduct planned scenarios one by one, from the survey to the sealed dossier."""

from __future__ import annotations

import contextlib
import os
import secrets
import shlex
import signal
import sys
from dataclasses import replace
from typing import TextIO

import click

from verify.commands.check import EXIT_OF_VERDICT
from verify.commands.dossier import ask_passphrase
from verify.commands.report import require_packages
from verify.commands.terminal import Terminal
from verify.drill.conduct.conductor import Conductor, Wishes, require_commands, steps_in_words
from verify.drill.conduct.ground import Ground
from verify.drill.conduct.operator import Nobody, Operator
from verify.drill.conduct.progress import Progress
from verify.drill.conduct.stopping import Stopped
from verify.drill.conduct.volume_ground import VolumeGround, second_ledger
from verify.drill.plan.plan import Plan, read_plan
from verify.drill.plan.usual import starting_plan
from verify.drill.signature import key_name, load_key
from verify.errors import EXIT_PASS, CannotRun, UsageError
from verify.rehearsal.drill_ground import RehearsalGround, shortened
from verify.rehearsal.faults import FAULTS
from verify.report.visible import visible

_EXAMPLE = """
\b
Examples:
  ackproof drill --new plan.toml            write a plan with the usual scenarios, to be edited
  ackproof drill plan.toml --rehearse       try it on the simulated pair first
  ackproof drill plan.toml
  ackproof drill plan.toml --resume         after an interruption
"""


@click.command(short_help="Conduct planned scenarios one by one.", epilog=_EXAMPLE)
@click.argument("plan_path", metavar="PLAN.toml", required=False)
@click.option("--new", "is_new", is_flag=True, help="Write a plan to begin with, to PLAN.toml or standard output.")
@click.option("--resume", is_flag=True, help="Go on with a drill that was interrupted or stopped.")
@click.option("--again", is_flag=True,
              help="With --resume: do what was interrupted once more, though it may have been done.")  # fmt: skip
@click.option("--go-on-after-fail", is_flag=True, help="Do not stop at a run that fails.")
@click.option("--rehearse", is_flag=True, help="On the simulated pair, with short times; no command of the plan runs.")
@click.option("--fault", type=click.Choice(list(FAULTS)), default=None, help="With --rehearse: how the pair behaves.")
@click.option("--no-dossier", is_flag=True, help="Make neither reports nor a dossier.")
@click.option("--sign", metavar="KEY.pem", default=None, help="Sign the dossier with this private Ed25519 key.")
def drill(
    plan_path: str | None, is_new: bool, resume: bool, again: bool, go_on_after_fail: bool, rehearse: bool,
    fault: str | None, no_dossier: bool, sign: str | None,
) -> int:  # fmt: skip
    """Conduct the drill of PLAN.toml: survey, then for each run the hold point, load, what is done, check, verdict.

    On a terminal you are asked before each run, told when to do what, and mark it by a key. Off a terminal nobody is
    asked, and everything must have its command in the plan. It stops at a FAIL, and nothing that may have been done to
    the pair is done a second time unless you say so.

    Writing erases the tested span. Before power or cables are pulled or a chassis is opened: follow the maker's service
    instructions and local codes, and leave it to qualified staff.

    Exit code 0 all runs PASS, 1 one is a FAIL, 3 one is INCONCLUSIVE or was left out, 4 stopped before the end.
    """
    if is_new:
        if resume or rehearse or again or go_on_after_fail or no_dossier or sign or fault:
            raise UsageError("--new only writes a plan; leave out the other options")
        return _write_new(plan_path)
    if plan_path is None:
        raise UsageError("name a plan; `ackproof drill --new plan.toml` writes one to begin with")
    if fault is not None and not rehearse:
        raise UsageError("--fault goes with --rehearse; a real pair behaves as it does")
    if again and not resume:
        raise UsageError("--again goes with --resume")
    if sign is not None and no_dossier:
        raise UsageError("--sign signs the dossier; leave out --no-dossier")
    plan = read_plan(plan_path)
    wishes = _wishes(go_on_after_fail, again, no_dossier, sign)
    operator: Operator = Terminal() if _is_terminal(sys.stdin) and _is_terminal(sys.stderr) else Nobody(_say)
    if not rehearse and not operator.attended:
        require_commands(plan)
    if not rehearse:
        second_ledger(plan)  # A secret that cannot be read is told before anything is made.
    progress = _progress(shortened(plan) if rehearse else plan, resume, fault or "sound" if rehearse else "")
    with progress.held():
        ground: Ground = VolumeGround(progress)
        if rehearse:
            ground = RehearsalGround(
                progress.path, progress.plan, progress.rehearsal, progress.seed, operator.attended
            )
        conductor = Conductor(progress, ground, operator, wishes)
        verdict = _conduct(conductor, progress, plan_path, rehearse, operator.attended)
    with contextlib.suppress(OSError):
        click.echo(f"{verdict}   all runs of {plan_path}{' on the simulated pair' if rehearse else ''}")
    return EXIT_OF_VERDICT[verdict]


def _conduct(conductor: Conductor, progress: Progress, plan_path: str, rehearse: bool, attended: bool) -> str:
    resume = f"ackproof drill {shlex.quote(plan_path)}{' --rehearse' if rehearse else ''} --resume"
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    if attended:  # The next question then finds that nobody can answer; until there, nothing is broken off.
        signal.signal(signal.SIGHUP, lambda _number, _frame: None)
    try:
        return conductor.conduct()
    except KeyboardInterrupt:
        raise Stopped(f"stopped; go on by: {resume}") from None
    finally:
        with contextlib.suppress(OSError):
            for line in steps_in_words(progress):
                click.echo(line)
            if progress.dossier:
                click.echo(os.path.join(progress.dossier, "dossier.html"))


def _is_terminal(stream: TextIO | None) -> bool:
    return stream is not None and not stream.closed and stream.isatty()


def _write_new(path: str | None) -> int:
    text = starting_plan()
    if path is None:
        click.echo(text, nl=False)
        return EXIT_PASS
    try:
        with open(path, "x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(f"{path} is there already; name a file that is not") from None
    except OSError as error:
        raise CannotRun(f"{path} cannot be written: {error.strerror}") from None
    click.echo(f"{path}: edit it, then: ackproof drill {path} --rehearse")
    return EXIT_PASS


def _progress(plan: Plan, resume: bool, rehearsal: str) -> Progress:
    path = plan.records + ("-rehearsal" if rehearsal else "")
    if resume:
        return Progress.resume(plan, rehearsal, path)
    seed = plan.request.seed if plan.seeded else secrets.randbits(62)
    return Progress.begin(plan, rehearsal, seed, path)


def _wishes(go_on_after_fail: bool, again: bool, no_dossier: bool, sign: str | None) -> Wishes:
    wishes = Wishes(go_on_after_fail=go_on_after_fail, again=again)
    if no_dossier:
        return wishes
    require_packages()
    from verify.report.dossier_page import dossier_html
    from verify.report.page import report_html

    wishes = replace(wishes, report=report_html, dossier=dossier_html)
    if sign is None:
        return wishes
    key = load_key(sign, ask_passphrase if _is_terminal(sys.stdin) else None)
    return replace(wishes, key=key, signed_by=key_name(key.public_key().public_bytes_raw().hex()))


def _say(text: str) -> None:
    with contextlib.suppress(OSError):  # Whoever read it may be gone; the drill goes on.
        click.echo(f"ackproof: {visible(text)}", err=True)
