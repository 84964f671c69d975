"""The rows of scripts/bench: what each measures, for ackproof and for the bare loops. To add one: see `all_rows`."""

from __future__ import annotations

import argparse
import contextlib
import json
import shutil
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from scripts.throughput.machine import (
    GIB,
    MIB,
    BenchError,
    Processors,
    build_bare_loops,
    compile_ackproof,
    measured,
    memory_volume,
    run,
)

KIB = 1 << 10
BARE_READ_BYTES = 4 * MIB
START_UP_LIMIT_S = 600
SURVEY_STOPPED = 4
CHECK_LANES = 64
CHECK_SHARES = (4, 2, 1)
"""Volumes of a quarter, half and all of the span to check, so that it is seen how cost grows."""
DISK, MEMORY = "disk", "memory"


@dataclass(frozen=True)
class Side:
    """What one program did in one round: its rate in the row's unit, processor time an operation, idle share."""

    rate: float
    cpu_us: float | None = None
    idle_share: float | None = None


@dataclass(frozen=True)
class Round:
    """One round of a row. `facts` are further numbers by name, such as `ledger_bytes_per_write`."""

    ackproof: Side
    bare: dict[str, Side]
    facts: dict[str, float] = field(default_factory=dict)


class Row(Protocol):
    """One line of the table."""

    @property
    def name(self) -> str:
        """The row's title."""

    @property
    def unit(self) -> str:
        """What its rates count."""

    def measure(self, bench: Bench) -> Round:
        """Carry out one round.

        Raises:
            BenchError: if it cannot be measured here.
        """


@dataclass(frozen=True)
class Part:
    """A stream of a load: lanes that write blocks of one size at random over their span."""

    lanes: int
    block_bytes: int


@dataclass(frozen=True)
class LoadRow:
    """A load that all programs run, its streams on equal shares of the span."""

    parts: tuple[Part, ...]
    place: str = DISK
    read_percent: int = 0
    title: str = ""

    @property
    def unit(self) -> str:
        """Writes where there is nothing else and all are alike, otherwise bytes."""
        return "MB/s" if self.read_percent or len(self.parts) > 1 else "writes/s"

    @property
    def name(self) -> str:
        """The row's title."""
        lanes, block_bytes = sum(part.lanes for part in self.parts), self.parts[0].block_bytes
        size = f"{block_bytes // KIB} KiB" if block_bytes < MIB else f"{block_bytes // MIB} MiB"
        title = self.title or f"random {size}, {lanes} lane{'s' * (lanes > 1)}"
        return title + (", in memory" if self.place == MEMORY else "")

    def measure(self, bench: Bench) -> Round:
        """One round: ours, then every bare loop."""
        with bench.fresh("load") as place, bench.volume(self.place, place) as (volume, erase):
            record = place / "record"
            with Processors() as processors:
                result, began_ns, ended_ns = bench.write(volume, record, self, bench.options.seconds, erase)
            operations = result["acknowledged_writes"] + result["reads"]
            moved = result["bytes_per_second"] * result["seconds"]
            ours = self._side(processors, operations, moved, began_ns, ended_ns)
            bare = {name: self._bare(bench, volume, how) for name, how in self._loops(bench).items()}
            facts = {"ledger_bytes_per_write": bench.ledger_bytes(record) / bench.acknowledged(record)}
            delays = result.get("completion_to_record")
            if delays:
                facts["completion_to_record_p99_us"] = delays["p99_ns"] / 1e3
            return Round(ours, bare, facts)

    def _loops(self, bench: Bench) -> dict[str, str]:
        lanes = sum(part.lanes for part in self.parts)
        rings = [number for number in (1, 2) if number <= lanes and bench.has_rings]
        return {"threads": "threads"} | {f"{number} ring{'s' * (number > 1)}": str(number) for number in rings}

    def _bare(self, bench: Bench, volume: Path, how: str) -> Side:
        spans = [f"{part.lanes}:{part.block_bytes}:{bench.span_bytes // len(self.parts)}" for part in self.parts]
        with Processors() as processors:
            told = bench.bare("load", how, volume, bench.options.seconds, self.read_percent, *spans)
        return self._side(processors, told["writes"] + told["reads"], told["bytes"], told["began_ns"], told["ended_ns"])

    def _side(self, processors: Processors, operations: int, moved: float, began_ns: int, ended_ns: int) -> Side:
        seconds = (ended_ns - began_ns) / 1e9
        cpu_s, idle_share = processors.between(began_ns, ended_ns)
        rate = moved / 1e6 if self.unit == "MB/s" else operations
        return Side(rate / seconds, cpu_s / max(operations, 1) * 1e6, idle_share)


@dataclass(frozen=True)
class CheckRow:
    """Reading a volume back, whole commands against a bare sequential pass."""

    span_bytes: int
    place: str = DISK
    unit: str = "MB/s"

    @property
    def name(self) -> str:
        """The row's title."""
        return f"check of {self.span_bytes / GIB:g} GiB" + (", in memory" if self.place == MEMORY else "")

    def measure(self, bench: Bench) -> Round:
        """One round; the volume of the first serves all."""
        volume, record = bench.written(self.place, self.span_bytes)
        took = measured(["-m", "verify", "check", record], START_UP_LIMIT_S)
        verdict = json.loads((record / "verdict.json").read_text(encoding="utf-8"))
        read_bytes = verdict["coverage"]["bytes_read"]
        if read_bytes != self.span_bytes:
            raise BenchError(f"a check read {read_bytes} of {self.span_bytes} bytes")
        told = bench.bare("read", volume, BARE_READ_BYTES, self.span_bytes)
        bare_s = (told["ended_ns"] - told["began_ns"]) / 1e9
        slots = verdict["coverage"]["slots"]
        ours = Side(read_bytes / took["seconds"] / 1e6, took["cpu_seconds"] / slots * 1e6)
        return Round(ours, {"pass": Side(told["bytes"] / bare_s / 1e6)}, {**took, "slots": slots})


def load_rows(place: str) -> list[Row]:
    """The loads on one kind of volume."""
    alike = [(1, 4 * KIB), (8, 4 * KIB), (32, 4 * KIB), (128, 4 * KIB), (32, 64 * KIB), (8, MIB)]
    mixed = LoadRow((Part(28, 4 * KIB), Part(20, 16 * KIB)), place, 30, "mixed, 9 KiB, 30 % reads, 48 lanes")
    return [*(LoadRow((Part(lanes, block_bytes),), place) for lanes, block_bytes in alike), mixed]


def all_rows(check_span_bytes: int) -> dict[str, list[Row]]:
    """Every row of the table, in order, by the kind of volume: to add one, add it here."""
    return {place: [*load_rows(place), *check_rows(place, check_span_bytes)] for place in (DISK, MEMORY)}


def check_rows(place: str, span_bytes: int) -> list[Row]:
    """The checks on one kind of volume."""
    return [CheckRow(span_bytes // share, place) for share in CHECK_SHARES]


class Bench:
    """One measurement: its options, its temporary folder, the compiled loops."""

    def __init__(self, options: argparse.Namespace, folder: Path) -> None:
        self.options = options
        self.folder = folder
        self.bare_program = folder / "bare"
        self.span_bytes: int = options.span * MIB
        self.busy_shares: list[float] = []
        self._kept = contextlib.ExitStack()
        self._written: dict[tuple[str, int], tuple[Path, Path]] = {}
        compile_ackproof()
        build_bare_loops(self.bare_program)
        self.has_rings = bool(self.bare("rings")["rings"])

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_error: object) -> None:
        self._kept.close()

    def bare(self, *arguments: object) -> dict[str, int]:
        """Run the bare loops' program; returns what it told."""
        limit_s = self.options.seconds + START_UP_LIMIT_S
        told: dict[str, int] = json.loads(run([str(self.bare_program), *map(str, arguments)], limit_s))
        return told

    def write(
        self,
        volume: Path,
        record: Path,
        load: LoadRow,
        seconds: int,
        erase: Sequence[str] = (),
        span_bytes: int | None = None,
    ) -> tuple[dict[str, Any], int, int]:
        """Run `ackproof write`; returns the load's result, and its first and last moment on the monotonic clock."""
        parts = record.parent / "streams.toml"
        share_bytes = (span_bytes or self.span_bytes) // len(load.parts)
        parts.write_text("\n".join(_stream(part, share_bytes, load.read_percent) for part in load.parts))
        command = [*ackproof("write"), str(volume), "--record", str(record), "--for", f"{seconds}s"]
        run([*command, "--streams", str(parts), *erase], seconds + START_UP_LIMIT_S)
        result: dict[str, Any] = json.loads((record / "run.json").read_text(encoding="utf-8"))["result"]
        events = [json.loads(line) for line in (record / "events.jsonl").read_text(encoding="utf-8").splitlines()]
        moments = {event["event"]: event.get("monotonic_ns", 0) for event in events}
        return result, moments["load_began"], moments["stop"]

    def acknowledged(self, record: Path) -> int:
        """Acknowledged writes of a run, the fill included."""
        about = json.loads((record / "run.json").read_text(encoding="utf-8"))
        slots = sum(int(stream["slots"]) for stream in about["run"]["streams"])
        return int(about["result"]["acknowledged_writes"]) + slots

    def ledger_bytes(self, record: Path) -> int:
        """The size of a run's ledger."""
        return sum(path.stat().st_size for path in (record / "ledger").iterdir())

    @contextlib.contextmanager
    def fresh(self, name: str) -> Iterator[Path]:
        """A folder for one round, gone after it."""
        place = self.folder / name
        place.mkdir()
        try:
            yield place
        finally:
            shutil.rmtree(place, ignore_errors=True)

    def written(self, kind: str, span_bytes: int) -> tuple[Path, Path]:
        """A volume that `ackproof write` has filled and loaded for a second, and its record; kept for all rounds."""
        if (kind, span_bytes) not in self._written:
            place = self.folder / f"check-{kind}-{span_bytes}"
            place.mkdir()
            volume, erase = self._kept.enter_context(self.volume(kind, place, span_bytes))
            load = LoadRow((Part(CHECK_LANES, 4 * KIB),))
            self.write(volume, place / "record", load, 1, erase, span_bytes)
            self._written[kind, span_bytes] = volume, place / "record"
        return self._written[kind, span_bytes]

    @contextlib.contextmanager
    def volume(self, kind: str, place: Path, span_bytes: int | None = None) -> Iterator[tuple[Path, Sequence[str]]]:
        """A volume for one round, and what `ackproof write` must be told before it overwrites it."""
        if kind == DISK:
            yield place / "volume", ()
            return
        with memory_volume(span_bytes or self.span_bytes) as device:
            # The survey stops at a volume in memory, which proves nothing of storage; only its identity is wanted.
            told = run([*ackproof("survey"), str(device)], START_UP_LIMIT_S, allowed=(0, SURVEY_STOPPED))
            found = [line.split("--erase)")[1].strip() for line in told.splitlines() if "(for --erase)" in line]
            if not found:
                raise BenchError(f"survey names no identity for {device}")
            yield device, ("--erase", found[0], "--allow-page-cache")


def _stream(part: Part, span_bytes: int, read_percent: int) -> str:
    """A table of the file of streams."""
    return (
        f'[[stream]]\nblock = "{part.block_bytes // KIB}KiB"\nlanes = {part.lanes}\nspan = "{span_bytes // KIB}KiB"\n'
        f"pattern = \"uniform\"\nread-share = {read_percent / 100}\n"
    )


def ackproof(command: str) -> list[str]:
    """The beginning of a command line of ackproof, in this interpreter."""
    return [sys.executable, "-m", "verify", command]
