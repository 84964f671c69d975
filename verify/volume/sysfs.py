"""Block devices as sysfs shows them: their attributes, partitions, and what stands on what.

The attributes are those of the kernel's Documentation/ABI/stable/sysfs-block and testing/sysfs-block-loop.
Nothing here reads from a device, and an attribute that cannot be read counts as empty: devices may vanish at
any time.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

SYSFS_SECTOR_BYTES = 512
"""The unit of the attribute `size`, whatever the device's logical block size."""


def device_number_text(number: int) -> str:
    """Write a device number as "major:minor"."""
    return f"{os.major(number)}:{os.minor(number)}"


def block_device_number(path: str) -> str | None:
    """Give the "major:minor" of the block device node at `path`; None if it is none or is not there."""
    try:
        status = os.stat(path)
    except (OSError, ValueError):
        return None
    return device_number_text(status.st_rdev) if stat.S_ISBLK(status.st_mode) else None


def raw_at(path: Path) -> bytes:
    """Read an attribute's bytes, or b"" where it is absent or unreadable."""
    try:
        return path.read_bytes()
    except OSError:
        return b""


def names_in(folder: Path) -> list[str]:
    """List the names in a folder, sorted; none where it is absent or unreadable."""
    try:
        return sorted(os.listdir(folder))
    except OSError:
        return []


@dataclass(frozen=True)
class BlockNode:
    """A disk, partition or stacked device: one directory of sysfs."""

    name: str
    directory: Path
    device_number: str

    def text(self, attribute: str) -> str:
        """Read an attribute without the line's end, or "" where it is absent or unreadable."""
        return self.raw(attribute).decode(errors="surrogateescape").rstrip("\n")

    def raw(self, attribute: str) -> bytes:
        """Read an attribute's bytes, or b"" where it is absent or unreadable."""
        return raw_at(self.directory / attribute)

    def number(self, attribute: str) -> int | None:
        """Read an attribute that is a whole number; None where it is absent or is none."""
        text = self.text(attribute).strip()
        return int(text) if text.isascii() and text.isdigit() else None

    @property
    def size_bytes(self) -> int:
        """Size of the device in bytes, 0 where it has no medium."""
        return (self.number("size") or 0) * SYSFS_SECTOR_BYTES

    @property
    def is_partition(self) -> bool:
        """Whether this is a part of the disk one directory up."""
        return (self.directory / "partition").is_file()

    @property
    def is_hidden(self) -> bool:
        """Whether this is one path of a multipath disk, which has no device node of its own."""
        return self.number("hidden") == 1

    @property
    def instance(self) -> tuple[int, int]:
        """A mark of this appearance of the device: it changes when it goes and comes back."""
        try:
            inode = self.directory.stat().st_ino
        except OSError:
            inode = 0
        return (self.number("diskseq") or 0, inode)


class BlockTree:
    """The block devices of one sysfs, read anew at every question."""

    def __init__(self, sysfs: str = "/sys", dev: str = "/dev") -> None:
        self.root = Path(os.path.realpath(sysfs))
        self._dev = Path(dev)

    def by_number(self, device_number: str) -> BlockNode | None:
        """Find the device with a "major:minor"; None if sysfs has none."""
        return self._node(self.root / "dev" / "block" / device_number)

    def nodes(self) -> list[BlockNode]:
        """List every disk, partition and stacked device, by name."""
        return self._nodes_in(self.root / "class" / "block")

    def disk(self, node: BlockNode) -> BlockNode:
        """Give the whole disk that a partition is part of; a disk is its own."""
        parent = self._node(node.directory.parent) if node.is_partition else None
        return parent or node

    def partitions(self, node: BlockNode) -> list[BlockNode]:
        """List the partitions of a disk that the kernel knows."""
        return [part for part in self._nodes_in(node.directory) if part.is_partition]

    def holders(self, node: BlockNode) -> list[BlockNode]:
        """List the devices built directly upon this one (device mapper, software RAID)."""
        return self._nodes_in(node.directory / "holders")

    def slaves(self, node: BlockNode) -> list[BlockNode]:
        """List the devices that this one is directly built upon."""
        return self._nodes_in(node.directory / "slaves")

    def loops_on_file(self, device: int, inode: int, path: str) -> list[BlockNode]:
        """List the loop devices over the given file, known by device and inode, else by its path."""
        found = []
        for node in self.nodes():
            backing = node.text("loop/backing_file")
            if not backing:
                continue
            try:
                status = os.stat(backing)
                same = (status.st_dev, status.st_ino) == (device, inode)
            except OSError:
                same = backing == path
            if same:
                found.append(node)
        return found

    def loops_on_file_system(self, device_number: str) -> list[BlockNode]:
        """List the loop devices whose backing file lies on the file system with this device number."""
        found = []
        for node in self.nodes():
            backing = node.text("loop/backing_file")
            try:
                if backing and device_number_text(os.stat(backing).st_dev) == device_number:
                    found.append(node)
            except OSError:
                continue
        return found

    def above(self, roots: Iterable[BlockNode]) -> list[BlockNode]:
        """List the given devices and what lies upon them: partitions, stacked devices, loops."""
        found: dict[str, BlockNode] = {}
        waiting = list(roots)
        while waiting:
            node = waiting.pop(0)
            if node.device_number in found:
                continue
            found[node.device_number] = node
            waiting += (
                self.partitions(node) + self.holders(node) + self.loops_on_file_system(node.device_number)
            )
        return list(found.values())

    def below(self, node: BlockNode) -> list[BlockNode]:
        """List the given device and what it is built upon: a partition's disk, a stacked device's members."""
        found: dict[str, BlockNode] = {}
        waiting = [node]
        while waiting:
            lower = waiting.pop(0)
            if lower.device_number in found:
                continue
            found[lower.device_number] = lower
            waiting += [self.disk(lower), *self.slaves(lower)]
        return list(found.values())

    def place(self, node: BlockNode) -> str:
        """Give where the device hangs in the machine, as "/devices/..."."""
        return "/" + str(node.directory.relative_to(self.root))

    def device_path(self, node: BlockNode) -> str:
        """Give the path of the device's node as the kernel names it."""
        for line in node.text("uevent").splitlines():
            key, _, value = line.partition("=")
            if key == "DEVNAME" and value:
                return str(self._dev / value)
        return str(self._dev / node.name.replace("!", "/"))

    def has_its_node(self, node: BlockNode) -> bool:
        """Whether the path that the kernel names is there and really is this device."""
        return block_device_number(self.device_path(node)) == node.device_number

    def _node(self, directory: Path) -> BlockNode | None:
        try:
            real = directory.resolve(strict=True)
            device_number = (real / "dev").read_text().strip()
        except (OSError, RuntimeError):
            return None
        return BlockNode(real.name, real, device_number)

    def _nodes_in(self, directory: Path) -> list[BlockNode]:
        found = (self._node(directory / entry) for entry in names_in(directory))
        return [node for node in found if node is not None and node.device_number]
