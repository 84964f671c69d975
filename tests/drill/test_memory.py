"""What a check of a large volume costs in memory: at most 32 bytes a slot beside 256 MiB, whatever it finds."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.drill.runs import ackproof, command_line, convicting, environment, verdict_of

BLOCK_BYTES = 512
"""The smallest block: what is kept is kept a slot, and what is read takes time a byte."""

LANES = 32
OPERATIONS = 50
MEASURE = """
import os, subprocess, sys
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, usage = os.wait4(child.pid, 0)
child.returncode = os.waitstatus_to_exitcode(status)
print(child.returncode, usage.ru_maxrss)
"""
"""A small process between: a child's peak begins as that of the process that started it, and pytest's is large."""


def written(tmp_path: Path, span_mib: int) -> tuple[Path, Path]:
    """A run of some thousand writes on a sparse file: (volume, record)."""
    volume, record = tmp_path / "volume", tmp_path / "record"
    with open(volume, "wb") as file:
        file.truncate(span_mib << 20)
    done = ackproof(
        "write", volume, "--erase", os.path.realpath(volume), "--record", record, "--no-fill", "--span",
        f"{span_mib}MiB", "--block", str(BLOCK_BYTES), "--lanes", LANES, "--operations", OPERATIONS,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return volume, record


def check(record: Path, slots: int, code: int) -> dict[str, Any]:
    """The verdict of a check in a process of its own, which keeps within its memory."""
    between = subprocess.run(
        [sys.executable, "-c", MEASURE, *command_line("check", record)], env=environment(), capture_output=True,
        text=True, check=True,
    )  # fmt: skip
    returned, peak_kib = map(int, between.stdout.split()[-2:])
    verdict = verdict_of(record)
    print(f"peak {peak_kib / 1024:.0f} MiB")
    assert returned == code, verdict["reasons"]
    assert peak_kib * 1024 < 32 * slots + (256 << 20)
    return verdict


def test_of_16_million_slots(tmp_path: Path) -> None:
    slots = (8 << 30) // BLOCK_BYTES
    _, record = written(tmp_path, 8 << 10)
    verdict = check(record, slots, code=3)
    assert convicting(verdict) == {}
    assert verdict["coverage"] == {"slots": slots, "slots_read": slots, "bytes_read": 8 << 30}
    assert verdict["writes"]["acknowledged"] == LANES * OPERATIONS


def test_of_a_million_slots_that_are_gone(tmp_path: Path) -> None:
    slots = (512 << 20) // BLOCK_BYTES
    volume, record = written(tmp_path, 512)
    volume.unlink()
    verdict = check(record, slots, code=1)
    assert convicting(verdict) == {"unreadable": slots}
    with open(record / "checks" / "001" / "losses.csv", "rb") as file:
        assert sum(1 for _ in file) == slots + 1
