"""The bar that shows how far a check has read."""

from __future__ import annotations

import contextlib
import sys


class ReadingBar:
    """On a terminal alone, since loading what draws it takes as long as reading 100 MB."""

    def __init__(self) -> None:
        self._bar = None
        if sys.stderr.isatty():
            from tqdm import tqdm

            self._bar = tqdm(
                total=None, unit="B", unit_scale=True, desc="read back", file=sys.stderr, colour=None, leave=False
            )

    def __call__(self, done: int, total: int) -> None:
        """Show so many bytes of all."""
        if self._bar is not None:
            with contextlib.suppress(OSError):  # A terminal that hung up ends no check.
                self._bar.total = total
                self._bar.update(done - self._bar.n)

    def close(self) -> None:
        """Take it away."""
        if self._bar is not None:
            with contextlib.suppress(OSError):
                self._bar.close()
