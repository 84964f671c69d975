"""Opening the volume of a record for a check, and beginning to read it before anything else is made ready.

What is imported here is little, so that reading goes on while the rest of a check is still being loaded.
"""

from __future__ import annotations

import errno
import json
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from verify.drill.readahead import ReadAhead, Span
from verify.drill.standing import is_running, standing
from verify.errors import CannotRun
from verify.plain_file import read_plain
from verify.volume.direct import DirectVolume, open_volume, prove_direct
from verify.volume.identity import VolumeIdentity, find_by_identity, identify, same_identity
from verify.volume.protocol import Volume

VOLUME_GONE = frozenset(
    {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO, errno.ESTALE, errno.ENOTCONN, errno.ETIMEDOUT}
)
"""Errors of opening that are a finding (the volume cannot be read) and no fault of this machine's."""


_ABOUT_BYTES_MAX = 64 * 1024 * 1024


@dataclass(frozen=True)
class OpenedVolume:
    """The volume as it was opened for a check; None where it could not be, with the reason.

    `ahead` has begun to read it, if not None, and `before` is how it stood before that (`verify.drill.standing`).
    """

    volume: Volume | None
    name: str
    why_not: str = ""
    page_cache: str = ""
    other_identity: str = ""
    ahead: ReadAhead | None = None
    before: dict[str, Any] | None = None

    def close(self) -> None:
        """End reading and release the volume."""
        if self.ahead is not None:
            self.ahead.close()
        if self.volume is not None:
            self.volume.close()


def open_recorded_volume(about: dict[str, Any], path: str | None) -> OpenedVolume:
    """Open the volume of a record, by its identity, or the one at `path`.

    Raises:
        CannotRun: if it is there but may not be opened, or `path` names nothing.
        UsageError: if run.json does not identify a volume.
    """
    facts = about.get("volume")
    facts = facts if isinstance(facts, dict) else {}
    wanted = VolumeIdentity.from_json(facts.get("identity"))
    recorded_cache = str(facts.get("page_cache", ""))
    found = path
    if found is None:
        found = wanted.path if wanted.kind == "file" and os.path.isfile(wanted.path) else find_by_identity(wanted)
        if found is None:
            return OpenedVolume(None, wanted.path, f"the volume {wanted.identity} is not there", recorded_cache)
    identity = identify(found)
    other = "" if same_identity(identity, wanted) else identity.identity
    try:
        volume = open_volume(found, writable=False, exclusive=False, allow_page_cache=True)
    except CannotRun as error:
        if not isinstance(error.__cause__, OSError) or error.__cause__.errno not in VOLUME_GONE:
            raise
        return OpenedVolume(None, found, str(error), recorded_cache, other)
    return OpenedVolume(volume, found, "", recorded_cache or _cache_in_the_way(volume), other)


def _cache_in_the_way(volume: DirectVolume) -> str:
    try:
        reason = prove_direct(volume) if volume.direct else "direct I/O was refused"
    except OSError:
        return ""
    return f"the page cache of this machine was in the way of the check: {reason}" if reason else ""


def open_and_begin(record: str, path: str | None) -> OpenedVolume | None:
    """Open the volume of a record as `open_recorded_volume` does, and begin to read it.

    Only the run's end makes what is read count, so nothing is begun while a run is writing.

    Args:
        record: the record folder, of which nothing is taken for granted yet.
        path: the same volume by another path, if not None.

    Returns:
        None where the record is not as it must be, which whoever reads it with more care tells in words.

    Raises:
        CannotRun, UsageError: as `open_recorded_volume`.
    """
    try:
        with read_plain(Path(record) / "run.json") as file:
            about = json.loads(file.read(min(os.fstat(file.fileno()).st_size, _ABOUT_BYTES_MAX)))
    except (OSError, ValueError, RecursionError):
        return None
    spans = _spans(about)
    if not spans or is_running(Path(record)):
        return None
    opened = open_recorded_volume(about, path)
    if opened.volume is None:
        return opened
    before = standing(Path(record), opened.name)
    return replace(opened, ahead=ReadAhead(opened.volume, spans), before=before)


def _spans(about: Any) -> list[Span]:
    """Where a run's streams stand, by what may be its description; [] where it is none."""
    try:
        streams = about["run"]["streams"]
        spans = [Span(stream["start_bytes"], stream["block_bytes"], stream["slots"]) for stream in streams]
    except (KeyError, TypeError):
        return []
    numbers = [number for span in spans for number in span]
    fine = all(type(number) is int and 0 <= number < 1 << 62 for number in numbers)
    return spans if fine and all(512 <= s.block_bytes <= 1 << 22 and s.slots for s in spans) else []
