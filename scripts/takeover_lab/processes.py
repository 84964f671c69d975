"""Processes of the lab: started in a network namespace, known by number and start time, ended by those alone."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from verify.errors import CannotRun

ENDING_SIGNALS = frozenset({signal.SIGINT, signal.SIGTERM, signal.SIGHUP})
NAMESPACES = Path("/run/netns")
_POLL_S = 0.01
_PATIENCE_S = 10.0


@dataclass(frozen=True)
class ProcessId:
    """A process that cannot be mistaken for a later one with the same number."""

    pid: int
    started: int
    """Clock ticks since boot, field 22 of /proc/PID/stat (proc(5))."""

    @classmethod
    def of(cls, pid: int) -> ProcessId | None:
        """The running process with a number; None if there is none, or it has ended and waits to be collected."""
        fields = _stat(pid)
        return None if fields is None or fields[0] in "ZX" else cls(pid, int(fields[19]))

    @property
    def alive(self) -> bool:
        """Whether this very process still runs."""
        return ProcessId.of(self.pid) == self

    def send(self, number: int) -> None:
        """Send a signal, if it is still there."""
        if self.alive:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)


def _stat(pid: int) -> list[str] | None:
    """The fields of /proc/PID/stat from the state on, field 3."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return None
    return text[text.rindex(")") + 2 :].split()


def stopped_whole(pid: int) -> bool:
    """Whether every thread of a process has been stopped, so that no write of it is still under way."""
    try:
        threads = os.listdir(f"/proc/{pid}/task")
        texts = [Path(f"/proc/{pid}/task/{thread}/stat").read_text(errors="replace") for thread in threads]
    except OSError:
        return False
    return all(text[text.rindex(")") + 2] in "Tt" for text in texts)


def wait_until(true: Callable[[], object], what: str, seconds: float = _PATIENCE_S) -> None:
    """Wait for something of the lab.

    Raises:
        CannotRun: if it does not come.
    """
    deadline = time.monotonic() + seconds
    while not true():
        if time.monotonic() > deadline:
            raise CannotRun(f"the lab waited {seconds:.0f} s in vain for {what}")
        time.sleep(_POLL_S)


def in_namespace(name: str, command: Sequence[str]) -> list[str]:
    """The command line that runs a command in a network namespace, everything else shared with this machine."""
    return ["nsenter", f"--net={NAMESPACES / name}", "--", *command]


@contextmanager
def undisturbed() -> Iterator[None]:
    """Put off what would end this process, so that nothing is left half done."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, ENDING_SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def start(name: str, command: Sequence[str], log: Path) -> ProcessId:
    """Start a command in a network namespace, in a session of its own, its output appended to a file.

    It is in the namespace when this returns, so that whoever looks there for what must be ended finds it.
    """
    line = in_namespace(name, command)
    with undisturbed(), open(log, "ab") as output, open(os.devnull, "rb") as nothing:
        places = [(os.POSIX_SPAWN_DUP2, nothing.fileno(), 0)]
        places += [(os.POSIX_SPAWN_DUP2, output.fileno(), standard) for standard in (1, 2)]
        pid = os.posix_spawnp(
            line[0], line, os.environ, file_actions=places, setsid=True, setsigmask=(), setsigdef=ENDING_SIGNALS
        )
        found = ProcessId.of(pid)
        if found is not None:
            wait_until(lambda: found in processes_in(name) or not collected(found), f"{command[0]} to be started")
    if found is None or not found.alive:
        raise CannotRun(f"{command[0]} ended at once: {tail(log)}")
    return found


def run(command: Sequence[str], allow_failure: bool = False) -> str:
    """Run a command to its end and give its output.

    What would end this process waits for it: a command that went on by itself could make what nobody removes.

    Raises:
        CannotRun: with what it said, if it fails.
    """
    with undisturbed():
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=60
        )
    if done.returncode and not allow_failure:
        raise CannotRun(f"`{' '.join(command)}` failed: {(done.stderr or done.stdout).strip()}")
    return done.stdout


def processes_in(name: str) -> list[ProcessId]:
    """Every process in a network namespace."""
    try:
        wanted = os.stat(NAMESPACES / name)
    except OSError:
        return []
    found = []
    for entry in os.listdir("/proc"):
        if not entry.isdecimal():
            continue
        with contextlib.suppress(OSError):
            own = os.stat(f"/proc/{entry}/ns/net")
            if (own.st_dev, own.st_ino) == (wanted.st_dev, wanted.st_ino):
                process = ProcessId.of(int(entry))
                found += [process] if process is not None else []
    return found


def kill_all(processes: Sequence[ProcessId]) -> None:
    """End processes outright and wait until they are gone."""
    for process in processes:
        process.send(signal.SIGKILL)
    wait_until(lambda: not any(collected(process) for process in processes), "the end of processes that were killed")


def collected(process: ProcessId) -> bool:
    """Whether a process still runs; one of our own children that has ended is collected."""
    with contextlib.suppress(ChildProcessError):
        os.waitpid(process.pid, os.WNOHANG)
    return process.alive


def tail(log: Path, lines: int = 4) -> str:
    """The last lines of a log, in one."""
    try:
        return " / ".join(log.read_text(encoding="utf-8", errors="replace").strip().splitlines()[-lines:])
    except OSError:
        return ""
