"""`ackproof dossier`: bind runs into one acceptance record, or confirm that sealed folders are as they were."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import Any

import click

from verify.commands.report import require_packages
from verify.drill.binding import bind, confirm_together
from verify.drill.confirm import Confirmation
from verify.drill.particulars import Particulars, read_particulars, valid_number
from verify.drill.seal import first_digits
from verify.drill.signature import key_name, load_key, load_public_key
from verify.errors import EXIT_FAIL, EXIT_PASS, UsageError
from verify.judge.verdict import plural
from verify.report.visible import visible

_EXAMPLE = """
\b
Examples:
  ackproof dossier /root/drill-1 /root/drill-2 --into /root/acceptance
  ackproof dossier --confirm /root/acceptance /root/drill-1 /root/drill-2

\b
A file for --about, all of it optional:
  title = "Acceptance of the new storage"
  system = "two controllers, active and standby"
  scope = "takeovers under database load"
  objectives = ["no acknowledged write is lost"]
  takeovers-a-year = 4
  bound = 0.05
  deviations = []       # likewise: blocked, observations, recommendations, open, cautions
  [[participant]]
  name = "..."
  role = "storage engineer"
  [[planned]]
  scenario = "data cable pull"
  direction = "A to B"
  repeats = 3
  [[run]]               # for runs that do not say themselves what they were
  id = "00e873444819d6b8"
  scenario = "data cable pull"
  direction = "A to B"
"""


@click.command(short_help="Bind runs into one acceptance record.", epilog=_EXAMPLE)
@click.argument("folders", metavar="DIR...", nargs=-1, required=True)
@click.option("--into", metavar="DIR", default=None, help="Folder of the dossier, to be made.")
@click.option("--about", metavar="FILE", default=None, help="TOML file: scope, participants, plan, observations.")
@click.option("--bound", type=float, default=None, help="Loss probability not to be exceeded, such as 0.05.")
@click.option("--takeovers-a-year", type=float, default=None, help="How many there will be, for a year's outage.")
@click.option("--sign", "sign", metavar="KEY.pem", default=None, help="Sign with this private Ed25519 key.")
@click.option("--confirm", "confirming", is_flag=True, help="Hold sealed folders to their seals, and change nothing.")
@click.option("--key", metavar="PUBLIC.pem", default=None, help="With --confirm: demand signatures by this key.")
def dossier(folders: tuple[str, ...], **options: Any) -> int:
    """Make dossier.html and dossier.json of the runs in DIR..., sealed, with copies of their evidence.

    With --confirm it tells of record folders, folders of single checks and dossiers whether they are intact, or which
    file changed, is missing or was added. Exit code 0 made or intact, 1 not intact.

    The packages that it needs come with pip install 'ackproof[report]', those for --sign with 'ackproof[sign]'.
    """
    if options["confirming"]:
        unfit = [name for name in ("into", "about", "bound", "takeovers_a_year", "sign") if options[name] is not None]
        if unfit:
            raise UsageError(f"--{unfit[0].replace('_', '-')} does not go with --confirm")
        return _confirm(folders, options["key"])
    if options["key"] is not None:
        raise UsageError("--key goes with --confirm; to sign, name the private key with --sign")
    if options["into"] is None:
        raise UsageError("name the folder of the dossier with --into")
    particulars = _particulars(options)
    require_packages()
    from verify.report.dossier_page import dossier_html

    key, signed_by = None, ""
    if options["sign"] is not None:
        key = load_key(options["sign"], ask_passphrase if sys.stdin.isatty() else None)
        signed_by = key_name(key.public_key().public_bytes_raw().hex())
    content, seal, _ = bind(folders, options["into"], particulars, dossier_html, key, signed_by)
    click.echo(f"{content['verdict']}   {content['headline']}")
    for text in content["open"]:
        click.echo(f"  open: {visible(text)}")
    click.echo(f"{options['into']}/dossier.html")
    click.echo(f"seal {first_digits(seal.value)} ... (write the first digits beside the signatures)")
    if signed_by:
        click.echo(f"signed with key {signed_by}")
    return EXIT_PASS


def _particulars(options: dict[str, Any]) -> Particulars:
    particulars = Particulars() if options["about"] is None else read_particulars(options["about"])
    for name in ("bound", "takeovers_a_year"):
        value = options[name]
        if value is not None:
            said = valid_number(name.replace("_", "-"), value)
            if said:
                raise UsageError(f"--{said}")
            particulars = replace(particulars, **{name: value})
    return particulars


def ask_passphrase() -> str:
    """The passphrase of a private key, asked for on the terminal."""
    return str(click.prompt("passphrase of the key", hide_input=True, err=True))


def _confirm(folders: tuple[str, ...], key: str | None) -> int:
    wanted = None if key is None else load_public_key(key)
    found = confirm_together(folders)
    for path, confirmation in zip(folders, found, strict=True):
        if wanted is not None:
            _demand_signature(confirmation, wanted)
        click.echo(f"{'intact' if confirmation.intact else 'NOT INTACT'}   {visible(path)} ({confirmation.what})")
        for problem in confirmation.problems:
            click.echo(f"  {visible(problem)}")
        for remark in confirmation.remarks:
            click.echo(f"  note: {visible(remark)}")
        for name, seal in confirmation.seals.items():
            signature = confirmation.signatures.get(name)
            signed = f", signed with key {signature.key_name}" if signature is not None else ""
            files = plural(len(seal.files) + len(seal.growing), "file")
            click.echo(f"  {visible(name)}: {files}, {first_digits(seal.value)} ... of {seal.sealed}{signed}")
    return EXIT_PASS if all(confirmation.intact for confirmation in found) else EXIT_FAIL


def _demand_signature(confirmation: Confirmation, wanted: str) -> None:
    """A dossier must be signed by the key; of a record, whatever is signed must be."""
    if confirmation.what == "dossier" and not confirmation.signatures:
        confirmation.tell("missing: the signature: this dossier is not signed, or not so that it could be told")
    for name, signature in confirmation.signatures.items():
        if signature.key != wanted:
            confirmation.tell(f"changed: {name} is signed with key {signature.key_name}, not with {key_name(wanted)}")
