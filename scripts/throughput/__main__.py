"""Set ackproof beside bare loops in C doing the same direct I/O, in turns on one volume.

A round of a load fills a fresh volume with `ackproof write`, takes what the load alone did from the record, then lets
every bare loop (a thread a lane; one io_uring; two) do the same to that same volume, whose extents are allocated by
then, for as long. The rounds of all rows are interleaved. Shown are medians, the ratio to that bare loop which was
best in the same run, and the range of the ratios within a round, which a drifting disk upsets least.

Processor time is that of the whole machine while a load lasted, kernel threads and interrupts included, over the
number of operations.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import signal
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from scripts.throughput.checks import judging_rows, missing_rows
from scripts.throughput.growth import exponent, per_slot
from scripts.throughput.machine import GIB, MIB, SCRATCH, BenchError, busy_share, temporary_folder
from scripts.throughput.machine import MEMORY as MEMORY_FOLDER
from scripts.throughput.rows import BARE_READ_BYTES, CHECK_SHARES, DISK, MEMORY, Bench, CheckRow, Round, Row, all_rows

QUIET_SHARE = 0.1
IDLE_SHARE_NONE = 0.05
"""With less of the processors idle than this, the bare loop leaves none for anything else."""
MEMORY_BYTES_A_SLOT, MEMORY_BYTES = 32, 256 * MIB
"""What a check may take."""
BOTH = "both"
STOPPING_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@dataclass
class Measured:
    """A row and its rounds so far, or why there are none."""

    row: Row
    rounds: list[Round] = field(default_factory=list)
    failure: str = ""

    @property
    def best(self) -> str:
        """The bare loop that was best."""
        return max(self.rounds[0].bare, key=lambda name: statistics.median(r.bare[name].rate for r in self.rounds))

    @property
    def ratios(self) -> list[float]:
        """Ackproof's share of the best bare rate, round by round."""
        return [r.ackproof.rate / r.bare[self.best].rate for r in self.rounds]

    def ours(self, name: str) -> float | None:
        """The median of a field of our side, None where it was not measured."""
        return _median([getattr(r.ackproof, name) for r in self.rounds])

    def bare(self, name: str) -> float | None:
        """The median of a field of the best bare loop."""
        return _median([getattr(r.bare[self.best], name) for r in self.rounds])

    def fact(self, name: str) -> float | None:
        """The median of a further number."""
        return _median([r.facts.get(name) for r in self.rounds])

    @property
    def note(self) -> str:
        """Where the bare loop leaves no idle processor: how much of one we need beyond it."""
        idle, ours, bare = self.bare("idle_share"), self.ours("cpu_us"), self.bare("cpu_us")
        if idle is None or idle > IDLE_SHARE_NONE or ours is None or bare is None:
            return ""
        return f"bare leaves no processor idle; ours needs {ours - bare:.1f} us an operation more"

    def to_json(self) -> dict[str, Any]:
        """The row as it stands in the file of --json."""
        out: dict[str, Any] = {"row": self.row.name, "unit": self.row.unit}
        if not self.rounds:
            return out | {"not_measured": self.failure}
        names = sorted({name for r in self.rounds for name in r.facts})
        return out | {
            "ackproof": self.ours("rate"),
            "bare": self.bare("rate"),
            "bare_by": self.best,
            "ratio": statistics.median(self.ratios),
            "ackproof_cpu_us_per_operation": self.ours("cpu_us"),
            "bare_cpu_us_per_operation": self.bare("cpu_us"),
            "bare_idle_share": self.bare("idle_share"),
            **{name: self.fact(name) for name in names},
            "note": self.note,
            "rounds": [
                {"ackproof": vars(r.ackproof), "bare": {name: vars(side) for name, side in r.bare.items()}, **r.facts}
                for r in self.rounds
            ],
        }


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return statistics.median(known) if known else None


def measure(bench: Bench) -> list[Measured]:
    """Every row that was asked for, the rounds interleaved."""
    wanted = bench.options.only
    by_kind = all_rows(bench.options.check_span * MIB)
    known = [row for kind, rows in by_kind.items() if bench.options.volumes in (kind, BOTH) for row in rows]
    rows = [Measured(row) for row in known if not wanted or any(text in row.name for text in wanted)]
    if not rows:
        raise BenchError(f"no row has {' or '.join(wanted)} in its name")
    for number in range(bench.options.rounds):
        for measured in rows:
            if measured.failure:
                continue
            bench.busy_shares.append(busy_share())
            try:
                measured.rounds.append(measured.row.measure(bench))
            except BenchError as error:
                measured.failure = str(error)
                print(f"{measured.row.name}: {error}", file=sys.stderr, flush=True)
                continue
            last = measured.rounds[-1]
            bare = ", ".join(f"{name} {side.rate:,.0f}" for name, side in last.bare.items())
            told = f"{measured.row.name}: {last.ackproof.rate:,.0f} {measured.row.unit} against {bare}"
            print(f"round {number + 1} of {bench.options.rounds}, {told}", file=sys.stderr, flush=True)
    return rows


def table(bench: Bench, rows: list[Measured]) -> str:
    """The rows as text, and a warning where others were at work."""
    above = f"{'':<76}{'':>8}  {'range of':<14}{'us an operation':>16}{'bytes a slot':>17}"
    titles = f"{'row':<46}{'unit':<10}{'ackproof':>10}{'bare':>10}  {'by':<8}{'ratio':>6}  {'ratios':<14}"
    lines = [above, f"{titles}{'ackproof':>9}{'bare':>7}{'beyond 256 MiB':>17}"]
    for row in rows:
        lines += _lines(row, memory_a_slot(row))
    busiest = max(bench.busy_shares)
    if busiest > QUIET_SHARE:
        lines += ["", f"others used up to {busiest:.0%} of the processors: run it again on a quiet machine"]
    return "\n".join(lines)


def _lines(row: Measured, bytes_a_slot: float | None) -> list[str]:
    if not row.rounds:
        return [f"{row.row.name:<46}not measured: {row.failure}"]
    ratios = row.ratios
    span = f"{min(ratios):.2f} to {max(ratios):.2f}"
    line = (
        f"{row.row.name:<46}{row.row.unit:<10}{row.ours('rate'):>10,.0f}{row.bare('rate'):>10,.0f}  {row.best:<8}"
        f"{statistics.median(ratios):>6.2f}  {span:<14}{_number(row.ours('cpu_us')):>9}{_number(row.bare('cpu_us')):>7}"
        f"{_number(bytes_a_slot):>17}"
    )
    delay_us = row.fact("completion_to_record_p99_us")
    notes = [row.note] if row.note else []
    notes += [f"99 % of completions were recorded within {delay_us:,.0f} us"] if delay_us is not None else []
    peak_bytes, slots = row.fact("peak_bytes"), row.fact("slots")
    if peak_bytes is not None and slots is not None:
        allowed = MEMORY_BYTES_A_SLOT * slots + MEMORY_BYTES
        notes += [f"{peak_bytes / MIB:,.0f} MiB of memory at most, where {allowed / MIB:,.0f} are allowed"]
    return [line.rstrip(), *(f"  {note}" for note in notes)]


def memory_a_slot(row: Measured) -> float | None:
    """Bytes of memory that each slot of a check took beyond the allowance for everything else; 0 where that sufficed.

    How much of the allowance was used says little: how many buffers wait for the ledger is a matter of timing.
    """
    peak_bytes, slots = row.fact("peak_bytes"), row.fact("slots")
    if peak_bytes is None or slots is None:
        return None
    return max(per_slot((0, MEMORY_BYTES), (slots, peak_bytes)) or 0.0, 0.0)


def growth(rows: Sequence[Measured], judged: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """By which power of slots the time and memory of checks grow, and of records those of judging; 1 is linear."""
    out = []
    for place in (DISK, MEMORY):
        checks = [r for r in rows if isinstance(r.row, CheckRow) and r.row.place == place and r.rounds]
        for name in ("seconds", "cpu_seconds", "peak_bytes"):
            points = [(r.fact("slots") or 0, r.fact(name) or 0) for r in checks]
            out.append({"what": f"{name} of checks, {place}", "by": "slots", "power": exponent(points)})
        told = [row for row in judged if row["place"] == place]
        for name in ("seconds", "cpu_seconds", "peak_bytes"):
            points = [(row["records"], row[name]) for row in told]
            out.append({"what": f"{name} of judging, {place}", "by": "records", "power": exponent(points)})
    return [item for item in out if item["power"] is not None]


def _memory(row: Measured) -> dict[str, float]:
    bytes_a_slot = memory_a_slot(row)
    return {} if bytes_a_slot is None else {"memory_bytes_a_slot_beyond_256_mib": bytes_a_slot}


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:,.1f}"


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
        description="Set ackproof beside bare loops in C doing the same direct I/O, in turns on one volume.",
        epilog="example: scripts/bench --at /mnt/disk --rounds 5 --only '4 KiB' --json bench.json; "
        "what checks cost by themselves: scripts/bench checks --help",
        formatter_class=argparse.ArgumentDefaultsHelpFormatter,
    )
    sizes = whole(16, 1 << 20)
    parser.add_argument("--at", type=Path, metavar="DIR", default=SCRATCH, help="folder on the disk to use")
    parser.add_argument("--rounds", type=whole(1, 100), default=3, help="rounds of every row")
    parser.add_argument("--seconds", type=whole(1, 600), default=5, help="length of each load")
    parser.add_argument("--span", type=sizes, default=256, metavar="MIB", help="span of the loads")
    parser.add_argument("--check-span", type=sizes, default=4096, metavar="MIB", help="largest span that is checked")
    parser.add_argument("--only", action="append", metavar="TEXT", default=[],
                        help="rows with this in their names; may be given again")  # fmt: skip
    parser.add_argument("--volumes", choices=(DISK, MEMORY, BOTH), default=BOTH, help="kinds of volumes to use")
    parser.add_argument("--records", type=float, nargs="*", default=[10, 40, 100], metavar="MILLIONS",
                        help="lengths of ledgers to judge, once each")  # fmt: skip
    parser.add_argument("--missing", type=float, nargs="*", default=[2, 6], metavar="MILLIONS",
                        help="slots of volumes that are gone: of all checks the most memory a slot")  # fmt: skip
    parser.add_argument("--json", type=Path, metavar="FILE", help="write every round there too")
    options = parser.parse_args()
    multiple = BARE_READ_BYTES // MIB * CHECK_SHARES[0]
    if options.check_span % multiple:
        parser.error(f"--check-span must be a multiple of {multiple}")
    return options


def judge(options: argparse.Namespace, folder: Path) -> list[dict[str, Any]]:
    """The judging of made-up ledgers, on the disk and in memory as asked for."""
    out = []
    if options.volumes in (DISK, BOTH):
        out += [row | {"place": DISK} for row in judging_rows(folder, options.records)]
    if options.volumes in (MEMORY, BOTH):
        needed_bytes = int(30e6 * max(options.records, default=0))
        with temporary_folder(MEMORY_FOLDER, needed_bytes) as place:
            rows = judging_rows(place, options.records, where=", in memory")
            out += [row | {"place": MEMORY} for row in rows]
    return out


def summary(bench: Bench, rows: list[Measured], took_s: float) -> dict[str, Any]:
    """All that was measured, and on what, as it stands in the file of --json."""
    options = bench.options
    return {
        "format": "ackproof-bench/3",
        "kernel": platform.release(),
        "python": platform.python_version(),
        "cpus": len(os.sched_getaffinity(0)),
        "took_s": round(took_s, 1),
        "busy_share_of_others_max": round(max(bench.busy_shares), 3),
        "load_s": options.seconds,
        "span_bytes": bench.span_bytes,
        "check_span_bytes": options.check_span * MIB,
        "rows": [row.to_json() | _memory(row) for row in rows],
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
    needed_bytes = 2 * options.check_span * MIB + options.span * MIB + GIB // 2
    needed_bytes = max(needed_bytes, int(30e6 * max(options.records, default=0)))
    needed_bytes = max(needed_bytes, int(250e6 * max(options.missing, default=0)))
    started_s = time.monotonic()
    try:
        if options.json:
            write_json(options.json, {})
        with temporary_folder(options.at.resolve(), needed_bytes) as folder:
            with Bench(options, folder) as bench:
                rows = measure(bench)
            judged = judge(options, folder)
            gone = missing_rows(folder, options.missing)
        grown = growth(rows, judged)
        print(table(bench, rows))
        for row in judged:
            rate = f"{row['records'] / row['seconds']:,.0f} records/s"
            print(f"{row['row']:<46}{rate}, {row['seconds']:.1f} s, {row['peak_bytes'] / MIB:,.0f} MiB at most")
        for row in gone:
            beyond = max(row["bytes_a_slot_over_256_mib"], 0)
            print(f"{row['row']:<50}{row['seconds']:.1f} s, {row['peak_bytes'] / MIB:,.0f} MiB at most")
            print(f"  {beyond:.1f} bytes a slot beyond 256 MiB, of {MEMORY_BYTES_A_SLOT} allowed")
        sizes = sorted((row["slots"], row["peak_bytes"]) for row in gone)
        each = per_slot(sizes[0], sizes[-1]) if sizes else None
        if each is not None:
            print(f"  {each:.1f} bytes of memory for each further slot, where every slot is odd")
        for item in grown:
            print(f"{item['what']} grow with {item['by']} to the power {item['power']:.2f}")
        if options.json:
            told = {"judging": judged, "gone": gone, "memory_bytes_a_slot_where_all_are_odd": each, "growth": grown}
            write_json(options.json, summary(bench, rows, time.monotonic() - started_s) | told)
    except BenchError as error:
        print(f"scripts/bench: {error}", file=sys.stderr)
        return 4
    return 0


if __name__ == "__main__":
    sys.exit(main())
