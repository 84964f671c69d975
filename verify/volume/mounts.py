"""Mounted file systems, swap and file locks as /proc shows them (formats: proc(5))."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

from verify.volume.sysfs import BlockNode, BlockTree, block_device_number

_OCTAL = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True)
class Mount:
    """One line of /proc/self/mountinfo."""

    device_number: str
    mount_point: str
    file_system: str
    source: str
    options: tuple[str, ...]


@dataclass(frozen=True)
class FileLock:
    """One line of /proc/locks: `process` is -1 where the lock belongs to an open file, not to a process."""

    kind: str
    process: int
    device_number: str
    inode: int


def _plain(text: str) -> str:
    return _OCTAL.sub(lambda match: chr(int(match[1], 8)), text)


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(errors="surrogateescape").splitlines()
    except OSError:
        return []


def read_mounts(proc: str = "/proc") -> list[Mount]:
    """List what is mounted, oldest first; empty where it cannot be read."""
    mounts = []
    for line in _lines(Path(proc) / "self" / "mountinfo"):
        before, separator, after = line.partition(" - ")
        left, right = before.split(" "), after.split(" ")
        if not separator or len(left) < 6 or len(right) < 2:
            continue
        options = tuple(right[2].split(",")) if len(right) > 2 else ()
        mounts.append(Mount(left[2], _plain(left[4]), right[0], _plain(right[1]), options))
    return mounts


def mount_of(path: str, mounts: list[Mount], device_number: str = "") -> Mount | None:
    """Find the mounted file system that an absolute real path is on.

    Args:
        device_number: of the path; decides where one mount hides another. It fits no mount on file systems
            with device numbers of their own for parts of them, where the longest mount point is taken.
    """
    around = [mount for mount in mounts if _is_within(path, mount.mount_point)]
    around = [mount for mount in around if mount.device_number == device_number] or around
    found: Mount | None = None
    for mount in around:
        if found is None or len(mount.mount_point) >= len(found.mount_point):
            found = mount
    return found


def _is_within(path: str, folder: str) -> bool:
    return folder == "/" or path == folder or path.startswith(folder + "/")


def devices_of(mount: Mount, tree: BlockTree) -> list[BlockNode]:
    """List the block devices that a mounted file system lies on; empty for one in memory or on a network."""
    numbers = [mount.device_number]
    source_number = block_device_number(mount.source) if mount.source.startswith("/") else None
    if source_number:
        numbers.append(source_number)
    nodes = {node.device_number: node for number in numbers if (node := tree.by_number(number)) is not None}
    for members in btrfs_members(tree):
        if nodes.keys() & {node.device_number for node in members}:
            nodes.update({node.device_number: node for node in members})
    return list(nodes.values())


def devices_under(path: str, tree: BlockTree, mounts: list[Mount], device_number: str = "") -> list[BlockNode]:
    """List the block devices that the file system around an absolute real path lies on; arguments as `mount_of`."""
    mount = mount_of(path, mounts, device_number)
    return devices_of(mount, tree) if mount is not None else []


def btrfs_members(tree: BlockTree) -> list[list[BlockNode]]:
    """List the member devices of every mounted btrfs file system."""
    by_name = {node.name: node for node in tree.nodes()}
    groups = []
    try:
        file_systems = sorted((tree.root / "fs" / "btrfs").iterdir())
    except OSError:
        return []
    for file_system in file_systems:
        try:
            names = sorted(os.listdir(file_system / "devices"))
        except OSError:
            continue
        groups.append([by_name[name] for name in names if name in by_name])
    return groups


def read_swaps(proc: str = "/proc") -> list[str]:
    """List the paths of the devices and files in use as swap."""
    paths = []
    for line in _lines(Path(proc) / "swaps")[1:]:
        fields = line.split()
        if fields:
            paths.append(_plain(fields[0]))
    return paths


def read_locks(proc: str = "/proc") -> list[FileLock]:
    """List the file locks held at this moment; waiting ones and malformed lines are left out."""
    locks = []
    for line in _lines(Path(proc) / "locks"):
        fields = line.split()
        if len(fields) < 6:
            continue
        place = fields[5].split(":")
        try:
            number = f"{int(place[0], 16)}:{int(place[1], 16)}"
            locks.append(FileLock(fields[1], int(fields[4]), number, int(place[2])))
        except (ValueError, IndexError):
            continue
    return locks


def process_name(process: int, proc: str = "/proc") -> str:
    """Give a process as "process 123 (its command)", for a message."""
    lines = _lines(Path(proc) / str(process) / "comm")
    return f"process {process} ({lines[0]})" if lines else f"process {process}"


def processes_with_open(device_number: str, proc: str = "/proc") -> list[int]:
    """List the other processes that have the block device with a "major:minor" open, as far as we may see."""
    found = []
    try:
        entries = os.listdir(proc)
    except OSError:
        return []
    for entry in entries:
        if not entry.isdigit() or int(entry) == os.getpid():
            continue
        folder = Path(proc) / entry / "fd"
        try:
            descriptors = os.listdir(folder)
        except OSError:
            continue
        if any(_leads_to(folder / descriptor, device_number) for descriptor in descriptors):
            found.append(int(entry))
    return sorted(found)


def _leads_to(descriptor: Path, device_number: str) -> bool:
    try:
        is_device = os.readlink(descriptor).startswith("/dev/")
    except OSError:
        return False
    return is_device and block_device_number(str(descriptor)) == device_number
