"""Volumes in memory, for drills inside the test process: one that answers at once, and ways to make it misbehave."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from verify.volume.identity import VolumeIdentity

SECTOR_BYTES = 512


class MemoryVolume:
    """A volume of zeros in memory. `write_delay_s` is how long every write takes.

    What is put into `in_a_write` is called once, in the next write, which is in flight until it returns.
    """

    def __init__(self, size_bytes: int, write_delay_s: float = 0.0) -> None:
        self.data = bytearray(size_bytes)
        self.size_bytes = size_bytes
        self.sector_bytes = SECTOR_BYTES
        self.write_delay_s = write_delay_s
        self.lock = threading.Lock()
        self.in_a_write: Callable[[], None] | None = None

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        with self.lock:
            data = self.data[offset_bytes : offset_bytes + len(buffer)]
        buffer[: len(data)] = data
        return len(data)

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        if self.write_delay_s:
            time.sleep(self.write_delay_s)
        if self.in_a_write is not None:
            with self.lock:
                call, self.in_a_write = self.in_a_write, None
            if call is not None:
                call()
        with self.lock:
            self.data[offset_bytes : offset_bytes + len(buffer)] = buffer
        return len(buffer)

    def flush(self) -> None:
        pass

    def reopen(self) -> bool:
        return False

    def close(self) -> None:
        pass

    def facts(self) -> dict[str, object]:
        """What run.json says of the volume."""
        identity = VolumeIdentity(
            "file", "/memory", "/memory", self.size_bytes, SECTOR_BYTES, SECTOR_BYTES, "", "0:0", 1, ""
        )
        return {"identity": identity.to_json(), "direct": True, "page_cache": "", "cache_mode": ""}
