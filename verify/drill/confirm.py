"""Holding sealed folders to their seals: intact, or which file changed, is missing or was added."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from verify.drill.record import RecordFolder
from verify.drill.seal import (
    REPORT_SEAL_NAME,
    RUN_VERDICT,
    SEAL_NAME,
    SIGNATURE_SUFFIX,
    BrokenSeal,
    Seal,
    files_below,
    fingerprint,
    read_seal,
)
from verify.drill.signature import Signature, read_signature, signature_path
from verify.drill.verdicts import worst_check
from verify.errors import CannotRun

DOSSIER_JSON = "dossier.json"


@dataclass
class Confirmation:
    """What became of a sealed folder.

    Attributes:
        what: such as "run 00e8", "check 001", "dossier".
        problems: each in one sentence that begins with what happened: changed, missing, added, unsealed.
        remarks: what is worth knowing and breaks nothing.
        seals: the seals that held, by the path of their file relative to the folder.
        signatures: likewise of signatures.
        covered: the files that a seal, or a rule of this module, answers for, by their path relative to the folder.
    """

    folder: Path
    what: str = ""
    problems: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    seals: dict[str, Seal] = field(default_factory=dict)
    signatures: dict[str, Signature] = field(default_factory=dict)
    covered: set[str] = field(default_factory=set)

    @property
    def intact(self) -> bool:
        """Whether everything is as it was sealed."""
        return not self.problems

    def tell(self, problem: str) -> None:
        """Add a problem, once."""
        if problem not in self.problems:
            self.problems.append(problem)


def confirm(path: str) -> Confirmation:
    """Hold a record folder, the folder of one check, or a dossier to its seals.

    Raises:
        CannotRun: if there is no such folder, it is none of these, or it cannot be read.
    """
    folder = Path(path)
    if not folder.is_dir():
        raise CannotRun(f"{path} is not a folder")
    try:
        if _stands_in_a_record(folder.resolve()):
            return _confirm_check(folder.resolve())
        if RecordFolder(path).running():
            raise CannotRun(f"a run is still writing to {path}; wait for its end")
        of = _of(folder)
        if of in ("check", "report"):
            raise CannotRun(f"{path} is a check apart from its record; confirm it in the folder checks of the record")
        if of == "dossier" or (of is None and (folder / DOSSIER_JSON).exists()):
            return _confirm_dossier(folder)
        if of is None and not any((folder / name).exists() for name in ("run.json", "ledger", "checks")):
            raise CannotRun(f"{path} is neither a record folder nor a check nor a dossier: there is nothing to confirm")
        return _confirm_record(folder)
    except OSError as error:
        raise CannotRun(f"{error.filename or path} cannot be read: {error.strerror}") from None


def _stands_in_a_record(folder: Path) -> bool:
    """Whether this is the folder of one check, in its record."""
    record = folder.parent.parent
    in_checks = folder.parent.name == "checks" and folder.name.isdecimal()
    return in_checks and any((record / name).exists() for name in ("run.json", SEAL_NAME))


def _of(folder: Path) -> str | None:
    try:
        return read_seal(folder / SEAL_NAME).of
    except (OSError, BrokenSeal):
        return None


def _confirm_record(root: Path) -> Confirmation:
    record = RecordFolder(str(root))
    found = Confirmation(root, "record")
    run_seal = _take(found, SEAL_NAME, root, "run")
    before = run_seal
    if run_seal is not None:
        found.what = f"run {run_seal.name}"
    for name in record.check_names():
        place = f"{record.checks_path.name}/{name}"
        seal = _take(found, f"{place}/{SEAL_NAME}", root, "check")
        if (root / place / REPORT_SEAL_NAME).exists():
            _take(found, f"{place}/{REPORT_SEAL_NAME}", root, "report")
        if seal is None:
            continue
        if run_seal is not None and seal.ledger_head != run_seal.ledger_head:
            found.tell(f"changed: the ledger that check {name} read is not the one that was sealed with the run")
        if before is not None and seal.before != before.value:
            found.tell(
                f"missing: the seal of check {name} does not follow the one before it: a check was taken out, or a "
                "seal replaced"
            )
        before = seal
    _hold_run_verdict(found, record)
    for name in files_below(root):
        if name not in found.covered:
            found.tell(f"added: {name}")
    _note_growth(found)
    return found


def _confirm_check(place: Path) -> Confirmation:
    root = place.parent.parent
    found = Confirmation(place, f"check {place.name}")
    inner = f"{place.parent.name}/{place.name}"
    _take(found, f"{inner}/{SEAL_NAME}", root, "check")
    if (place / REPORT_SEAL_NAME).exists():
        _take(found, f"{inner}/{REPORT_SEAL_NAME}", root, "report")
    for name in files_below(place):
        if f"{inner}/{name}" not in found.covered:
            found.tell(f"added: {inner}/{name}")
    _note_growth(found)
    return found


def _confirm_dossier(folder: Path) -> Confirmation:
    found = Confirmation(folder, "dossier")
    _take(found, SEAL_NAME, folder, "dossier")
    for name in files_below(folder):
        if name not in found.covered:
            found.tell(f"added: {name}")
    return found


def _take(found: Confirmation, name: str, root: Path, of: str) -> Seal | None:
    """Read one seal, hold its files to it, and look at its signature if there is one."""
    path = root / name
    found.covered.add(name)
    signed = signature_path(path)
    if os.path.lexists(signed):
        found.covered.add(name + SIGNATURE_SUFFIX)
        try:
            found.signatures[name] = read_signature(path)
        except BrokenSeal as error:
            found.tell(f"changed: {name}{SIGNATURE_SUFFIX}: {error}")
        except CannotRun as error:
            found.remarks.append(f"{name} is signed, but {error}")
    try:
        seal = read_seal(path)
        if seal.of != of:
            raise BrokenSeal(f"it is the seal of a {seal.of}")
    except FileNotFoundError:
        found.tell(f"missing: {name}: this {of} is not sealed")
        return None
    except BrokenSeal as error:
        found.tell(f"changed: {name}: {error}")
        return None
    found.seals[name] = seal
    for relative, sealed in seal.files.items():
        found.covered.add(relative)
        _hold(found, root / relative, relative, sealed, None)
    for relative, sealed in seal.growing.items():
        found.covered.add(relative)
        _hold(found, root / relative, relative, sealed, int(sealed["bytes"]))
    return seal


def _hold(found: Confirmation, path: Path, name: str, sealed: Any, length_bytes: int | None) -> None:
    if not os.path.lexists(path):
        found.tell(f"missing: {name}")
        return
    try:
        now = fingerprint(path, length_bytes)
    except CannotRun:
        found.tell(f"changed: {name} is no longer a file")
        return
    if now == dict(sealed):
        return
    if now["bytes"] != sealed["bytes"]:
        found.tell(f"changed: {name}: {sealed['bytes']:,} bytes were sealed, {now['bytes']:,} are there")
    else:
        found.tell(f"changed: {name}: its {now['bytes']:,} bytes are not those that were sealed")


def _note_growth(found: Confirmation) -> None:
    """Say what has been added to growing files since the last seal that covers them."""
    longest: dict[str, int] = {}
    for seal in found.seals.values():
        for name, sealed in seal.growing.items():
            longest[name] = max(longest.get(name, 0), int(sealed["bytes"]))
    root = found.folder if (found.folder / "checks").is_dir() else found.folder.parent.parent
    for name, size in longest.items():
        path = root / name
        more = os.path.getsize(path) - size if path.is_file() else 0
        if more > 0:
            found.remarks.append(f"{name} has {more:,} bytes of notes added since the last seal, under no seal yet")


def _hold_run_verdict(found: Confirmation, record: RecordFolder) -> None:
    """The verdict at the root must be that of the worst check, to the byte."""
    found.covered.add(RUN_VERDICT)
    path = record.path / RUN_VERDICT
    worst = worst_check(record)
    if worst is None:
        if os.path.lexists(path):
            found.tell(f"added: {RUN_VERDICT}: there is no check that it could come from")
        return
    if not os.path.lexists(path):
        found.tell(f"missing: {RUN_VERDICT}")
    elif not _same_content(path, record.checks_path / worst[0] / "verdict.json"):
        found.tell(f"changed: {RUN_VERDICT} is not that of check {worst[0]}, the worst")


def _same_content(path: Path, other: Path) -> bool:
    try:
        return fingerprint(path) == fingerprint(other)
    except CannotRun:
        return False
