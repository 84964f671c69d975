"""What scripts/bench needs of the machine: processes that end, folders that vanish, a volume in memory, and times."""

from __future__ import annotations

import compileall
import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
SCRATCH = ROOT / ".scratch"
MEMORY = Path("/dev/shm")
MIB, GIB = 1 << 20, 1 << 30
STOP_PATIENCE_S = 15
SAMPLE_EVERY_S = 0.05
IDLE_LOOK_S = 0.5
ENDED_WITH_A_VERDICT = (0, 1, 3)


class BenchError(Exception):
    """The measurement cannot go on; told in one sentence."""


def run(command: list[str], limit_s: float, allowed: tuple[int, ...] = (0,)) -> str:
    """Run a command in a process group of its own, gone after this call; returns what it printed."""
    process = subprocess.Popen(
        command,
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        printed, complaints = process.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        raise BenchError(f"not done within {limit_s:.0f} s: {' '.join(command)}") from None
    finally:
        _end(process)
    if process.returncode not in allowed:
        told = complaints.strip() or printed.strip()
        raise BenchError(f"exit {process.returncode} of {' '.join(command)}: {told}")
    return printed


def _end(process: subprocess.Popen[Any]) -> None:
    """Stop a command that still runs, gently first, and all that it started."""
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.communicate(timeout=STOP_PATIENCE_S)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def measured(arguments: Sequence[str | Path], limit_s: float) -> dict[str, float]:
    """Run this interpreter with some arguments: `seconds` from start to end, `cpu_seconds`, `peak_bytes` of memory.

    Raises:
        BenchError: if it does not end in time, or not as a command does that has come to a verdict.
    """
    command = [sys.executable, *map(str, arguments)]
    with tempfile.TemporaryFile() as complaints:
        started_s = time.monotonic()
        process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=complaints,
            start_new_session=True,
        )  # fmt: skip
        timer = threading.Timer(limit_s, process.kill)
        timer.start()
        try:
            _, status, usage = os.wait4(process.pid, 0)
            seconds = time.monotonic() - started_s
            process.returncode = os.waitstatus_to_exitcode(status)
        finally:
            timer.cancel()
            if process.returncode is None:
                _end(process)
        if process.returncode not in ENDED_WITH_A_VERDICT:
            complaints.seek(0)
            told = complaints.read().decode(errors="replace").strip()
            raise BenchError(f"exit {process.returncode} of {' '.join(command)}: {told}")
    return {
        "seconds": seconds,
        "cpu_seconds": usage.ru_utime + usage.ru_stime,
        "peak_bytes": usage.ru_maxrss * 1024,
    }


def compile_ackproof() -> None:
    """Compile the package to byte code, as installing it does: compiling it anew takes longer than a short check."""
    compileall.compile_dir(ROOT / "verify", quiet=1)


def build_bare_loops(program: Path) -> None:
    """Compile the bare loops with the system's compiler."""
    compilers = (os.environ.get("CC"), "cc", "gcc", "clang")
    compiler = next((found for name in compilers if name and (found := shutil.which(name))), None)
    if compiler is None:
        raise BenchError("a C compiler is needed for the bare loops: install one, or name it in CC")
    source = ROOT / "scripts" / "throughput" / "bare.c"
    run([compiler, "-std=gnu11", "-O2", "-pthread", "-o", str(program), str(source)], 120)


@contextlib.contextmanager
def temporary_folder(place: Path, needed_bytes: int) -> Iterator[Path]:
    """A folder on the disk under test, gone at the end however it comes."""
    try:
        if place == SCRATCH:
            place.mkdir(exist_ok=True)
        free_bytes = shutil.disk_usage(place).free
        if free_bytes < needed_bytes:
            raise BenchError(
                f"{place} has {free_bytes / GIB:.1f} GiB free and {needed_bytes / GIB:.1f} are needed: "
                "name another folder with --at, or ask for smaller spans"
            )
        folder = Path(tempfile.mkdtemp(prefix="bench-", dir=place))
    except OSError as error:
        raise BenchError(f"{place} cannot be used: {error.strerror}; name another folder with --at") from None
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if place == SCRATCH:
            with contextlib.suppress(OSError):
                place.rmdir()


@contextlib.contextmanager
def memory_volume(size_bytes: int) -> Iterator[Path]:
    """A block device that is nothing but memory: a loop device over a file of a tmpfs, both past the page cache.

    Raises:
        BenchError: if there can be none here.
    """
    if os.geteuid() != 0 or shutil.which("losetup") is None:
        raise BenchError("a volume in memory needs root and losetup, for a loop device")
    try:
        folder = Path(tempfile.mkdtemp(prefix="bench-", dir=MEMORY))
    except OSError as error:
        raise BenchError(f"{MEMORY} cannot be used for a volume in memory: {error.strerror}") from None
    device = ""
    try:
        backing = folder / "volume"
        with open(backing, "wb") as file:
            try:
                os.posix_fallocate(file.fileno(), 0, size_bytes)
            except OSError as error:
                raise BenchError(f"{MEMORY} cannot hold {size_bytes / GIB:.1f} GiB: {error.strerror}") from None
        device = run(["losetup", "--find", "--show", "--direct-io=on", str(backing)], 30).strip()
        if run(["losetup", "--noheadings", "--output", "DIO", device], 30).strip() != "1":
            raise BenchError("this kernel has no direct I/O to a file of a tmpfs, so its loop device would cache")
        yield Path(device)
    finally:
        if device:
            with contextlib.suppress(BenchError):
                run(["losetup", "--detach", device], 30)
        shutil.rmtree(folder, ignore_errors=True)


def _processor_times() -> tuple[float, float]:
    """Seconds that all processors together were busy, and idle.

    Fields of the first line of /proc/stat, proc(5): the fourth is idle, the fifth waiting for I/O.
    """
    line = Path("/proc/stat").read_text(encoding="ascii").partition("\n")[0]
    times = [int(word) for word in line.split()[1:9]]
    tick_s = 1 / os.sysconf("SC_CLK_TCK")
    idle = times[3] + times[4]
    return (sum(times) - idle) * tick_s, idle * tick_s


class Processors:
    """Watches how busy all processors are, kernel threads and interrupts included, until the `with` ends."""

    def __init__(self) -> None:
        self._moments_ns: list[int] = []
        self._times: list[tuple[float, float]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Processors:
        self._thread.start()
        return self

    def __exit__(self, *_error: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        while True:
            self._moments_ns.append(time.monotonic_ns())
            self._times.append(_processor_times())
            if self._stop.wait(SAMPLE_EVERY_S):
                return

    def between(self, began_ns: int, ended_ns: int) -> tuple[float, float]:
        """Seconds of processor time used between two moments of the monotonic clock, and the share that was idle."""
        first = max(bisect_right(self._moments_ns, began_ns) - 1, 0)
        last = max(bisect_right(self._moments_ns, ended_ns) - 1, first + 1)
        last = min(last, len(self._times) - 1)
        busy_s = self._times[last][0] - self._times[first][0]
        idle_s = self._times[last][1] - self._times[first][1]
        looked_ns = self._moments_ns[last] - self._moments_ns[first]
        return busy_s * (ended_ns - began_ns) / max(looked_ns, 1), idle_s / max(busy_s + idle_s, 1e-9)


def busy_share() -> float:
    """The share of this machine's processor time that others use right now, 0 to 1."""
    busy_s, idle_s = _processor_times()
    time.sleep(IDLE_LOOK_S)
    busy_later_s, idle_later_s = _processor_times()
    used_s, unused_s = busy_later_s - busy_s, idle_later_s - idle_s
    return used_s / max(used_s + unused_s, 1e-9)
