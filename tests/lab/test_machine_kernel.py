"""What a guest boots from: modules in the order of their needs, and an archive that the kernel can read."""

from __future__ import annotations

import lzma
import shutil
import subprocess
from pathlib import Path

import pytest

from scripts.takeover_lab.machine_kernel import (
    KernelPackage,
    MachineError,
    archive,
    load_order,
    read_busybox,
    read_kernel_package,
)


def package(needs: dict[str, str], built_in: set[str] | None = None) -> KernelPackage:
    """A kernel whose modules tell their needs as real ones do: one text among others in a section of the file."""
    modules = {name: b"\x7fELF\0license=GPL\0depends=" + told.encode() + b"\0name=x\0" for name, told in needs.items()}
    return KernelPackage("6.0", b"kernel", modules, frozenset(built_in or ()))


class TestLoadOrder:
    def test_what_a_module_needs_comes_before_it_and_nothing_twice(self) -> None:
        needs = {"disk": "scsi-core,common", "scsi_core": "common", "common": "", "host": "scsi_core", "other": ""}
        assert load_order(package(needs), ["disk", "host"]) == ["common", "scsi_core", "disk", "host"]

    def test_what_is_built_in_is_not_loaded(self) -> None:
        assert load_order(package({"disk": "scsi_core"}, {"scsi_core", "host"}), ["host", "disk"]) == ["disk"]

    def test_a_missing_module_is_named_with_what_needs_it(self) -> None:
        with pytest.raises(MachineError, match=r"the kernel 6\.0 has no module common, which scsi_core needs"):
            load_order(package({"disk": "scsi_core", "scsi_core": "common"}), ["disk"])


@pytest.mark.skipif(shutil.which("dpkg-deb") is None, reason="needs dpkg-deb")
class TestPackages:
    @staticmethod
    def made_of(folder: Path, files: dict[str, bytes]) -> Path:
        """A Debian package with these files."""
        control = b"Package: made-up\nVersion: 1\nArchitecture: all\nMaintainer: nobody\nDescription: none\n"
        for name, content in {**files, "DEBIAN/control": control}.items():
            path = folder / "tree" / name
            path.parent.mkdir(mode=0o755, parents=True, exist_ok=True)
            path.write_bytes(content)
        package = folder / "made-up_1_all.deb"
        subprocess.run(["dpkg-deb", "--build", folder / "tree", package], capture_output=True, check=True)
        return package

    @pytest.mark.parametrize("merged", ["", "usr/"])
    def test_kernel_and_modules_are_taken_and_nothing_else(self, tmp_path: Path, merged: str) -> None:
        modules = f"{merged}lib/modules/6.0-x"
        package = self.made_of(tmp_path, {
            "boot/vmlinuz-6.0-x": b"kernel",
            f"{modules}/modules.builtin": b"kernel/lib/built-in.ko\n",
            f"{modules}/kernel/drivers/scsi/sd-mod.ko": b"plain",
            f"{modules}/kernel/fs/9p/9p.ko.xz": lzma.compress(b"packed"),
            f"{modules}/kernel/sound/beep.ko": b"not wanted",
        })  # fmt: skip
        expected = KernelPackage("6.0-x", b"kernel", {"sd_mod": b"plain", "9p": b"packed"}, frozenset({"built_in"}))
        assert read_kernel_package(package) == expected

    @pytest.mark.parametrize("merged", ["", "usr/"])
    def test_busybox_is_taken(self, tmp_path: Path, merged: str) -> None:
        package = self.made_of(tmp_path, {f"{merged}bin/busybox": b"program", f"{merged}share/busybox": b"text"})
        assert read_busybox(package) == b"program"

    def test_what_is_not_in_it_is_told(self, tmp_path: Path) -> None:
        package = self.made_of(tmp_path, {"usr/share/text": b"text"})
        with pytest.raises(MachineError, match=r"there is no kernel in the package made-up_1_all\.deb"):
            read_kernel_package(package)
        with pytest.raises(MachineError, match=r"there is no busybox in the package made-up_1_all\.deb"):
            read_busybox(package)

    def test_what_is_no_package_is_told(self, tmp_path: Path) -> None:
        broken = tmp_path / "broken.deb"
        broken.write_bytes(bytes(100))
        with pytest.raises(MachineError, match=r"the package broken\.deb cannot be read"):
            read_busybox(broken)

    def test_a_module_that_cannot_be_unpacked_is_told(self, tmp_path: Path) -> None:
        package = self.made_of(tmp_path, {"lib/modules/6.0-x/kernel/fs/9p/9p.ko.xz": b"not packed"})
        with pytest.raises(MachineError, match=r"9p\.ko\.xz in the package made-up_1_all\.deb cannot be unpacked"):
            read_kernel_package(package)


@pytest.mark.skipif(shutil.which("cpio") is None and shutil.which("busybox") is None, reason="needs cpio or busybox")
def test_an_archive_is_unpacked_to_what_went_in(tmp_path: Path) -> None:
    files = {"init": b"#!/bin/sh\n", "modules/a.ko": bytes(range(256)) * 5, "modules/b.ko": b"", "bin/sh": b"x"}
    command = ["cpio"] if shutil.which("cpio") else ["busybox", "cpio"]
    subprocess.run([*command, "-i", "-d"], input=archive(files), cwd=tmp_path, capture_output=True, check=True)
    found = {str(path.relative_to(tmp_path)): path for path in tmp_path.rglob("*") if path.is_file()}
    assert {name: path.read_bytes() for name, path in found.items()} == files
    assert all(path.stat().st_mode & 0o777 == 0o755 for path in found.values())
    assert (tmp_path / "dev").is_dir()
