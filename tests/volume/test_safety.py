"""What stands against writing: uses that nothing overrides, contents that --erase overrides."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.volume.machine import Machine
from verify.volume.identity import VolumeIdentity, identify, identify_node
from verify.volume.safety import Contents, look_inside, refusals
from verify.volume.sysfs import BlockTree

FIRST = {"device/wwid": "naa.6001405000000001\n"}
SECOND = {"device/wwid": "naa.6001405000000002\n"}

Attach = Callable[..., str]


def look(machine: Machine, number: str) -> VolumeIdentity:
    tree = BlockTree(machine.sysfs, machine.dev)
    node = tree.by_number(number)
    assert node is not None
    return identify_node(tree, node, tree.device_path(node))


def uses(machine: Machine, number: str) -> list[str]:
    return list(look_inside(look(machine, number), machine.sysfs, machine.proc).uses)


class TestUsesOfBlockDevices:
    def test_a_disk_of_its_own_has_none(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.disk("sdb", "8:16", "host3/0", SECOND)
        machine.set_mounts(["8:16 / / rw - ext4 /dev/sdb rw"])
        assert uses(machine, "8:0") == []

    def test_mounted(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.set_mounts(
            ["8:0 / /mnt/a\\040b rw - ext4 /dev/sda rw", "8:0 /sub /srv rw - ext4 /dev/sda rw"]
        )
        assert uses(machine, "8:0") == ["it is mounted at /mnt/a b", "it is mounted at /srv"]

    def test_mounted_with_a_device_number_of_the_file_systems_own(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.set_mounts([f"0:30 / /mnt rw - btrfs {machine.dev}/sda rw"])
        assert uses(machine, "8:0") == ["it is mounted at /mnt"]

    def test_a_second_disk_of_a_mounted_file_system(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.disk("sdb", "8:16", "host3/0", SECOND)
        members = Path(machine.sysfs, "fs/btrfs/1b2c/devices")
        members.mkdir(parents=True)
        for name in ("sda", "sdb"):
            (members / name).symlink_to(Path(machine.sysfs, "class/block", name))
        assert uses(machine, "8:16") == ["it belongs to a mounted btrfs file system"]

    def test_a_mounted_partition_stands_against_the_whole_disk(self, machine: Machine) -> None:
        disk = machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.partition(disk, 1, "8:1")
        machine.partition(disk, 2, "8:2")
        machine.set_mounts(["8:2 / /srv rw - xfs /dev/sda2 rw"])
        assert uses(machine, "8:0") == ["its partition /dev/sda2 is mounted at /srv"]
        assert uses(machine, "8:2") == ["it is mounted at /srv"]

    def test_a_mounted_neighbour_does_not(self, machine: Machine) -> None:
        disk = machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.partition(disk, 1, "8:1")
        machine.partition(disk, 2, "8:2")
        machine.set_mounts(["8:2 / /srv rw - xfs /dev/sda2 rw"])
        assert uses(machine, "8:1") == []

    def test_the_whole_disk_mounted_stands_against_its_partition(self, machine: Machine) -> None:
        machine.partition(machine.disk("sda", "8:0", "host2/0", FIRST), 1, "8:1")
        machine.set_mounts(["8:0 / /srv rw - xfs /dev/sda rw"])
        assert len(uses(machine, "8:1")) == 1
        assert "/dev/sda" in uses(machine, "8:1")[0]

    def test_swap(self, machine: Machine) -> None:
        machine.partition(machine.disk("sda", "8:0", "host2/0", FIRST), 1, "8:1")
        machine.set_swaps([f"{machine.dev}/sda1"])
        assert uses(machine, "8:0") == ["its partition /dev/sda1 is in use as swap"]

    def test_the_root_file_system_upon_a_mapping_upon_raid_upon_a_partition(self, machine: Machine) -> None:
        part = machine.partition(machine.disk("sda", "8:0", "host2/0", FIRST), 2, "8:2")
        raid = machine.disk("md0", "9:0", "virtual", {"md/level": "raid1\n"})
        mapping = machine.disk("dm-0", "253:0", "virtual", {"dm/name": "vg-root\n", "dm/uuid": "LVM-x\n"})
        machine.stack(raid, part)
        machine.stack(mapping, raid)
        machine.set_mounts(["253:0 / / rw - ext4 /dev/mapper/vg-root rw"])
        found = uses(machine, "8:0")
        assert "its partition /dev/sda2 is part of /dev/md0 (raid1)" in found
        assert any("holds the running system's root file system" in use for use in found)
        assert any("is part of /dev/dm-0 (vg-root)" in use for use in found)
        assert uses(machine, "253:0") == [
            "it holds the running system's root file system",
            "it is mounted at /",
        ]

    def test_a_held_but_unmounted_path_of_a_multipath_map(self, machine: Machine) -> None:
        path = machine.disk("sda", "8:0", "host2/0", FIRST)
        upper = machine.disk("dm-0", "253:0", "virtual", {"dm/name": "mpatha\n", "dm/uuid": "mpath-3600\n"})
        machine.stack(upper, path)
        assert uses(machine, "8:0") == ["it is part of /dev/dm-0 (mpatha)"]
        assert uses(machine, "253:0") == []

    def test_the_same_unit_mounted_by_its_other_path(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.disk("sdb", "8:16", "host3/0", FIRST)
        machine.set_mounts(["8:16 / /srv rw - xfs /dev/sdb rw"])
        (use,) = uses(machine, "8:0")
        assert use.startswith("/dev/sdb")
        assert "mounted at /srv" in use

    def test_a_loop_device_over_a_file_on_it(self, machine: Machine, image: Path) -> None:
        device = image.stat().st_dev
        number = f"{os.major(device)}:{os.minor(device)}"
        machine.disk("sda", number, "host2/0", FIRST)
        machine.disk("loop0", "7:0", "virtual", {"loop/backing_file": f"{image}\n"})
        machine.set_mounts(["7:0 / /srv rw - ext4 /dev/loop0 rw"])
        (use,) = uses(machine, number)
        assert "/dev/loop0" in use

    @pytest.mark.parametrize(("offset_bytes", "use_count"), [(0, 1), (63 << 20, 1), (64 << 20, 0)])
    def test_another_loop_device_over_the_same_stretch_of_the_file(
        self, machine: Machine, offset_bytes: int, use_count: int
    ) -> None:
        backing = {"loop/backing_file": "/data/gone.img\n"}
        machine.disk("loop0", "7:0", "virtual0", {**backing, "loop/offset": "0\n"})
        machine.disk("loop1", "7:1", "virtual1", {**backing, "loop/offset": f"{offset_bytes}\n"})
        machine.set_mounts(["7:1 / /srv rw - ext4 /dev/loop1 rw"])
        assert len(uses(machine, "7:0")) == use_count


class TestContentOfBlockDevices:
    def test_what_cannot_be_read_is_not_taken_for_empty(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        volume = look(machine, "8:0")
        os.unlink(volume.path)
        assert look_inside(volume, machine.sysfs, machine.proc).holds == (
            "content that cannot be looked at (No such file or directory)",
        )

    def test_partitions_the_kernel_knows_are_told_without_a_table(self, machine: Machine) -> None:
        disk = machine.disk("sda", "8:0", "host2/0", FIRST)
        machine.partition(disk, 1, "8:1")
        machine.partition(disk, 2, "8:2")
        volume = look(machine, "8:0")
        Path(volume.path).write_bytes(bytes(4096))
        assert look_inside(volume, machine.sysfs, machine.proc).holds == ("2 partitions",)


class TestFiles:
    def test_a_file_holds_at_least_itself(self, image: Path, machine: Machine) -> None:
        found = look_inside(identify(str(image)), machine.sysfs, machine.proc)
        assert found == Contents((), (f"a file of {16 << 20} bytes",))
        with image.open("r+b") as file:
            file.seek(12345)
            file.write(b"precious")
        held = look_inside(identify(str(image)), machine.sysfs, machine.proc).holds
        assert held[1:] == ("data that is not all zero, from offset 12345",)

    def test_a_file_in_use_as_swap(self, image: Path, machine: Machine) -> None:
        os.link(image, image.with_name("by-another-name"))
        machine.set_swaps([str(image.with_name("by-another-name"))])
        assert look_inside(identify(str(image)), machine.sysfs, machine.proc).uses == (
            "it is in use as swap",
        )

    def test_a_file_that_backs_a_mounted_loop_device(self, image: Path, machine: Machine) -> None:
        machine.disk("loop3", "7:3", "virtual", {"loop/backing_file": f"{image}\n"})
        machine.set_mounts(["7:3 / /srv rw - ext4 /dev/loop3 rw"])
        attached, mounted = look_inside(identify(str(image)), machine.sysfs, machine.proc).uses
        assert attached == "it is attached as the loop device /dev/loop3"
        assert "mounted at /srv" in mounted

    def test_a_loop_device_over_the_file_by_another_name(self, image: Path, machine: Machine) -> None:
        os.link(image, image.with_name("by-another-name"))
        backing = {"loop/backing_file": f"{image.with_name('by-another-name')}\n"}
        machine.disk("loop3", "7:3", "virtual", backing)
        found = look_inside(identify(str(image)), machine.sysfs, machine.proc)
        assert found.uses == ("it is attached as the loop device /dev/loop3",)

    def test_a_file_another_program_has_locked(self, image: Path) -> None:
        with image.open("r+b") as own:
            fcntl.lockf(own, fcntl.LOCK_EX)
            assert look_inside(identify(str(image))).uses == ()
        code = "import fcntl, sys; f = open(sys.argv[1], 'r+'); fcntl.lockf(f, 2); print(flush=True); input()"
        with subprocess.Popen(
            [sys.executable, "-c", code, str(image)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as holder:
            assert holder.stdout is not None
            holder.stdout.readline()
            (use,) = look_inside(identify(str(image))).uses
            assert use.startswith(f"it is locked by process {holder.pid}")
            holder.communicate(b"\n")


class TestRefusals:
    SPAN = (1 << 20, 1 << 30)

    def test_what_exists_needs_erase_and_is_told_what_to_give(self, image: Path) -> None:
        volume = identify(str(image))
        (sentence,) = refusals(volume, Contents((), ("a file of 9 bytes", "swap space")), None, self.SPAN)
        assert f"{image} holds a file of 9 bytes and swap space" in sentence
        assert f"give --erase {image} to allow" in sentence
        assert f"{1 << 30} bytes from offset {1 << 20}" in sentence

    def test_even_what_looks_empty_does(self, image: Path) -> None:
        (sentence,) = refusals(identify(str(image)), Contents((), ()), None, self.SPAN)
        assert "looks empty" in sentence

    def test_the_right_identity_allows_it(self, image: Path) -> None:
        assert refusals(identify(str(image)), Contents((), ("swap space",)), str(image), self.SPAN) == []

    @pytest.mark.parametrize("erase", ["", "another", "naa.6001405000000001-part1"])
    def test_any_other_does_not(self, machine: Machine, erase: str) -> None:
        machine.disk("sda", "8:0", "host2/0", FIRST)
        (sentence,) = refusals(look(machine, "8:0"), Contents((), ()), erase, self.SPAN)
        assert "another volume" in sentence
        assert "give --erase naa.6001405000000001" in sentence

    def test_an_identity_with_blanks_is_told_ready_for_the_shell(self, tmp_path: Path) -> None:
        path = tmp_path / "a b's.img"
        path.touch()
        for erase in (None, "other"):
            (sentence,) = refusals(identify(str(path)), Contents((), ()), erase, self.SPAN)
            assert "--erase '" in sentence
            assert "a b'\"'\"'s.img'" in sentence

    def test_no_erase_overrides_a_use(self, image: Path) -> None:
        contents = Contents(("it is mounted at /srv", "it is in use as swap"), ())
        assert refusals(identify(str(image)), contents, str(image), self.SPAN) == [
            f"{image} is in use and is never written to: it is mounted at /srv",
            f"{image} is in use and is never written to: it is in use as swap",
        ]
        assert len(refusals(identify(str(image)), contents, None, self.SPAN)) == 3
        assert len(refusals(identify(str(image)), contents, "other", self.SPAN)) == 3


@pytest.mark.root
class TestRealDevices:
    def test_a_loop_device_with_a_file_system_then_mounted(
        self, attach: Attach, mount: Callable[..., Path], image: Path
    ) -> None:
        device = attach(image)
        assert look_inside(identify(device)) == Contents((), ())
        subprocess.run(["mkfs.ext4", "-q", device], check=True)
        found = look_inside(identify(device))
        kind = "ext4" if shutil.which("blkid", path="/usr/sbin:/sbin:/usr/bin:/bin") else "ext"
        assert found == Contents((), (f"{kind} file system",))
        point = mount(device)
        assert look_inside(identify(device)).uses == (f"it is mounted at {point}",)
        of_file = look_inside(identify(str(image)))
        assert of_file.uses[0] == f"it is attached as the loop device {device}"
        assert f"mounted at {point}" in of_file.uses[1]
        assert of_file.holds == (f"a file of {16 << 20} bytes", f"{kind} file system")

    def test_a_partition_of_a_loop_device(
        self, attach: Attach, mount: Callable[..., Path], image: Path
    ) -> None:
        device = attach(image, "--partscan")
        subprocess.run(["addpart", device, "1", "2048", "16384"], check=True)
        assert look_inside(identify(device)).holds == ("1 partition",)
        subprocess.run(["mkfs.ext4", "-q", f"{device}p1"], check=True)
        point = mount(f"{device}p1")
        assert look_inside(identify(device)).uses == (f"its partition {device}p1 is mounted at {point}",)

    def test_the_disk_of_the_running_system(self) -> None:
        tree = BlockTree()
        status = os.stat("/")
        node = tree.by_number(f"{os.major(status.st_dev)}:{os.minor(status.st_dev)}")
        if node is None:
            pytest.skip("needs a root file system on a block device")
        volume = identify_node(tree, node, tree.device_path(node))
        assert "it holds the running system's root file system" in look_inside(volume).uses
