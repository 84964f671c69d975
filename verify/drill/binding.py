"""The dossier step: many record folders bound into one sealed folder that can be handed over."""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.drill.confirm import DOSSIER_JSON, Confirmation, confirm
from verify.drill.particulars import Particulars
from verify.drill.quantities import rfc3339
from verify.drill.record import RecordFolder, read_json, write_bytes, write_json
from verify.drill.seal import REPORT_FILES, REPORT_SEAL_NAME, SEAL_NAME, Seal, seal_dossier
from verify.drill.signature import Signature, sign_seal
from verify.drill.verdicts import read_verdict
from verify.errors import CannotRun, UsageError
from verify.report.dossier import BoundRun, dossier_content

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

DOSSIER_PAGE = "dossier.html"
EVIDENCE_OF_A_RUN = ("run.json", "verdict.json", SEAL_NAME)
EVIDENCE_OF_A_CHECK = ("verdict.json", "losses.csv", SEAL_NAME, *REPORT_FILES, REPORT_SEAL_NAME)


def bind(
    folders: Sequence[str],
    into: str,
    particulars: Particulars,
    render: Callable[[Mapping[str, Any]], str],
    key: Ed25519PrivateKey | None = None,
    signed_by: str = "",
) -> tuple[dict[str, Any], Seal, Signature | None]:
    """Make a dossier of record folders.

    Args:
        folders: the record folders.
        into: the dossier's folder, to be made.
        particulars: what only people know.
        render: makes the page of the content of dossier.json.
        key: signs the dossier's seal; None for no signature.
        signed_by: the short name of that key, for the page.

    Returns:
        The content of dossier.json, its seal, and the signature.

    Raises:
        CannotRun, UsageError: if a folder is no record, or the dossier cannot be made.
    """
    place = Path(os.path.abspath(into))
    _require_new(place, folders)
    runs = _gather(folders, particulars)
    try:
        content = dossier_content(runs, particulars, rfc3339(time.time_ns()), signed_by)
        page = render(content)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise UsageError(
            f"a verdict.json or run.json among {', '.join(folders)} is damaged or was changed: no dossier can be made "
            f"({type(error).__name__}: {str(error)[:200]})"
        ) from error
    partial = place.with_name(f".{place.name}.{os.getpid()}.partial")
    try:
        partial.mkdir(parents=True)
    except FileExistsError:
        raise CannotRun(f"{partial} is in the way; remove it if no dossier is being made there") from None
    except OSError as error:
        raise CannotRun(f"the dossier {into} cannot be made: {error.strerror}") from None
    try:
        for run in runs:
            _copy_evidence(Path(run.folder), partial / run.evidence, [name for name, _ in run.checks])
        write_bytes(partial / DOSSIER_PAGE, page.encode("utf-8", "replace"))
        write_json(partial / DOSSIER_JSON, content)
        seal = seal_dossier(partial, particulars.title, [run["ledger_head"] for run in content["runs"]])
        signature = None if key is None else sign_seal(partial / SEAL_NAME, key)
        with contextlib.suppress(FileNotFoundError):
            place.rmdir()
        os.rename(partial, place)
    except OSError as error:
        shutil.rmtree(partial, ignore_errors=True)
        raise CannotRun(f"the dossier {into} cannot be made: {error.strerror}") from None
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    return content, seal, signature


def _require_new(place: Path, folders: Sequence[str]) -> None:
    if place.is_symlink() or (place.exists() and not place.is_dir()):
        raise UsageError(f"{place} is not a folder; name a new one with --into")
    if place.exists() and any(place.iterdir()):
        raise UsageError(f"{place} is not empty; name a new folder with --into")
    for folder in folders:
        if Path(folder).resolve() in (place.resolve(), *place.resolve().parents):
            raise UsageError(f"{place} lies in the record folder {folder} and would break its seal; name another place")


def _gather(folders: Sequence[str], particulars: Particulars) -> list[BoundRun]:
    runs: list[BoundRun] = []
    for number, path in enumerate(folders, 1):
        folder = RecordFolder.open(path)
        if folder.running():
            raise CannotRun(f"a run is still writing to {path}; wait for its end")
        about, run = folder.read_run()
        if any(run.run_id == other.run_id for other in runs):
            raise UsageError(f"{path} holds the run {run.run_id}, which another folder holds too: name each run once")
        checks = [(name, read_verdict(folder, name)) for name in folder.check_names()]
        held = confirm(path)
        run_seal = held.seals.get(SEAL_NAME)
        runs.append(
            BoundRun(
                folder=path,
                evidence=f"runs/{number:02d}",
                about=about,
                run_id=run.run_id,
                promise=run.promise,
                checks=checks,
                seals={name: seal.value for name, seal in held.seals.items()},
                seal_problems=held.problems,
                sealed_late=run_seal is not None and run_seal.late,
                scenario=_scenario(about, particulars.runs.get(run.run_id)),
            )
        )
    unknown = sorted(set(particulars.runs) - {run.run_id for run in runs})
    if unknown:
        raise UsageError(f"--about names a run {unknown[0][:60]!r} that is in none of the folders")
    return runs


def _scenario(about: Mapping[str, Any], named: Mapping[str, Any] | None) -> dict[str, Any]:
    """What the run was to show: as its plan says in run.json, and over it what the particulars say."""
    planned = about.get("scenario")
    return {**(planned if isinstance(planned, Mapping) else {}), **(named or {})}


def _copy_evidence(record: Path, place: Path, checks: Sequence[str]) -> None:
    """Copy what a reader needs: descriptions, verdicts, losses, reports, seals; ledger and specimens stay behind."""
    names = [*EVIDENCE_OF_A_RUN, *(f"checks/{check}/{name}" for check in checks for name in EVIDENCE_OF_A_CHECK)]
    for name in names:
        source = record / name
        if source.is_file() and not source.is_symlink():
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, place / name)


def confirm_together(paths: Sequence[str]) -> list[Confirmation]:
    """Confirm folders one by one; and where dossiers are among them, that record folders are those they were made of.

    Raises:
        CannotRun, UsageError: if a folder is nothing that could be confirmed.
    """
    found = [confirm(path) for path in paths]
    bound: dict[str, dict[str, str]] = {}
    for confirmation in found:
        if confirmation.what == "dossier" and confirmation.intact:
            for run in read_json(confirmation.folder / DOSSIER_JSON)["runs"]:
                bound[run["id"]] = run["seals"]
    for confirmation in found:
        seal = confirmation.seals.get(SEAL_NAME)
        if not bound or seal is None or seal.of != "run":
            continue
        if seal.name not in bound:
            confirmation.remarks.append("this run is in none of the dossiers named")
            continue
        for name, value in bound[seal.name].items():
            now = confirmation.seals.get(name)
            if now is not None and now.of != "report" and now.value != value:
                confirmation.tell(f"changed: {name} is whole, but not the seal that the dossier was made of")
    return found
