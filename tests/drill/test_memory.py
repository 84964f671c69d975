"""What a check of a large volume costs in memory."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

from tests.drill.runs import ackproof, command_line, convicting, environment, verdict_of

SPAN_BYTES = 64 << 30
BLOCK_BYTES = 4096
LANES = 32
OPERATIONS = 500
MEMORY_BYTES_MAX = 3 << 29


def test_a_check_of_16_million_slots_stays_under_one_and_a_half_gib(tmp_path: Path) -> None:
    volume, record = tmp_path / "volume", tmp_path / "record"
    with open(volume, "wb") as file:
        file.truncate(SPAN_BYTES)
    written = ackproof(
        "write", volume, "--erase", os.path.realpath(volume), "--record", record, "--no-fill", "--span", "64GiB",
        "--block", "4KiB", "--lanes", LANES, "--operations", OPERATIONS,
    )  # fmt: skip
    assert written.returncode == 0, written.stderr
    check = subprocess.Popen(command_line("check", record), env=environment(), stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(check.pid, 0)
    check.returncode = os.waitstatus_to_exitcode(status)
    verdict = verdict_of(record)
    print(f"peak {usage.ru_maxrss / 1024:.0f} MiB, {usage.ru_utime + usage.ru_stime:.1f} s of processor time")
    assert check.returncode == 3, verdict["reasons"]
    assert convicting(verdict) == {}
    assert verdict["coverage"] == {
        "slots": SPAN_BYTES // BLOCK_BYTES, "slots_read": SPAN_BYTES // BLOCK_BYTES, "bytes_read": SPAN_BYTES,
    }  # fmt: skip
    assert verdict["writes"]["acknowledged"] == LANES * OPERATIONS
    assert usage.ru_maxrss * 1024 < MEMORY_BYTES_MAX
