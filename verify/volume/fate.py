"""Whether something else would go down with the volume under test: the records, or the guest's own root."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from verify.volume.identity import VolumeIdentity
from verify.volume.lines import Line, fine, stop, warning
from verify.volume.mounts import Mount, devices_of, devices_under, mount_of, read_mounts
from verify.volume.sysfs import BlockNode, BlockTree
from verify.volume.transports import VolumePath, paths_of

_IN_MEMORY = ("tmpfs", "ramfs", "rootfs")
_BY_NETWORK = ("nfs", "nfs4", "cifs", "smb3", "9p", "virtiofs")
_SEE = "see that the storage under test is not behind it"


@dataclass(frozen=True)
class Footing:
    """What something stands on: whole disks and stacked devices by number, and the paths of those at the bottom."""

    nodes: dict[str, BlockNode]
    paths: tuple[VolumePath, ...]

    @property
    def supplies(self) -> frozenset[tuple[str, str]]:
        """Targets and portals that the disks hang on."""
        return frozenset().union(*(path.supplies for path in self.paths))

    @property
    def is_given_by_a_host(self) -> bool:
        """Whether a disk is a virtual one, whose true place only the host knows."""
        return any(path.kind.startswith("virtio") for path in self.paths)


def footing_of(nodes: Iterable[BlockNode], tree: BlockTree, mounts: list[Mount]) -> Footing:
    """Find what devices stand on, through stacked devices and the files behind loop devices."""
    found: dict[str, BlockNode] = {}
    waiting = list(nodes)
    while waiting:
        node = waiting.pop(0)
        if node.device_number in found:
            continue
        found[node.device_number] = node
        waiting += [lower for lower in tree.below(node) if lower != node]
        backing = node.text("loop/backing_file")
        if backing:
            waiting += devices_under(backing, tree, mounts)
    disks = {number: node for number, node in found.items() if not node.is_partition}
    return Footing(disks, tuple(path for node in disks.values() for path in paths_of(node, tree)))


def footing_of_volume(identity: VolumeIdentity, tree: BlockTree, proc: str = "/proc") -> Footing:
    """Find what the volume under test stands on."""
    mounts = read_mounts(proc)
    return footing_of(nodes_of(identity, tree, mounts), tree, mounts)


def nodes_of(identity: VolumeIdentity, tree: BlockTree, mounts: list[Mount]) -> list[BlockNode]:
    """List the device that a volume is, or those that a file's file system is on."""
    if identity.is_file:
        return devices_under(identity.path, tree, mounts, identity.device_number)
    node = tree.by_number(identity.device_number)
    return [node] if node is not None else []


def record_line(
    folder: str, place: tuple[str, str], shares: str, volume: Footing, tree: BlockTree, proc: str = "/proc"
) -> Line:
    """Say where the ledger would go, and whether it would share a fate with the volume.

    Args:
        place: real path of the folder's nearest existing parent, and the "major:minor" of what that is on.
        shares: a sentence that it lies on the volume itself, or "".
    """
    topic, label = "record", "the ledger would go to"
    mounts = read_mounts(proc)
    mount = mount_of(place[0], mounts, place[1])
    value = f"{folder}, on {_where(mount)}"
    if shares:
        return stop(topic, label, value, shares)
    if mount is not None and mount.file_system in _IN_MEMORY:
        return warning(topic, label, value, "it is kept in memory, and gone when the guest is restarted or dies")
    return _compared(topic, label, value, mount, volume, tree, mounts, "the ledger")


def root_line(uses: Iterable[str], volume: Footing, tree: BlockTree, proc: str = "/proc") -> Line:
    """Say where the guest's own root is, and whether it would share a fate with the volume."""
    topic, label = "root", "the guest's own root"
    mounts = read_mounts(proc)
    mount = mount_of("/", mounts)
    value = f"on {_where(mount)}"
    if any("root file system" in use for use in uses):
        return stop(topic, label, value, "it lies on the volume")
    return _compared(topic, label, value, mount, volume, tree, mounts, "the guest's root")


def _where(mount: Mount | None) -> str:
    return f"{mount.source} ({mount.file_system})" if mount is not None else "a place that is not told"


def _compared(
    topic: str,
    label: str,
    value: str,
    mount: Mount | None,
    volume: Footing,
    tree: BlockTree,
    mounts: list[Mount],
    who: str,
) -> Line:
    if mount is not None and mount.file_system in _BY_NETWORK:
        return warning(topic, label, value, f"it comes over a network: {_SEE}")
    own = footing_of(devices_of(mount, tree) if mount is not None else [], tree, mounts)
    if not own.nodes:
        return warning(topic, label, value, f"its disk cannot be seen: {_SEE}")
    both = sorted(tree.device_path(node) for number, node in own.nodes.items() if number in volume.nodes)
    if both:
        return warning(topic, label, value, f"{who} is on the volume's own disk, {', '.join(both)}: they fail together")
    shared = sorted(name for _, name in own.supplies & volume.supplies)
    if shared:
        return warning(
            topic, label, value,
            f"{who} and the volume hang on the same storage, {', '.join(shared)}: what stalls or fails takes both",
        )  # fmt: skip
    if own.is_given_by_a_host and volume.is_given_by_a_host:
        return warning(
            topic, label, value,
            f"another disk, but both are given by the host: {_SEE}",
        )  # fmt: skip
    return fine(topic, label, f"{value}, another disk")
