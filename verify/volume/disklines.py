"""What a survey says of a disk by itself: caches, block sizes, atomic writes, thin provisioning.

Attributes of the queue: the kernel's Documentation/ABI/stable/sysfs-block. `scsi_disk/*/provisioning_mode` and
`thin_provisioning` are the SCSI disk driver's; bits of the logical block provisioning page (B2h): SCSI Block Commands
[from memory].
"""

from __future__ import annotations

from collections.abc import Iterator

from verify.volume.lines import NOT_TOLD, Line, fine, size_text, stop, warning
from verify.volume.sysfs import BlockNode, BlockTree, names_in

_YES_NO = {"0": "no", "1": "yes"}


def disk_lines(disk: BlockNode, tree: BlockTree) -> Iterator[Line]:
    """Give the lines of a whole disk, or of a stacked device, whose disks at the bottom tell of thin provisioning."""
    name = tree.device_path(disk)
    yield from _block_sizes(disk, name)
    yield _write_cache(disk, name, tree)
    yield fine("fua", f"forced unit access of {name}", _YES_NO.get(disk.text("queue/fua"), NOT_TOLD))
    yield _atomic_writes(disk, name)
    for lower in bottoms(disk, tree):
        yield _provisioning(lower, tree.device_path(lower))
    if disk.number("ro") == 1:
        yield stop("access", f"access to {name}", "read-only", "nothing can be written to it")


def bottoms(disk: BlockNode, tree: BlockTree) -> list[BlockNode]:
    """List the disks at the bottom of a device: only they have time-outs and paths of their own."""
    return [lower for lower in tree.below(disk) if not tree.slaves(lower) and not lower.is_partition]


def _block_sizes(disk: BlockNode, name: str) -> Iterator[Line]:
    label = f"block sizes of {name}"
    told = [
        f"{what} {size}"
        for what, attribute in (
            ("logical", "queue/logical_block_size"),
            ("physical", "queue/physical_block_size"),
            ("smallest good I/O", "queue/minimum_io_size"),
            ("best I/O", "queue/optimal_io_size"),
            ("largest I/O", "queue/max_sectors_kb"),
        )
        if (size := (disk.number(attribute) or 0) * (1024 if attribute.endswith("_kb") else 1))
    ]
    value = ", ".join(told) + " bytes" if told else NOT_TOLD
    offset_bytes = disk.number("alignment_offset") or 0
    if offset_bytes:
        yield warning("block_sizes", label, value, f"it begins {offset_bytes} bytes off a physical block")
    else:
        yield fine("block_sizes", label, value)


def _write_cache(disk: BlockNode, name: str, tree: BlockTree) -> Line:
    topic, label = "write_cache", f"write cache of {name}"
    mode = disk.text("queue/write_cache") or NOT_TOLD
    below = {tree.device_path(lower): lower.text("queue/write_cache") for lower in bottoms(disk, tree)}
    modes = {told for told in below.values() if told}
    if len(modes) > 1:
        return warning(
            topic, label, "; ".join(f"{mode} ({lower})" for lower, mode in below.items()),
            "the paths or members disagree, so what an acknowledgement means depends on the path",
        )  # fmt: skip
    if mode == "write back":
        return warning(
            topic, label, mode,
            "it calls its cache volatile: by its own word only flushed or forced writes last. That acknowledged ones "
            "survive a takeover is the pair's promise; for a loss of power test --promise flushed",
        )  # fmt: skip
    return fine(topic, label, mode)


def _atomic_writes(disk: BlockNode, name: str) -> Line:
    topic, label = "atomic_writes", f"atomic writes of {name}"
    smallest, largest = (disk.number(f"queue/atomic_write_unit_{end}_bytes") for end in ("min", "max"))
    if largest is None:
        return fine(topic, label, NOT_TOLD)
    if largest == 0:
        return fine(topic, label, "none promised: a block in flight at a takeover may be torn between sectors")
    told = f"units of {smallest or 0} to {largest} bytes"
    if whole := disk.number("queue/atomic_write_max_bytes"):
        told += f", {whole} bytes at most"
    if boundary := disk.number("queue/atomic_write_boundary_bytes"):
        told += f", not across multiples of {boundary} bytes"
    return fine(topic, label, told)


def _provisioning(disk: BlockNode, name: str) -> Line:
    topic, label = "provisioning", f"thin provisioning of {name}"
    granularity_bytes, discard_bytes = disk.number("queue/discard_granularity"), disk.number("queue/discard_max_bytes")
    told = []
    if granularity_bytes is not None and discard_bytes is not None:
        works = granularity_bytes and discard_bytes
        told.append(f"discards in units of {size_text(granularity_bytes)}" if works else "no discards")
    mode, driver_says = _scsi_disk(disk, "provisioning_mode"), _scsi_disk(disk, "thin_provisioning")
    if mode:
        told.append(f"provisioning mode {mode}")
    page = disk.raw("device/vpd_pgb2")
    page_type = page[6] & 0x07 if len(page) > 6 and page[1] == 0xB2 else 0
    if len(page) > 6 and page[1] == 0xB2:
        told.append(f"discarded blocks read as {'zeros' if page[5] >> 2 & 0x01 else 'anything'}")
    if page_type == 2 or driver_says == "1":
        return warning(
            topic, label, ", ".join(["thin", *told]),
            "the pool behind it gives room at the first write, and writes fail when it is full, which is no takeover's "
            "fault: see that the pool holds the whole span, and fill the span before the load",
        )  # fmt: skip
    return fine(topic, label, ", ".join(told) or NOT_TOLD)


def _scsi_disk(disk: BlockNode, attribute: str) -> str:
    units = names_in(disk.directory / "device" / "scsi_disk")
    return disk.text(f"device/scsi_disk/{units[0]}/{attribute}").strip() if units else ""
