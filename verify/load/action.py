"""What a lane can want done."""

from __future__ import annotations

from enum import IntEnum


class Action(IntEnum):
    """What a lane wants done."""

    WRITE = 0
    READ = 1
    EXAMINE = 2
    """Read the slot that the next write will overwrite."""
    FLUSH = 3
    WAIT = 4
    """Nothing until `Lane.wait_until_ns`."""
    END = 5
