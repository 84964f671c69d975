"""Measure the check: reading a volume back against bare sequential reads, and judging long ledgers made up on the spot.

`check_rows` and `judging_rows` give rows for a table; run by itself this prints them. What is measured runs in a
process of its own each time, so that its peak memory is its own.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
from blake3 import blake3

from scripts.throughput.machine import GIB, MIB, ROOT, BenchError, build_bare_loops
from scripts.throughput.machine import run as run_command
from scripts.throughput.rows import BARE_READ_BYTES
from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.drill.record import RUN_FORMAT, LedgerParts, RecordFolder, write_json
from verify.judge.judgement import Judgement
from verify.ledger.frames import (
    RECORD_BYTES,
    FrameKind,
    Kind,
    chain_start,
    clock_record,
    encode_event,
    encode_frame,
    operation_record,
)
from verify.load.run import Run

BLOCK_BYTES = 4096
LANES = 32
WORKERS = 2
WRITES_PER_SECOND = 54_000
FRAMES_PER_SECOND = 20
"""A worker hands its records over every 50 ms."""
CLOCKS_PER_SECOND = 10
START_NS = 1_000_000_000_000
WALL_NS = 1_790_000_000_000_000_000
CHILD_LIMIT_S = 900


class Part:
    """One ledger file in the making."""

    def __init__(self, file: BinaryIO, run: Run, part: int) -> None:
        self._file = file
        self._before = chain_start(run.tag, part)
        self._number = 0
        now = {"boot_id": "made-up", "monotonic_ns": START_NS, "wall_ns": WALL_NS, "process": 1, "run": run.run_id}
        lanes = [lane for lane in range(run.lanes) if run.lane_workers[lane] == part]
        self.event({"event": "open", "description": run.digest, "part": part, "lanes": lanes, **now})

    @property
    def head(self) -> str:
        """BLAKE3 of the last frame."""
        return self._before.hex()

    def event(self, event: dict[str, Any]) -> None:
        """Append an event."""
        self._append(FrameKind.EVENT, encode_event(event), 1)

    def records(self, body: bytes) -> None:
        """Append a frame of records."""
        self._append(FrameKind.OPERATIONS, body, len(body) // RECORD_BYTES)

    def _append(self, kind: FrameKind, body: bytes, count: int) -> None:
        frame = encode_frame(kind, self._number, self._before, body, count)
        self._before = blake3(frame).digest()
        self._number += 1
        self._file.write(frame)


def make_record(path: Path, slots: int, records: int) -> Run:
    """Make up the record of a run that wrote every slot once and then went on at random, with one takeover attested.

    Args:
        path: the record folder to make.
        slots: of 4 KiB.
        records: acknowledged writes in all, rounded down to the same number of every lane.
    """
    request = RunRequest((StreamRequest(span_bytes=slots * BLOCK_BYTES),), workers=WORKERS)
    run = replace(plan_run(request, slots * BLOCK_BYTES, 512), operations=records // LANES)
    folder = RecordFolder.create(str(path))
    duration_ns = records * 1_000_000_000 // WRITES_PER_SECOND
    end_ns = START_NS + duration_ns + 1_000_000_000
    end_wall_ns = WALL_NS + end_ns - START_NS
    heads = {}
    for number in range(1, WORKERS + 1):
        with open(folder.ledger_part(number), "wb", buffering=4 * MIB) as file:
            part = Part(file, run, number)
            lanes = [lane for lane in range(LANES) if run.lane_workers[lane] == number]
            for body in _bodies(np.array(lanes), records // LANES):
                part.records(body)
            ends = [operation_record(Kind.LANE_END, lane, records // LANES, end_ns, end_ns) for lane in lanes]
            part.records(b"".join(ends))
            part.event({"event": "close", "monotonic_ns": end_ns, "wall_ns": end_wall_ns})
            heads[str(number)] = part.head
    with open(folder.ledger_part(0), "wb") as file:
        part = Part(file, run, 0)
        middle_ns = START_NS + duration_ns // 2
        part.event({"event": "load_began", "monotonic_ns": START_NS, "wall_ns": WALL_NS})
        for at_ns in range(START_NS, end_ns, 1_000_000_000 // CLOCKS_PER_SECOND):
            part.records(clock_record(at_ns, WALL_NS + at_ns - START_NS))
        mark = {"event": "mark", "text": "made up", "takeover": True, "pressed_ns": middle_ns, "accepted_ns": middle_ns}
        part.event({**mark, "pressed_wall_ns": WALL_NS + middle_ns - START_NS})
        part.event({"event": "stop", "monotonic_ns": end_ns - 1, "reason": "the time is over"})
        part.event({"event": "close", "monotonic_ns": end_ns, "wall_ns": end_wall_ns, "heads": heads})
    identity = {
        "kind": "file", "identity": str(path / "no-volume"), "path": str(path / "no-volume"),
        "size_bytes": slots * BLOCK_BYTES, "sector_bytes": 512, "memory_alignment_bytes": 512, "model": "",
        "device_number": "0:0", "inode": 1, "backing": "",
    }  # fmt: skip
    write_json(folder.run_path, {"format": RUN_FORMAT, "run": run.to_json(), "volume": {"identity": identity}})
    folder.release()
    return run


def _bodies(lanes: npt.NDArray[np.int64], operations: int) -> Iterator[bytes]:
    """The records of one worker frame by frame: its lanes in turn, each operation as long as all lanes' turns."""
    per_second = WRITES_PER_SECOND // WORKERS
    step_ns = 1_000_000_000 // per_second
    total = len(lanes) * operations
    per_frame = per_second // FRAMES_PER_SECOND
    clocks_every = FRAMES_PER_SECOND // CLOCKS_PER_SECOND
    for frame, first in enumerate(range(0, total, per_frame)):
        index = np.arange(first, min(first + per_frame, total), dtype=np.int64)
        words = np.empty((len(index), 3), dtype="<u8")
        sequence = index // len(lanes)
        words[:, 0] = int(Kind.WRITE) | lanes[index % len(lanes)] << 16 | (sequence & 0xFFFFFFFF) << 32
        words[:, 1] = sequence >> 32 | (len(lanes) * step_ns - 1) << 16
        words[:, 2] = START_NS + index * step_ns
        at_ns = START_NS + (first + len(index)) * step_ns
        clock = b"" if frame % clocks_every else clock_record(at_ns, WALL_NS + at_ns - START_NS)
        yield words.tobytes() + clock


def _measured(arguments: Sequence[str | Path]) -> dict[str, float]:
    """Run a command; how long it took, its processor time and its peak memory."""
    started_s = time.monotonic()
    command = [sys.executable, *map(str, arguments)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd=ROOT)
    assert process.stderr is not None
    complaints = process.stderr.read().decode(errors="replace")
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 1, 3):
        raise SystemExit(f"exit {process.returncode} of {' '.join(command)}: {complaints}")
    return {
        "seconds": time.monotonic() - started_s,
        "cpu_seconds": usage.ru_utime + usage.ru_stime,
        "peak_bytes": usage.ru_maxrss * 1024,
    }


def judging_rows(place: Path, millions: Sequence[float], slots: int = 1 << 22) -> list[dict[str, Any]]:
    """Judge made-up ledgers of so many million records: `records`, `slots`, `seconds`, `cpu_seconds`, `peak_bytes`.

    Args:
        place: a folder on a disk with 25 bytes free for each record of the longest.
        millions: the lengths.
        slots: of the volume that the run would have written.
    """
    out = []
    for length in millions:
        records = int(length * 1_000_000)
        with tempfile.TemporaryDirectory(prefix="judging-", dir=place) as folder:
            record = Path(folder) / "record"
            run = make_record(record, min(slots, records // 2), records)
            measured = _measured(["-m", "scripts.throughput.checks", "--judge-only", record])
        out.append({"row": f"judging {length:g} million records", "records": records, "slots": run.slots, **measured})
    return out


def missing_rows(place: Path, millions: Sequence[float]) -> list[dict[str, Any]]:
    """Check volumes of so many million written slots that are not there: time and peak memory of the worst case."""
    out = []
    for size in millions:
        slots = int(size * 1_000_000)
        with tempfile.TemporaryDirectory(prefix="missing-", dir=place) as folder:
            record = Path(folder) / "record"
            make_record(record, slots, slots * 2)
            measured = _measured(["-m", "verify", "check", record])
        per_slot = (measured["peak_bytes"] - 256 * MIB) / slots
        row = f"check of a volume that is gone, {size:g} million slots"
        out.append({"row": row, "slots": slots, "bytes_a_slot_over_256_mib": per_slot, **measured})
    return out


def check_rows(place: Path, span_bytes: int, bare_program: Path, rounds: int = 3) -> list[dict[str, Any]]:
    """Check a volume and read it bare, in turns: `ackproof` and `bare` in MB/s, and their `ratio`; a row a round.

    Args:
        place: a folder on the disk to use, with room for the volume.
        span_bytes: size of the volume, which is written first.
        bare_program: the compiled bare loop.
        rounds: how many of each.
    """
    out = []
    with tempfile.TemporaryDirectory(prefix="check-", dir=place) as folder:
        record, volume = Path(folder) / "record", Path(folder) / "volume"
        span = f"{span_bytes // MIB}MiB"
        _measured(["-m", "verify", "write", volume, "--record", record, "--for", "1s", "--span", span])
        for _ in range(rounds):
            measured = _measured(["-m", "verify", "check", record])
            command = [str(bare_program), "read", str(volume), str(BARE_READ_BYTES), str(span_bytes)]
            bare = json.loads(run_command(command, CHILD_LIMIT_S))
            bare_s = (bare["ended_ns"] - bare["began_ns"]) / 1e9
            ours, theirs = span_bytes / measured["seconds"] / 1e6, bare["bytes"] / bare_s / 1e6
            rates = {"ackproof": ours, "bare": theirs, "ratio": ours / theirs}
            out.append({"row": f"check of {span_bytes / GIB:g} GiB", **rates, **measured})
    return out


def _judge_only(path: str) -> None:
    folder = RecordFolder.open(path)
    _, run = folder.read_run()
    judgement = Judgement(run, LedgerParts(folder, run))
    if judgement.contradictions():
        raise SystemExit(4)
    for _ in judgement.judge({}, {}):
        pass


def main() -> None:
    """Measure what was asked for and print a line for each."""
    parser = argparse.ArgumentParser(
        prog="scripts/bench checks",
        description=str(__doc__).partition("\n")[0],
        epilog="example: scripts/bench checks --at /mnt/disk --judging 10 100 --check 4",
    )
    parser.add_argument("--at", type=Path, metavar="DIR", default=Path(tempfile.gettempdir()),
                        help="folder on the disk to use")  # fmt: skip
    parser.add_argument("--judging", type=float, nargs="*", default=[], metavar="MILLIONS", help="lengths of ledgers")
    parser.add_argument("--slots", type=int, default=1 << 22, metavar="BLOCKS", help="size of the volumes of those")
    parser.add_argument("--missing", type=float, nargs="*", default=[], metavar="MILLIONS",
                        help="blocks of volumes that are gone")  # fmt: skip
    parser.add_argument("--check", type=float, nargs="*", default=[], metavar="GIB", help="sizes of volumes to check")
    parser.add_argument("--judge-only", metavar="RECORD", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.judge_only:
        _judge_only(options.judge_only)
        return
    needed = max(
        30_000_000 * max(options.judging, default=0.0), 250_000_000 * max(options.missing, default=0.0),
        1.1 * GIB * max(options.check, default=0.0),
    )  # fmt: skip
    if shutil.disk_usage(options.at).free < needed:
        raise SystemExit(f"{options.at} has too little room: {needed / GIB:.1f} GiB are needed")
    for row in judging_rows(options.at, options.judging, options.slots) + missing_rows(options.at, options.missing):
        print(json.dumps(row), flush=True)
    for size in options.check:
        with tempfile.TemporaryDirectory() as folder:
            program = Path(folder) / "bare"
            try:
                build_bare_loops(program)
                for row in check_rows(options.at, int(size * GIB), program):
                    print(json.dumps(row), flush=True)
            except BenchError as error:
                raise SystemExit(str(error)) from None


if __name__ == "__main__":
    main()
