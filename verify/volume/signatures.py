"""What a volume holds, by the marks that file systems, partition tables and the like leave on it.

The places and values of the marks are from memory, but for the tests that hold some of them to what the usual
tools write. Where blkid is there, it is asked as well: it knows many more.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable
from dataclasses import dataclass

from verify.volume.memory import aligned_buffer
from verify.volume.programs import ask_program

MIB = 1 << 20
BLKID_PATIENCE_S = 10
_READ_ALIGNMENT_BYTES = 4096
_SAMPLE_BYTES = 64 * 1024
_SAMPLE_COUNT = 16

Read = Callable[[int, int], bytes]


@dataclass(frozen=True)
class _Mark:
    family: str
    what: str
    offset_bytes: int
    value: bytes


_MARKS = (
    _Mark("ext", "ext file system", 1080, b"\x53\xef"),
    _Mark("xfs", "xfs file system", 0, b"XFSB"),
    _Mark("btrfs", "btrfs file system", 65600, b"_BHRfS_M"),
    _Mark("vfat", "vfat file system", 54, b"FAT1"),
    _Mark("vfat", "vfat file system", 82, b"FAT32"),
    _Mark("ntfs", "ntfs file system", 3, b"NTFS    "),
    _Mark("exfat", "exfat file system", 3, b"EXFAT   "),
    _Mark("f2fs", "f2fs file system", 1024, b"\x10\x20\xf5\xf2"),
    _Mark("squashfs", "squashfs file system", 0, b"hsqs"),
    _Mark("iso9660", "iso9660 file system", 32769, b"CD001"),
    _Mark("crypto_luks", "LUKS encrypted volume", 0, b"LUKS\xba\xbe"),
    _Mark("lvm2_member", "LVM physical volume", 0, b"LABELONE"),
    _Mark("lvm2_member", "LVM physical volume", 512, b"LABELONE"),
    _Mark("lvm2_member", "LVM physical volume", 1024, b"LABELONE"),
    _Mark("lvm2_member", "LVM physical volume", 1536, b"LABELONE"),
    _Mark("linux_raid_member", "member of a Linux software RAID", 0, b"\xfc\x4e\x2b\xa9"),
    _Mark("linux_raid_member", "member of a Linux software RAID", 4096, b"\xfc\x4e\x2b\xa9"),
    _Mark("swap", "swap space", 4086, b"SWAPSPACE2"),
    _Mark("swap", "swap space", 16374, b"SWAPSPACE2"),
    _Mark("swap", "swap space", 65526, b"SWAPSPACE2"),
)
_RAID_MAGIC = b"\xfc\x4e\x2b\xa9"
_MBR_ENTRIES_OFFSET_BYTES = 446
_MBR_ENTRY_BYTES = 16
_MBR_TYPE_OF_GPT = 0xEE
_BOOTABLE = {"vfat", "ntfs", "exfat"}
"""File systems whose first sector ends as a partition table's does."""
_FAMILY_NAMES = {mark.family: mark.what for mark in _MARKS}


class ContentReader:
    """Reads any bytes of a volume, past the page cache where it can.

    Raises:
        OSError: it cannot be opened, or later, read.
    """

    def __init__(self, path: str) -> None:
        try:
            self._fd = os.open(path, os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC)
        except OSError:
            self._fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)

    def __enter__(self) -> ContentReader:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._fd)

    def read(self, offset_bytes: int, length_bytes: int) -> bytes:
        """Read `length_bytes` at `offset_bytes`, fewer at the end of the volume."""
        first = offset_bytes // _READ_ALIGNMENT_BYTES * _READ_ALIGNMENT_BYTES
        span_bytes = (
            -(-(offset_bytes + length_bytes - first) // _READ_ALIGNMENT_BYTES) * _READ_ALIGNMENT_BYTES
        )
        buffer = aligned_buffer(span_bytes)
        got_bytes = os.preadv(self._fd, (buffer,), first)
        return bytes(buffer[offset_bytes - first : min(offset_bytes - first + length_bytes, got_bytes)])


def signatures(read: Read, size_bytes: int) -> dict[str, str]:
    """Find well-known marks.

    Args:
        read: gives the bytes at (offset, length), fewer at the end.

    Returns:
        a description for each family of marks found, such as "xfs": "xfs file system".
    """
    head = read(0, 128 * 1024)
    found: dict[str, str] = {}
    for mark in _MARKS:
        if head[mark.offset_bytes : mark.offset_bytes + len(mark.value)] == mark.value and (
            mark.family != "ext" or _is_ext_likely(head)
        ):
            found.setdefault(mark.family, mark.what)
    if "linux_raid_member" not in found and _has_raid_mark_at_end(read, size_bytes):
        found["linux_raid_member"] = _FAMILY_NAMES["linux_raid_member"]
    if found.keys() & _BOOTABLE:
        return found
    if table := _partition_table(head, read, size_bytes):
        found.update(table)
    elif head[510:512] == b"\x55\xaa" and not found:
        found["boot"] = "boot sector"
    return found


def _is_ext_likely(head: bytes) -> bool:
    """Check more than the two bytes of the mark: a number of inodes, and a block size of at most 64 KiB."""
    inode_count, *_, block_size_power = struct.unpack_from("<7I", head, 1024)
    return bool(inode_count > 0 and block_size_power <= 6)


def _has_raid_mark_at_end(read: Read, size_bytes: int) -> bool:
    """Look for the mark's older forms: in the last 8 to 12 KiB, or at the start of the last whole 64 KiB."""
    places = ((size_bytes - 8192) // 4096 * 4096, size_bytes // 65536 * 65536 - 65536)
    return any(place > 0 and read(place, 4) == _RAID_MAGIC for place in places)


def _partition_table(head: bytes, read: Read, size_bytes: int) -> dict[str, str]:
    for sector_bytes in (512, 4096):
        if head[sector_bytes : sector_bytes + 8] == b"EFI PART":
            return {
                "gpt": _table_text(
                    "gpt", _gpt_count(head[sector_bytes : sector_bytes + 92], sector_bytes, read)
                )
            }
        if size_bytes >= 3 * sector_bytes and read(size_bytes - sector_bytes, 8) == b"EFI PART":
            return {"gpt": "partition table (gpt, its second copy at the end)"}
    if head[510:512] != b"\x55\xaa":
        return {}
    entries = [
        head[start : start + _MBR_ENTRY_BYTES]
        for start in range(_MBR_ENTRIES_OFFSET_BYTES, 510, _MBR_ENTRY_BYTES)
    ]
    used = [entry for entry in entries if entry[4] != 0]
    if not used or any(entry[0] not in (0x00, 0x80) for entry in entries):
        return {}
    if used[0][4] == _MBR_TYPE_OF_GPT:
        return {"gpt": "partition table (gpt, its first copy gone)"}
    return {"dos": _table_text("dos", len(used))}


def _gpt_count(header: bytes, sector_bytes: int, read: Read) -> int:
    """Count the partitions of a GUID partition table from its header (UEFI specification, section 5.3)."""
    entries_sector, entry_count, entry_bytes = struct.unpack_from("<QII", header, 72)
    if not (0 < entry_count <= 1024 and 128 <= entry_bytes <= 4096 and entries_sector < 1 << 40):
        return 0
    table = read(entries_sector * sector_bytes, entry_count * entry_bytes)
    return sum(any(table[start : start + 16]) for start in range(0, len(table), entry_bytes))


def _table_text(kind: str, count: int) -> str:
    return f"partition table ({kind}) with {count} partition{'' if count == 1 else 's'}"


def first_data(read: Read, size_bytes: int) -> int | None:
    """Find data that is not all zero in the first and last MiB and in samples between.

    Returns:
        the offset of the first byte seen that is not zero, or None.
    """
    whole = [(start, min(MIB, size_bytes - start)) for start in sorted({0, max(0, size_bytes - MIB)})]
    between = [
        size_bytes * index // _SAMPLE_COUNT // _SAMPLE_BYTES * _SAMPLE_BYTES
        for index in range(1, _SAMPLE_COUNT)
    ]
    for offset_bytes, length_bytes in sorted({*whole, *((place, _SAMPLE_BYTES) for place in between)}):
        data = read(offset_bytes, length_bytes)
        if data.strip(b"\0"):
            return offset_bytes + len(data) - len(data.lstrip(b"\0"))
    return None


def ask_blkid(path: str) -> dict[str, str]:
    """Ask blkid what it finds on a volume; empty where it is absent, finds nothing or does not answer.

    Returns:
        as `signatures`; a file system's description names its label.
    """
    return _described_by_blkid(ask_program(("blkid", "-p", "-o", "export", path), BLKID_PATIENCE_S))


def _described_by_blkid(output: str) -> dict[str, str]:
    facts = dict(line.split("=", 1) for line in output.splitlines() if "=" in line)
    found: dict[str, str] = {}
    kind = facts.get("TYPE", "")
    if kind:
        family = "ext" if kind in ("ext2", "ext3", "ext4", "jbd") else kind.lower()
        what = (
            f"{kind} file system" if facts.get("USAGE") == "filesystem" else _FAMILY_NAMES.get(family, kind)
        )
        found[family] = f"{what} labelled {facts['LABEL']!r}" if facts.get("LABEL") else what
    if table := facts.get("PTTYPE"):
        found[table] = f"partition table ({table})"
    return found
