"""Where every field of a block stands, and where every slot of a stream stands on the volume.

`FORMAT.md` beside this file is the same layout in prose, with the reason for each field and a worked example.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

MAGIC = b"aKpf"
VERSION = 1
STAMP_BYTES = 40
CHECKSUM_BYTES = 8
BLOCK_BYTES_MIN = 512
BLOCK_BYTES_MAX = 4 * 1024 * 1024
LANES_MAX = 4096
LANE_SLOTS_MAX = 2**31
SEQUENCE_MAX = 2**48 - 1
ADDRESS_MAX = 2**63 - 1
SECTOR_BYTES_ALLOWED = (512, 4096)

STAMP_DTYPE = np.dtype(
    {
        "names": [
            "magic", "version", "sector_shift", "block_shift", "reserved", "tag", "address", "stream", "lane",
            "sector", "sequence",
        ],
        "formats": ["S4", "u1", "u1", "u1", "u1", "<u8", "<u8", "<u2", "<u2", "<u4", "<u8"],
        "offsets": [0, 4, 5, 6, 7, 8, 16, 24, 26, 28, 32],
        "itemsize": STAMP_BYTES,
    }
)  # fmt: skip


def is_power_of_two(number: int) -> bool:
    """Whether `number` is 1, 2, 4, 8..."""
    return number > 0 and number & (number - 1) == 0


@dataclass(frozen=True)
class StreamLayout:
    """The part of the volume that one stream owns, cut into slots of one block each.

    Slot `i` stands at `start_bytes + i * block_bytes` and belongs to lane `i mod lanes` of the stream. Lanes
    of all streams of a run are numbered through: lane `l` of this stream is lane `first_lane + l` of the run.
    """

    stream: int
    start_bytes: int
    block_bytes: int
    sector_bytes: int
    slots: int
    lanes: int
    first_lane: int
    first_slot: int

    def __post_init__(self) -> None:
        if self.sector_bytes not in SECTOR_BYTES_ALLOWED:
            raise ValueError(f"sector of {self.sector_bytes} bytes: must be one of {SECTOR_BYTES_ALLOWED}")
        in_range = BLOCK_BYTES_MIN <= self.block_bytes <= BLOCK_BYTES_MAX
        if not in_range or not is_power_of_two(self.block_bytes):
            raise ValueError(f"block of {self.block_bytes} bytes: must be a power of two, 512 B to 4 MiB")
        if self.block_bytes < self.sector_bytes:
            raise ValueError(f"block of {self.block_bytes} bytes: less than a sector ({self.sector_bytes})")
        if self.start_bytes < 0 or self.start_bytes % self.sector_bytes:
            raise ValueError(f"start at {self.start_bytes}: no multiple of a sector ({self.sector_bytes})")
        if self.slots < self.lanes or self.lanes < 1:
            raise ValueError(f"{self.slots} slots for {self.lanes} lanes: each lane needs at least one slot")
        if self.slots > self.lanes * LANE_SLOTS_MAX:
            raise ValueError(f"{self.slots} slots for {self.lanes} lanes: over 2**31 a lane; use more lanes")
        if self.lanes > LANES_MAX or self.first_lane + self.lanes > LANES_MAX:
            raise ValueError(f"{self.first_lane + self.lanes} lanes: at most {LANES_MAX} in a run")
        if self.end_bytes - 1 > ADDRESS_MAX:
            raise ValueError(f"{self.slots} slots from {self.start_bytes} on: no volume has 2**63 bytes")

    @property
    def sectors(self) -> int:
        """Count of sectors in a block."""
        return self.block_bytes // self.sector_bytes

    @property
    def end_bytes(self) -> int:
        """Offset just past the last slot."""
        return self.start_bytes + self.slots * self.block_bytes

    def address(self, slot: int) -> int:
        """Offset in bytes of slot `slot` (counted within the stream)."""
        return self.start_bytes + slot * self.block_bytes

    def slot_at(self, address_bytes: int) -> int | None:
        """The slot (counted within the stream) that begins at `address_bytes`, or None."""
        slot, rest = divmod(address_bytes - self.start_bytes, self.block_bytes)
        return slot if rest == 0 and 0 <= slot < self.slots else None

    def lane_slots(self, lane: int) -> int:
        """How many slots lane `lane` (counted within the stream) owns."""
        return (self.slots - lane + self.lanes - 1) // self.lanes


def first_word(layout: StreamLayout) -> int:
    """The first 8 bytes of every stamp of a stream as a little-endian number: magic, version, sizes, zero."""
    sizes = (layout.sector_bytes.bit_length() - 1, layout.block_bytes.bit_length() - 1)
    return int.from_bytes(MAGIC + bytes((VERSION, *sizes, 0)), "little")
