"""What a receiver holds of one run: a record folder that grows by whole frames and by nothing else.

Every frame is held to its checksums and to the chain before it is written. Bytes that are held are never written over;
what contradicts them is refused. What has not been made lasting was not confirmed, and may be cut off again: after a
crash of the receiver (a torn end), and after a write or a sync that failed.
"""

from __future__ import annotations

import contextlib
import fcntl
import io
import json
import os
import re
import socket
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from verify.errors import UsageError
from verify.ledger.frames import chain_start
from verify.ledger.reader import LedgerFile, LedgerState, read_frame
from verify.load.run import Run
from verify.plain_file import open_plain, read_plain, replace_plain, sync_folder

RUN_ID = re.compile(r"[0-9a-f]{16}")
"""What names a run, and its folder: nothing else is taken from the other end into a path."""
FOLDERS = ("ledger", "specimens", "checks", "inbox")
RECEIVED_NAME = "received.json"
RECEIVED_FORMAT = "ackproof-received/1"
RUN_JSON_BYTES_MAX = 8 * 1024 * 1024


class Contradiction(Exception):
    """What was sent does not fit what is held; `part` is None if it is about the whole run."""

    def __init__(self, text: str, part: int | None = None) -> None:
        super().__init__(text)
        self.part = part


class _Part:
    """One ledger file of a copy."""

    def __init__(self, path: Path, tag: int, part: int) -> None:
        self.path = path
        self.name = path.name
        self._start = chain_start(tag, part)
        self.file = open_plain(path, os.O_RDWR | os.O_CREAT | os.O_APPEND)
        self.state = LedgerState(str(path))
        self.lasting = self.state

    def load(self, tag: int, part: int, on_wait: Callable[[], None]) -> None:
        """Read what is held, and cut off a torn end.

        Raises:
            OSError: if it cannot be read.
            Contradiction: if it is damaged.
        """
        held = LedgerFile(str(self.path), tag, part)
        for _ in held.heads():
            on_wait()
        if held.state.damaged:
            raise Contradiction(f"what is held of {self.name} is damaged: {held.state.damaged}", part)
        if held.state.size_bytes > held.state.good_bytes:
            os.ftruncate(self.file, held.state.good_bytes)
        os.fsync(self.file)
        self.state = self.lasting = held.state

    def append(self, offset: int, frames: bytes, part: int) -> None:
        held = self.state.good_bytes
        if offset > held:
            raise Contradiction(f"frames of {self.name} at byte {offset} leave a gap: {held} bytes are held", part)
        overlap = min(held - offset, len(frames))
        if os.pread(self.file, overlap, offset) != frames[:overlap]:
            raise Contradiction(f"{self.name} holds other bytes at byte {offset} than what came", part)
        rest = frames[overlap:]
        if not rest:
            return
        state, file = replace(self.state, size_bytes=held + len(rest)), io.BytesIO(rest)
        while state.good_bytes < state.size_bytes:
            before = bytes.fromhex(state.head) if state.frames else self._start
            frame = read_frame(file, state, before)
            if frame is None:
                raise Contradiction(f"{self.name}, {state.damaged or state.torn}", part)
            state.take(*frame)
        view = memoryview(rest)
        try:
            while view:
                view = view[os.write(self.file, view) :]
        except OSError:
            os.ftruncate(self.file, held)
            raise
        self.state = state

    def sync(self) -> None:
        """Make lasting what is held, or give up what was not.

        Raises:
            OSError: if that failed.
        """
        if self.lasting is self.state:
            return
        try:
            os.fdatasync(self.file)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self.file, self.lasting.good_bytes)
            self.state = self.lasting
            raise
        self.lasting = self.state


class RunCopy:
    """The copy of one run, held by one receiver at a time.

    Args:
        place: the receiver's folder; the copy lies in a folder of it that is named after the run.
        content: run.json as the writer had it at the start.
        sender: where it comes from, for received.json.

    Raises:
        Contradiction: if this is the description of no run.
        OSError: if the folder cannot be made.
    """

    def __init__(self, place: Path, content: bytes, sender: str) -> None:
        self.about, self.run = read_description(content)
        self.path = place / self.run.run_id
        self.parts: dict[int, _Part] = {}
        self._received: dict[str, Any] = {
            "format": RECEIVED_FORMAT, "receiver": socket.gethostname(), "sender": sender,
            "began_wall_ns": time.time_ns(), "ended": False, "missing": [],
        }  # fmt: skip
        if self.path.is_symlink():
            raise Contradiction(f"{self.path} is a link")
        new = not self.path.exists()
        for folder in (self.path, *(self.path / name for name in FOLDERS)):
            folder.mkdir(exist_ok=True)
        if new:
            sync_folder(place)
        self._lock = open_plain(self.path / "lock", os.O_RDWR | os.O_CREAT)

    def resume(self, content: bytes, on_wait: Callable[[], None] = lambda: None) -> None:
        """Hold the copy for one connection, until `rest`; what is held is read unless this object knows it already.

        Args:
            content: run.json as the writer had it at the start.
            on_wait: called for every frame that is read.

        Raises:
            Contradiction: if another run is held under this name, or what is held is damaged, or may not grow any more.
            OSError: if it cannot be read or written.
        """
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Contradiction("another receiver holds it") from None
        if (self.path / "seal.json").exists():
            raise Contradiction("it was checked and sealed here: it may not grow any more")
        self._hold_description(content)
        for number in self.run.ledger_parts:
            if number not in self.parts:
                self.parts[number] = _Part(self.path / "ledger" / f"{number:03d}.ledger", self.run.tag, number)
            part = self.parts[number]
            if not part.state.frames or os.fstat(part.file).st_size != part.state.good_bytes:
                part.load(self.run.tag, number, on_wait)
        if "ended" in self.about:
            self._received |= {"ended": True, "missing": self._missing()}
        self._keep_received()
        sync_folder(self.path / "ledger")
        sync_folder(self.path)

    def _hold_description(self, content: bytes) -> None:
        about, run = read_description(content)
        path = self.path / "run.json"
        if path.exists():
            self.about, held = read_description(_content(path))
            if held.digest != run.digest or not _repeats(self.about, about):
                raise Contradiction("another run.json is held under the name of this run")
        else:
            replace_plain(path, content)
            self.about = about
        self.run = run
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
            known = json.loads(_content(self.path / RECEIVED_NAME))
            self._received |= {"sender": str(known["sender"]), "began_wall_ns": int(known["began_wall_ns"])}

    def rest(self) -> None:
        """Let others have the copy until it is resumed."""
        fcntl.flock(self._lock, fcntl.LOCK_UN)

    @property
    def held_bytes(self) -> int:
        """Bytes of the ledger that are held."""
        return sum(part.state.good_bytes for part in self.parts.values())

    @property
    def unconfirmed(self) -> bool:
        """Whether something is held that is not yet lasting."""
        return any(part.lasting is not part.state for part in self.parts.values())

    def held(self) -> list[tuple[int, int, bytes]]:
        """Of each part: its number, the bytes held, and BLAKE3 of the last frame of them."""
        return [
            (number, part.lasting.good_bytes, bytes.fromhex(part.lasting.head) if part.lasting.frames else bytes(32))
            for number, part in self.parts.items()
        ]

    def append(self, part: int, offset: int, frames: bytes) -> None:
        """Take whole frames of one part that belong at `offset`; those already held are compared and left alone.

        Raises:
            Contradiction: if they do not fit; nothing of them was taken.
            OSError: if they could not be written; likewise.
        """
        if part not in self.parts:
            raise Contradiction(f"the run has no part {part}", part)
        self.parts[part].append(offset, frames, part)

    def sync(self) -> list[tuple[int, int]]:
        """Make lasting what is held; of each part, its number and the bytes that are.

        Raises:
            OSError: if that failed.
        """
        for part in self.parts.values():
            part.sync()
        return [(number, part.lasting.good_bytes) for number, part in self.parts.items()]

    def end(self, content: bytes) -> list[str]:
        """Keep run.json as at the run's end; returns what is missing of the ledger by the heads that it tells.

        Raises:
            Contradiction: if it is not the end of this run, or another one is held.
            OSError: if it could not be kept.
        """
        about, run = read_description(content)
        if run.digest != self.run.digest or not _repeats(about, self.about) or "ended" not in about:
            raise Contradiction("the end of another run")
        self.sync()
        replace_plain(self.path / "run.json", content)
        self.about = about
        self._received |= {"ended": True, "missing": self._missing()}
        self._keep_received()
        sync_folder(self.path)
        return list(self._received["missing"])

    def close(self) -> None:
        """Give the copy back."""
        for part in self.parts.values():
            os.close(part.file)
        self.parts = {}
        os.close(self._lock)

    def _missing(self) -> list[str]:
        heads = self.about.get("ledger_heads")
        heads = heads if isinstance(heads, dict) else {}
        out = []
        for number, part in self.parts.items():
            wanted = heads.get(str(number))
            if wanted is None and not part.state.closed:
                out.append(f"{part.name} was never closed")
            elif wanted is not None and wanted != part.state.head:
                out.append(f"{part.name} ends before the run did: {part.state.frames} frames are held")
        return out

    def _keep_received(self) -> None:
        replace_plain(self.path / RECEIVED_NAME, (json.dumps(self._received, indent=2) + "\n").encode())


def read_description(content: bytes) -> tuple[dict[str, Any], Run]:
    """A run.json that was sent, and the run in it.

    Raises:
        Contradiction: if it is none, or its name could not be that of a folder.
    """
    try:
        about = json.loads(content) if len(content) <= RUN_JSON_BYTES_MAX else None
        if not isinstance(about, dict):
            raise Contradiction("it is described by no run.json")
        run = Run.from_json(about.get("run"), "run.json")
    except (ValueError, RecursionError, UsageError) as error:
        raise Contradiction(f"it is described by no run.json: {str(error)[:200]}") from None
    if not RUN_ID.fullmatch(run.run_id):
        raise Contradiction("its name is no run's")
    return about, run


def _repeats(later: dict[str, Any], earlier: dict[str, Any]) -> bool:
    """Whether a run.json says all that an earlier one of the run said."""
    return all(later.get(name) == value for name, value in earlier.items())


def _content(path: Path) -> bytes:
    with read_plain(path) as file:
        return file.read(RUN_JSON_BYTES_MAX + 1)
