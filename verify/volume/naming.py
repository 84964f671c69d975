"""The name by which a block device is known wherever it turns up: serial, WWID, UUID, or else its place.

Page layout of the device identification page (83h) and the unit serial number page (80h): SCSI Primary
Commands, VPD parameters [from memory]. A WWID is written as the kernel writes it (`naa.`, `eui.`, `t10.`,
`uuid.`, `nvme.`).
"""

from __future__ import annotations

from verify.volume.sysfs import BlockNode, BlockTree

_PLACE = "at:"
_NAMED_MAPPING = "dm-name:"
_VIRTIO = "virtio:"
_PARTITION = "-part"

_DESIGNATOR_KINDS = ((3, "naa."), (2, "eui."), (8, ""), (1, "t10."))
"""Designator types of page 83h, best first, with the prefix of the name made of them."""


def identity_of(tree: BlockTree, node: BlockNode, ask_virtio: bool = True) -> str:
    """Name a block device by what stays the same when it moves to another device node.

    Args:
        ask_virtio: a virtio disk's serial number is fetched from the host at every reading, which may wait
            for a disk that does not answer; False leaves such disks without a serial number.

    Returns:
        the serial number or WWID; "at:/devices/..." where it has none; a partition's ends in "-part" and its
        number.
    """
    disk = tree.disk(node)
    name = (
        _of_mapping(disk)
        or _of_raid(disk)
        or _of_loop(disk)
        or wwid_of(disk)
        or _of_serial(disk)
        or (_of_virtio(disk) if ask_virtio else "")
        or _PLACE + tree.place(disk)
    )
    return f"{name}{_PARTITION}{node.number('partition')}" if disk != node else name


def is_firm(identity: str) -> bool:
    """Whether an identity belongs to the device itself; False where it only says where the device hangs."""
    return not identity.startswith((_PLACE, _NAMED_MAPPING))


def nodes_with_identity(tree: BlockTree, identity: str) -> list[BlockNode]:
    """List the devices that have an identity now: several where there are several paths to one disk."""
    ask_virtio = identity.startswith((_VIRTIO, _PLACE))
    found = []
    for node in tree.nodes():
        if node.is_hidden or node.size_bytes == 0:
            continue
        if identity.startswith(_PLACE) and not identity.startswith(_PLACE + tree.place(tree.disk(node))):
            continue
        if identity_of(tree, node, ask_virtio) == identity:
            found.append(node)
    return found


def same_unit(one: str, other: str) -> bool:
    """Whether two identities name one logical unit, seen directly or through a multipath map."""
    return _unit(one) == _unit(other)


def _unit(identity: str) -> str:
    """Bring a multipath map's UUID into the form of the WWID that it was made of.

    The map's is "mpath-" and the unit's name: "3" and the digits of an NAA name, "2" and those of an EUI-64,
    or an NVMe name as it is; a partition's map puts "partN-" before it [from memory].
    """
    if not identity.startswith("dm:"):
        return identity
    uuid, part = identity.removeprefix("dm:"), ""
    head, separator, rest = uuid.partition("-")
    if head.startswith("part") and head[4:].isdigit() and separator:
        uuid, part = rest, _PARTITION + head[4:]
    if not uuid.startswith("mpath-"):
        return identity
    unit = uuid.removeprefix("mpath-")
    kind = {"3": "naa.", "2": "eui."}.get(unit[:1])
    if kind and _is_hexadecimal(unit[1:]):
        return kind + unit[1:] + part
    return unit + part


def _is_hexadecimal(text: str) -> bool:
    return text != "" and all(letter in "0123456789abcdefABCDEF" for letter in text)


def _of_mapping(disk: BlockNode) -> str:
    uuid, name = _tidy(disk.text("dm/uuid")), _tidy(disk.text("dm/name"))
    if uuid:
        return f"dm:{uuid}"
    return _NAMED_MAPPING + name if name else ""


def _of_raid(disk: BlockNode) -> str:
    uuid = _telling(disk.text("md/uuid"))
    return f"md:{uuid}" if uuid else ""


def _of_loop(disk: BlockNode) -> str:
    backing = loop_backing(disk)
    return f"loop:{backing}" if backing else ""


def loop_backing(disk: BlockNode) -> str:
    """Give "file@offset" for a loop device that is in use, else ""."""
    backing = disk.text("loop/backing_file")
    return f"{backing}@{disk.number('loop/offset') or 0}" if backing else ""


def wwid_of(disk: BlockNode) -> str:
    """Give the world-wide name of a disk's logical unit as the kernel writes it, or "" where it has none."""
    return (
        _telling(disk.text("wwid"))
        or _telling(disk.text("device/wwid"))
        or _telling(name_from_page_83(disk.raw("device/vpd_pg83")))
    )


def serial_of(disk: BlockNode) -> str:
    """Give a disk's serial number, or "" where the kernel keeps none; a virtio disk is not asked, for it may wait."""
    return _telling(serial_from_page_80(disk.raw("device/vpd_pg80"))) or _telling(disk.text("device/serial"))


def _of_serial(disk: BlockNode) -> str:
    maker = "_".join(filter(None, (_tidy(disk.text("device/vendor")), _tidy(disk.text("device/model")))))
    serial = _telling(serial_from_page_80(disk.raw("device/vpd_pg80")))
    if serial:
        return f"scsi:{maker}_{serial}"
    serial, name_space = _telling(disk.text("device/serial")), disk.number("nsid")
    if serial and name_space is not None:
        return f"nvme:{_tidy(disk.text('device/model'))}_{serial}_n{name_space}"
    if serial and _telling(disk.text("device/cid")):
        return f"mmc:{_tidy(disk.text('device/cid'))}"
    backend = _tidy(disk.text("backend"))
    return f"nbd:{backend}" if backend else ""


def _of_virtio(disk: BlockNode) -> str:
    serial = _telling(disk.text("serial"))
    return _VIRTIO + serial if serial else ""


def _tidy(text: str) -> str:
    """Join the words of a device's padded text by "_" and write what does not print as hexadecimal."""
    joined = "_".join(text.replace("\0", " ").split())
    return "".join(letter if letter.isprintable() else f"x{ord(letter):02x}" for letter in joined)


def _telling(text: str) -> str:
    """Tidy a name, or give "" for one of zeros alone, as devices have whose maker filled in none."""
    tidy = _tidy(text)
    kind, dot, rest = tidy.partition(".")
    digits = rest if dot and kind in ("naa", "eui", "uuid", "t10", "nvme") else tidy
    return tidy if digits.strip("0-_") else ""


def name_from_page_83(page: bytes) -> str:
    """Make the logical unit's name from a device identification page; "" where the page holds none."""
    if len(page) < 4 or page[1] != 0x83:
        return ""
    end = min(len(page), 4 + int.from_bytes(page[2:4], "big"))
    names: dict[int, str] = {}
    start = 4
    while start + 4 <= end:
        code_set, association, kind = page[start] & 0x0F, page[start + 1] >> 4 & 0x03, page[start + 1] & 0x0F
        value = page[start + 4 : start + 4 + page[start + 3]]
        start += 4 + page[start + 3]
        if association == 0 and value and start <= end:
            name = value.hex() if code_set == 1 else value.rstrip(b"\0").decode(errors="replace")
            names[kind] = max(names.get(kind, ""), name, key=len)
    return next((prefix + names[kind] for kind, prefix in _DESIGNATOR_KINDS if kind in names), "")


def serial_from_page_80(page: bytes) -> str:
    """Read the serial number from a unit serial number page; "" where the page holds none."""
    if len(page) < 4 or page[1] != 0x80:
        return ""
    return page[4 : 4 + int.from_bytes(page[2:4], "big")].decode(errors="replace")
