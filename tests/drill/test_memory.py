"""What a check of a large volume costs in memory: at most 32 bytes a slot beside 256 MiB, whatever it finds."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path
from typing import Any

from tests.drill.runs import ackproof, command_line, convicting, environment, verdict_of

BLOCK_BYTES = 4096
LANES = 32
OPERATIONS = 500


def written(tmp_path: Path, span_gib: int) -> tuple[Path, Path]:
    """A run of some thousand writes on a sparse file: (volume, record)."""
    volume, record = tmp_path / "volume", tmp_path / "record"
    with open(volume, "wb") as file:
        file.truncate(span_gib << 30)
    done = ackproof(
        "write", volume, "--erase", os.path.realpath(volume), "--record", record, "--no-fill", "--span",
        f"{span_gib}GiB", "--block", "4KiB", "--lanes", LANES, "--operations", OPERATIONS,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return volume, record


def check(record: Path, slots: int, code: int) -> dict[str, Any]:
    """The verdict of a check in a process of its own, which keeps within its memory."""
    check = subprocess.Popen(command_line("check", record), env=environment(), stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(check.pid, 0)
    check.returncode = os.waitstatus_to_exitcode(status)
    verdict = verdict_of(record)
    print(f"peak {usage.ru_maxrss / 1024:.0f} MiB, {usage.ru_utime + usage.ru_stime:.1f} s of processor time")
    assert check.returncode == code, verdict["reasons"]
    assert usage.ru_maxrss * 1024 < 32 * slots + (256 << 20)
    return verdict


def test_of_16_million_slots(tmp_path: Path) -> None:
    slots = (64 << 30) // BLOCK_BYTES
    _, record = written(tmp_path, 64)
    verdict = check(record, slots, code=3)
    assert convicting(verdict) == {}
    assert verdict["coverage"] == {"slots": slots, "slots_read": slots, "bytes_read": 64 << 30}
    assert verdict["writes"]["acknowledged"] == LANES * OPERATIONS


def test_of_a_million_slots_that_are_gone(tmp_path: Path) -> None:
    slots = (4 << 30) // BLOCK_BYTES
    volume, record = written(tmp_path, 4)
    volume.unlink()
    verdict = check(record, slots, code=1)
    assert convicting(verdict) == {"unreadable": slots}
    with open(record / "checks" / "001" / "losses.csv", "rb") as file:
        assert sum(1 for _ in file) == slots + 1
