"""What the tests of whole drills share: running the commands as a user would, and runs inside this process."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import verify
from tests.drill.memory_volume import MemoryVolume
from verify.commands.main import main
from verify.drill.checking import CheckResult, check_record
from verify.drill.opening import OpenedVolume, open_recorded_volume
from verify.drill.planning import RunRequest, plan_run
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, run_load, write_to_volume
from verify.load.run import Run
from verify.load.supervisor import Outcome, Snapshot

PROJECT = Path(verify.__file__).parent.parent
FINDINGS = (
    "lost", "stale_read", "torn", "misplaced", "blank", "foreign", "unissued", "damaged", "unreadable", "unstable",
)  # fmt: skip
"""The findings that convict, by their names in verdict.json."""


def command_line(*arguments: str | int | Path) -> list[str]:
    """The command line of one `ackproof` command in a process of its own."""
    return [sys.executable, "-m", "verify", *(str(argument) for argument in arguments)]


def environment() -> dict[str, str]:
    """An environment in which `python -m verify` is the package under test, from any folder, and starts quickly.

    Hundreds of commands are started: what the first compiled serves the others, and numpy starts no threads for
    a linear algebra that nothing here does.
    """
    inherited = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return inherited | {"PYTHONPATH": str(PROJECT), "OPENBLAS_NUM_THREADS": "1"}


def ackproof(*arguments: str | int | Path, timeout_s: float = 120.0) -> subprocess.CompletedProcess[str]:
    """Run one command to its end, with nothing on standard input."""
    return subprocess.run(
        command_line(*arguments), env=environment(), stdin=subprocess.DEVNULL, capture_output=True, text=True,
        errors="surrogateescape", timeout=timeout_s, check=False,
    )  # fmt: skip


def run_here(*arguments: str | int | Path) -> subprocess.CompletedProcess[str]:
    """Run one command to its end inside this process; a second quicker than `ackproof`. Any exception is raised."""
    out, err, code = io.StringIO(), io.StringIO(), None
    command = [str(argument) for argument in arguments]
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(command)
        except SystemExit as ended:
            code = ended.code
    assert isinstance(code, int)
    return subprocess.CompletedProcess(command, code, out.getvalue(), err.getvalue())


def run_in_own_group(arguments: list[str]) -> None:
    """For a process that was forked: make it the first of a group, and run one command in it, silently."""
    os.setsid()
    with open(os.devnull, "r+b", buffering=0) as nowhere:
        for fd in range(3):
            os.dup2(nowhere.fileno(), fd)
    main(arguments)


def start(*arguments: str | int | Path, **options: Any) -> subprocess.Popen[str]:
    """Start one command in a process group of its own."""
    options = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | options
    return subprocess.Popen(
        command_line(*arguments), env=environment(), stdin=subprocess.DEVNULL, text=True, start_new_session=True,
        **options,
    )  # fmt: skip


def wait_until(true: Callable[[], object], what: str, process: subprocess.Popen[str] | None = None) -> None:
    """Wait for something to become true, or fail: after a minute, or when a process that should bring it has ended."""
    deadline = time.monotonic() + 60
    while not true():
        assert process is None or process.poll() is None, f"it ended before {what}"
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        time.sleep(0.01)


def wait_for_load(record: Path, process: subprocess.Popen[str]) -> None:
    """Wait until the load of a started writer has begun."""
    events = record / "events.jsonl"
    wait_until(lambda: events.exists() and "load_began" in events.read_text(), "the load", process)


def _nothing(snapshot: Snapshot) -> None:
    pass


def write_here(volume: Path, record: Path, request: RunRequest, seconds: float | None = None) -> Outcome:
    """The write step inside this process, its workers as threads."""
    options = LoadOptions(seconds, _nothing, processes=False, handle_signals=False)
    return write_to_volume(str(volume), str(record), request, options)


def check_here(record: Path, volume: Path | None = None, read_twice: bool = False) -> CheckResult:
    """The check step inside this process."""
    folder = RecordFolder.open(str(record))
    about, _ = folder.read_run()
    opened = open_recorded_volume(about, None if volume is None else str(volume))
    try:
        return check_record(folder, opened, read_twice)
    finally:
        if opened.volume is not None:
            opened.volume.close()


def load_on(
    volume: MemoryVolume, record: Path, request: RunRequest, seconds: float | None = None, **options: Any
) -> Run:
    """A run on a volume in memory; `options` are those of LoadOptions."""
    folder = RecordFolder.create(str(record))
    run = plan_run(request, volume.size_bytes, volume.sector_bytes)
    chosen = LoadOptions(seconds, _nothing, processes=False, handle_signals=False)
    try:
        run_load(folder, run, lambda: volume, volume.facts(), replace(chosen, **options))
    finally:
        folder.release()
    return run


def check_on(volume: MemoryVolume, record: Path, read_twice: bool = False) -> CheckResult:
    """The check of a run on a volume in memory."""
    return check_record(RecordFolder.open(str(record)), OpenedVolume(volume, "/memory"), read_twice)


def put_back(path: Path) -> Iterator[Path]:
    """For a fixture: the path of a file, whose contents are put back afterwards."""
    whole = path.read_bytes()
    yield path
    path.write_bytes(whole)


def attest(record: Path, volume: MemoryVolume | None = None) -> None:
    """Mark a takeover a moment after a load has begun that this process carries out.

    On a volume in memory a write is in flight for as long as the mark is on its way, however busy the machine is.
    """
    events = record / "events.jsonl"
    while not (events.exists() and "load_began" in events.read_text()):
        time.sleep(0.005)
    time.sleep(0.1)
    how: list[str] = []

    def press() -> None:
        how.append(RecordFolder.open(str(record)).drop_mark("pulled", True, time.monotonic_ns(), time.time_ns()))

    if volume is None:
        press()
    else:
        volume.in_a_write = press
        wait_until(lambda: how, "a write to be in flight")
    assert how == ["taken"]


def verdict_of(record: Path) -> dict[str, Any]:
    """The run's verdict, from the root of its record folder."""
    value: dict[str, Any] = json.loads((record / "verdict.json").read_text())
    return value


def losses_of(check: Path) -> list[dict[str, str]]:
    """The rows of losses.csv in the folder of one check."""
    with open(check / "losses.csv", newline="") as file:
        return list(csv.DictReader(file))


def convicting(verdict: dict[str, Any]) -> dict[str, int]:
    """The findings of a verdict that convict and are not 0."""
    return {name: verdict["findings"][name] for name in FINDINGS if verdict["findings"][name]}


def no_false_finding(verdict: dict[str, Any], rows: Sequence[dict[str, str]]) -> None:
    """Assert that a verdict accuses the volume of nothing."""
    assert convicting(verdict) == {}, (verdict["reasons"], rows[:5])
    assert verdict["verdict"] != "FAIL", verdict["reasons"]
    assert verdict["lost"]["blocks"] == verdict["lost"]["acknowledged_writes"] == 0
    assert rows == []
