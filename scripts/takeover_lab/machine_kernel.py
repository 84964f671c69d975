"""What a guest boots from: a stock Debian kernel and a first file system of busybox and the kernel's own modules.

Nothing is installed: the packages of the kernel and of busybox are downloaded by apt, read as archives and thrown away.
"""

from __future__ import annotations

import lzma
import re
import subprocess
import tarfile
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from verify.errors import CannotRun

KERNEL_METAPACKAGE, BUSYBOX_PACKAGE = "linux-image-amd64", "busybox-static"
MODULES_WANTED = (
    "crc32c_generic", "virtio_pci", "virtio_blk", "virtio_scsi", "am53c974", "sd_mod", "ext4",
    "9pnet_virtio", "9p",
)  # fmt: skip
"""What the guest needs by name; what these need themselves is told by the modules."""

_MODULE_FOLDERS = (
    "arch/x86/crypto/", "block/", "crypto/", "drivers/block/", "drivers/scsi/", "drivers/virtio/", "fs/9p/",
    "fs/ext4/", "fs/fscache/", "fs/jbd2/", "fs/mbcache", "fs/netfs/", "lib/", "net/9p/",
)  # fmt: skip
_KERNEL = re.compile(r"\./boot/vmlinuz-(?P<version>.+)")
_MODULE = re.compile(r"\./(?:usr/)?lib/modules/[^/]+/kernel/(?P<place>.+/(?P<name>[^/]+)\.ko)(?P<packed>\.xz)?")
_BUSYBOX = re.compile(r"\./(?:usr/)?bin/busybox")
_BUILT_IN = re.compile(r"\./(?:usr/)?lib/modules/[^/]+/modules\.builtin")
_DEPENDS = re.compile(rb"\0depends=([^\0]*)\0")


class MachineError(CannotRun):
    """The guest could not be made, booted or waited for; says what, where and what to do in one sentence."""


class NoKernelPackage(MachineError):
    """A package to boot from cannot be had from apt: no network, or no Debian for this kind of machine."""


@dataclass(frozen=True)
class BootImage:
    """A kernel and its first file system, ready to be booted any number of times."""

    kernel: Path
    initramfs: Path
    version: str


@dataclass(frozen=True)
class KernelPackage:
    """What was taken from a kernel package: modules by name (underscores, no suffix), and names built in."""

    version: str
    kernel: bytes
    modules: Mapping[str, bytes]
    built_in: frozenset[str]


def make_boot_image(folder: Path, init: str) -> BootImage:
    """Download the current kernel and busybox and make a boot image of them in `folder`, or give the one that is there.

    Args:
        folder: made if it is missing; holds a few small files afterwards.
        init: the shell script that the guest's first process runs; `MODULES` in it is replaced by the file names
            of the modules below /modules, in the order in which they must be loaded.

    Raises:
        NoKernelPackage: if apt does not give the packages.
        MachineError: if they do not hold what is needed.
    """
    folder.mkdir(parents=True, exist_ok=True)
    kernel, initramfs, version = (folder / name for name in ("vmlinuz", "initramfs", "version"))
    if not version.is_file():
        with tempfile.TemporaryDirectory(dir=folder) as scratch:
            kernel_package, busybox_package = _download(Path(scratch))
            package = read_kernel_package(kernel_package)
            (folder / "busybox").write_bytes(read_busybox(busybox_package))
        kernel.write_bytes(package.kernel)
        (folder / "modules").mkdir(exist_ok=True)
        order = load_order(package, MODULES_WANTED)
        for name in order:
            (folder / "modules" / f"{name}.ko").write_bytes(package.modules[name])
        (folder / "modules" / "order").write_text("\n".join(order) + "\n")
        version.write_text(package.version)
    order = (folder / "modules" / "order").read_text().split()
    files = {f"modules/{name}.ko": (folder / "modules" / f"{name}.ko").read_bytes() for name in order}
    files["bin/busybox"] = (folder / "busybox").read_bytes()
    files["init"] = init.replace("MODULES", " ".join(order)).encode()
    initramfs.write_bytes(archive(files))
    return BootImage(kernel, initramfs, version.read_text())


def _download(folder: Path) -> tuple[Path, Path]:
    """Fetch the kernel package that the metapackage stands for, and busybox's, into `folder`.

    Raises:
        NoKernelPackage: if apt does not give it.
    """
    try:
        return _download_listed(folder)
    except NoKernelPackage:  # apt's lists are not there, or older than what the mirror still has
        _apt(["apt-get", "update", "-qq"], folder)
        return _download_listed(folder)


def _download_listed(folder: Path) -> tuple[Path, Path]:
    told = _apt(["apt-cache", "depends", "--important", KERNEL_METAPACKAGE], folder)
    names = re.findall(r"^\s*Depends: (linux-image-\S+)", told, re.MULTILINE)
    if not names:
        raise NoKernelPackage(f"apt knows no package {KERNEL_METAPACKAGE}; it must know those of Debian for amd64")
    wanted = (names[0], BUSYBOX_PACKAGE)
    _apt(["apt-get", "download", "--quiet", "--quiet", "-o", "APT::Sandbox::User=root", *wanted], folder)
    found = [path for name in wanted for path in folder.glob(f"{name}_*.deb")]
    if len(found) != len(wanted):
        raise NoKernelPackage(f"apt-get download {' '.join(wanted)} left no package of each in {folder}")
    return found[0], found[1]


def _apt(command: list[str], folder: Path) -> str:
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=300, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise NoKernelPackage(f"{command[0]} cannot be run: {error}") from None
    if done.returncode:
        raise NoKernelPackage(f"{' '.join(command)} failed: {done.stderr.strip()[-500:]}")
    return done.stdout


def read_kernel_package(package: Path) -> KernelPackage:
    """Take the kernel and the modules that a guest may need from a Debian kernel package, without unpacking it.

    Raises:
        MachineError: if there is no kernel in it, or it cannot be read.
    """
    version, kernel, modules, built_in = "", b"", {}, frozenset[str]()

    def wanted(name: str) -> bool:
        module = _MODULE.fullmatch(name)
        in_folder = module is not None and module["place"].startswith(_MODULE_FOLDERS)
        return in_folder or bool(_KERNEL.fullmatch(name) or _BUILT_IN.fullmatch(name))

    for name, content in _files_of(package, wanted):
        if found := _KERNEL.fullmatch(name):
            version, kernel = found["version"], content
        elif found := _MODULE.fullmatch(name):
            try:
                modules[_plain(found["name"])] = lzma.decompress(content) if found["packed"] else content
            except lzma.LZMAError as error:
                raise MachineError(f"{name} in the package {package.name} cannot be unpacked: {error}") from None
        else:
            built_in = frozenset(_plain(Path(line).stem) for line in content.decode().split())
    if not kernel:
        raise MachineError(f"there is no kernel in the package {package.name}")
    return KernelPackage(version, kernel, modules, built_in)


def read_busybox(package: Path) -> bytes:
    """Take the program from the package of a busybox that needs no library.

    Raises:
        MachineError: if it is not in it, or it cannot be read.
    """
    for _, content in _files_of(package, lambda name: bool(_BUSYBOX.fullmatch(name))):
        return content
    raise MachineError(f"there is no busybox in the package {package.name}")


def _files_of(package: Path, wanted: Callable[[str], bool]) -> Iterator[tuple[str, bytes]]:
    """Name and content of those files of a Debian package that are wanted by name; nothing is unpacked to disk.

    Raises:
        MachineError: if the package cannot be read.
    """
    command = ["dpkg-deb", "--fsys-tarfile", str(package)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as unpacking:
        try:
            with tarfile.open(fileobj=unpacking.stdout, mode="r|") as files:
                for member in files:
                    taken = files.extractfile(member) if member.isfile() and wanted(member.name) else None
                    if taken is not None:
                        yield member.name, taken.read()
        except (tarfile.TarError, OSError) as error:
            raise MachineError(f"the package {package.name} cannot be read: {error}") from None


def _plain(name: str) -> str:
    return name.removesuffix(".ko").replace("-", "_")


def load_order(package: KernelPackage, wanted: Iterable[str]) -> list[str]:
    """The modules to load for those wanted, each after all that it needs, none twice.

    What a module needs stands in its own `depends=` (the kernel's scripts/mod/modpost.c writes it; depmod makes
    modules.dep of the same symbols), so that no module's name but those wanted has to be known here.

    Raises:
        MachineError: if a module is neither there nor built into the kernel.
    """
    order: list[str] = []

    def add(name: str, wanted_by: str) -> None:
        if name in order or name in package.built_in:
            return
        if name not in package.modules:
            raise MachineError(f"the kernel {package.version} has no module {name}, which {wanted_by} needs")
        told = _DEPENDS.search(package.modules[name])
        for below in told[1].decode().split(",") if told else []:
            if below:
                add(_plain(below), name)
        order.append(name)

    for name in wanted:
        add(_plain(name), "the guest")
    return order


def archive(files: Mapping[str, bytes]) -> bytes:
    """A cpio archive in the "newc" format that the kernel takes as its first file system.

    Format: the kernel's Documentation/driver-api/early-userspace/buffer-format.rst. Every file is executable; the
    folders of the files are made, and `dev`, which the kernel wants for its console.
    """
    folders = {str(parent) for name in files for parent in Path(name).parents if str(parent) != "."} | {"dev"}
    out = bytearray()
    entries = [(name, 0o040755, b"") for name in sorted(folders)]
    entries += [(name, 0o100755, content) for name, content in files.items()]
    for number, (name, mode, content) in enumerate([*entries, ("TRAILER!!!", 0, b"")], 1):
        path = name.encode() + b"\0"
        fields = (number, mode, 0, 0, 1, 0, len(content), 0, 0, 0, 0, len(path), 0)
        out += b"070701" + b"".join(b"%08X" % field for field in fields) + path
        out += b"\0" * (-len(out) % 4) + content
        out += b"\0" * (-len(out) % 4)
    return bytes(out)
