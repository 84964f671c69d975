"""An independent look at a stall: a plain loop that writes one block over and over and notes where it waited.

How long its rounds take apart from that tells how busy the machine is, and so how exact the look can be.

`python -m scripts.takeover_lab.probe PATH OFFSET FILE`; ends on SIGTERM and writes FILE. It knows nothing of ackproof.
"""

from __future__ import annotations

import json
import mmap
import os
import signal
import sys
import time

GAP_NS = 200_000_000
_BLOCK_BYTES = 4096
_PAUSE_S = 0.002


def main(path: str, offset_bytes: int, out: str) -> None:
    """Write until told to end, then put the waits longer than 0.2 s into a JSON file, wall-clock nanoseconds.

    Beside them the longest round, from one write's issue to the next, in which nothing waited so long.
    """
    ended: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, frame: ended.append(number))
    block = mmap.mmap(-1, _BLOCK_BYTES)
    descriptor = os.open(path, os.O_WRONLY | os.O_DIRECT)
    waits, writes, longest_round_ns = [], 0, 0
    while not ended:
        writes += 1
        block[:8] = writes.to_bytes(8, "little")
        wall_ns, issued_ns = time.time_ns(), time.monotonic_ns()
        try:
            os.pwrite(descriptor, block, offset_bytes)
        except OSError as error:
            waits.append({"error": error.errno, "start_ns": wall_ns, "stall_ns": time.monotonic_ns() - issued_ns})
        wait_ns = time.monotonic_ns() - issued_ns
        if wait_ns > GAP_NS:
            waits.append({"start_ns": wall_ns, "stall_ns": wait_ns})
        time.sleep(_PAUSE_S)
        if wait_ns <= GAP_NS:
            longest_round_ns = max(time.monotonic_ns() - issued_ns, longest_round_ns)
    with open(out, "w", encoding="ascii") as file:
        json.dump({"writes": writes, "waits": waits, "longest_round_ns": longest_round_ns}, file)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3])
