"""Looks at a volume from a process of its own, so that a path that never answers holds nobody up.

A read of a dead path cannot be broken off, and a process with one thread in such a read does not end: so a thread
would not do. The process opens the volume read-only, tells step by step what it found, and is left behind with its
read where it does not answer in time.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from verify.errors import AckproofError, CannotRun, UsageError
from verify.volume.identity import VolumeIdentity, identify
from verify.volume.kernel import memory_file_system
from verify.volume.memory import aligned_buffer
from verify.volume.mounts import process_name, processes_with_open
from verify.volume.programs import abandon
from verify.volume.residency import indirect_loop
from verify.volume.safety import Contents, holds_of, nearest_existing, shares_volume, uses_of
from verify.volume.sysfs import device_number_text

PATIENCE_S = 20.0
UNSEEN = ("its users were not found out in time",)


@dataclass(frozen=True)
class Look:
    """What a look at a volume found.

    Attributes:
        identity: which volume it is.
        contents: who uses it and what it holds.
        opened_by: other processes that have it open, a phrase each.
        direct_trouble: why direct I/O does not work on it, or "".
        silent: which step did not answer in time, as a phrase, or "" where all did.
        record_shares: a sentence that the record folder lies on the volume; "" where it does not, or none was named.
        record_place: (real path of the record folder's nearest existing parent, "major:minor" of what it lies on), or
            None where none was named.
    """

    identity: VolumeIdentity
    contents: Contents
    opened_by: tuple[str, ...] = ()
    direct_trouble: str = ""
    silent: str = ""
    record_shares: str = ""
    record_place: tuple[str, str] | None = None


def look(
    path: str, record: str | None = None, patience_s: float = PATIENCE_S, program: Sequence[str] | None = None
) -> Look:
    """Look at a volume; reads only, and takes little longer than `patience_s` whatever the volume does.

    Args:
        record: a folder that the records shall go to; it need not exist.
        program: what does the looking, for tests; None is this module in a process of its own.

    Raises:
        UsageError: a path is none.
        CannotRun: there is no such volume, it cannot be looked at, or it does not even say what it is in time.
    """
    if "\0" in path + (record or ""):
        raise UsageError(f"a path cannot hold a zero byte: {path if chr(0) in path else record!r}")
    command = list(program or (sys.executable, "-P", "-m", __name__))
    try:
        process = subprocess.Popen(
            [*command, path, *([record] if record is not None else [])],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            start_new_session=True,  # Ctrl-C is answered here, not by both
            env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )
    except OSError as error:
        raise CannotRun(f"cannot start a process that looks at {path}: {command[0]}: {error.strerror}") from error
    try:
        output, _ = process.communicate(timeout=patience_s)
        in_time = True
    except subprocess.TimeoutExpired as late:
        output, in_time = late.output or b"", False
        abandon(process)
    except BaseException:
        abandon(process)
        raise
    return _taken_together(path, output, in_time, patience_s)


def _taken_together(path: str, output: bytes, in_time: bool, patience_s: float) -> Look:
    told: dict[str, object] = {}
    for line in output.splitlines(keepends=True):
        if line.endswith(b"\n"):
            step, value = json.loads(line)
            told[step] = value
    if isinstance(refusal := told.get("refused"), str):
        raise CannotRun(refusal)
    if "identity" not in told:
        if in_time:
            raise CannotRun(f"{path} could not be looked at: the process that looks at it broke down")
        raise CannotRun(
            f"{path} did not answer within {patience_s:g} s: a path to it may be dead; "
            "look at the paths and the kernel's log first"
        )
    silent = next((what for step, what in _STEPS if step not in told), "")
    place = told.get("record place")
    return Look(
        identity=VolumeIdentity.from_json(told["identity"]),
        contents=Contents(_texts(told.get("uses", UNSEEN)), _texts(told.get("holds", ()))),
        opened_by=_texts(told.get("opened by", ())),
        direct_trouble=str(told.get("direct", "")),
        silent=f"{silent} within {patience_s:g} s" if silent and not in_time else silent,
        record_shares=str(told.get("record shares", "")),
        record_place=(str(place[0]), str(place[1])) if isinstance(place, list) else None,
    )


def _texts(value: object) -> tuple[str, ...]:
    return tuple(map(str, value)) if isinstance(value, (list, tuple)) else ()


_STEPS = (
    ("record shares", "the record folder did not answer"),
    ("uses", "it was not found out who uses it"),
    ("opened by", "it was not found out who has it open"),
    ("direct", "a direct read did not end"),
    ("holds", "its content could not be read"),
)


def steps(path: str, record: str | None) -> Iterator[tuple[str, object]]:
    """Look at a volume step by step, what may wait longest last; gives (step, value) pairs.

    Raises:
        CannotRun: there is no such volume, or it cannot be looked at.
    """
    identity = identify(path)
    yield "identity", identity.to_json()
    if record is not None:
        yield "record place", _place(record)
    yield "record shares", (shares_volume(record, identity) or "") if record is not None else ""
    yield "uses", list(dict.fromkeys(uses_of(identity)))
    yield "opened by", [] if identity.is_file else _openers(identity)
    yield "direct", direct_trouble(identity)
    yield "holds", list(holds_of(identity))


def _place(folder: str) -> tuple[str, str]:
    real = nearest_existing(folder)
    return real, device_number_text(os.stat(real).st_dev)


def _openers(identity: VolumeIdentity) -> list[str]:
    own = (os.getpid(), os.getppid())
    return [process_name(pid) for pid in processes_with_open(identity.device_number) if pid not in own]


def direct_trouble(identity: VolumeIdentity) -> str:
    """Try one direct read at the start of a volume; a phrase where that does not work or goes on in memory, else ""."""
    try:
        fd = os.open(identity.path, os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC)
    except OSError as error:
        return f"it cannot be opened for direct I/O ({error.strerror})"
    try:
        in_memory = memory_file_system(fd)
        if identity.is_file and in_memory:
            return f"its file system, {in_memory}, keeps files in memory"
        os.preadv(fd, (aligned_buffer(max(identity.sector_bytes, 4096)),), 0)
    except OSError as error:
        return f"a direct read at its start failed ({error.strerror})"
    finally:
        os.close(fd)
    return indirect_loop(identity) or ""


def main(arguments: Sequence[str]) -> None:
    """Tell the steps on standard output, a line of JSON each."""
    path, *rest = arguments
    try:
        for step in steps(path, rest[0] if rest else None):
            print(json.dumps(step), flush=True)
    except AckproofError as error:
        print(json.dumps(("refused", str(error))), flush=True)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        print(json.dumps(("refused", f"{where}{error.strerror or error}")), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
