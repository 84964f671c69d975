"""A run's ledger held to its second copy: for each file the longer of the two, if the shorter is its beginning.

Both are chains, so they are compared by the hash of each frame, and equal hashes mean equal bytes up to there. Where
one goes on after the other ends, as after a guest that died with its disk, the longer is judged. Where they differ
before either ends, one of them was changed, and nobody can tell which: what both hold is judged, and the rest is
damage. Damage in one file is made good by the other only if that was closed, or reaches at least as far as the damaged
file did: what was acknowledged beyond the shorter one is known to have been more than a torn tail.

What a check takes from the second ledger it keeps in its own folder, under `second-ledger/`, so that the record stays
whole: the check's seal covers it, and a report reads it there.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path
from typing import Any

from verify.drill.record import PartSource, RecordFolder
from verify.errors import CannotRun, UsageError
from verify.interruption import let_through
from verify.ledger.reader import LedgerFile, LedgerState
from verify.ledger.second_copy import RECEIVED_FORMAT, RECEIVED_NAME
from verify.load.run import Run
from verify.plain_file import create_plain, read_plain

KEPT_NAME = "second-ledger"
OWN, SECOND = "own", "second"
_CHUNK_BYTES = 1 << 20
_RECEIVED_BYTES_MAX = 1 << 20


@dataclass(frozen=True)
class Compared:
    """One ledger file and its second copy.

    `own` and `second` tell how far each could be read; `common_frames` and `common_bytes` up to where they are the
    same. `taken` is which one is judged, `contradiction` says that they differ, "" if they do not, and `beyond` what is
    wrong with the second one where the one that is judged ends.
    """

    own: LedgerState
    second: LedgerState
    common_frames: int
    common_bytes: int
    taken: str
    contradiction: str
    beyond: str = ""

    def to_json(self) -> dict[str, Any]:
        """As verdict.json tells it."""
        return {
            "taken": self.taken,
            "own_frames": self.own.frames, "own_bytes": self.own.good_bytes,
            "own_end": self.own.damaged or self.own.torn,
            "second_frames": self.second.frames, "second_bytes": self.second.good_bytes,
            "second_end": self.second.damaged or self.second.torn,
            "contradiction": self.contradiction,
        }  # fmt: skip


@dataclass(frozen=True)
class TwoLedgers:
    """A run's ledger beside its second copy, compared: `parts` by number."""

    place: Path
    parts: Mapping[int, Compared]

    @property
    def sources(self) -> dict[int, PartSource]:
        """What is to be judged of each part that is not simply the record folder's own."""
        out = {}
        for part, compared in self.parts.items():
            if compared.contradiction:
                own = str(compared.own.path)
                out[part] = PartSource(own, compared.common_bytes, compared.contradiction)
            elif compared.taken == SECOND:
                out[part] = PartSource(str(compared.second.path), compared.second.good_bytes, compared.beyond)
            elif compared.beyond:
                out[part] = PartSource(str(compared.own.path), compared.own.good_bytes, compared.beyond)
        return out

    @property
    def own_heads(self) -> dict[int, str]:
        """Part to chain head of the record folder's own files."""
        return {part: compared.own.head for part, compared in self.parts.items()}

    def to_json(self) -> dict[str, Any]:
        """As verdict.json tells it."""
        return {
            "folder": str(self.place),
            "received": received(self.place),
            "parts": {f"{part:03d}": compared.to_json() for part, compared in sorted(self.parts.items())},
        }

    def keep(self, check: Path, tag: int) -> None:
        """Copy what is taken from the second ledger, or contradicts, into the folder of a check of the run of that tag.

        Raises:
            OSError: if it cannot be kept.
            CannotRun: if the second ledger changed meanwhile.
        """
        place = check / KEPT_NAME
        if os.path.lexists(place):  # Of a check that was interrupted.
            shutil.rmtree(place)
        for part, compared in self.parts.items():
            if compared.taken != SECOND and not compared.contradiction:
                continue
            place.mkdir(exist_ok=True)
            kept = place / f"{part:03d}.ledger"
            _copy(Path(compared.second.path), kept, compared.second.good_bytes)
            file = LedgerFile(str(kept), tag, part)
            for _ in file.heads():
                pass
            if file.state.head != compared.second.head:
                raise CannotRun(f"{compared.second.path} changed while it was read; nothing was concluded")


def second_place(path: str, record: RecordFolder, run: Run) -> Path:
    """The folder of a run's second ledger, named itself or as the folder that `receive` keeps.

    Args:
        path: what the user named.
        record: the record folder.
        run: its run.

    Raises:
        UsageError: if it is not the second ledger of this run.
        CannotRun: if it is not there, or still grows.
    """
    place = Path(path)
    if not (place / "run.json").is_file() and (place / run.run_id / "run.json").is_file():
        place = place / run.run_id
    folder = RecordFolder.open(str(place))
    if place.resolve() == record.path.resolve():
        raise UsageError("--second-ledger names the record folder itself; name the folder that the receiver keeps")
    _, other = folder.read_run()
    if other.run_id != run.run_id or other.digest != run.digest:
        raise UsageError(
            f"{place} is of run {other.run_id} and {record.path} of run {run.run_id}, or a run.json of them was changed"
        )
    if folder.running():
        raise CannotRun(f"the second ledger in {place} is still being received; wait for its end")
    return place


def compare(folder: RecordFolder, run: Run, place: Path) -> TwoLedgers:
    """Hold each file of a run's ledger to its second copy in `place`."""
    other = RecordFolder(str(place))
    files = {part: [of.ledger_file(part, run.tag) for of in (folder, other)] for part in run.ledger_parts}
    return TwoLedgers(place, {part: _compare(*pair) for part, pair in files.items()})


def _compare(own: LedgerFile, second: LedgerFile) -> Compared:
    common_frames = common_bytes = 0
    alike = True
    for mine, its in zip_longest(_heads(own), _heads(second)):
        alike = alike and mine == its
        if alike:
            common_frames, common_bytes = own.state.frames, own.state.good_bytes
    ours, theirs = own.state, second.state
    if common_frames < min(ours.frames, theirs.frames):
        contradiction = (
            f"it and the second ledger hold different frames from frame {common_frames} at byte {common_bytes} on; "
            "one of them was changed"
        )
        return Compared(ours, theirs, common_frames, common_bytes, OWN, contradiction)
    taken = SECOND if theirs.frames > ours.frames else OWN
    if taken == SECOND and ours.damaged and theirs.good_bytes < ours.size_bytes:
        cut = f"{ours.damaged}, and the second ledger ends before this file does"
        return Compared(replace(ours, damaged=cut), theirs, common_frames, common_bytes, OWN, "")
    is_cut = not ours.damaged and not ours.closed and ours.good_bytes < theirs.size_bytes
    beyond = f"in the second ledger {theirs.damaged}" if theirs.damaged and (taken == SECOND or is_cut) else ""
    return Compared(ours, theirs, common_frames, common_bytes, taken, "", beyond)


def _heads(file: LedgerFile) -> Iterator[str]:
    """The heads of a ledger file; one that cannot be read ends there, damaged."""
    try:
        for head in file.heads():
            let_through()
            yield head
    except FileNotFoundError:
        file.state.torn = "the file is missing"
    except OSError as error:
        file.state.damaged = f"it cannot be read at byte {file.state.good_bytes}: {error.strerror}"


def received(place: Path) -> dict[str, Any] | None:
    """What the receiver noted of a second ledger; None for a folder that is none."""
    path = place / RECEIVED_NAME
    try:
        with read_plain(path) as file:
            value = json.loads(file.read(_RECEIVED_BYTES_MAX))
        if not isinstance(value, dict) or value.get("format") != RECEIVED_FORMAT:
            return None
        missing = [str(text)[:200] for text in list(value["missing"])]
        return {
            "receiver": str(value["receiver"])[:100], "sender": str(value["sender"])[:100],
            "ended": value["ended"] is True, "missing": missing,
        }  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def second_ledger_facts(about: Mapping[str, Any], place: Path, two: TwoLedgers | None) -> dict[str, Any] | None:
    """What verdict.json says of a run's second ledger, None if there is none.

    `kept` repeats run.json: where it was kept, and how far it came; `received` is what a receiver noted, if this
    record folder is itself a second ledger; `used` tells of the one that the check was given.
    """
    facts = {
        "kept": _kept(about), "received": received(place), "used": None if two is None else two.to_json(),
    }  # fmt: skip
    return facts if any(value is not None for value in facts.values()) else None


def untold(
    about: Mapping[str, Any], place: Path, two: TwoLedgers | None, states: Iterable[LedgerState]
) -> list[str]:
    """That there is a second ledger which the check was not given, where it might tell more."""
    kept = _kept(about)
    if kept is None or two is not None or received(place) is not None or all(state.closed for state in states):
        return []
    where = str(kept.get("address"))[:100]
    return [f"what the second ledger at {where} may tell beyond this one: it was not named (--second-ledger)"]


def _kept(about: Mapping[str, Any]) -> dict[str, Any] | None:
    result = about.get("result")
    kept = result.get("second_ledger") if isinstance(result, dict) else None
    kept = kept if isinstance(kept, dict) else about.get("second_ledger")
    return kept if isinstance(kept, dict) else None


def kept_sources(folder: RecordFolder, check: str, verdict: Mapping[str, Any], run: Run) -> dict[int, PartSource]:
    """What a check judged instead of the record folder's own ledger files, from what it kept of the second ledger."""
    used = verdict.get("second_ledger")
    used = used.get("used") if isinstance(used, Mapping) else None
    parts = used.get("parts") if isinstance(used, Mapping) else None
    out = {}
    for part in run.ledger_parts if isinstance(parts, Mapping) else ():
        told = parts.get(f"{part:03d}")  # type: ignore[union-attr]
        kept = folder.checks_path / check / KEPT_NAME / f"{part:03d}.ledger"
        if isinstance(told, Mapping) and told.get("taken") == SECOND and kept.is_file() and not kept.is_symlink():
            out[part] = PartSource(str(kept), None)
    return out


def _copy(source: Path, target: Path, length_bytes: int) -> None:
    with read_plain(source) as read, create_plain(target) as write:
        while length_bytes > 0:
            chunk = read.read(min(_CHUNK_BYTES, length_bytes))
            if not chunk:
                break
            write.write(chunk)
            length_bytes -= len(chunk)
        write.flush()
        os.fsync(write.fileno())
