"""May this volume be written to: who uses it, what it holds, and where the records would lie."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator
from dataclasses import dataclass

from verify.volume.identity import VolumeIdentity
from verify.volume.mounts import (
    Mount,
    btrfs_members,
    devices_of,
    mount_of,
    process_name,
    read_locks,
    read_mounts,
    read_swaps,
)
from verify.volume.naming import nodes_with_identity
from verify.volume.signatures import ContentReader, ask_blkid, first_data, signatures
from verify.volume.sysfs import BlockNode, BlockTree, block_device_number, device_number_text

NOT_LOOKED_AT = "content that cannot be looked at"
"""How a phrase of `Contents.holds` begins where the volume could not be read."""

_LOCKS_OF_OTHERS = ("POSIX", "OFDLCK")


@dataclass(frozen=True)
class Contents:
    """What stands against writing to a volume.

    Attributes:
        uses: who uses it now, a phrase each; no option overrides these.
        holds: what writing would erase, a phrase each.
    """

    uses: tuple[str, ...]
    holds: tuple[str, ...]


def look_inside(identity: VolumeIdentity, sysfs: str = "/sys", proc: str = "/proc") -> Contents:
    """Find out who uses a volume and what it holds; reads only.

    Content that cannot be read is told as such in `holds`, so nothing is taken for empty that was not seen.
    """
    return Contents(tuple(dict.fromkeys(uses_of(identity, sysfs, proc))), tuple(holds_of(identity, sysfs)))


def refusals(
    identity: VolumeIdentity, contents: Contents, erase: str | None, span: tuple[int, int]
) -> list[str]:
    """Say why an existing volume may not be written to, a sentence each; empty if it may.

    Args:
        erase: the identity that the user gave to allow overwriting, or None.
        span: (start, length) in bytes of what would be overwritten.
    """
    path = identity.path
    reasons = [f"{path} is in use and is never written to: {use}" for use in contents.uses]
    option = f"--erase {shlex.quote(identity.identity)}"
    if erase is None:
        held = f"holds {_listed(contents.holds)}" if contents.holds else "exists, and looks empty"
        reasons.append(
            f"{path} {held}; {span[1]} bytes from offset {span[0]} would be overwritten: "
            f"give {option} to allow that"
        )
    elif erase != identity.identity:
        reasons.append(
            f"--erase names {shlex.quote(erase)}, but {path} is another volume: "
            f"to overwrite this one, give {option}"
        )
    return reasons


def nearest_existing(folder: str) -> str:
    """Give the real path of a folder, or of its nearest parent that is there."""
    real = os.path.realpath(folder)
    while not os.path.exists(real) and real != os.path.dirname(real):
        real = os.path.dirname(real)
    return real


def shares_volume(
    folder: str, identity: VolumeIdentity, sysfs: str = "/sys", proc: str = "/proc"
) -> str | None:
    """Say in a sentence that a folder lies on the volume under test, or return None if it does not.

    The folder need not exist yet: its nearest existing parent counts. A file under test beside the records on
    one file system is not the same volume, nor is a loop device's backing file.
    """
    real = nearest_existing(folder)
    tree = BlockTree(sysfs)
    under_test = {node.device_number for node in tree.above(_appearances(identity, tree))}
    if not identity.is_file and (node := tree.by_number(identity.device_number)) is not None:
        under_test |= {lower.device_number for lower in tree.below(node)}
    number = device_number_text(os.stat(real).st_dev)
    mount = mount_of(real, read_mounts(proc), number)
    home = {number}
    if mount is not None:
        home |= {node.device_number for node in devices_of(mount, tree)}
    if not home & under_test:
        return None
    at = f", which is on the file system mounted at {mount.mount_point}" if mount is not None else ""
    return (
        f"the folder {folder}{at}, lies on the volume under test {identity.path}; keep the records elsewhere"
    )


def uses_of(identity: VolumeIdentity, sysfs: str = "/sys", proc: str = "/proc") -> Iterator[str]:
    """Give who uses a volume now, a phrase each, perhaps repeated."""
    tree = BlockTree(sysfs)
    mounts, swaps = read_mounts(proc), read_swaps(proc)
    own = _appearances(identity, tree)
    if identity.is_file:
        yield from _uses_of_file(identity, swaps, proc)
        for loop in own:
            yield f"it is attached as the loop device {tree.device_path(loop)}"
    upon = tree.above(own)
    for node in upon:
        yield from _uses_of_node(identity, node, tree, mounts, swaps)
    for node in own:
        disk = tree.disk(node)
        if disk != node:
            yield from _uses_of_node(identity, disk, tree, mounts, swaps)


def _appearances(identity: VolumeIdentity, tree: BlockTree) -> list[BlockNode]:
    """List every device that shows this volume: itself, other paths to the disk, loops over the same file."""
    if identity.is_file:
        device = os.makedev(*(int(part) for part in identity.device_number.split(":")))
        return tree.loops_on_file(device, identity.inode, identity.path)
    node = tree.by_number(identity.device_number)
    if node is None:
        return []
    found = {node.device_number: node}
    for twin in nodes_with_identity(tree, identity.identity):
        if twin.size_bytes == identity.size_bytes:
            found[twin.device_number] = twin
    found |= {loop.device_number: loop for loop in _loops_sharing(tree.disk(node), tree)}
    return list(found.values())


def _loops_sharing(disk: BlockNode, tree: BlockTree) -> list[BlockNode]:
    """List the loop devices that show some of the same bytes as a loop device; none for another disk."""
    backing = disk.text("loop/backing_file")
    if not backing:
        return []
    try:
        status = os.stat(backing)
        loops = tree.loops_on_file(status.st_dev, status.st_ino, backing)
    except OSError:
        loops = tree.loops_on_file(0, 0, backing)
    start, end = _stretch(disk)
    return [loop for loop in loops if _stretch(loop)[0] < end and start < _stretch(loop)[1]]


def _stretch(loop: BlockNode) -> tuple[int, int]:
    start = loop.number("loop/offset") or 0
    return start, start + loop.size_bytes


def _uses_of_file(identity: VolumeIdentity, swaps: list[str], proc: str) -> Iterator[str]:
    if any(_is_file(path, identity) for path in swaps):
        yield "it is in use as swap"
    for lock in read_locks(proc):
        place = (lock.device_number, lock.inode)
        if lock.kind in _LOCKS_OF_OTHERS and place == (identity.device_number, identity.inode):
            if lock.process > 0 and lock.process != os.getpid():
                yield f"it is locked by {process_name(lock.process, proc)}"
            elif lock.process < 0:
                yield "it is locked by another program"


def _is_file(path: str, identity: VolumeIdentity) -> bool:
    try:
        status = os.stat(path)
    except OSError:
        return path == identity.path
    return (device_number_text(status.st_dev), status.st_ino) == (identity.device_number, identity.inode)


def _uses_of_node(
    identity: VolumeIdentity, node: BlockNode, tree: BlockTree, mounts: list[Mount], swaps: list[str]
) -> Iterator[str]:
    name = tree.device_path(node)
    who = (
        "it"
        if node.device_number == identity.device_number and not identity.is_file
        else _relation(node, name)
    )
    for mount in mounts:
        if not _lies_on(mount, node):
            continue
        if mount.mount_point == "/":
            yield f"{who} holds the running system's root file system"
        yield f"{who} is mounted at {mount.mount_point}"
    if any(block_device_number(path) == node.device_number for path in swaps):
        yield f"{who} is in use as swap"
    for holder in tree.holders(node):
        label = holder.text("dm/name") or holder.text("md/level")
        yield f"{who} is part of {tree.device_path(holder)}{f' ({label})' if label else ''}"
    if any(node in members for members in btrfs_members(tree)):
        yield f"{who} belongs to a mounted btrfs file system"


def _relation(node: BlockNode, name: str) -> str:
    if node.is_partition:
        return f"its partition {name}"
    return f"{name}, which shows or holds the same data,"


def _lies_on(mount: Mount, node: BlockNode) -> bool:
    if mount.device_number == node.device_number:
        return True
    return mount.source.startswith("/") and block_device_number(mount.source) == node.device_number


def holds_of(identity: VolumeIdentity, sysfs: str = "/sys") -> Iterator[str]:
    """Give what writing to a volume would erase, a phrase each; reads only."""
    if identity.is_file:
        yield f"a file of {identity.size_bytes} bytes"
    if identity.size_bytes == 0:
        return
    try:
        with ContentReader(identity.path) as reader:
            found = signatures(reader.read, identity.size_bytes)
            data_offset_bytes = None if found else first_data(reader.read, identity.size_bytes)
    except OSError as error:
        yield f"{NOT_LOOKED_AT} ({error.strerror})"
        return
    for family, what in ask_blkid(identity.path).items():
        if family not in ("gpt", "dos") or family not in found:
            found[family] = what
    tree = BlockTree(sysfs)
    node = None if identity.is_file else tree.by_number(identity.device_number)
    parts = tree.partitions(node) if node is not None else []
    if parts and not found.keys() & {"gpt", "dos"}:
        found["parts"] = f"{len(parts)} partition{'' if len(parts) == 1 else 's'}"
    yield from found.values()
    if not found and data_offset_bytes is not None:
        yield f"data that is not all zero, from offset {data_offset_bytes}"


def _listed(phrases: tuple[str, ...]) -> str:
    return " and ".join((", ".join(phrases[:-1]), phrases[-1])) if len(phrases) > 1 else "".join(phrases)
