"""What a survey tells of a volume, line by line."""

from __future__ import annotations

from verify.volume.identity import VolumeIdentity
from verify.volume.mounts import devices_of, mount_of, read_mounts
from verify.volume.naming import is_firm
from verify.volume.safety import Contents, refusals
from verify.volume.sysfs import BlockNode, BlockTree

_UNITS = ("KiB", "MiB", "GiB", "TiB", "PiB")
_NOT_TOLD = "not told by the kernel"


def describe(
    identity: VolumeIdentity, contents: Contents, sysfs: str = "/sys", proc: str = "/proc"
) -> list[tuple[str, str]]:
    """Describe a volume as (label, value) rows; reads only.

    Args:
        contents: what `look_inside` found on it.
    """
    tree = BlockTree(sysfs)
    rows = [("volume", identity.path), ("what it is", _what(identity, tree, proc))]
    rows += _identity_rows(identity)
    rows += [
        ("size", size_text(identity.size_bytes)),
        ("logical block size", f"{identity.sector_bytes} bytes"),
        (
            "direct I/O alignment",
            f"memory {identity.memory_alignment_bytes}, offsets {identity.sector_bytes} bytes",
        ),
    ]
    for disk in _disks(identity, tree, proc):
        rows += _disk_rows(disk, tree)
    rows += [
        ("used by", "; ".join(contents.uses) or "nobody"),
        ("holds", "; ".join(contents.holds) or "nothing that was seen"),
        ("may be written to", _permission(identity, contents)),
    ]
    return rows


def size_text(size_bytes: int) -> str:
    """Write a size exactly, and rounded in the largest unit that fits."""
    amount, unit = float(size_bytes), ""
    for larger in _UNITS:
        if amount < 1024:
            break
        amount, unit = amount / 1024, larger
    return f"{size_bytes} bytes ({amount:.4g} {unit})" if unit else f"{size_bytes} bytes"


def _what(identity: VolumeIdentity, tree: BlockTree, proc: str) -> str:
    if identity.is_file:
        mount = mount_of(identity.path, read_mounts(proc), identity.device_number)
        return (
            f"a file on {mount.file_system} mounted at {mount.mount_point}" if mount is not None else "a file"
        )
    node = tree.by_number(identity.device_number)
    part = "a partition of a block device" if node is not None and node.is_partition else "a block device"
    named = f"{part}: {identity.model}" if identity.model else part
    return f"{named} over {identity.backing}" if identity.backing else named


def _identity_rows(identity: VolumeIdentity) -> list[tuple[str, str]]:
    rows = [("identity (for --erase)", identity.identity)]
    if not identity.is_file and not is_firm(identity.identity):
        rows.append(("note", "no serial number: once it has vanished, another may be in its place unnoticed"))
    return rows


def _disks(identity: VolumeIdentity, tree: BlockTree, proc: str) -> list[BlockNode]:
    """List the volume's whole disk, or those that a file's file system is on."""
    if identity.is_file:
        mount = mount_of(identity.path, read_mounts(proc), identity.device_number)
        nodes = devices_of(mount, tree) if mount is not None else []
    else:
        node = tree.by_number(identity.device_number)
        nodes = [node] if node is not None else []
    return list({disk.device_number: disk for disk in map(tree.disk, nodes)}.values())


def _disk_rows(disk: BlockNode, tree: BlockTree) -> list[tuple[str, str]]:
    name = tree.device_path(disk)
    rows = [
        (f"write cache of {name}", disk.text("queue/write_cache") or _NOT_TOLD),
        (f"forced unit access of {name}", {"0": "no", "1": "yes"}.get(disk.text("queue/fua"), _NOT_TOLD)),
    ]
    rows += [
        (f"time-out of {tree.device_path(lower)}", _time_out(lower)) for lower in _with_time_outs(disk, tree)
    ]
    if disk.number("ro") == 1:
        rows.append((f"access to {name}", "read-only"))
    return rows


def _with_time_outs(disk: BlockNode, tree: BlockTree) -> list[BlockNode]:
    """List the disks at the bottom: only they have time-outs of their own."""
    return [lower for lower in tree.below(disk) if not tree.slaves(lower) and not lower.is_partition]


def time_outs_s(identity: VolumeIdentity, sysfs: str = "/sys", proc: str = "/proc") -> dict[str, float]:
    """Give the time-outs of the disks at a volume's bottom in seconds, by path; only those that the kernel tells."""
    tree = BlockTree(sysfs)
    bottom = [lower for disk in _disks(identity, tree, proc) for lower in _with_time_outs(disk, tree)]
    told = {tree.device_path(lower): _time_out_s(lower) for lower in bottom}
    return {path: seconds for path, seconds in told.items() if seconds is not None}


def _time_out(disk: BlockNode) -> str:
    seconds = _time_out_s(disk)
    return f"{seconds:.10g} s" if seconds is not None else _NOT_TOLD


def _time_out_s(disk: BlockNode) -> float | None:
    seconds, milliseconds = disk.number("device/timeout"), disk.number("queue/io_timeout")
    if seconds is not None:
        return seconds
    return milliseconds / 1000 if milliseconds is not None else None


def _permission(identity: VolumeIdentity, contents: Contents) -> str:
    against = refusals(identity, contents, identity.identity, (0, identity.size_bytes))
    if against:
        return "no: " + "; ".join(contents.uses)
    return f"only with --erase '{identity.identity}': what it holds in the tested span would be overwritten"
