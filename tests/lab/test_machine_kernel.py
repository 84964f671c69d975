"""What a guest boots from: modules in the order of their needs, and an archive that the kernel can read."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from scripts.takeover_lab.machine_kernel import KernelPackage, MachineError, archive, load_order


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


@pytest.mark.skipif(shutil.which("cpio") is None and shutil.which("busybox") is None, reason="needs cpio or busybox")
def test_an_archive_is_unpacked_to_what_went_in(tmp_path: Path) -> None:
    files = {"init": b"#!/bin/sh\n", "modules/a.ko": bytes(range(256)) * 5, "modules/b.ko": b"", "bin/sh": b"x"}
    command = ["cpio"] if shutil.which("cpio") else ["busybox", "cpio"]
    subprocess.run([*command, "-i", "-d"], input=archive(files), cwd=tmp_path, capture_output=True, check=True)
    found = {str(path.relative_to(tmp_path)): path for path in tmp_path.rglob("*") if path.is_file()}
    assert {name: path.read_bytes() for name, path in found.items()} == files
    assert all(path.stat().st_mode & 0o777 == 0o755 for path in found.values())
    assert (tmp_path / "dev").is_dir()
