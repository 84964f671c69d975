"""Which volume this is, wherever it turns up, and where it is now."""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields

from verify.errors import CannotRun, UsageError
from verify.volume.kernel import direct_alignment
from verify.volume.memory import aligned_buffer
from verify.volume.naming import identity_of, loop_backing, nodes_with_identity, same_unit
from verify.volume.sysfs import BlockNode, BlockTree, device_number_text

SECTOR_SIZES_BYTES = (512, 4096)
FILE_KIND = "file"
BLOCK_KIND = "block"

_DEVICE_NUMBER = re.compile(r"\d+:\d+")
_OTHER_KINDS = (
    (stat.S_ISDIR, "a directory"),
    (stat.S_ISCHR, "a character device"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
)


@dataclass(frozen=True)
class VolumeIdentity:
    """What a volume is, as it was when it was looked at.

    Attributes:
        kind: "file" or "block".
        identity: what stays the same when the volume turns up elsewhere: a device's serial number or WWID, a
            file's real path. This is what `--erase` must repeat.
        path: the real path at that time.
        size_bytes: size in bytes.
        sector_bytes: logical block size in bytes, 512 or 4096.
        memory_alignment_bytes: what a buffer of direct I/O must be aligned to.
        model: what the device says it is, for people; "" for a file.
        device_number: "major:minor" of the block device, or of a file's file system.
        inode: of the file; 0 for a block device.
        backing: a loop device's "file@offset", else "".
    """

    kind: str
    identity: str
    path: str
    size_bytes: int
    sector_bytes: int
    memory_alignment_bytes: int
    model: str
    device_number: str
    inode: int
    backing: str

    @property
    def is_file(self) -> bool:
        """Whether the volume is a file."""
        return self.kind == FILE_KIND

    def to_json(self) -> dict[str, str | int]:
        """Give the fields by name, ready for JSON."""
        return asdict(self)

    @classmethod
    def from_json(cls, values: object) -> VolumeIdentity:
        """Take back what `to_json` gave; members of other names are ignored.

        Raises:
            UsageError: a field is missing, of the wrong type, or impossible.
        """
        if not isinstance(values, Mapping):
            raise UsageError(f"a volume's identity must be a table of fields, not {type(values).__name__}")
        taken: dict[str, str | int] = {}
        for field in fields(cls):
            wanted = int if field.type == "int" else str
            if field.name not in values:
                raise UsageError(f"a volume's identity lacks the field {field.name}")
            value = values[field.name]
            if not isinstance(value, wanted) or isinstance(value, bool):
                raise UsageError(
                    f"the field {field.name} of a volume's identity must be {wanted.__name__}: {value!r}"
                )
            taken[field.name] = value
        known = cls(**taken)  # type: ignore[arg-type]
        if problem := _impossible(known):
            raise UsageError(f"a volume's identity is impossible: {problem}")
        return known


def _impossible(known: VolumeIdentity) -> str:
    rules = (
        (known.kind in (FILE_KIND, BLOCK_KIND), f"kind {known.kind!r} is neither file nor block"),
        (known.identity != "", "identity is empty"),
        (os.path.isabs(known.path) and "\0" not in known.path, f"path {known.path!r} is not absolute"),
        (known.size_bytes >= 0, f"size_bytes {known.size_bytes} is negative"),
        (
            known.sector_bytes in SECTOR_SIZES_BYTES,
            f"sector_bytes {known.sector_bytes} is neither 512 nor 4096",
        ),
        (
            known.memory_alignment_bytes > 0 and known.memory_alignment_bytes.bit_count() == 1,
            f"memory_alignment_bytes {known.memory_alignment_bytes} is no power of two",
        ),
        (_DEVICE_NUMBER.fullmatch(known.device_number) is not None, f"device_number {known.device_number!r}"),
        (known.inode >= 0, f"inode {known.inode} is negative"),
    )
    return next((problem for holds, problem in rules if not holds), "")


def identify(path: str, sysfs: str = "/sys") -> VolumeIdentity:
    """Say which volume is at `path`, a block device or a file; reads only.

    Raises:
        CannotRun: there is none, it is something else, it may not be looked at, or its sectors are neither
            512 nor 4096 bytes.
    """
    try:
        if not path:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        real = os.path.realpath(path, strict=True)
        status = os.stat(real)
    except (OSError, ValueError) as error:
        raise CannotRun(_why_not_there(path, error)) from error
    if stat.S_ISBLK(status.st_mode):
        tree = BlockTree(sysfs)
        number = device_number_text(status.st_rdev)
        node = tree.by_number(number)
        if node is None:
            raise CannotRun(
                f"{path}: {tree.root} has nothing about the block device {number}; is it still there?"
            )
        return identify_node(tree, node, real)
    if stat.S_ISREG(status.st_mode):
        return _identify_file(real, status, BlockTree(sysfs))
    what = next((name for test, name in _OTHER_KINDS if test(status.st_mode)), "something else")
    raise CannotRun(f"{path} is {what}; give a block device or a file")


def _why_not_there(path: str, error: OSError | ValueError) -> str:
    number = error.errno if isinstance(error, OSError) else errno.ENOENT
    if number in (errno.EACCES, errno.EPERM):
        return f"no permission to look at {path}: run as root, or allow this account to reach it"
    if number in (errno.ENOENT, errno.ENOTDIR):
        return f"no such volume: {path!r}"
    return f"cannot look at {path!r}: {error.strerror if isinstance(error, OSError) else error}"


def identify_node(tree: BlockTree, node: BlockNode, path: str) -> VolumeIdentity:
    """Say which volume a block device is, from sysfs alone.

    Args:
        path: of its device node, to be kept in the result.

    Raises:
        CannotRun: it has no medium, or its sectors are neither 512 nor 4096 bytes.
    """
    disk = tree.disk(node)
    if node.size_bytes == 0:
        raise CannotRun(f"{path} has no medium: its size is 0; attach one, or give another device")
    sector_bytes = disk.number("queue/logical_block_size") or SECTOR_SIZES_BYTES[0]
    _require_known_sector(path, sector_bytes)
    dma_mask = disk.number("queue/dma_alignment")
    return VolumeIdentity(
        kind=BLOCK_KIND,
        identity=identity_of(tree, node),
        path=path,
        size_bytes=node.size_bytes,
        sector_bytes=sector_bytes,
        memory_alignment_bytes=dma_mask + 1 if dma_mask is not None else sector_bytes,
        model=_model(disk),
        device_number=node.device_number,
        inode=0,
        backing=loop_backing(disk),
    )


def _require_known_sector(path: str, sector_bytes: int) -> None:
    if sector_bytes not in SECTOR_SIZES_BYTES:
        raise CannotRun(
            f"{path} has a logical block size of {sector_bytes} bytes; only 512 and 4096 can be tested"
        )


def _model(disk: BlockNode) -> str:
    if disk.text("loop/backing_file"):
        return "loop device"
    if name := disk.text("dm/name"):
        return f"device mapper {name}"
    if level := disk.text("md/level"):
        return f"software RAID {level}"
    words = f"{disk.text('device/vendor')} {disk.text('device/model')}".split()
    if words and words[0].startswith("0x"):
        words = words[1:]
    return " ".join(words)


def _identify_file(real: str, status: os.stat_result, tree: BlockTree) -> VolumeIdentity:
    memory_bytes, sector_bytes = _file_alignment(real, status, tree)
    _require_known_sector(real, sector_bytes)
    return VolumeIdentity(
        kind=FILE_KIND,
        identity=real,
        path=real,
        size_bytes=status.st_size,
        sector_bytes=sector_bytes,
        memory_alignment_bytes=memory_bytes,
        model="",
        device_number=device_number_text(status.st_dev),
        inode=status.st_ino,
        backing="",
    )


def _file_alignment(real: str, status: os.stat_result, tree: BlockTree) -> tuple[int, int]:
    """Find (memory alignment, sector size) in bytes: the kernel's word, else the device's, else by trying."""
    told = direct_alignment(real)
    if told is not None and told[1] > 0:
        return max(told[0], 1), _sector_for(told[1])
    below = tree.by_number(device_number_text(status.st_dev))
    if below is not None:
        sector_bytes = tree.disk(below).number("queue/logical_block_size")
        if sector_bytes is not None:
            return sector_bytes, sector_bytes
    sector_bytes = _smallest_direct_read(real)
    return sector_bytes, sector_bytes


def _sector_for(alignment_bytes: int) -> int:
    """Round an offset alignment up to a sector size; one beyond both stays as it is."""
    return next((size for size in SECTOR_SIZES_BYTES if alignment_bytes <= size), alignment_bytes)


def _smallest_direct_read(real: str) -> int:
    """Try which sector size direct reads of data accept; the larger where it cannot be tried.

    Reads of a hole are no trial: some file systems accept any.
    """
    smallest, largest = SECTOR_SIZES_BYTES
    try:
        fd = os.open(real, os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC)
    except OSError:
        return largest
    try:
        data_bytes = os.lseek(fd, 0, os.SEEK_DATA)
        got_bytes = os.preadv(fd, (aligned_buffer(smallest),), data_bytes + smallest)
        return smallest if got_bytes == smallest else largest
    except OSError:
        return largest
    finally:
        os.close(fd)


def same_identity(one: VolumeIdentity, other: VolumeIdentity) -> bool:
    """Whether two looks were at one volume, perhaps by other paths or after it moved, of whatever size."""
    return one.kind == other.kind and same_unit(one.identity, other.identity)


def whereabouts(wanted: VolumeIdentity, sysfs: str = "/sys", dev: str = "/dev") -> list[str]:
    """List the paths at which a volume is now, the likeliest first; empty where it is absent.

    A disk reached over several paths has several. A disk of another size is another disk, whatever it calls
    itself, and of several virtio disks with one serial number none can be told to be the wanted one.
    """
    if wanted.is_file:
        return [wanted.path] if _same_file_is_there(wanted) else []
    tree = BlockTree(sysfs, dev)
    nodes = [
        node for node in nodes_with_identity(tree, wanted.identity) if node.size_bytes == wanted.size_bytes
    ]
    if wanted.identity.startswith("virtio:") and len(nodes) > 1:
        return []
    nodes.sort(key=lambda node: (_is_down(tree.disk(node)), tree.device_path(node) != wanted.path))
    return [tree.device_path(node) for node in nodes if tree.has_its_node(node)]


def find_by_identity(wanted: VolumeIdentity, sysfs: str = "/sys", dev: str = "/dev") -> str | None:
    """Give the path at which that very volume is now, or None; never a name that now means another disk.

    A file is found where it was, if it still has its size. `dev` is where device nodes are.
    """
    return next(iter(whereabouts(wanted, sysfs, dev)), None)


def _same_file_is_there(wanted: VolumeIdentity) -> bool:
    try:
        status = os.stat(wanted.path)
        real = os.path.realpath(wanted.path, strict=True)
    except (OSError, ValueError):
        return False
    return stat.S_ISREG(status.st_mode) and status.st_size == wanted.size_bytes and real == wanted.identity


def _is_down(disk: BlockNode) -> bool:
    return disk.text("device/state") not in ("", "running", "live")
