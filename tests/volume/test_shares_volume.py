"""The records never lie on the volume under test."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.volume.machine import Machine
from verify.volume.identity import VolumeIdentity, identify, identify_node
from verify.volume.safety import shares_volume
from verify.volume.sysfs import BlockTree

FIRST = {"device/wwid": "naa.6001405000000001\n"}
SECOND = {"device/wwid": "naa.6001405000000002\n"}

Attach = Callable[..., str]


@pytest.fixture
def home(tmp_path: Path) -> str:
    """The device number that the folders of this test really have."""
    device = tmp_path.stat().st_dev
    return f"{os.major(device)}:{os.minor(device)}"


def look(machine: Machine, number: str) -> VolumeIdentity:
    tree = BlockTree(machine.sysfs, machine.dev)
    node = tree.by_number(number)
    assert node is not None
    return identify_node(tree, node, tree.device_path(node))


def shared(machine: Machine, folder: Path, number: str) -> str | None:
    return shares_volume(str(folder), look(machine, number), machine.sysfs, machine.proc)


class TestMadeUpMachines:
    def test_on_the_volume_itself(self, machine: Machine, tmp_path: Path, home: str) -> None:
        machine.disk("sda", home, "host2/0", FIRST)
        machine.disk("sdb", "8:240", "host3/0", SECOND)
        machine.set_mounts([f"{home} / {tmp_path} rw - ext4 /dev/sda rw"])
        sentence = shared(machine, tmp_path / "record", home)
        assert sentence is not None
        assert f"the folder {tmp_path}/record, which is on the file system mounted at {tmp_path}" in sentence
        assert f"lies on the volume under test {machine.dev}/sda" in sentence
        assert shared(machine, tmp_path / "record", "8:240") is None

    def test_a_folder_that_does_not_exist_counts_where_it_would_be_made(
        self, machine: Machine, tmp_path: Path, home: str
    ) -> None:
        machine.disk("sda", home, "host2/0", FIRST)
        (tmp_path / "link").symlink_to(tmp_path)
        assert shared(machine, tmp_path / "not/yet/made", home) is not None
        assert shared(machine, tmp_path / "link/not/yet", home) is not None
        assert shared(machine, Path("/proc/not/yet"), home) is None

    def test_on_a_partition_of_the_volume(self, machine: Machine, tmp_path: Path, home: str) -> None:
        disk = machine.disk("sda", "8:240", "host2/0", FIRST)
        machine.partition(disk, 1, home)
        machine.partition(disk, 2, "8:242")
        assert shared(machine, tmp_path, "8:240") is not None
        assert shared(machine, tmp_path, "8:242") is None

    def test_on_a_mapping_upon_a_partition_of_the_volume(
        self, machine: Machine, tmp_path: Path, home: str
    ) -> None:
        disk = machine.disk("sda", "8:240", "host2/0", FIRST)
        part = machine.partition(disk, 1, "8:241")
        mapping = machine.disk("dm-0", home, "virtual0", {"dm/uuid": "LVM-a\n"})
        machine.stack(mapping, part)
        neighbour = machine.disk("dm-1", "253:241", "virtual1", {"dm/uuid": "LVM-b\n"})
        machine.stack(neighbour, part)
        assert shared(machine, tmp_path, "8:240") is not None
        assert shared(machine, tmp_path, "8:241") is not None
        assert shared(machine, tmp_path, home) is not None
        assert shared(machine, tmp_path, "253:241") is None

    def test_on_a_disk_that_the_volume_is_built_of(self, machine: Machine, tmp_path: Path, home: str) -> None:
        lower = machine.disk("sda", home, "host2/0", FIRST)
        upper = machine.disk("dm-0", "253:240", "virtual", {"dm/uuid": "mpath-x\n"})
        machine.stack(upper, lower)
        assert shared(machine, tmp_path, "253:240") is not None

    def test_on_the_other_path_to_the_volume(self, machine: Machine, tmp_path: Path, home: str) -> None:
        machine.disk("sda", home, "host2/0", FIRST)
        machine.disk("sdb", "8:240", "host3/0", FIRST)
        assert shared(machine, tmp_path, "8:240") is not None

    def test_on_a_file_system_whose_device_number_is_its_own(self, machine: Machine, tmp_path: Path) -> None:
        machine.disk("sda", "8:240", "host2/0", FIRST)
        machine.disk("sdb", "8:224", "host3/0", SECOND)
        machine.set_mounts([f"0:77 / {tmp_path} rw - btrfs {machine.dev}/sda rw"])
        assert shared(machine, tmp_path, "8:240") is not None
        assert shared(machine, tmp_path, "8:224") is None

    def test_beside_a_file_under_test_is_fine(self, machine: Machine, image: Path, home: str) -> None:
        machine.disk("sda", home, "host2/0", FIRST)
        machine.set_mounts([f"{home} / / rw - ext4 /dev/sda rw"])
        assert shares_volume(str(image.parent), identify(str(image)), machine.sysfs, machine.proc) is None

    def test_beside_the_backing_file_of_a_loop_device_is_fine(
        self, machine: Machine, image: Path, home: str
    ) -> None:
        machine.disk("sda", home, "host2/0", FIRST)
        machine.disk("loop0", "7:240", "virtual", {"loop/backing_file": f"{image}\n"})
        machine.set_mounts([f"{home} / / rw - ext4 /dev/sda rw"])
        assert shared(machine, image.parent, "7:240") is None

    def test_within_a_file_system_within_the_file_under_test(
        self, machine: Machine, image: Path, home: str
    ) -> None:
        machine.disk("loop0", home, "virtual", {"loop/backing_file": f"{image}\n"})
        file = identify(str(image))
        assert shares_volume(str(image.parent), file, machine.sysfs, machine.proc) is not None


@pytest.mark.root
class TestRealDevices:
    def test_a_mounted_loop_device_and_its_file(
        self, attach: Attach, mount: Callable[..., Path], image: Path, tmp_path: Path
    ) -> None:
        device = attach(image)
        subprocess.run(["mkfs.ext4", "-q", device], check=True)
        point = mount(device)
        for volume in (identify(device), identify(str(image))):
            sentence = shares_volume(str(point / "records" / "run 1"), volume)
            assert sentence is not None
            assert f"mounted at {point}" in sentence
            assert shares_volume(str(tmp_path / "records"), volume) is None

    def test_a_loop_device_upon_the_volume_under_test(
        self, attach: Attach, mount: Callable[..., Path], image: Path
    ) -> None:
        lower = attach(image)
        subprocess.run(["mkfs.ext4", "-q", lower], check=True)
        inner = mount(lower) / "inner.img"
        with inner.open("wb") as file:
            file.truncate(8 << 20)
        upper = attach(inner)
        subprocess.run(["mkfs.ext4", "-q", upper], check=True)
        point = mount(upper)
        assert shares_volume(str(point), identify(lower)) is not None
        assert shares_volume(str(point), identify(upper)) is not None
        assert shares_volume(str(inner.parent), identify(upper)) is None
        # Detached while in use it goes with the mount, so that the file system below can be unmounted.
        subprocess.run(["losetup", "--detach", upper], check=True)
