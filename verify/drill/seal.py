"""Seals: what a run, a check, a report and a dossier left, by the BLAKE3 of each file, so that any change is found.

A seal is one JSON file with a single allowed spelling, and holds the BLAKE3 of itself: a bit changed in the seal is
found like one in any other file. By itself it protects against accidents; against somebody who makes a new seal it
protects as far as its own value is kept elsewhere (printed on the signed page), or it is signed
(`verify.drill.signature`).

- The run's seal (`seal.json` at the root) covers all that the load left. Lines may be added to `events.jsonl`
  afterwards (notes): the seal covers the part that was there.
- Each check has its own seal in its folder, with that check's specimens, so that a later check breaks none. It names
  the seal before it, so that a check taken out of the middle is missed.
- A report written later into a check's folder has a seal of its own there.
- A dossier's seal covers its folder and thereby the seals of the runs that it repeats.

Paths in a seal are relative to the record folder (or the dossier), with `/`.
"""

from __future__ import annotations

import json
import os
import stat
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blake3 import blake3

from verify.drill.quantities import rfc3339
from verify.drill.record import RecordFolder, write_bytes
from verify.errors import CannotRun
from verify.plain_file import read_plain
from verify.report.verdict_json import head_of_heads

SEAL_FORMAT = "ackproof-seal/1"
SEAL_NAME = "seal.json"
REPORT_SEAL_NAME = "report-seal.json"
SIGNATURE_SUFFIX = ".signature"
REPORT_FILES = ("report.html", "junit.xml")
RUN_VERDICT = "verdict.json"
"""At the root of a record folder: a copy of the worst check's verdict, replaced by every check."""

GROWING = frozenset({"events.jsonl"})
SEAL_BYTES_MAX = 256 * 1024 * 1024
_CHUNK_BYTES = 1 << 23


@dataclass(frozen=True)
class Seal:
    """A seal as read: what it is of, what it covers, and its value.

    Attributes:
        of: "run", "check", "report" or "dossier".
        name: the run's id, the check's name, or the dossier's title.
        files: path to {"bytes", "blake3"}, and "link" for a symbolic link (the hash is of where it points).
        growing: likewise for files that may have become longer since.
        before: the value of the seal before this one; "" for none.
        value: BLAKE3 of everything else in the seal.
    """

    of: str
    name: str
    sealed: str
    ledger_head: str
    before: str
    files: Mapping[str, Mapping[str, Any]]
    growing: Mapping[str, Mapping[str, Any]]
    value: str
    late: bool = False


class BrokenSeal(Exception):
    """A seal that is not as this program writes it."""


def spelled(content: Mapping[str, Any]) -> bytes:
    """The one spelling of the content of a seal or a signature."""
    return (json.dumps(content, sort_keys=True, indent=1, ensure_ascii=True) + "\n").encode("ascii")


def first_digits(value: str) -> str:
    """The first 16 digits of a hexadecimal value, in fours, to be compared by eye."""
    return " ".join(value[at : at + 4] for at in range(0, 16, 4))


def seal_bytes(content: Mapping[str, Any]) -> bytes:
    """The one spelling of a seal: `content` (without its value), with the value added."""
    value = blake3(spelled(content)).hexdigest()
    return spelled({**content, "value": value})


def read_seal(path: Path) -> Seal:
    """Read a seal and hold it to its own value.

    Raises:
        BrokenSeal: if it was changed.
        OSError: if it cannot be read.
    """
    with read_plain(path) as file:
        # Room is made for as much as is asked for, and under a run's locked memory all of it would be taken.
        raw = file.read(min(os.fstat(file.fileno()).st_size, SEAL_BYTES_MAX) + 1)
    try:
        content = json.loads(raw.decode("ascii"))
        value = content.pop("value")
        if seal_bytes(content) != raw:
            raise BrokenSeal("it does not match its own value")
        if content["format"] != SEAL_FORMAT:
            raise BrokenSeal(f"its format is not {SEAL_FORMAT!r}")
        for name, print_ in (*content["files"].items(), *content["growing"].items()):
            if name.startswith("/") or ".." in name.split("/"):
                raise BrokenSeal(f"it names {name[:80]!r}, which is outside the folder")
            if type(print_["bytes"]) is not int or type(print_["blake3"]) is not str:
                raise BrokenSeal(f"what it holds of {name[:80]!r} cannot be used")
        return Seal(
            of=content["of"], name=content["name"], sealed=content["sealed"], ledger_head=content["ledger_head"],
            before=content["before"], files=content["files"], growing=content["growing"], value=value,
            late=content["late"],
        )  # fmt: skip
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise BrokenSeal(f"it is no seal ({type(error).__name__})") from None


def fingerprint(path: Path, length_bytes: int | None = None) -> dict[str, Any]:
    """Size and BLAKE3 of a file, or of its first bytes; of a symbolic link, those of where it points.

    Raises:
        OSError: if it cannot be read.
        CannotRun: if it is neither a file nor a link.
    """
    mode = os.lstat(path).st_mode
    if stat.S_ISLNK(mode):
        target = os.fsencode(os.readlink(path))
        return {"bytes": len(target), "blake3": blake3(target).hexdigest(), "link": True}
    if not stat.S_ISREG(mode):
        raise CannotRun(f"{path} is neither a file nor a link: it cannot be sealed")
    hasher, size = blake3(max_threads=blake3.AUTO), 0
    with read_plain(path) as file:
        while length_bytes is None or size < length_bytes:
            chunk = file.read(_CHUNK_BYTES if length_bytes is None else min(_CHUNK_BYTES, length_bytes - size))
            if not chunk:
                break
            hasher.update(chunk)
            size += len(chunk)
    return {"bytes": size, "blake3": hasher.hexdigest()}


def files_below(folder: Path, skip: Iterable[str] = ()) -> Iterator[str]:
    """Every file, link or oddity below a folder, as sorted paths relative to it; `skip` names top-level entries.

    Raises:
        OSError: if a folder cannot be read.
    """
    left_out = set(skip)
    for path in sorted(_walk(folder, left_out)):
        yield path.relative_to(folder).as_posix()


def _walk(folder: Path, left_out: set[str]) -> Iterator[Path]:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name in left_out:
                continue
            path = folder / entry.name
            if entry.is_dir(follow_symlinks=False):
                yield from _walk(path, set())
            else:
                yield path


def _write(path: Path, of: str, name: str, covered: Mapping[str, Path], ledger_head: str, before: str,
           late: bool = False) -> Seal:  # fmt: skip
    try:
        prints = {relative: fingerprint(real) for relative, real in sorted(covered.items())}
    except OSError as error:
        raise CannotRun(f"{error.filename or path.parent} cannot be read to seal it: {error.strerror}") from None
    content = {
        "format": SEAL_FORMAT,
        "of": of,
        "name": name,
        "sealed": rfc3339(time.time_ns()),
        "ledger_head": ledger_head,
        "before": before,
        "late": late,
        "files": {relative: prints[relative] for relative in prints if relative not in GROWING},
        "growing": {relative: prints[relative] for relative in prints if relative in GROWING},
    }
    write_bytes(path, seal_bytes(content))
    return read_seal(path)


def seal_run(folder: RecordFolder, run_id: str, heads: Mapping[int, str], late: bool = False) -> Seal:
    """Seal what a run left, at its end.

    Args:
        folder: the record.
        run_id: of the run.
        heads: part to chain head of every part of the ledger.
        late: sealed by the first check, because the run did not come to its own end.

    Raises:
        CannotRun: if a file cannot be read, or the seal not be written.
    """
    root = folder.path
    skip = {folder.checks_path.name, RUN_VERDICT, SEAL_NAME, SEAL_NAME + SIGNATURE_SUFFIX}
    covered = {name: root / name for name in files_below(root, skip) if not _of_a_check(name)}
    return _write(root / SEAL_NAME, "run", run_id, covered, head_of_heads(heads), "", late)


def _of_a_check(name: str) -> bool:
    return name.startswith("specimens/check-")


def seal_check(folder: RecordFolder, name: str, place: Path, heads: Mapping[int, str]) -> Seal:
    """Seal one check, in the folder `place` where it still stands apart.

    Args:
        folder: the record.
        name: the check's name.
        place: where its files are now; they are sealed under the name that the folder will have.
        heads: part to chain head of every part of the ledger, as the check read them.

    Raises:
        CannotRun: if a file cannot be read, or the seal not be written.
    """
    final = f"{folder.checks_path.name}/{name}"
    covered = {f"{final}/{inner}": place / inner for inner in files_below(place, {SEAL_NAME})}
    specimens = folder.specimens_path / f"check-{name}.bin"
    shared = {f"specimens/{specimens.name}": specimens, folder.events_path.name: folder.events_path}
    covered |= {relative: real for relative, real in shared.items() if os.path.lexists(real)}
    return _write(place / SEAL_NAME, "check", name, covered, head_of_heads(heads), _value_before(folder, name))


def _value_before(folder: RecordFolder, name: str) -> str:
    """The value of the seal before that of check `name`: the check's before it, or the run's."""
    earlier = [other for other in folder.check_names() if int(other) < int(name)]
    places = [folder.checks_path / other for other in reversed(earlier)]
    for place in (*places, folder.path):
        try:
            return read_seal(place / SEAL_NAME).value
        except (OSError, BrokenSeal):
            continue
    return ""


def seal_report(folder: RecordFolder, name: str) -> Seal:
    """Seal the report in the folder of check `name`.

    Raises:
        CannotRun: if a file cannot be read, or the seal not be written.
    """
    place = folder.checks_path / name
    covered = {f"{folder.checks_path.name}/{name}/{file}": place / file for file in REPORT_FILES}
    before, head = "", ""
    try:
        seal = read_seal(place / SEAL_NAME)
        before, head = seal.value, seal.ledger_head
    except (OSError, BrokenSeal):
        pass
    return _write(place / REPORT_SEAL_NAME, "report", name, covered, head, before)


def seal_dossier(place: Path, title: str, heads: Sequence[str]) -> Seal:
    """Seal a dossier's folder; `heads` are the ledger heads of its runs, in order.

    Raises:
        CannotRun: if a file cannot be read, or the seal not be written.
    """
    covered = {name: place / name for name in files_below(place, {SEAL_NAME, SEAL_NAME + SIGNATURE_SUFFIX})}
    return _write(place / SEAL_NAME, "dossier", title, covered, head_of_heads(dict(enumerate(heads))), "")
