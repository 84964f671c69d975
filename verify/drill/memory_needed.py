"""How much memory the judgement of a run takes at least, against what this machine has."""

from __future__ import annotations

import os
from pathlib import Path

from verify.drill.quantities import format_size
from verify.errors import CannotRun
from verify.load.run import Run

SLOT_BYTES_MIN = 8
"""What is kept of every slot in any case: the newest acknowledged write."""


def require_memory(run: Run, path: Path) -> None:
    """Refuse what this machine could never hold, rather than be killed half way for the memory that it took.

    Args:
        run: the run.
        path: of its run.json, for what is said.

    Raises:
        CannotRun: if it takes more than there is.
    """
    needed_bytes = run.slots * SLOT_BYTES_MIN
    there_bytes = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    if needed_bytes > there_bytes:
        raise CannotRun(
            f"{path} tells of {run.slots:,} blocks; to judge them takes {format_size(needed_bytes)} of memory at "
            f"least, and this machine has {format_size(there_bytes)}: check on a larger one"
        )
