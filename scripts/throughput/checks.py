"""Measure the judging of long ledgers made up on the spot, and checks of volumes that are gone.

`judging_rows` gives rows for a table; run by itself this prints them. What is measured runs in a process of its own
each time, so that its peak memory is its own.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
from blake3 import blake3

from scripts.throughput.machine import GIB, MIB, BenchError, compile_ackproof, measured
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


def judging_rows(
    place: Path, millions: Sequence[float], slots: int = 1 << 22, where: str = ""
) -> list[dict[str, Any]]:
    """Judge made-up ledgers of so many million records: `records`, `slots`, `seconds`, `cpu_seconds`, `peak_bytes`.

    Args:
        place: a folder with 25 bytes free for each record of the longest.
        millions: the lengths.
        slots: of the volume that the run would have written.
        where: what to add to the rows' titles.
    """
    out = []
    for length in millions:
        records = int(length * 1_000_000)
        with tempfile.TemporaryDirectory(prefix="judging-", dir=place) as folder:
            record = Path(folder) / "record"
            run = make_record(record, min(slots, records // 2), records)
            took = measured(["-m", "scripts.throughput.checks", "--judge-only", record], CHILD_LIMIT_S)
        row = f"judging {length:g} million records{where}"
        out.append({"row": row, "records": records, "slots": run.slots, **took})
    return out


def missing_rows(place: Path, millions: Sequence[float]) -> list[dict[str, Any]]:
    """Check volumes of so many million written slots that are not there: time and peak memory of the worst case."""
    out = []
    for size in millions:
        slots = int(size * 1_000_000)
        with tempfile.TemporaryDirectory(prefix="missing-", dir=place) as folder:
            record = Path(folder) / "record"
            make_record(record, slots, slots * 2)
            took = measured(["-m", "verify", "check", record], CHILD_LIMIT_S)
        per_slot = (took["peak_bytes"] - 256 * MIB) / slots
        row = f"check of a volume that is gone, {size:g} million slots"
        out.append({"row": row, "slots": slots, "bytes_a_slot_over_256_mib": per_slot, **took})
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
        epilog="example: scripts/bench checks --at /mnt/disk --judging 10 100",
    )
    parser.add_argument("--at", type=Path, metavar="DIR", default=Path(tempfile.gettempdir()),
                        help="folder on the disk to use")  # fmt: skip
    parser.add_argument("--judging", type=float, nargs="*", default=[], metavar="MILLIONS", help="lengths of ledgers")
    parser.add_argument("--slots", type=int, default=1 << 22, metavar="BLOCKS", help="size of the volumes of those")
    parser.add_argument("--missing", type=float, nargs="*", default=[], metavar="MILLIONS",
                        help="blocks of volumes that are gone")  # fmt: skip
    parser.add_argument("--judge-only", metavar="RECORD", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.judge_only:
        _judge_only(options.judge_only)
        return
    needed = max(30_000_000 * max(options.judging, default=0.0), 250_000_000 * max(options.missing, default=0.0))
    if shutil.disk_usage(options.at).free < needed:
        raise SystemExit(f"{options.at} has too little room: {needed / GIB:.1f} GiB are needed")
    try:
        compile_ackproof()
        rows = judging_rows(options.at, options.judging, options.slots) + missing_rows(options.at, options.missing)
    except BenchError as error:
        raise SystemExit(str(error)) from None
    for row in rows:
        print(json.dumps(row), flush=True)


if __name__ == "__main__":
    main()
