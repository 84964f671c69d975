"""Where is that volume now: never a name that has come to mean another disk."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.volume.machine import Machine
from verify.volume.identity import VolumeIdentity, find_by_identity, identify, identify_node, whereabouts
from verify.volume.sysfs import BlockNode, BlockTree

FIRST = {"device/wwid": "naa.6001405000000001\n"}
SECOND = {"device/wwid": "naa.6001405000000002\n"}


def look(machine: Machine, number: str) -> VolumeIdentity:
    tree = BlockTree(machine.sysfs, machine.dev)
    node = tree.by_number(number)
    assert node is not None
    return identify_node(tree, node, tree.device_path(node))


def find(machine: Machine, wanted: VolumeIdentity) -> str | None:
    return find_by_identity(wanted, machine.sysfs, machine.dev)


class TestBlockDevices:
    def test_in_its_place(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        assert find(machine, look(machine, "8:0")) == f"{machine.dev}/sda"

    def test_gone(self, machine: Machine) -> None:
        disk = machine.disk("sda", "8:0", "host2/0", FIRST)
        wanted = look(machine, "8:0")
        machine.unplug(disk)
        assert find(machine, wanted) is None

    def test_back_under_another_name_while_another_disk_took_its_own(self, machine: Machine) -> None:
        disk = machine.disk("sda", "8:0", "host2/0", FIRST)
        wanted = look(machine, "8:0")
        machine.unplug(disk)
        machine.disk("sda", "8:0", "host2/0", SECOND)
        assert find(machine, wanted) is None
        machine.disk("sdc", "8:32", "host3/0", FIRST)
        assert find(machine, wanted) == f"{machine.dev}/sdc"

    def test_the_same_name_with_another_size_is_another_disk(self, machine: Machine) -> None:
        disk = machine.disk("sda", "8:0", "host2/0", FIRST)
        wanted = look(machine, "8:0")
        machine.unplug(disk)
        machine.disk("sda", "8:0", "host2/0", FIRST, size_mib=65)
        assert find(machine, wanted) is None

    def test_a_drive_that_lost_its_medium_is_not_it(self, machine: Machine) -> None:
        disk = machine.disk("sda", "8:0", "host2/0", FIRST)
        wanted = look(machine, "8:0")
        machine.write(disk, {"size": "0\n"})
        assert find(machine, wanted) is None

    def test_a_device_node_that_is_another_device_is_not_given(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        wanted = look(machine, "8:0")
        Path(machine.dev, "sda").write_text("8:16")
        assert find(machine, wanted) is None

    def test_the_kernels_name_for_the_node_is_used(self, machine: Machine) -> None:
        disk = machine.disk("cciss!c0d0", "104:0", "host2/0", FIRST)
        machine.write(disk, {"uevent": "MAJOR=104\nMINOR=0\nDEVNAME=renamed\n"})
        Path(machine.dev, "renamed").write_text("104:0")
        assert find(machine, look(machine, "104:0")) == f"{machine.dev}/renamed"

    def test_a_partition_moves_with_its_disk(self, machine: Machine) -> None:
        disk = machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.partition(disk, 2, "8:2")
        wanted = look(machine, "8:2")
        machine.unplug(disk / "sda2")
        assert find(machine, wanted) is None
        machine.unplug(disk)
        machine.partition(machine.disk("sdb", "8:16", "host3/0", FIRST), 2, "8:18")
        assert find(machine, wanted) == f"{machine.dev}/sdb2"

    def test_of_two_paths_the_one_known_comes_first(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.disk("sdb", "8:16", "host3/0", FIRST)
        both = [f"{machine.dev}/sda", f"{machine.dev}/sdb"]
        assert whereabouts(look(machine, "8:0"), machine.sysfs, machine.dev) == both
        assert whereabouts(look(machine, "8:16"), machine.sysfs, machine.dev) == both[::-1]

    def test_of_two_paths_one_that_is_down_comes_last(self, machine: Machine) -> None:
        first = machine.disk("sda", "8:0", "host2/0", {**FIRST, "device/state": "running\n"})
        machine.disk("sdb", "8:16", "host3/0", {**FIRST, "device/state": "running\n"})
        wanted = look(machine, "8:0")
        machine.write(first, {"device/state": "transport-offline\n"})
        assert find(machine, wanted) == f"{machine.dev}/sdb"

    def test_the_hidden_paths_of_a_multipath_disk_are_not_given(self, machine: Machine) -> None:
        flash = {"wwid": "eui.0025385b71b0a1c2\n"}
        machine.disk("nvme0c0n1", "0:0", "nvme0", {**flash, "hidden": "1\n"})
        machine.disk("nvme0n1", "259:0", "nvme-subsystem/nvme-subsys0", flash)
        assert whereabouts(look(machine, "259:0"), machine.sysfs, machine.dev) == [f"{machine.dev}/nvme0n1"]

    def test_of_two_virtio_disks_with_one_serial_number_neither(self, machine: Machine) -> None:
        machine.disk("vda", "254:0", "virtio1", {"serial": "data"})
        wanted = look(machine, "254:0")
        assert find(machine, wanted) == f"{machine.dev}/vda"
        machine.disk("vdb", "254:16", "virtio2", {"serial": "data"})
        assert find(machine, wanted) is None

    def test_a_disk_known_by_its_place_is_found_there_alone(self, machine: Machine) -> None:
        disk = machine.disk("vda", "254:0", "virtio1")
        wanted = look(machine, "254:0")
        machine.disk("vdb", "254:16", "virtio2")
        assert whereabouts(wanted, machine.sysfs, machine.dev) == [f"{machine.dev}/vda"]
        machine.write(disk, {"serial": "another"})
        assert find(machine, wanted) is None

    def test_a_loop_device_is_found_by_its_file_and_offset(self, machine: Machine) -> None:
        def over(offset: int) -> dict[str, str | bytes]:
            return {"loop/backing_file": "/data/a.img\n", "loop/offset": f"{offset}\n"}

        disk = machine.disk("loop0", "7:0", "virtual0", over(4096))
        wanted = look(machine, "7:0")
        machine.unplug(disk)
        machine.disk("loop1", "7:1", "virtual1", over(0))
        assert find(machine, wanted) is None
        machine.disk("loop7", "7:7", "virtual7", over(4096))
        assert find(machine, wanted) == f"{machine.dev}/loop7"

    def test_the_serial_number_of_virtio_disks_is_only_read_for_one_of_them(
        self, machine: Machine, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.disk("vda", "254:0", "virtio1", {"serial": "data"})
        scsi, virtio = look(machine, "8:0"), look(machine, "254:0")
        real_read, asked = BlockNode.raw, []

        def read(self: BlockNode, attribute: str) -> bytes:
            asked.append(attribute)
            return real_read(self, attribute)

        monkeypatch.setattr(BlockNode, "raw", read)
        assert find(machine, scsi) == f"{machine.dev}/sda"
        assert "serial" not in asked
        assert find(machine, virtio) == f"{machine.dev}/vda"
        assert "serial" in asked


class TestFiles:
    def test_where_it_was(self, image: Path) -> None:
        assert find_by_identity(identify(str(image))) == str(image)

    def test_gone_shrunk_or_become_something_else(self, image: Path) -> None:
        wanted = identify(str(image))
        os.truncate(image, wanted.size_bytes - 512)
        assert find_by_identity(wanted) is None
        os.truncate(image, wanted.size_bytes)
        assert find_by_identity(wanted) == str(image)
        other = image.rename(image.with_name("other.img"))
        assert find_by_identity(wanted) is None
        image.symlink_to(other)
        assert find_by_identity(wanted) is None
        image.unlink()
        image.mkdir()
        assert find_by_identity(wanted) is None


@pytest.mark.root
class TestLoopDevices:
    def test_detached_and_attached_under_another_number(
        self, image: Path, attach: Callable[..., str], tmp_path: Path
    ) -> None:
        device = attach(image)
        wanted = identify(device)
        assert (wanted.identity, wanted.backing) == (f"loop:{image}@0", f"{image}@0")
        assert find_by_identity(wanted) == device

        detach(device)
        assert find_by_identity(wanted) is None
        intruder = tmp_path / "intruder.img"
        intruder.write_bytes(bytes(wanted.size_bytes))
        assert attach(intruder, device=device) == device
        assert find_by_identity(wanted) is None

        again = attach(image)
        assert again != device
        assert find_by_identity(wanted) == again


def detach(device: str) -> None:
    subprocess.run(["losetup", "--detach", device], check=True)
