"""The small interface that every volume under test offers, real or simulated."""

from __future__ import annotations

from typing import Protocol


class Volume(Protocol):
    """A place to read and write whole blocks, called from many threads at once.

    Offsets and lengths are multiples of `sector_bytes`; buffers are aligned to 4096 bytes. Every method raises
    `OSError` with the kernel's errno when the operation fails.
    """

    @property
    def size_bytes(self) -> int:
        """Size of the volume in bytes."""

    @property
    def sector_bytes(self) -> int:
        """Logical block size in bytes, 512 or 4096: the smallest unit the volume transfers whole."""

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        """Fill `buffer` from `offset_bytes`; returns the bytes read, fewer only at the end or on a short transfer."""

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        """Write `buffer` at `offset_bytes`; `through` asks that it be non-volatile on return. Returns bytes written."""

    def flush(self) -> None:
        """Make every write completed before this call non-volatile."""

    def reopen(self) -> bool:
        """Find a volume that vanished again by its identity; False while it is not there."""

    def close(self) -> None:
        """Release the volume."""
