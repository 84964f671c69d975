"""What a check has read so far, kept as it goes, so that one that was interrupted can go on from there.

A check goes on only when it is told to, and only if nothing can be seen to have happened to the volume meanwhile: the
machine has not been restarted, the volume is the same by the same path, this machine has written nothing to it, and no
mark or note was made. What an array did behind the path cannot be seen from here; so the verdict says what was read
when.
"""

from __future__ import annotations

import json
import os
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
from xxhash import xxh3_64_intdigest

from verify.drill.record import LedgerParts, RecordFolder
from verify.errors import CannotRun, UsageError
from verify.judge.content import Content
from verify.judge.decision import Source
from verify.judge.observations import ROW_DTYPE, Rows
from verify.load.run import Run
from verify.load.worker import boot_id
from verify.plain_file import create_plain, open_plain, read_plain

JOURNAL_NAME = "scan.journal"
JOURNAL_FORMAT = "ackproof-scan/1"
REGION_BYTES = 256 * 1024 * 1024
COUNTS = ("slots_read", "bytes_read", "own_blocks")
_HEADER = struct.Struct("<4sIQQQ")
"""Magic, bytes of JSON, bytes of packed rows, bytes of sequence numbers seen, XXH3-64 of all after the header."""
_MAGIC = b"aKsj"
_FRAME_BYTES_MAX = 1 << 32

@dataclass(frozen=True)
class Region:
    """One stretch of a stream that was read: up to which slot, when (wall clock), and what was odd there.

    `seen` holds what the scan remembers of each slot while the ledger has an open tail. `counts` are what the region
    adds to the counts of a `verify.drill.scan.ScanResult`, `in_flight` and `beyond` what it adds to its tables.
    """

    stream: int
    first_slot: int
    end_slot: int
    from_wall_ns: int
    to_wall_ns: int
    counts: dict[str, int]
    in_flight: dict[int, int]
    beyond: dict[int, int]
    rows: Rows
    details: list[str]
    seen: npt.NDArray[np.int64]


def circumstances(folder: RecordFolder, ledger: LedgerParts, before: dict[str, Any]) -> dict[str, Any]:
    """Everything that must be the same for a check to go on, as can be seen from here; keys are told to the user.

    Args:
        folder: the record.
        ledger: read once at least.
        before: how all stood before the first read (`verify.drill.standing.standing`).
    """
    return {
        "the machine's boot": boot_id(),
        "the ledger": {f"{part:03d}": state.head for part, state in sorted(ledger.states.items())},
        "the checks made": folder.check_names(),
        **before,
    }


class Journal:
    """The journal of one check, being written.

    Args:
        partial: the folder of the check under way.
        facts: its circumstances (`circumstances`).
        earlier: what an interrupted check had read, if this one goes on from there.
    """

    def __init__(self, partial: Path, facts: dict[str, Any], earlier: list[Region] | None = None) -> None:
        self.earlier = earlier or []
        path = partial / JOURNAL_NAME
        self._file: BinaryIO = create_plain(path) if earlier is None else os.fdopen(open_plain(path, os.O_RDWR), "r+b")
        if earlier is None:
            self._append({"format": JOURNAL_FORMAT, "circumstances": facts})
        else:
            end = sum(length for _, length in _frames(path))
            self._file.truncate(end)
            self._file.seek(end)

    def add(self, region: Region) -> None:
        """Keep one region; where the disk is full the check goes on without."""
        about = {
            "stream": region.stream, "first_slot": region.first_slot, "end_slot": region.end_slot,
            "from_wall_ns": region.from_wall_ns, "to_wall_ns": region.to_wall_ns, "counts": region.counts,
            "in_flight": list(region.in_flight.items()), "beyond": list(region.beyond.items()),
            "details": region.details,
        }  # fmt: skip
        if not self._file.closed:
            try:
                self._append(about, zlib.compress(region.rows.tobytes(), 1), region.seen.tobytes())
            except OSError:
                self._file.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _append(self, about: dict[str, Any], rows: bytes = b"", seen: bytes = b"") -> None:
        text = json.dumps(about).encode()
        check = xxh3_64_intdigest(text + rows + seen)
        header = _HEADER.pack(_MAGIC, len(text), len(rows), len(seen), check)
        self._file.write(header + text + rows + seen)
        self._file.flush()


def interrupted(partial: Path, facts: dict[str, Any], run: Run) -> list[Region]:
    """What the interrupted check in `partial` had read.

    Raises:
        UsageError: if there is none, or something happened since that forbids going on.
        CannotRun: if it cannot be read.
    """
    path = partial / JOURNAL_NAME
    try:
        frames = [frame for frame, _ in _frames(path)] if path.is_file() and not partial.is_symlink() else []
    except OSError as error:
        raise CannotRun(f"{path} cannot be read: {error.strerror}") from None
    except ValueError:
        frames = []
    about = frames[0][0] if frames else None
    if not isinstance(about, dict) or about.get("format") != JOURNAL_FORMAT:
        raise UsageError("no interrupted check was left that could go on; run the check without --resume")
    before = about.get("circumstances")
    now = json.loads(json.dumps(facts)).items()
    changed = [what for what, value in now if not isinstance(before, dict) or before.get(what) != value]
    if changed:
        what = ", ".join(changed)
        raise UsageError(
            f"the interrupted check cannot go on, since this is no longer the same: {what}; check without --resume"
        )
    try:
        at: dict[int, int] = {}
        regions = [_region(*frame, run, at) for frame in frames[1:]]
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError, zlib.error) as error:
        raise UsageError(f"{path} cannot be used: {error}; run the check without --resume") from None
    return regions


def _frames(path: Path) -> Iterator[tuple[tuple[dict[str, Any], bytes, bytes], int]]:
    """The whole frames of a journal, each with its length in bytes; a torn one ends it."""
    with read_plain(path) as file:
        while True:
            header = file.read(_HEADER.size)
            if len(header) < _HEADER.size:
                return
            magic, *lengths, check = _HEADER.unpack(header)
            if magic != _MAGIC or sum(lengths) > _FRAME_BYTES_MAX:
                return
            body = file.read(sum(lengths))
            if len(body) < sum(lengths) or xxh3_64_intdigest(body) != check:
                return
            text, rows_end = lengths[0], lengths[0] + lengths[1]
            yield (json.loads(body[:text]), body[text:rows_end], body[rows_end:]), len(header) + len(body)


def _region(about: dict[str, Any], rows: bytes, seen: bytes, run: Run, at: dict[int, int]) -> Region:
    """One region as it was kept; `at` tells up to which slot each stream has been read, and is moved on.

    Raises:
        ValueError and others: if it is none of this run, or does not follow the one before it.
    """
    stream, first, end, from_ns, to_ns = (
        _whole(about[name]) for name in ("stream", "first_slot", "end_slot", "from_wall_ns", "to_wall_ns")
    )
    layout = run.streams[stream].layout
    if first != at.get(stream, 0) or not first < end <= layout.slots:
        raise ValueError("its regions do not follow one another")
    at[stream] = end
    room = (end - first) * ROW_DTYPE.itemsize  # at most one row a slot, however much it unpacks to
    unpacked = zlib.decompressobj().decompress(rows, room + 1)
    table = np.frombuffer(bytearray(unpacked), dtype=ROW_DTYPE)
    slots = table["slot"] - layout.first_slot
    details = [str(text) for text in list(about["details"])]
    if len(unpacked) > room or (slots < first).any() or (slots >= end).any():
        raise ValueError("it tells of blocks outside its regions")
    if (table["source"] != Source.CHECK).any() or (table["content"] > max(Content)).any():
        raise ValueError("it tells of what no check sees")
    if (table["detail"] < -1).any() or (table["detail"] >= len(details)).any():
        raise ValueError("a text is missing")
    remembered = np.frombuffer(seen, dtype=np.int64)
    if len(remembered) not in (0, end - first):
        raise ValueError("what was seen is cut short")
    counts = {name: _whole(about["counts"][name]) for name in COUNTS}
    in_flight, beyond = (
        {_whole(key): _whole(value) for key, value in list(about[name])} for name in ("in_flight", "beyond")
    )
    if not all(slot < run.slots for slot in in_flight) or not all(lane < run.lanes for lane in beyond):
        raise ValueError("it tells of blocks or lanes that the run has not got")
    return Region(stream, first, end, from_ns, to_ns, counts, in_flight, beyond, table, details, remembered)


def _whole(value: Any) -> int:
    if type(value) is not int or not 0 <= value < 2**63:
        raise ValueError("a number in it is impossible")
    return value
