"""Reading mounts, swap and locks from /proc."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from tests.volume.machine import Machine
from verify.volume.mounts import (
    FileLock,
    Mount,
    devices_of,
    mount_of,
    process_name,
    read_locks,
    read_mounts,
    read_swaps,
)
from verify.volume.sysfs import BlockTree


def mounted(point: str, number: str = "8:1", kind: str = "ext4", source: str = "/dev/sda1") -> Mount:
    return Mount(number, point, kind, source, ())


class TestMounts:
    def test_lines_with_and_without_optional_fields(self, machine: Machine) -> None:
        machine.set_mounts(
            [
                "8:1 / / rw,relatime - ext4 /dev/sda1 rw,errors=remount-ro",
                "8:2 / /mnt/a\\040b\\134c rw shared:5 master:1 - xfs /dev/disk\\040x rw",
                "0:45 / /net rw - nfs4 filer:/vol rw,vers=4.2",
            ]
        )
        assert read_mounts(machine.proc) == [
            Mount("8:1", "/", "ext4", "/dev/sda1", ("rw", "errors=remount-ro")),
            Mount("8:2", "/mnt/a b\\c", "xfs", "/dev/disk x", ("rw",)),
            Mount("0:45", "/net", "nfs4", "filer:/vol", ("rw", "vers=4.2")),
        ]

    def test_malformed_lines_are_passed_over(self, machine: Machine) -> None:
        machine.set_mounts(
            ["", "8:1 / /", "8:1 / /x rw ext4", "8:1 / /y rw - ext4", "8:1 / /z rw - ext4 none"]
        )
        assert [mount.mount_point for mount in read_mounts(machine.proc)] == ["/z"]

    def test_no_proc_no_mounts(self, tmp_path: Path) -> None:
        missing = str(tmp_path / "missing")
        assert (read_mounts(missing), read_swaps(missing), read_locks(missing)) == ([], [], [])

    def test_the_running_systems_root_is_among_its_own(self) -> None:
        assert "/" in {mount.mount_point for mount in read_mounts()}


class TestMountOfAPath:
    def test_the_deepest_mount_point_around_it(self) -> None:
        mounts = [mounted("/"), mounted("/data"), mounted("/data/deep"), mounted("/database")]
        cases = {
            "/": "/",
            "/data/x": "/data",
            "/data/deep": "/data/deep",
            "/database/x": "/database",
            "/dat": "/",
        }
        for path, point in cases.items():
            found = mount_of(path, mounts)
            assert found is not None
            assert found.mount_point == point

    def test_of_two_on_one_point_the_later(self) -> None:
        found = mount_of("/data/x", [mounted("/data", source="old"), mounted("/data", source="new")])
        assert found is not None
        assert found.source == "new"

    def test_the_paths_own_device_decides_where_a_mount_is_hidden(self) -> None:
        mounts = [mounted("/"), mounted("/a/b", "8:2"), mounted("/a", "8:3")]
        found = mount_of("/a/b/x", mounts, "8:3")
        assert found is not None
        assert found.mount_point == "/a"

    def test_without_any_there_is_none(self) -> None:
        assert mount_of("/x", []) is None


class TestDevicesOfAMount:
    def test_by_number_and_by_source(self, machine: Machine) -> None:
        machine.disk("sda", "8:0", "host2/0")
        machine.disk("sdb", "8:16", "host3/0")
        tree = BlockTree(machine.sysfs, machine.dev)

        def names(mount: Mount) -> list[str]:
            return [node.name for node in devices_of(mount, tree)]

        assert names(mounted("/", "8:0", source="none")) == ["sda"]
        assert names(mounted("/", "0:30", source=f"{machine.dev}/sdb")) == ["sdb"]
        assert names(mounted("/", "0:31", "nfs", "filer:/vol")) == []

    def test_a_file_system_over_several_disks_has_them_all(self, machine: Machine) -> None:
        for index, name in enumerate(("sda", "sdb", "sdc")):
            machine.disk(name, f"8:{16 * index}", f"host{index}/0")
        members = Path(machine.sysfs, "fs/btrfs/1b2c/devices")
        members.mkdir(parents=True)
        for name in ("sda", "sdc"):
            (members / name).symlink_to(Path(machine.sysfs, "class/block", name))
        tree = BlockTree(machine.sysfs, machine.dev)
        found = devices_of(mounted("/", "0:30", "btrfs", f"{machine.dev}/sdc"), tree)
        assert sorted(node.name for node in found) == ["sda", "sdc"]
        assert [node.name for node in devices_of(mounted("/", "8:16"), tree)] == ["sdb"]


class TestLocks:
    def test_lines_of_proc_locks(self, tmp_path: Path) -> None:
        (tmp_path / "locks").write_text(
            "1: POSIX  ADVISORY  WRITE 71 fe:00:2188933 0 EOF\n"
            "1: -> POSIX  ADVISORY  WRITE 72 fe:00:2188933 0 EOF\n"
            "2: OFDLCK ADVISORY  READ -1 00:1b:32 100 200\n"
            "3: broken\n"
            "4: FLOCK  ADVISORY  WRITE x fe:00:1 0 EOF\n"
        )
        assert read_locks(str(tmp_path)) == [
            FileLock("POSIX", 71, "254:0", 2188933),
            FileLock("OFDLCK", -1, "0:27", 32),
        ]

    def test_a_real_lock_is_seen_with_its_holder(self, image: Path) -> None:
        code = "import fcntl, sys; f = open(sys.argv[1], 'r+'); fcntl.lockf(f, 2); print(flush=True); input()"
        with subprocess.Popen(
            [sys.executable, "-c", code, str(image)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as holder:
            assert holder.stdout is not None
            holder.stdout.readline()
            status = image.stat()
            number = f"{os.major(status.st_dev)}:{os.minor(status.st_dev)}"
            assert FileLock("POSIX", holder.pid, number, status.st_ino) in read_locks()
            assert process_name(holder.pid).startswith(f"process {holder.pid} (python")
            holder.communicate(b"\n")


def test_swap_paths_with_blanks(machine: Machine) -> None:
    machine.set_swaps(["/dev/sda2", "/swap\\040file"])
    assert read_swaps(machine.proc) == ["/dev/sda2", "/swap file"]
