"""The lines of a survey: identity, contents, the disk by itself, the span, and the whole as JSON."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.volume.machine import Machine
from tests.volume.sample_machines import iscsi, multipath, reasons, scsi, surveyed, system_disk, values, virtio
from verify.errors import CannotRun, UsageError
from verify.volume.lines import Level, Line, size_text
from verify.volume.safety import Contents
from verify.volume.survey import Asked, Survey, survey

PLACE = "pci0000:00/host2/target2:0:0/2:0:0:0"
GIB = 1 << 30
NAME = "naa.600140500000000000000000000000aa"


@pytest.fixture
def disk(machine: Machine) -> Path:
    """A SCSI disk, /dev/sda, 8:0, of 1 GiB, beside the system's own."""
    system_disk(machine)
    return scsi(machine, "sda", "8:0", PLACE)


@pytest.mark.parametrize(
    ("size_bytes", "text"),
    [
        (0, "0 bytes"),
        (1023, "1023 bytes"),
        (1024, "1024 bytes (1 KiB)"),
        (1536, "1536 bytes (1.5 KiB)"),
        (1 << 40, "1099511627776 bytes (1 TiB)"),
        (1 << 60, "1152921504606846976 bytes (1024 PiB)"),
    ],
)
def test_sizes(size_bytes: int, text: str) -> None:
    assert size_text(size_bytes) == text


def test_a_plain_scsi_disk(machine: Machine, disk: Path) -> None:
    found = surveyed(machine, "8:0")
    device = f"{machine.dev}/sda"
    assert [(line.label, line.value) for line in found.lines] == [
        ("volume", device),
        ("what it is", "a block device: MAKER PAIR"),
        ("identity (for --erase)", NAME),
        ("WWID", NAME),
        ("size", "1073741824 bytes (1 GiB)"),
        ("logical block size", "512 bytes"),
        ("used by", "nobody"),
        ("holds", "nothing that was seen"),
        (f"block sizes of {device}", "logical 512, physical 4096, smallest good I/O 4096, largest I/O 1310720 bytes"),
        (f"write cache of {device}", "write through"),
        (f"forced unit access of {device}", "no"),
        (f"atomic writes of {device}", "none promised: a block in flight at a takeover may be torn between sectors"),
        (f"thin provisioning of {device}", "no discards, provisioning mode full"),
        ("direct I/O alignment", "memory 512, offsets 512 bytes"),
        (f"path {device}", "SCSI, running, active/optimized (preferred)"),
        ("paths", "1 of 1 up"),
        (f"time-out of {device}", "30 s"),
        ("the guest's own root", f"on {machine.dev}/sdz (ext4), another disk"),
        (
            "may be written to",
            f"only with --erase '{NAME}': what it holds in the tested span would be overwritten",
        ),
    ]
    assert {line.level for line in found.lines} == {Level.FINE}
    assert (found.level, found.exit_code) == (Level.FINE, 0)


def test_a_volume_in_use_stops(machine: Machine, disk: Path) -> None:
    found = surveyed(machine, "8:0", contents=Contents(("it is mounted at /srv",), ("xfs file system", "boot sector")))
    assert values(found, "uses") == ["it is mounted at /srv"]
    assert values(found, "holds") == ["xfs file system; boot sector"]
    assert [line.topic for line in found.of_level(Level.STOP)] == ["uses", "permission"]
    assert [line.topic for line in found.of_level(Level.WARNING)] == ["holds"]
    assert (found.level, found.exit_code) == (Level.STOP, 4)


@pytest.mark.parametrize(
    ("seen", "topic"),
    [
        ({"contents": Contents((), ("content that cannot be looked at (Input/output error)",))}, "holds"),
        ({"direct_trouble": "it cannot be opened for direct I/O (Invalid argument)"}, "direct"),
        ({"silent": "its content could not be read within 20 s"}, "answer"),
    ],
)
def test_what_cannot_be_read_directly_and_in_time_stops(
    machine: Machine, disk: Path, seen: dict[str, object], topic: str
) -> None:
    found = surveyed(machine, "8:0", **seen)
    assert [line.topic for line in found.of_level(Level.STOP)] == [topic]


def test_a_program_that_holds_the_volume_open_is_a_warning(machine: Machine, disk: Path) -> None:
    found = surveyed(machine, "8:0", opened_by=("process 7 (watcher)",))
    assert values(found, "open") == ["process 7 (watcher)"]
    assert found.level is Level.WARNING
    assert found.exit_code == 0


def test_a_disk_without_serial_number_or_facts(machine: Machine) -> None:
    machine.disk("vda", "252:0", "virtio1", {"queue/io_timeout": "1500\n", "ro": "1\n"})
    found = surveyed(machine, "252:0")
    assert values(found, "identity") == ["at:/devices/virtio1/block/vda"]
    assert "no serial number" in reasons(found, "identity")[0][1]
    assert values(found, "time_out") == ["1.5 s"]
    for topic in ("write_cache", "fua", "atomic_writes", "provisioning"):
        assert values(found, topic) == ["not told by the kernel"]
    assert values(found, "access") == ["read-only"]
    assert [line.topic for line in found.of_level(Level.STOP)] == ["access"]


def test_a_partition_has_the_caches_of_its_disk(machine: Machine, disk: Path) -> None:
    machine.partition(disk, 1, "8:1")
    found = surveyed(machine, "8:1")
    assert values(found, "kind") == ["a partition of a block device: MAKER PAIR"]
    assert values(found, "write_cache") == ["write through"]
    assert values(found, "paths") == ["1 of 1 up"]


class TestTheDisk:
    def test_a_volatile_cache_is_a_warning(self, machine: Machine) -> None:
        scsi(machine, "sda", "8:0", PLACE, queue={"queue/write_cache": "write back\n", "queue/fua": "1\n"})
        found = surveyed(machine, "8:0")
        assert reasons(found, "write_cache")[0][0] == "warning"
        assert values(found, "fua") == ["yes"]

    def test_paths_that_disagree_about_the_cache_are_a_warning(self, machine: Machine) -> None:
        paths = [iscsi(machine, f"sd{letter}", f"8:{16 * at}", at, "192.0.2.1") for at, letter in enumerate("ab")]
        machine.write(paths[1], {"queue/write_cache": "write back\n"})
        multipath(machine, *paths)
        (level, reason), *_ = reasons(surveyed(machine, "253:0"), "write_cache")
        assert (level, "disagree" in reason) == ("warning", True)

    def test_atomic_writes_are_told_with_their_limits(self, machine: Machine) -> None:
        limits = {"unit_min": "512", "unit_max": "16384", "max": "65536", "boundary": "131072"}
        scsi(machine, "sda", "8:0", PLACE, queue={f"queue/atomic_write_{k}_bytes": f"{v}\n" for k, v in limits.items()})
        assert values(surveyed(machine, "8:0"), "atomic_writes") == [
            "units of 512 to 16384 bytes, 65536 bytes at most, not across multiples of 131072 bytes"
        ]

    def test_a_start_beside_a_physical_block_is_a_warning(self, machine: Machine) -> None:
        scsi(machine, "sda", "8:0", PLACE, queue={"alignment_offset": "3584\n"})
        assert "3584 bytes off" in reasons(surveyed(machine, "8:0"), "block_sizes")[0][1]

    @pytest.mark.parametrize(
        ("device", "told"),
        [
            ({"scsi_disk/PLACE/provisioning_mode": "unmap\n", "scsi_disk/PLACE/thin_provisioning": "1\n"}, "unmap"),
            ({"vpd_pgb2": bytes([0, 0xB2, 0, 4, 0, 0xE4, 2, 0])}, "discarded blocks read as zeros"),
            ({"vpd_pgb2": bytes([0, 0xB2, 0, 4, 0, 0xE0, 2, 0])}, "discarded blocks read as anything"),
        ],
    )
    def test_thin_provisioning_is_a_warning(self, machine: Machine, device: dict[str, str | bytes], told: str) -> None:
        """Page B2h: byte 5 has LBPRZ from bit 2 on, byte 6 the type, 2 for thin; SCSI Block Commands [from memory]."""
        queue = {"queue/discard_granularity": "65536\n", "queue/discard_max_bytes": "1048576\n"}
        scsi(machine, "sda", "8:0", PLACE, device, queue)
        found = surveyed(machine, "8:0")
        (value,) = values(found, "provisioning")
        assert value.startswith("thin, discards in units of 65536 bytes (64 KiB)")
        assert told in value
        assert reasons(found, "provisioning")[0][0] == "warning"


class TestTheSpan:
    @pytest.mark.parametrize(
        ("asked", "level", "says"),
        [
            (Asked(span_bytes=GIB), "fine", ""),
            (Asked(span_bytes=GIB, start_bytes=512), "stop", "beyond"),
            (Asked(start_bytes=GIB), "stop", "beyond"),
            (Asked(span_bytes=GIB // 2, array_cache_bytes=GIB // 2), "warning", "the span fits in the cache"),
            (Asked(span_bytes=GIB // 2, array_cache_bytes=GIB // 4), "fine", ""),
            (Asked(span_bytes=GIB // 2, array_cache_bytes=GIB // 4 + 1), "warning", "less than twice"),
            (Asked(array_cache_bytes=GIB), "warning", "even the whole volume fits in the cache"),
            (Asked(array_cache_bytes=GIB // 8), "fine", ""),
        ],
    )
    def test_against_the_volume_and_the_cache(
        self, machine: Machine, disk: Path, asked: Asked, level: str, says: str
    ) -> None:
        ((found, reason),) = reasons(surveyed(machine, "8:0", asked), "span")
        assert found == level
        assert says in reason

    def test_of_nothing_said_nothing_is_told(self, machine: Machine, disk: Path) -> None:
        assert values(surveyed(machine, "8:0"), "span") == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"vrrp_priority": 100},
        {"vrrp_interval_s": 1.0},
        {"vrrp_priority": 100, "vrrp_interval_s": 1.0, "expected_stall_s": 2.0},
        {"vrrp_priority": 255, "vrrp_interval_s": 1.0},
        {"floating_address": "storage.example"},
        {"floating_address": ""},
        {"record": ""},
        {"span_bytes": 0},
        {"span_bytes": -1},
        {"start_bytes": -1},
        {"expected_stall_s": -1.0},
    ],
)
def test_what_cannot_be_meant_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        Asked(**wrong)  # type: ignore[arg-type]


def test_everything_can_be_had_as_json(machine: Machine, disk: Path) -> None:
    asked = Asked(vrrp_priority=100, vrrp_interval_s=1.0)
    found = surveyed(machine, "8:0", asked, opened_by=("process 7",))
    told = json.loads(json.dumps(found.to_json()))
    assert (told["format"], told["level"]) == ("ackproof-survey/1", "warning")
    assert told["volume"]["identity"] == NAME
    assert told["asked"]["stall_s"] == 3.609375
    assert told["paths"][0]["access"] == "active/optimized"
    assert told["paths"][0]["up"] is True
    assert tuple(Line.from_json(line) for line in told["lines"]) == found.lines


@pytest.mark.parametrize("values", [None, [], {}, {"topic": 1}, {"topic": "a", "label": "", "value": "", "reason": ""}])
def test_what_is_no_line_is_refused(values: object) -> None:
    with pytest.raises(UsageError):
        Line.from_json(values)


def test_a_level_of_no_known_name_is_refused() -> None:
    with pytest.raises(UsageError, match="which is none of"):
        Line.from_json(Line("a", "a", "a").to_json() | {"level": "grim"})


class TestRealVolumes:
    def told(self, found: Survey) -> dict[str, str]:
        return {line.topic: line.value for line in found.lines}

    def test_a_file_is_told_with_its_file_system(self, image: Path) -> None:
        told = self.told(survey(str(image)))
        assert told["kind"].startswith("a file on ")
        assert told["identity"] == str(image)
        assert told["holds"] == f"a file of {16 << 20} bytes"
        assert told["permission"].startswith("only with --erase")

    def test_an_empty_file_is_a_stop(self, tmp_path: Path) -> None:
        (tmp_path / "empty").touch()
        found = survey(str(tmp_path / "empty"))
        assert [line.topic for line in found.of_level(Level.STOP)] == ["size"]

    @pytest.mark.parametrize("path", ["", "missing", "."])
    def test_what_is_no_volume_cannot_be_surveyed(self, path: str) -> None:
        with pytest.raises(CannotRun):
            survey(path)

    @pytest.mark.root
    def test_a_loop_device_is_told_with_its_backing_file_and_left_as_it_was(
        self, attach: Callable[..., str], image: Path
    ) -> None:
        device = attach(image)
        before = image.read_bytes()
        told = self.told(survey(device))
        assert told["kind"] == f"a block device: loop device over {image}@0"
        assert told["holds"] == "nothing that was seen"
        assert image.read_bytes() == before
        subprocess.run(["mkfs.ext4", "-q", device], check=True)
        assert "ext" in self.told(survey(device))["holds"]

    @pytest.mark.root
    def test_a_mounted_device_stops_and_records_on_it_too(
        self, attach: Callable[..., str], mount: Callable[..., Path], image: Path
    ) -> None:
        device = attach(image, "--direct-io=on")
        subprocess.run(["mkfs.ext4", "-q", device], check=True)
        point = mount(device)
        found = survey(device, Asked(record=os.path.join(point, "not", "there", "yet")))
        assert [line.topic for line in found.of_level(Level.STOP)] == ["uses", "record", "permission"]

    @pytest.mark.root
    def test_a_partition_is_told_as_one(self, attach: Callable[..., str], image: Path) -> None:
        device = attach(image)
        added = subprocess.run(["partx", "--version"], capture_output=True, check=False)
        if added.returncode:
            pytest.skip("needs partx")
        subprocess.run(["addpart", device, "1", "2048", "8192"], check=True)
        try:
            told = self.told(survey(f"{device}p1"))
            assert told["kind"] == f"a partition of a block device: loop device over {image}@0"
            assert told["identity"] == f"loop:{image}@0-part1"
            assert told["size"] == "4194304 bytes (4 MiB)"
            whole = survey(device)
            assert "1 partition" in self.told(whole)["holds"]
        finally:
            subprocess.run(["delpart", device, "1"], check=True)

    def test_the_systems_own_disk_is_never_let_go(self) -> None:
        mounted = next((m for m in Path("/proc/self/mounts").read_text().splitlines() if m.split()[1] == "/"), "")
        device = mounted.split(" ")[0]
        if not device.startswith("/dev/") or not os.path.exists(device):
            pytest.skip("needs a root file system on a block device of its own")
        found = survey(device)
        stopped = {line.topic for line in found.of_level(Level.STOP)}
        assert {"uses", "root", "permission"} <= stopped
        assert found.exit_code == 4


def test_two_virtual_disks_may_be_on_one_storage(machine: Machine) -> None:
    virtio(machine, "vda", "252:0")
    virtio(machine, "vdb", "252:1")
    machine.set_mounts([f"252:0 / / rw - ext4 {machine.dev}/vda rw"])
    found = surveyed(machine, "252:1")
    ((level, reason),) = reasons(found, "root")
    assert level == "warning"
    assert "given by the host" in reason
    assert "cannot be seen from the guest" in values(found, "paths")[0]
