"""Which volume is it: naming block devices from sysfs, and files."""

from __future__ import annotations

import os
import socket
import stat
from pathlib import Path

import pytest

from tests.volume.machine import Machine
from verify.errors import CannotRun, UsageError
from verify.volume import identity as identity_module
from verify.volume.identity import VolumeIdentity, identify, identify_node, same_identity
from verify.volume.naming import name_from_page_83, serial_from_page_80
from verify.volume.sysfs import BlockTree

SCSI_PLACE = "pci0000:00/0000:00:05.0/host2/target2:0:0/2:0:0:1"
NAA = "naa.600140512345678900abcdef00000001"


def look(machine: Machine, number: str) -> VolumeIdentity:
    tree = BlockTree(machine.sysfs, machine.dev)
    node = tree.by_number(number)
    assert node is not None
    return identify_node(tree, node, tree.device_path(node))


def page(code: int, body: bytes) -> bytes:
    return bytes([0, code]) + len(body).to_bytes(2, "big") + body


def designator(code_set: int, association: int, kind: int, value: bytes) -> bytes:
    return bytes([code_set, association << 4 | kind, 0, len(value)]) + value


class TestNamesOfBlockDevices:
    @pytest.mark.parametrize(
        ("attributes", "identity"),
        [
            ({"device/wwid": f"{NAA}\n"}, NAA),
            ({"device/wwid": "t10.MAKER   UNIT 7          0001 \n"}, "t10.MAKER_UNIT_7_0001"),
            (
                {"device/vpd_pg83": page(0x83, designator(1, 0, 3, bytes.fromhex(NAA[4:])))},
                NAA,
            ),
            (
                {
                    "device/vendor": "MAKER   \n",
                    "device/model": "UNIT 7          \n",
                    "device/vpd_pg80": page(0x80, b"  SN-0042 "),
                },
                "scsi:MAKER_UNIT_7_SN-0042",
            ),
            ({"wwid": "eui.0025385b71b0a1c2\n"}, "eui.0025385b71b0a1c2"),
            (
                {"wwid": "uuid.7d1f2c3a-0000-4000-8000-0123456789ab\n"},
                "uuid.7d1f2c3a-0000-4000-8000-0123456789ab",
            ),
            ({"device/model": "FLASH 9\n", "device/serial": "S9 \n", "nsid": "2\n"}, "nvme:FLASH_9_S9_n2"),
            ({"serial": "disk-0042"}, "virtio:disk-0042"),
            ({"dm/uuid": "LVM-abcDEF\n", "dm/name": "vg-data\n"}, "dm:LVM-abcDEF"),
            ({"dm/uuid": "\n", "dm/name": "scratch\n"}, "dm-name:scratch"),
            (
                {"md/uuid": "1b2c3d4e-0000-4000-8000-0123456789ab\n"},
                "md:1b2c3d4e-0000-4000-8000-0123456789ab",
            ),
            (
                {"loop/backing_file": "/data/a b.img\n", "loop/offset": "1048576\n"},
                "loop:/data/a b.img@1048576",
            ),
            ({"device/cid": "1501004d34\n", "device/serial": "0x1234\n"}, "mmc:1501004d34"),
            ({"backend": "tcp-data\n"}, "nbd:tcp-data"),
        ],
    )
    def test_the_device_names_itself(
        self, machine: Machine, attributes: dict[str, str | bytes], identity: str
    ) -> None:
        machine.disk("sda", "8:0", SCSI_PLACE, attributes)
        assert look(machine, "8:0").identity == identity

    @pytest.mark.parametrize(
        "attributes",
        [
            {},
            {"serial": "\n"},
            {"serial": "0000000000"},
            {"wwid": "eui.0000000000000000\n"},
            {"device/wwid": "naa.0000000000000000\n"},
            {"device/vpd_pg83": page(0x83, b"")},
            {"device/model": "FLASH 9\n", "device/serial": "S9\n"},
        ],
    )
    def test_a_device_without_a_telling_name_is_known_by_its_place(
        self, machine: Machine, attributes: dict[str, str | bytes]
    ) -> None:
        machine.disk("vda", "254:0", "pci0000:00/0000:00:02.0/virtio1", attributes)
        place = "/devices/pci0000:00/0000:00:02.0/virtio1/block/vda"
        assert look(machine, "254:0").identity == f"at:{place}"

    def test_a_wwid_is_preferred_to_the_unit_serial_number(self, machine: Machine) -> None:
        attributes = {"device/wwid": f"{NAA}\n", "device/vpd_pg80": page(0x80, b"SN-1")}
        machine.disk("sda", "8:0", SCSI_PLACE, attributes)
        assert look(machine, "8:0").identity == NAA

    def test_a_partition_is_its_disk_and_its_number(self, machine: Machine) -> None:
        disk = machine.disk(
            "sda", "8:0", SCSI_PLACE, {"device/wwid": f"{NAA}\n", "queue/logical_block_size": "4096\n"}
        )
        machine.partition(disk, 3, "8:3", size_mib=5)
        found = look(machine, "8:3")
        assert (found.identity, found.sector_bytes) == (f"{NAA}-part3", 4096)
        assert found.size_bytes == 5 << 20

    def test_a_partition_of_a_loop_device_keeps_the_backing_file(self, machine: Machine) -> None:
        attributes = {"loop/backing_file": "/data/a.img\n", "loop/offset": "0\n"}
        machine.partition(machine.disk("loop0", "7:0", "virtual", attributes), 1, "259:0")
        found = look(machine, "259:0")
        assert (found.identity, found.backing) == ("loop:/data/a.img@0-part1", "/data/a.img@0")

    def test_all_facts_of_a_scsi_disk(self, machine: Machine) -> None:
        attributes = {
            "device/wwid": f"{NAA}\n",
            "device/vendor": "MAKER   \n",
            "device/model": "UNIT 7   \n",
            "queue/dma_alignment": "3\n",
        }
        machine.disk("sda", "8:0", SCSI_PLACE, attributes, size_mib=100)
        assert look(machine, "8:0") == VolumeIdentity(
            kind="block",
            identity=NAA,
            path=f"{machine.dev}/sda",
            size_bytes=100 << 20,
            sector_bytes=512,
            memory_alignment_bytes=4,
            model="MAKER UNIT 7",
            device_number="8:0",
            inode=0,
            backing="",
        )

    def test_the_maker_number_of_a_virtio_disk_is_no_model(self, machine: Machine) -> None:
        machine.disk("vda", "254:0", "virtio1", {"device/vendor": "0x1af4\n"})
        assert look(machine, "254:0").model == ""

    def test_a_drive_without_medium_is_refused(self, machine: Machine) -> None:
        machine.disk("sr0", "11:0", SCSI_PLACE, size_mib=0)
        with pytest.raises(CannotRun, match="sr0 has no medium"):
            look(machine, "11:0")

    @pytest.mark.parametrize("sector_bytes", [1024, 8192])
    def test_other_sector_sizes_are_refused(self, machine: Machine, sector_bytes: int) -> None:
        machine.disk("sda", "8:0", SCSI_PLACE, {"queue/logical_block_size": f"{sector_bytes}\n"})
        with pytest.raises(CannotRun, match=f"logical block size of {sector_bytes} bytes"):
            look(machine, "8:0")


class TestDeviceIdentificationPage:
    def test_the_units_own_name_is_taken_not_the_ports_nor_the_targets(self) -> None:
        body = designator(1, 1, 3, b"\x50" * 16) + designator(1, 2, 3, b"\x51" * 16)
        assert name_from_page_83(page(0x83, body + designator(1, 0, 3, b"\x60" * 8))) == "naa." + "60" * 8

    def test_naa_goes_before_eui_before_a_text_before_t10(self) -> None:
        kinds = [
            (1, 2, b"MAKER 1"),
            (8, 3, b"iqn.2001-04.example:unit\0"),
            (2, 1, b"\x01" * 8),
            (3, 1, b"\x60" * 8),
        ]
        names = ["t10.MAKER 1", "iqn.2001-04.example:unit", "eui." + "01" * 8, "naa." + "60" * 8]
        body = b""
        for (kind, code_set, value), name in zip(kinds, names, strict=True):
            body += designator(code_set, 0, kind, value)
            assert name_from_page_83(page(0x83, body)) == name

    def test_the_longest_naa_name_is_taken(self) -> None:
        body = designator(1, 0, 3, b"\x50" * 8) + designator(1, 0, 3, b"\x60" * 16)
        assert name_from_page_83(page(0x83, body)) == "naa." + "60" * 16

    def test_a_page_cut_anywhere_gives_no_name_made_of_half_a_value(self) -> None:
        whole = page(0x83, designator(1, 0, 3, bytes(range(0x60, 0x70))))
        assert name_from_page_83(whole) != ""
        assert {name_from_page_83(whole[:length]) for length in range(len(whole))} == {""}

    def test_another_page_is_not_taken_for_it(self) -> None:
        assert name_from_page_83(page(0x80, designator(1, 0, 3, b"\x60" * 8))) == ""
        assert serial_from_page_80(page(0x83, b"SN")) == ""


class TestIdentifyingPaths:
    def test_a_file_is_known_by_its_real_path(self, tmp_path: Path) -> None:
        (tmp_path / "real.img").write_bytes(bytes(8192))
        (tmp_path / "link.img").symlink_to("real.img")
        found = identify(str(tmp_path / "link.img"))
        status = (tmp_path / "real.img").stat()
        assert found.identity == found.path == str(tmp_path.resolve() / "real.img")
        assert (found.kind, found.size_bytes, found.inode, found.backing) == ("file", 8192, status.st_ino, "")
        assert found.device_number == f"{os.major(status.st_dev)}:{os.minor(status.st_dev)}"

    @pytest.mark.parametrize(
        ("told", "sector_bytes", "memory_bytes"),
        [((4, 512), 512, 4), ((512, 4096), 4096, 512), ((1, 1), 512, 1)],
    )
    def test_a_files_alignment_is_what_the_kernel_says(
        self,
        image: Path,
        monkeypatch: pytest.MonkeyPatch,
        told: tuple[int, int],
        sector_bytes: int,
        memory_bytes: int,
    ) -> None:
        monkeypatch.setattr(identity_module, "direct_alignment", lambda _: told)
        found = identify(str(image))
        assert (found.sector_bytes, found.memory_alignment_bytes) == (sector_bytes, memory_bytes)

    def test_an_alignment_beyond_4096_is_refused(self, image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(identity_module, "direct_alignment", lambda _: (512, 65536))
        with pytest.raises(CannotRun, match="65536"):
            identify(str(image))

    @pytest.mark.parametrize("told", [None, (0, 0)])
    def test_where_the_kernel_says_nothing_the_disk_below_is_asked(
        self, image: Path, machine: Machine, monkeypatch: pytest.MonkeyPatch, told: tuple[int, int] | None
    ) -> None:
        monkeypatch.setattr(identity_module, "direct_alignment", lambda _: told)
        device = image.stat().st_dev
        disk = machine.disk("sda", "8:0", SCSI_PLACE, {"queue/logical_block_size": "4096\n"})
        machine.partition(disk, 1, f"{os.major(device)}:{os.minor(device)}")
        assert identify(str(image), machine.sysfs).sector_bytes == 4096

    @pytest.mark.parametrize(("smallest_accepted", "sector_bytes"), [(512, 512), (4096, 4096), (8192, 4096)])
    def test_where_no_disk_is_known_direct_reads_are_tried(
        self,
        image: Path,
        machine: Machine,
        monkeypatch: pytest.MonkeyPatch,
        smallest_accepted: int,
        sector_bytes: int,
    ) -> None:
        monkeypatch.setattr(identity_module, "direct_alignment", lambda _: None)
        image.write_bytes(bytes(4096) + os.urandom(4096))
        real_read = os.preadv

        def read(fd: int, buffers: list[memoryview], offset: int) -> int:
            if len(buffers[0]) % smallest_accepted or offset % smallest_accepted:
                raise OSError(22, "Invalid argument")
            return real_read(fd, buffers, offset)

        monkeypatch.setattr(os, "preadv", read)
        assert identify(str(image), machine.sysfs).sector_bytes == sector_bytes

    def test_a_missing_volume_is_named(self, tmp_path: Path) -> None:
        with pytest.raises(CannotRun, match=r"no such volume: '.*missing\.img'"):
            identify(str(tmp_path / "missing.img"))

    @pytest.mark.parametrize("path", ["", "nul\0byte", "x" * 5000])
    def test_an_impossible_path_is_one_sentence(self, path: str) -> None:
        with pytest.raises(CannotRun, match=r"no such volume|cannot look at"):
            identify(path)

    def test_a_file_taken_for_a_folder_is_no_such_volume(self, image: Path) -> None:
        with pytest.raises(CannotRun, match="no such volume"):
            identify(f"{image}/below")

    def test_other_kinds_of_file_are_named(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "pipe")
        with socket.socket(socket.AF_UNIX) as listener:
            listener.bind(str(tmp_path / "s"))
            cases = {str(tmp_path): "a directory", "/dev/null": "a character device"}
            cases |= {str(tmp_path / "pipe"): "a pipe", str(tmp_path / "s"): "a socket"}
            for path, what in cases.items():
                with pytest.raises(CannotRun, match=f"is {what}; give a block device or a file"):
                    identify(path)

    def test_without_permission_it_says_so(self, image: Path) -> None:
        image.parent.chmod(0)
        effective = os.geteuid()
        try:
            if effective == 0:
                os.seteuid(65534)
            with pytest.raises(CannotRun, match="no permission to look at"):
                identify(str(image))
        finally:
            os.seteuid(effective)
            image.parent.chmod(0o700)

    @pytest.mark.skipif(os.geteuid() != 0, reason="needs root: makes a device node")
    def test_a_block_device_is_looked_up_by_its_number_not_its_name(
        self, machine: Machine, tmp_path: Path
    ) -> None:
        machine.disk("sdb", "8:16", SCSI_PLACE, {"device/wwid": f"{NAA}\n"})
        os.mknod(tmp_path / "sda", 0o600 | stat.S_IFBLK, os.makedev(8, 16))
        (tmp_path / "by-name").symlink_to("sda")
        found = identify(str(tmp_path / "by-name"), machine.sysfs)
        assert (found.identity, found.path) == (NAA, str(tmp_path.resolve() / "sda"))
        os.mknod(tmp_path / "sdz", 0o600 | stat.S_IFBLK, os.makedev(8, 32))
        with pytest.raises(CannotRun, match="nothing about the block device 8:32"):
            identify(str(tmp_path / "sdz"), machine.sysfs)


class TestSameIdentity:
    def volume(self, **changes: str | int) -> VolumeIdentity:
        values: dict[str, object] = {
            "kind": "block",
            "identity": NAA,
            "path": "/dev/sda",
            "size_bytes": 1 << 20,
            "sector_bytes": 512,
            "memory_alignment_bytes": 4,
            "model": "",
            "device_number": "8:0",
            "inode": 0,
            "backing": "",
        }
        return VolumeIdentity.from_json({**values, **changes})

    def test_path_number_and_size_do_not_matter(self) -> None:
        moved = self.volume(path="/dev/sdq", device_number="65:0", size_bytes=2 << 20)
        assert same_identity(self.volume(), moved)

    def test_another_name_or_kind_is_another_volume(self) -> None:
        assert not same_identity(self.volume(), self.volume(identity=NAA[:-1] + "2"))
        assert not same_identity(self.volume(), self.volume(identity=f"{NAA}-part1"))
        file = self.volume(kind="file", identity="/data/a", path="/data/a")
        assert not same_identity(self.volume(identity="/data/a"), file)

    @pytest.mark.parametrize(
        ("map_uuid", "unit"),
        [
            (f"dm:mpath-3{NAA[4:]}", NAA),
            (f"dm:part2-mpath-3{NAA[4:]}", f"{NAA}-part2"),
            ("dm:mpath-20025385b71b0a1c2", "eui.0025385b71b0a1c2"),
            ("dm:mpath-uuid.7d1f2c3a-0000", "uuid.7d1f2c3a-0000"),
        ],
    )
    def test_a_multipath_map_is_the_unit_behind_it(self, map_uuid: str, unit: str) -> None:
        assert same_identity(self.volume(identity=map_uuid), self.volume(identity=unit))
        assert not same_identity(self.volume(identity=map_uuid), self.volume(identity=unit + "0"))

    def test_another_mapping_is_only_itself(self) -> None:
        assert not same_identity(self.volume(identity="dm:LVM-abc"), self.volume(identity="LVM-abc"))


class TestJson:
    def test_there_and_back(self, image: Path) -> None:
        found = identify(str(image))
        assert VolumeIdentity.from_json(found.to_json()) == found

    @pytest.mark.parametrize(
        ("field", "value"),
        [
            ("kind", "tape"),
            ("identity", ""),
            ("path", "relative"),
            ("path", "/nul\0"),
            ("size_bytes", -1),
            ("size_bytes", "1"),
            ("size_bytes", 1.0),
            ("size_bytes", True),
            ("sector_bytes", 1024),
            ("memory_alignment_bytes", 0),
            ("memory_alignment_bytes", 3),
            ("device_number", "8"),
            ("device_number", "8:x"),
            ("inode", -1),
            ("inode", None),
            ("model", 5),
            ("backing", None),
        ],
    )
    def test_a_malformed_field_is_named(self, image: Path, field: str, value: object) -> None:
        with pytest.raises(UsageError, match=field):
            VolumeIdentity.from_json({**identify(str(image)).to_json(), field: value})

    def test_every_missing_field_is_named(self, image: Path) -> None:
        whole = identify(str(image)).to_json()
        for field in whole:
            with pytest.raises(UsageError, match=f"lacks the field {field}"):
                VolumeIdentity.from_json({name: value for name, value in whole.items() if name != field})

    @pytest.mark.parametrize("values", [None, [], "text", 7])
    def test_what_is_no_table_is_refused(self, values: object) -> None:
        with pytest.raises(UsageError, match="must be a table"):
            VolumeIdentity.from_json(values)
