"""The record folder: all that one run leaves behind, and the only place where anything about it is written."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import re
import shutil
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from verify.drill.marks import read_mark, valid_text
from verify.drill.standing import is_running
from verify.errors import CannotRun, UsageError
from verify.interruption import let_through
from verify.ledger.reader import LedgerFile, LedgerState
from verify.load.run import Run
from verify.plain_file import open_plain, read_plain, replace_plain

RUN_FORMAT = "ackproof-run/1"
RUN_JSON_BYTES_MAX = 64 * 1024 * 1024
MARK_PATIENCE_S = 5.0
_CHECK_NAME = re.compile(r"\d{3,}")


def write_json(path: Path, value: Any) -> None:
    """Write a JSON file so that a crash leaves either the old one or the new one.

    Raises:
        CannotRun: if it cannot be written.
    """
    write_bytes(path, _json_bytes(value, indent=2))


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file so that a crash leaves either the old one or the new one.

    Raises:
        CannotRun: if it cannot be written.
    """
    try:
        replace_plain(path, content)
    except OSError as error:
        raise CannotRun(f"{path} cannot be written: {error.strerror}") from None


def _json_bytes(value: Any, indent: int | None = None) -> bytes:
    """JSON in UTF-8 with a line end; escaped throughout where a path or a text is not valid Unicode."""
    try:
        return (json.dumps(value, indent=indent, ensure_ascii=False) + "\n").encode()
    except UnicodeEncodeError:
        return (json.dumps(value, indent=indent) + "\n").encode()


def read_json(path: Path) -> Any:
    """Read a JSON file of a record folder.

    Raises:
        CannotRun: if it is missing, too large, or cannot be read.
        UsageError: if it is not JSON.
    """
    try:
        if not path.is_file() or path.is_symlink():
            raise CannotRun(f"{path} is missing: this folder is not the record of a run")
        if path.stat().st_size > RUN_JSON_BYTES_MAX:
            raise CannotRun(f"{path} is too large to be the description of a run")
        with read_plain(path) as file:
            return json.loads(file.read(RUN_JSON_BYTES_MAX + 1).decode("utf-8"))
    except OSError as error:
        raise CannotRun(f"{path} cannot be read: {error.strerror}") from None
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{path} is damaged or is not the description of a run: {str(error)[:200]}") from None


class RecordFolder:
    """One record folder on disk.

    Args:
        path: the folder.
    """

    def __init__(self, path: str) -> None:
        self.path = Path(path)
        self.run_path = self.path / "run.json"
        self.ledger_path = self.path / "ledger"
        self.events_path = self.path / "events.jsonl"
        self.specimens_path = self.path / "specimens"
        self.checks_path = self.path / "checks"
        self.inbox_path = self.path / "inbox"
        self._lock: int | None = None
        self._was_there = True

    @classmethod
    def create(cls, path: str) -> RecordFolder:
        """Make a new record folder and hold its lock.

        Raises:
            UsageError: if something other than an empty folder is there already.
            CannotRun: if it cannot be made.
        """
        folder = cls(path)
        folder._was_there = folder.path.is_dir()
        if folder.path.is_symlink() or (folder.path.exists() and not folder.path.is_dir()):
            raise UsageError(f"{path} is not a folder; name a new one with --record")
        try:
            if folder.path.exists() and any(folder.path.iterdir()):
                raise UsageError(f"the record folder {path} is not empty; name a new one with --record")
            for part in (folder.path, folder.ledger_path, folder.specimens_path, folder.checks_path, folder.inbox_path):
                part.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CannotRun(f"the record folder {path} cannot be made: {error.strerror}") from None
        folder._take_lock()
        return folder

    @classmethod
    def open(cls, path: str) -> RecordFolder:
        """An existing record folder.

        Raises:
            CannotRun: if there is none.
        """
        folder = cls(path)
        if not folder.path.is_dir():
            raise CannotRun(f"{path} is not a record folder: there is no such folder")
        if not folder.run_path.is_file():
            raise CannotRun(f"{path} is not a record folder: it has no run.json")
        for part in (folder.ledger_path, folder.specimens_path, folder.checks_path, folder.inbox_path):
            if part.is_symlink():
                raise CannotRun(f"{part} is a symbolic link, which is not followed: put the folder itself in its place")
        return folder

    def discard(self) -> None:
        """Remove what `create` made, if no run was started in it; an empty folder that was there stays."""
        self.release()
        with contextlib.suppress(OSError):
            for made in list(self.path.iterdir()) if self._was_there else [self.path]:
                if made.is_dir():
                    shutil.rmtree(made, ignore_errors=True)
                else:
                    made.unlink()

    def release(self) -> None:
        """Give the lock back."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def running(self) -> bool:
        """Whether a run is writing to this folder now."""
        return is_running(self.path)

    def _take_lock(self) -> None:
        try:
            self._lock = os.open(self.path / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise UsageError(f"another run is using the record folder {self.path}") from None
        except OSError as error:
            raise CannotRun(f"the record folder {self.path} cannot be locked: {error.strerror}") from None

    def read_run(self) -> tuple[dict[str, Any], Run]:
        """The contents of run.json, whole and as a run description.

        Raises:
            CannotRun, UsageError: if it is missing, damaged or foreign.
        """
        value = read_json(self.run_path)
        if not isinstance(value, dict) or value.get("format") != RUN_FORMAT:
            raise UsageError(f"{self.run_path} is not the description of a run (its format is not {RUN_FORMAT!r})")
        return value, Run.from_json(value.get("run"), str(self.run_path))

    def append_event(self, event: dict[str, Any]) -> OSError | None:
        """Append one line to events.jsonl; a full disk loses the line and nothing else. Returns why it was not kept."""
        line = _json_bytes(dict(sorted(event.items())))
        try:
            file = open_plain(self.events_path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
            try:
                os.write(file, line)
            finally:
                os.close(file)
        except OSError as error:
            return error
        return None

    def ledger_part(self, part: int) -> Path:
        """Path of one part of the ledger."""
        return self.ledger_path / f"{part:03d}.ledger"

    def ledger_file(self, part: int, tag: int) -> LedgerFile:
        """One part of the ledger, for reading."""
        return LedgerFile(str(self.ledger_part(part)), tag, part)

    def next_check(self) -> str:
        """The name of the next check, such as "003"."""
        return f"{max([int(name) for name in self.check_names()], default=0) + 1:03d}"

    def partial_check(self, name: str) -> Path:
        """Where a check stands until it is whole."""
        return self.checks_path / f".{name}.partial"

    @contextlib.contextmanager
    def checking(self, resume: bool = False) -> Iterator[None]:
        """Hold the folder for one check at a time; what a killed one left half done is removed unless it is to go on.

        Raises:
            CannotRun: if another check is going on, or the folder cannot be used.
        """
        try:
            self.checks_path.mkdir(exist_ok=True)
            held = os.open(self.checks_path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | os.O_NOFOLLOW)
        except OSError as error:
            raise CannotRun(f"the check cannot be kept in {self.checks_path}: {error.strerror}") from None
        try:
            try:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise CannotRun(f"another check of {self.path} is going on; wait for its end") from None
            except OSError:
                pass  # A file system without locks; two checks at once then get in each other's way.
            for partial in [] if resume else self.checks_path.glob(".*.partial"):
                if partial.is_symlink() or not partial.is_dir():
                    partial.unlink()  # rmtree would open whatever it is, and wait for a pipe
                else:
                    shutil.rmtree(partial, ignore_errors=True)
            yield
        finally:
            os.close(held)

    def interrupted_check(self) -> bool:
        """Whether a check was left half done."""
        return any(self.checks_path.glob(".*.partial"))

    def check_names(self) -> list[str]:
        """The names of the checks there are, in order of their numbers."""
        if not self.checks_path.is_dir() or self.checks_path.is_symlink():
            return []
        folders = (p for p in self.checks_path.iterdir() if p.is_dir() and not p.is_symlink())
        names = (p.name for p in folders if _CHECK_NAME.fullmatch(p.name))
        return sorted(names, key=lambda name: (int(name), name))

    def drop_mark(self, text: str, takeover: bool, pressed_ns: int, pressed_wall_ns: int) -> str:
        """Hand a mark to the running run and wait until it was taken; a note if no run takes it.

        Returns:
            "taken", or "note" if the run has ended (the mark then stands in events.jsonl as a note only).

        Raises:
            CannotRun: if the folder cannot be written.
        """
        mark: dict[str, Any] = {
            "text": valid_text(text), "takeover": takeover,
            "pressed_ns": pressed_ns, "pressed_wall_ns": pressed_wall_ns,
        }  # fmt: skip
        if self.running():
            path = self.inbox_path / f"{pressed_ns}-{os.getpid()}.json"
            write_json(path, mark)
            deadline = time.monotonic() + MARK_PATIENCE_S
            while path.exists() and self.running() and time.monotonic() < deadline:
                time.sleep(0.02)
            try:
                path.unlink()
            except FileNotFoundError:
                return "taken"
            except OSError as error:
                raise CannotRun(f"{path} cannot be removed: {error.strerror}") from None
        unkept = self.append_event({"event": "note", **mark})
        if unkept is not None:
            raise CannotRun(f"{self.events_path} cannot be written, so the note was not kept: {unkept.strerror}")
        return "note"

    def take_marks(self) -> list[dict[str, Any]]:
        """The marks that have come in since the last call, oldest first."""
        out: list[dict[str, Any]] = []
        try:
            names = sorted(name for name in os.listdir(self.inbox_path) if name.endswith(".json"))
        except OSError:
            return out
        for name in names:
            path = self.inbox_path / name
            with contextlib.suppress(OSError):
                mark = read_mark(path)
                path.unlink()
                if mark is not None:
                    out.append(mark)
        return out


@dataclass(frozen=True)
class PartSource:
    """Where a part of a ledger is read instead of in its folder: no further than `end_bytes`, None for all of it.

    `damaged` says what is wrong from there on.
    """

    path: str
    end_bytes: int | None
    damaged: str = ""


class LedgerParts:
    """All parts of one run's ledger: read whole as often as needed, with the state of each part after a reading.

    Args:
        folder: the record.
        run: its run.
        sources: for parts that are not read from the record's own ledger, what is read.
    """

    def __init__(self, folder: RecordFolder, run: Run, sources: Mapping[int, PartSource] | None = None) -> None:
        self._folder = folder
        self._run = run
        self._sources = sources or {}
        self.parts = run.ledger_parts
        self.states: dict[int, LedgerState] = {}

    def __call__(self) -> Iterator[tuple[int, Any]]:
        """All items, the supervisor's part first."""
        for part in self.parts:
            file, damaged = self._file(part)
            try:
                for item in file.items():
                    let_through()
                    yield part, item
                state = file.state
                state.damaged = state.damaged or damaged
            except FileNotFoundError:
                state = LedgerState(file.path, damaged="the file is missing")
            except OSError as error:
                state = file.state
                state.damaged = f"it cannot be read at byte {state.good_bytes}: {error.strerror}"
            known = self.states.get(part)
            if known is not None and (known.head, known.frames) != (state.head, state.frames):
                raise CannotRun(f"{state.path} changed while it was read; nothing was concluded")
            self.states[part] = state

    def _file(self, part: int) -> tuple[LedgerFile, str]:
        """The file of a part, and what is wrong beyond its end."""
        source = self._sources.get(part)
        if source is None:
            return self._folder.ledger_file(part, self._run.tag), ""
        return LedgerFile(source.path, self._run.tag, part, source.end_bytes), source.damaged

    def require_description(self, digest: str) -> None:
        """Make sure that run.json is the one that the run was started with, as far as the ledger can still tell.

        Raises:
            UsageError: if it is not.
        """
        for part in self.parts:
            with contextlib.suppress(OSError):
                first = next(self._file(part)[0].items(), None)
                if isinstance(first, dict) and first.get("description", digest) != digest:
                    raise UsageError(
                        f"{self._folder.run_path} was changed after the run began: {part:03d}.ledger belongs to "
                        "another description of it; put the original back"
                    )

    def damage(self, recorded_heads: dict[str, str]) -> list[str]:
        """What is damaged beyond a torn tail, in words; `recorded_heads` gives part to chain head at the close."""
        out = []
        for part, state in self.states.items():
            name = Path(state.path).name
            recorded = recorded_heads.get(str(part))
            if state.damaged:
                out.append(f"{name}, {state.damaged}")
            elif recorded is not None and recorded != state.head:
                out.append(f"{name} was cut or changed after it was closed: {state.frames} whole frames are left")
        return out


def ledger_heads(folder: RecordFolder, run: Run, known: Mapping[str, str]) -> dict[int, str]:
    """The chain head of every part of a run's ledger: as the run's end told it, or else read from the file."""
    out = {}
    for part in run.ledger_parts:
        head = known.get(str(part))
        if head is None:
            file = folder.ledger_file(part, run.tag)
            with contextlib.suppress(OSError):
                for _ in file.items():
                    pass
            head = file.state.head
        out[part] = head
    return out
