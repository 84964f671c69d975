"""The lines of a survey."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.volume.machine import Machine
from verify.volume.describe import describe, size_text, time_outs_s
from verify.volume.identity import identify, identify_node
from verify.volume.safety import Contents, look_inside
from verify.volume.sysfs import BlockTree


def rows(machine: Machine, number: str, contents: Contents | None = None) -> dict[str, str]:
    tree = BlockTree(machine.sysfs, machine.dev)
    node = tree.by_number(number)
    assert node is not None
    volume = identify_node(tree, node, f"/dev/{node.name}")
    return dict(describe(volume, contents or Contents((), ()), machine.sysfs, machine.proc))


def seconds(machine: Machine, number: str) -> dict[str, float]:
    tree = BlockTree(machine.sysfs, machine.dev)
    node = tree.by_number(number)
    assert node is not None
    return time_outs_s(identify_node(tree, node, f"/dev/{node.name}"), machine.sysfs, machine.proc)


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


def test_a_scsi_disk(machine: Machine) -> None:
    attributes = {
        "device/wwid": "naa.6001405000000001\n",
        "device/vendor": "MAKER   \n",
        "device/model": "UNIT 7  \n",
        "device/timeout": "30\n",
        "queue/io_timeout": "30000\n",
        "queue/write_cache": "write back\n",
        "queue/fua": "1\n",
        "queue/dma_alignment": "3\n",
    }
    machine.disk("sda", "8:0", "host2/0", attributes, size_mib=1024)
    told = rows(machine, "8:0", Contents(("it is mounted at /srv",), ("xfs file system", "boot sector")))
    assert told == {
        "volume": "/dev/sda",
        "what it is": "a block device: MAKER UNIT 7",
        "identity (for --erase)": "naa.6001405000000001",
        "size": "1073741824 bytes (1 GiB)",
        "logical block size": "512 bytes",
        "direct I/O alignment": "memory 4, offsets 512 bytes",
        "write cache of /dev/sda": "write back",
        "forced unit access of /dev/sda": "yes",
        "time-out of /dev/sda": "30 s",
        "used by": "it is mounted at /srv",
        "holds": "xfs file system; boot sector",
        "may be written to": "no: it is mounted at /srv",
    }


def test_a_disk_without_serial_number_or_facts(machine: Machine) -> None:
    machine.disk("vda", "254:0", "virtio1", {"queue/io_timeout": "1500\n", "ro": "1\n"})
    told = rows(machine, "254:0")
    assert told["identity (for --erase)"] == "at:/devices/virtio1/block/vda"
    assert "no serial number" in told["note"]
    assert told["time-out of /dev/vda"] == "1.5 s"
    assert told["write cache of /dev/vda"] == "not told by the kernel"
    assert told["forced unit access of /dev/vda"] == "not told by the kernel"
    assert told["access to /dev/vda"] == "read-only"
    assert told["used by"] == "nobody"
    assert told["holds"] == "nothing that was seen"
    assert told["may be written to"].startswith("only with --erase")
    assert "--erase 'at:/devices/virtio1/block/vda'" in told["may be written to"]


def test_a_partition_has_the_caches_of_its_disk(machine: Machine) -> None:
    disk = machine.disk("sda", "8:0", "host2/0", {"queue/write_cache": "write through\n"})
    machine.partition(disk, 1, "8:1")
    told = rows(machine, "8:1")
    assert told["what it is"] == "a partition of a block device"
    assert told["write cache of /dev/sda"] == "write through"


def test_a_multipath_map_has_the_time_outs_of_its_paths(machine: Machine) -> None:
    paths = [
        machine.disk(
            f"sd{letter}", f"8:{16 * index}", f"host{index}/0", {"device/timeout": f"{30 + index}\n"}
        )
        for index, letter in enumerate("ab")
    ]
    upper = machine.disk("dm-0", "253:0", "virtual", {"dm/name": "mpatha\n", "dm/uuid": "mpath-3600\n"})
    machine.stack(upper, *paths)
    told = rows(machine, "253:0")
    assert told["what it is"] == "a block device: device mapper mpatha"
    time_outs = {label: value for label, value in told.items() if label.startswith("time-out")}
    assert time_outs == {"time-out of /dev/sda": "30 s", "time-out of /dev/sdb": "31 s"}
    assert seconds(machine, "253:0") == {"/dev/sda": 30, "/dev/sdb": 31}


def test_time_outs_in_seconds_are_those_that_the_kernel_tells(machine: Machine) -> None:
    machine.disk("vda", "254:0", "virtio1", {"queue/io_timeout": "1500\n"})
    machine.disk("vdb", "254:16", "virtio2")
    assert seconds(machine, "254:0") == {"/dev/vda": 1.5}
    assert seconds(machine, "254:16") == {}


def test_a_file_is_told_with_its_file_system(image: Path) -> None:
    volume = identify(str(image))
    told = dict(describe(volume, look_inside(volume)))
    assert told["what it is"].startswith("a file on ")
    assert told["identity (for --erase)"] == str(image)
    assert told["holds"] == f"a file of {16 << 20} bytes"
    assert told["may be written to"].startswith("only with --erase")


@pytest.mark.root
def test_a_loop_device_is_told_with_its_backing_file(attach: Callable[..., str], image: Path) -> None:
    volume = identify(attach(image))
    before = image.read_bytes()
    told = dict(describe(volume, look_inside(volume)))
    assert told["what it is"] == f"a block device: loop device over {image}@0"
    assert told["holds"] == "nothing that was seen"
    assert image.read_bytes() == before
    subprocess.run(["mkfs.ext4", "-q", volume.path], check=True)
    assert "ext" in dict(describe(volume, look_inside(volume)))["holds"]
