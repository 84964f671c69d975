"""What a volume holds: marks made by the usual tools where they are there, made by hand otherwise."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
from pathlib import Path

import pytest

from verify.volume import signatures as signatures_module
from verify.volume.signatures import ContentReader, ask_blkid, first_data, signatures

MIB = 1 << 20


class Content:
    """A volume in memory, to put marks on."""

    def __init__(self, size_bytes: int = 16 * MIB) -> None:
        self.bytes = bytearray(size_bytes)

    def put(self, offset_bytes: int, value: bytes) -> Content:
        self.bytes[offset_bytes : offset_bytes + len(value)] = value
        return self

    def read(self, offset_bytes: int, length_bytes: int) -> bytes:
        assert offset_bytes >= 0
        return bytes(self.bytes[offset_bytes : offset_bytes + length_bytes])

    def found(self) -> dict[str, str]:
        return signatures(self.read, len(self.bytes))


def boot_record(*kinds: int, status: int = 0) -> bytes:
    entries = b"".join(bytes([status, 0, 0, 0, kind]) + bytes(11) for kind in kinds)
    return bytes(446) + entries.ljust(64, b"\0") + b"\x55\xaa"


def guid_table(sector_bytes: int, partition_count: int, entry_bytes: int = 128) -> Content:
    header = b"EFI PART" + bytes(64) + struct.pack("<QII", 2, 128, entry_bytes)
    content = Content().put(0, boot_record(0xEE)).put(sector_bytes, header)
    for index in range(partition_count):
        content.put(2 * sector_bytes + 3 * index * entry_bytes, bytes([0xA0 + index]) * 16)
    return content


class TestMarks:
    @pytest.mark.parametrize(
        ("offset_bytes", "value", "what"),
        [
            (0, b"XFSB", "xfs file system"),
            (65600, b"_BHRfS_M", "btrfs file system"),
            (3, b"NTFS    ", "ntfs file system"),
            (3, b"EXFAT   ", "exfat file system"),
            (1024, b"\x10\x20\xf5\xf2", "f2fs file system"),
            (0, b"hsqs", "squashfs file system"),
            (32769, b"CD001", "iso9660 file system"),
            (0, b"LUKS\xba\xbe", "LUKS encrypted volume"),
            (0, b"LABELONE", "LVM physical volume"),
            (512, b"LABELONE", "LVM physical volume"),
            (1536, b"LABELONE", "LVM physical volume"),
            (0, b"\xfc\x4e\x2b\xa9", "member of a Linux software RAID"),
            (4096, b"\xfc\x4e\x2b\xa9", "member of a Linux software RAID"),
            (16 * MIB - 8192, b"\xfc\x4e\x2b\xa9", "member of a Linux software RAID"),
            (16 * MIB - 65536, b"\xfc\x4e\x2b\xa9", "member of a Linux software RAID"),
            (4086, b"SWAPSPACE2", "swap space"),
            (65526, b"SWAPSPACE2", "swap space"),
            (82, b"FAT32", "vfat file system"),
            (54, b"FAT16", "vfat file system"),
        ],
    )
    def test_each_is_found_in_its_place_and_not_beside_it(
        self, offset_bytes: int, value: bytes, what: str
    ) -> None:
        assert list(Content().put(offset_bytes, value).found().values()) == [what]
        assert Content().put(offset_bytes + 1, value).found() == {}
        assert Content().put(offset_bytes, b"?" + value[1:]).found() == {}

    def test_an_empty_volume_and_random_bytes_have_none(self) -> None:
        assert Content().found() == {}
        assert Content(0).found() == {}
        assert Content(512).found() == {}
        assert Content().put(0, os.urandom(510) + b"\0\0").found() == {}

    def test_two_bytes_are_not_enough_for_ext(self) -> None:
        assert Content().put(1080, b"\x53\xef").found() == {}
        likely = Content().put(1080, b"\x53\xef").put(1024, struct.pack("<7I", 16, 0, 0, 0, 0, 0, 2))
        assert likely.found() == {"ext": "ext file system"}

    def test_several_are_all_told(self) -> None:
        content = Content().put(512, b"LABELONE").put(4096, b"\xfc\x4e\x2b\xa9")
        assert set(content.found()) == {"lvm2_member", "linux_raid_member"}


class TestPartitionTables:
    @pytest.mark.parametrize(
        ("kinds", "text"),
        [
            ((0x83,), "partition table (dos) with 1 partition"),
            ((0x83, 0x82, 0x8E), "partition table (dos) with 3 partitions"),
        ],
    )
    def test_dos(self, kinds: tuple[int, ...], text: str) -> None:
        assert Content().put(0, boot_record(*kinds)).found() == {"dos": text}

    def test_what_is_no_table_but_ends_like_one_is_a_boot_sector(self) -> None:
        assert Content().put(0, boot_record()).found() == {"boot": "boot sector"}
        assert Content().put(0, boot_record(0x83, status=0x13)).found() == {"boot": "boot sector"}

    def test_the_boot_sector_of_a_file_system_is_no_table(self) -> None:
        content = Content().put(0, boot_record(0x83)).put(82, b"FAT32")
        assert content.found() == {"vfat": "vfat file system"}

    @pytest.mark.parametrize("sector_bytes", [512, 4096])
    @pytest.mark.parametrize("count", [0, 1, 5])
    def test_gpt(self, sector_bytes: int, count: int) -> None:
        plural = "" if count == 1 else "s"
        text = f"partition table (gpt) with {count} partition{plural}"
        assert guid_table(sector_bytes, count).found() == {"gpt": text}

    def test_gpt_of_which_one_copy_is_left(self) -> None:
        second = Content().put(16 * MIB - 512, b"EFI PART")
        assert "second copy" in second.found()["gpt"]
        first_gone = Content().put(0, boot_record(0xEE))
        assert "first copy gone" in first_gone.found()["gpt"]

    @pytest.mark.parametrize(
        "lie", [struct.pack("<QII", 1 << 60, 128, 128), struct.pack("<QII", 2, 1 << 31, 128), bytes(16)]
    )
    def test_gpt_whose_numbers_lie_is_still_one(self, lie: bytes) -> None:
        assert "gpt" in guid_table(512, 3).put(512 + 72, lie).found()

    @pytest.mark.parametrize("length", [0, 100, 511, 512, 600, 1024, 1500, 4096, 20000])
    def test_a_volume_cut_anywhere_gives_no_error(self, length: int) -> None:
        content = guid_table(512, 3)
        del content.bytes[length:]
        content.found()


class TestFirstData:
    def test_none_where_all_is_zero(self) -> None:
        assert first_data(Content().read, 16 * MIB) is None
        assert first_data(Content(0).read, 0) is None

    @pytest.mark.parametrize("offset_bytes", [0, 5000, MIB - 1, 16 * MIB - MIB, 16 * MIB - 1, 4 * MIB + 77])
    def test_where_the_first_byte_stands(self, offset_bytes: int) -> None:
        assert first_data(Content().put(offset_bytes, b"\1\2").read, 16 * MIB) == offset_bytes

    def test_a_small_volume_is_looked_at_whole(self) -> None:
        for offset_bytes in range(700):
            assert first_data(Content(700).put(offset_bytes, b"\1").read, 700) == offset_bytes


class TestContentReader:
    @pytest.mark.parametrize(
        ("offset_bytes", "length_bytes"), [(0, 10), (1, 4095), (4095, 2), (9000, 5000), (14000, 9)]
    )
    def test_any_stretch_reads_as_it_is(self, tmp_path: Path, offset_bytes: int, length_bytes: int) -> None:
        content = os.urandom(14003)
        (tmp_path / "v.img").write_bytes(content)
        with ContentReader(str(tmp_path / "v.img")) as reader:
            assert (
                reader.read(offset_bytes, length_bytes) == content[offset_bytes : offset_bytes + length_bytes]
            )

    def test_beyond_the_end_there_is_nothing(self, tmp_path: Path) -> None:
        (tmp_path / "v.img").write_bytes(bytes(100))
        with ContentReader(str(tmp_path / "v.img")) as reader:
            assert reader.read(100, 10) == reader.read(1 << 20, 10) == b""

    def test_it_works_where_direct_io_is_refused(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (tmp_path / "v.img").write_bytes(b"data")
        real_open = os.open

        def refusing_open(path: str, flags: int) -> int:
            if flags & os.O_DIRECT:
                raise OSError(22, "Invalid argument")
            return real_open(path, flags)

        monkeypatch.setattr(os, "open", refusing_open)
        with ContentReader(str(tmp_path / "v.img")) as reader:
            assert reader.read(0, 10) == b"data"


def found_by_all(path: Path) -> tuple[dict[str, str], dict[str, str]]:
    with ContentReader(str(path)) as reader:
        return signatures(reader.read, path.stat().st_size), ask_blkid(str(path))


class TestAgainstTheUsualTools:
    def test_ext4(self, image: Path) -> None:
        if not shutil.which("mkfs.ext4"):
            pytest.skip("needs mkfs.ext4")
        subprocess.run(["mkfs.ext4", "-q", "-F", "-L", "data", str(image)], check=True)
        own, asked = found_by_all(image)
        assert own == {"ext": "ext file system"}
        assert asked in ({"ext": "ext4 file system labelled 'data'"}, {})

    def test_swap(self, image: Path) -> None:
        if not shutil.which("mkswap"):
            pytest.skip("needs mkswap")
        subprocess.run(["mkswap", "-q", str(image)], check=True, capture_output=True)
        own, asked = found_by_all(image)
        assert own == {"swap": "swap space"}
        assert asked in (own, {})

    @pytest.mark.parametrize(
        ("offset_bytes", "value", "family"),
        [(510, b"\x55\xaa", "dos"), (0, b"LUKS\xba\xbe\x00\x01", "crypto_luks")],
    )
    def test_blkid_and_our_own_eyes_name_a_family_alike(
        self, image: Path, offset_bytes: int, value: bytes, family: str
    ) -> None:
        if not shutil.which("blkid", path="/usr/sbin:/sbin:/usr/bin:/bin"):
            pytest.skip("needs blkid")
        with image.open("r+b") as file:
            if family == "dos":
                file.write(bytes(446) + bytes([0, 0, 2, 0, 0x83, 0, 9, 0]) + struct.pack("<II", 2048, 4096))
            file.seek(offset_bytes)
            file.write(value)
        own, asked = found_by_all(image)
        assert set(own) == set(asked) == {family}


class TestBlkid:
    def test_absent_it_finds_nothing(self, image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(shutil, "which", lambda *_, **__: None)
        assert ask_blkid(str(image)) == {}

    @pytest.mark.parametrize("body", ["exit 2", "exec sleep 600", "echo garbage; printf '\\377=\\376'"])
    def test_failing_hanging_or_talking_nonsense_it_finds_nothing(
        self, image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, body: str
    ) -> None:
        program = tmp_path / "blkid"
        program.write_text(f"#!/bin/sh\n{body}\n")
        program.chmod(0o755)
        monkeypatch.setattr(shutil, "which", lambda *_, **__: str(program))
        monkeypatch.setattr(signatures_module, "BLKID_PATIENCE_S", 0.2)
        assert ask_blkid(str(image)) == {}

    @pytest.mark.parametrize(
        ("output", "found"),
        [
            ("TYPE=xfs\nUSAGE=filesystem\n", {"xfs": "xfs file system"}),
            ("TYPE=LVM2_member\nUSAGE=raid\n", {"lvm2_member": "LVM physical volume"}),
            ("TYPE=linux_raid_member\nLABEL=host:0\n", None),
            ("PTTYPE=gpt\n", {"gpt": "partition table (gpt)"}),
            ("TYPE=unheard_of\nUSAGE=other\n", {"unheard_of": "unheard_of"}),
        ],
    )
    def test_what_it_says_is_put_into_our_words(
        self,
        image: Path,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        output: str,
        found: dict[str, str] | None,
    ) -> None:
        program = tmp_path / "blkid"
        program.write_text(f"#!/bin/sh\ncat <<'END'\n{output}END\n")
        program.chmod(0o755)
        monkeypatch.setattr(shutil, "which", lambda *_, **__: str(program))
        labelled = {"linux_raid_member": "member of a Linux software RAID labelled 'host:0'"}
        assert ask_blkid(str(image)) == (labelled if found is None else found)
