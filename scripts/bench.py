"""Set ackproof's load and check against a bare loop in C doing the same direct I/O, in turns on one file.

Each round fills a fresh file with `ackproof write`, takes the rate of the load alone from its run.json, then
lets the bare loop write to that same file, whose extents are allocated by then, for as long with as many
threads. Shown are the medians of the rounds, and the median and range of the ratios within a round, which a
drifting disk upsets least.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
SCRATCH = ROOT / ".scratch"
KIB, MIB, GIB = 1 << 10, 1 << 20, 1 << 30
BARE_READ_BYTES = 4 * MIB
START_UP_LIMIT_S = 300
STOP_PATIENCE_S = 15
IDLE_LOOK_S = 0.5
QUIET_SHARE = 0.1
STOPPING_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@dataclass(frozen=True)
class Load:
    """A load that both run: block size and lanes, at random over the span."""

    block_bytes: int
    lanes: int

    @property
    def name(self) -> str:
        """The row's title."""
        return f"random {self.block_bytes // KIB} KiB, {self.lanes} lane{'s' * (self.lanes > 1)}"


LOADS = (Load(4 * KIB, 1), Load(4 * KIB, 8), Load(4 * KIB, 16), Load(4 * KIB, 32), Load(64 * KIB, 16))


@dataclass
class Row:
    """What the rounds measured, in `unit`, round by round."""

    name: str
    unit: str
    ackproof: list[float] = field(default_factory=list)
    bare: list[float] = field(default_factory=list)

    def add(self, ackproof: float, bare: float) -> None:
        """Note one round."""
        self.ackproof.append(ackproof)
        self.bare.append(bare)

    @property
    def ratios(self) -> list[float]:
        """Ackproof's share of the bare rate, round by round."""
        return [ours / bare for ours, bare in zip(self.ackproof, self.bare, strict=True)]

    def to_json(self) -> dict[str, Any]:
        """The row as it stands in the file of --json."""
        return {
            "row": self.name,
            "unit": self.unit,
            "ackproof": statistics.median(self.ackproof),
            "bare": statistics.median(self.bare),
            "ratio": statistics.median(self.ratios),
            "rounds": [{"ackproof": a, "bare": b} for a, b in zip(self.ackproof, self.bare, strict=True)],
        }


class BenchError(Exception):
    """The measurement cannot go on; told in one sentence."""


class Bench:
    """One measurement: its options, its temporary folder, the compiled loop."""

    def __init__(self, options: argparse.Namespace, folder: Path) -> None:
        self.options = options
        self.folder = folder
        self.bare_program = folder / "bench_bare"
        self.ledger_bytes_per_write: dict[str, float] = {}
        self.busy_shares: list[float] = []

    def build(self) -> None:
        """Compile the bare loop with the system's compiler."""
        compilers = (os.environ.get("CC"), "cc", "gcc", "clang")
        compiler = next((found for name in compilers if name and (found := shutil.which(name))), None)
        if compiler is None:
            raise BenchError("a C compiler is needed for the bare loop: install one, or name it in CC")
        source = ROOT / "scripts" / "bench_bare.c"
        run([compiler, "-std=gnu11", "-O2", "-pthread", "-o", str(self.bare_program), str(source)], 120)

    def bare(self, *arguments: object) -> float:
        """Run the bare loop; returns the operations or, for reads, the bytes a second."""
        limit_s = self.options.seconds + START_UP_LIMIT_S
        told = json.loads(run([str(self.bare_program), *map(str, arguments)], limit_s))
        done = told["bytes"] if arguments[0] == "read" else told["operations"]
        return float(done / told["seconds"])

    def write(self, volume: Path, record: Path, load: Load, span_bytes: int, seconds: int) -> dict[str, Any]:
        """Run `ackproof write` on a new file; returns the result that it left in its record folder."""
        command = [*ackproof("write"), str(volume), "--record", str(record), "--for", f"{seconds}s"]
        command += ["--block", f"{load.block_bytes // KIB}KiB", "--lanes", str(load.lanes)]
        command += ["--span", f"{span_bytes // MIB}MiB", "--pattern", "uniform", "--read-share", "0"]
        run(command, seconds + START_UP_LIMIT_S)
        result: dict[str, Any] = json.loads((record / "run.json").read_text(encoding="utf-8"))["result"]
        acknowledged = span_bytes // load.block_bytes + result["acknowledged_writes"]
        ledger_bytes = sum(path.stat().st_size for path in (record / "ledger").iterdir())
        self.ledger_bytes_per_write[load.name] = ledger_bytes / acknowledged
        return result

    def measure_load(self, row: Row, load: Load) -> None:
        """One round of one load, ours and then the bare loop's."""
        span_bytes, seconds = self.options.span * MIB, self.options.seconds
        self.busy_shares.append(busy_share())
        with self.fresh("load") as place:
            volume = place / "volume"
            result = self.write(volume, place / "record", load, span_bytes, seconds)
            bare = self.bare("write", volume, load.lanes, load.block_bytes, span_bytes, seconds)
            row.add(float(result["acknowledged_writes_per_second"]), bare)

    def measure_check(self, row: Row) -> None:
        """All rounds of reading a volume back, whole commands against a bare sequential pass."""
        span_bytes = self.options.check_span * MIB
        with self.fresh("check") as place:
            volume, record = place / "volume", place / "record"
            self.write(volume, record, Load(4 * KIB, 16), span_bytes, 1)
            for number in range(self.options.rounds):
                self.busy_shares.append(busy_share())
                started_s = time.monotonic()
                run([*ackproof("check"), str(record)], START_UP_LIMIT_S, allowed=(0, 3))
                seconds = time.monotonic() - started_s
                verdict = json.loads((record / "verdict.json").read_text(encoding="utf-8"))
                bare = self.bare("read", volume, BARE_READ_BYTES, span_bytes)
                row.add(verdict["coverage"]["bytes_read"] / seconds / 1e6, bare / 1e6)
                progress(row, number, self.options.rounds)

    @contextlib.contextmanager
    def fresh(self, name: str) -> Iterator[Path]:
        """A folder for one round, gone after it."""
        place = self.folder / name
        place.mkdir()
        try:
            yield place
        finally:
            shutil.rmtree(place, ignore_errors=True)


def busy_share() -> float:
    """The share of this machine's processor time that others use right now, 0 to 1.

    Fields of the first line of /proc/stat, proc(5): the fourth is idle, the fifth waiting for I/O.
    """

    def look() -> tuple[int, int]:
        line = Path("/proc/stat").read_text(encoding="ascii").partition("\n")[0]
        times = [int(word) for word in line.split()[1:9]]
        return sum(times), times[3] + times[4]

    total, idle = look()
    time.sleep(IDLE_LOOK_S)
    total_later, idle_later = look()
    return 1 - (idle_later - idle) / max(total_later - total, 1)


def ackproof(command: str) -> list[str]:
    """The beginning of a command line of ackproof, in this interpreter."""
    return [sys.executable, "-m", "verify", command]


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
        end(process)
    if process.returncode not in allowed:
        told = complaints.strip() or printed.strip()
        raise BenchError(f"exit {process.returncode} of {' '.join(command)}: {told}")
    return printed


def end(process: subprocess.Popen[str]) -> None:
    """Stop a command that still runs, gently first, and all that it started."""
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.communicate(timeout=STOP_PATIENCE_S)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def progress(row: Row, number: int, rounds: int) -> None:
    """Tell on stderr how a round came out."""
    ours, bare = row.ackproof[-1], row.bare[-1]
    print(
        f"round {number + 1} of {rounds}, {row.name}: {ours:,.0f} against {bare:,.0f} {row.unit}",
        file=sys.stderr,
        flush=True,
    )


def table(bench: Bench, rows: list[Row]) -> str:
    """The rows as text, the ledger's cost below, and a warning where others were at work."""
    lines = [f"{'row':<26}{'unit':<11}{'ackproof':>12}{'bare':>12}{'ratio':>8}  range of ratios"]
    for row in rows:
        ours, bare = statistics.median(row.ackproof), statistics.median(row.bare)
        ratios = row.ratios
        lines.append(
            f"{row.name:<26}{row.unit:<11}{ours:>12,.0f}{bare:>12,.0f}{statistics.median(ratios):>8.2f}"
            f"  {min(ratios):.2f} to {max(ratios):.2f}"
        )
    lines += ["", "ledger, bytes per acknowledged write (fill included)"]
    lines += [f"{name:<26}{value:>10.1f}" for name, value in bench.ledger_bytes_per_write.items()]
    busiest = max(bench.busy_shares)
    if busiest > QUIET_SHARE:
        lines += ["", f"others used up to {busiest:.0%} of the processors: run it again on a quiet machine"]
    return "\n".join(lines)


def measure(bench: Bench) -> list[Row]:
    """Every row, the rounds of the loads interleaved."""
    rounds = bench.options.rounds
    loads = [(load, Row(load.name, "writes/s")) for load in LOADS]
    for number in range(rounds):
        for load, row in loads:
            bench.measure_load(row, load)
            progress(row, number, rounds)
    check = Row("check of the volume", "MB/s")
    bench.measure_check(check)
    return [row for _, row in loads] + [check]


def whole(smallest: int, largest: int) -> Callable[[str], int]:
    """A reader of whole numbers in a range, for the options."""

    def read(text: str) -> int:
        if not text.isascii() or not text.isdigit() or not smallest <= int(text) <= largest:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {smallest} to {largest}")
        return int(text)

    return read


def read_options() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(
        prog="scripts/bench",
        description="Set ackproof against a bare loop in C doing the same direct I/O, in turns on one file.",
        epilog="example: scripts/bench --at /mnt/disk --rounds 5 --json bench.json",
        formatter_class=argparse.ArgumentDefaultsHelpFormatter,
    )
    sizes = whole(4, 1 << 20)
    parser.add_argument("--at", type=Path, metavar="DIR", default=SCRATCH, help="folder on the disk to use")
    parser.add_argument("--rounds", type=whole(1, 100), default=3, help="rounds of every row")
    parser.add_argument("--seconds", type=whole(1, 600), default=5, help="length of each load")
    parser.add_argument("--span", type=sizes, default=256, metavar="MIB", help="span of the loads")
    parser.add_argument("--check-span", type=sizes, default=1024, metavar="MIB", help="span that is checked")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write every round there too")
    options = parser.parse_args()
    if options.check_span * MIB % BARE_READ_BYTES:
        parser.error(f"--check-span must be a multiple of {BARE_READ_BYTES // MIB}")
    return options


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


def summary(bench: Bench, rows: list[Row], took_s: float) -> dict[str, Any]:
    """All that was measured, and on what, as it stands in the file of --json."""
    options = bench.options
    return {
        "format": "ackproof-bench/1",
        "kernel": platform.release(),
        "python": platform.python_version(),
        "cpus": len(os.sched_getaffinity(0)),
        "took_s": round(took_s, 1),
        "busy_share_of_others_max": round(max(bench.busy_shares), 3),
        "load_s": options.seconds,
        "span_bytes": options.span * MIB,
        "check_span_bytes": options.check_span * MIB,
        "rows": [row.to_json() for row in rows],
        "ledger_bytes_per_acknowledged_write": bench.ledger_bytes_per_write,
    }


def write_json(path: Path, value: dict[str, Any]) -> None:
    """Write a file of JSON."""
    try:
        path.write_text(json.dumps(value, indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise BenchError(f"{path} cannot be written: {error.strerror}; name another with --json") from None


def stop(number: int, _frame: FrameType | None) -> None:
    """End, tidying everything, which a second signal does not cut short."""
    for other in STOPPING_SIGNALS:
        signal.signal(other, signal.SIG_IGN)
    raise SystemExit(128 + number)


def main() -> int:
    """Measure, print the table, write the file."""
    for number in STOPPING_SIGNALS:
        signal.signal(number, stop)
    options = read_options()
    needed_bytes = int(1.5 * max(options.span, options.check_span)) * MIB + 256 * MIB
    started_s = time.monotonic()
    try:
        if options.json:
            write_json(options.json, {})
        with temporary_folder(options.at.resolve(), needed_bytes) as folder:
            bench = Bench(options, folder)
            bench.build()
            rows = measure(bench)
        print(table(bench, rows))
        if options.json:
            write_json(options.json, summary(bench, rows, time.monotonic() - started_s))
    except BenchError as error:
        print(f"scripts/bench: {error}", file=sys.stderr)
        return 4
    return 0


if __name__ == "__main__":
    sys.exit(main())
