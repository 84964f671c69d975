"""Sample sysfs trees of the usual ways to reach a volume.

Names of attributes and folders are from memory of the kernel's ABI documentation and its drivers (scsi_sysfs,
scsi_transport_iscsi, scsi_transport_fc, nvme, device mapper), but for those of `queue/`, of `device/timeout` and of the
iSCSI classes' address, port, persistent_address, targetname, state and recovery_tmo, which are as published in
Documentation/ABI/stable/sysfs-block and by the drivers named there. Addresses are those set aside for documentation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.volume.machine import Machine
from verify.volume.identity import identify_node
from verify.volume.look import Look
from verify.volume.safety import Contents
from verify.volume.survey import Asked, Places, Survey, survey_of
from verify.volume.sysfs import BlockTree

TARGET = "iqn.2001-04.com.example:pair"
SUBSYSTEM = "nqn.2014-08.com.example:pair"
SYSTEM_DISK = "254:0"
QUEUE = {
    "queue/physical_block_size": "4096\n",
    "queue/minimum_io_size": "4096\n",
    "queue/optimal_io_size": "0\n",
    "queue/max_sectors_kb": "1280\n",
    "queue/write_cache": "write through\n",
    "queue/fua": "0\n",
    "queue/dma_alignment": "511\n",
    "queue/atomic_write_unit_min_bytes": "0\n",
    "queue/atomic_write_unit_max_bytes": "0\n",
    "queue/atomic_write_max_bytes": "0\n",
    "queue/atomic_write_boundary_bytes": "0\n",
    "queue/discard_granularity": "0\n",
    "queue/discard_max_bytes": "0\n",
    "alignment_offset": "0\n",
    "ro": "0\n",
}
SCSI = {
    "vendor": "MAKER   \n",
    "model": "PAIR            \n",
    "state": "running\n",
    "timeout": "30\n",
    "wwid": "naa.600140500000000000000000000000aa\n",
    "access_state": "active/optimized\n",
    "preferred_path": "1\n",
    "dh_state": "alua\n",
    "scsi_disk/PLACE/provisioning_mode": "full\n",
    "scsi_disk/PLACE/thin_provisioning": "0\n",
}


def system_disk(machine: Machine) -> Path:
    """A local SATA disk with the guest's root on it."""
    disk = scsi(
        machine, "sdz", SYSTEM_DISK, "pci0000:00/ata1/host0/target0:0:0/0:0:0:0", {"wwid": "naa.5000000000000001\n"}
    )
    machine.set_mounts([f"{SYSTEM_DISK} / / rw - ext4 {machine.dev}/sdz rw"])
    return disk


def scsi(
    machine: Machine,
    name: str,
    number: str,
    place: str,
    device: Mapping[str, str | bytes] | None = None,
    queue: Mapping[str, str] | None = None,
) -> Path:
    """A SCSI disk whose attributes `device/...` are in the folder of the SCSI device, as the kernel has it."""
    disk = machine.disk(name, number, place, QUEUE | (queue or {}), size_mib=1024)
    folder = disk.parent.parent
    told = {key.replace("PLACE", folder.name): value for key, value in {**SCSI, **(device or {})}.items()}
    machine.write(folder, told)
    (disk / "device").symlink_to("../..")
    return disk


def iscsi(
    machine: Machine,
    name: str,
    number: str,
    session: int,
    address: str,
    asked: str = "",
    told: Mapping[str, str] | None = None,
    device: Mapping[str, str | bytes] | None = None,
) -> Path:
    """A disk of an iSCSI session; `told` replaces attributes of the session."""
    place = f"platform/host{session}/session{session}/target{session}:0:0/{session}:0:0:0"
    disk = scsi(machine, name, number, place, device)
    classes = Path(machine.sysfs) / "class"
    machine.write(
        classes / "iscsi_session" / f"session{session}",
        {"targetname": f"{TARGET}\n", "state": "LOGGED_IN\n", "recovery_tmo": "120\n", **(told or {})},
    )
    machine.write(
        classes / "iscsi_connection" / f"connection{session}:0",
        {
            "address": f"{address}\n",
            "port": "3260\n",
            "persistent_address": f"{asked or address}\n",
            "persistent_port": "3260\n",
            "state": "up\n",
        },
    )
    return disk


def multipath(machine: Machine, *paths: Path, suspended: str = "0\n") -> Path:
    """A multipath map over some paths, as "mpatha"."""
    attributes = {
        "dm/name": "mpatha\n",
        "dm/uuid": "mpath-3600140500000000000000000000000aa\n",
        "dm/suspended": suspended,
    }
    upper = machine.disk("dm-0", "253:0", "virtual", QUEUE | attributes, size_mib=1024)
    machine.stack(upper, *paths)
    return upper


def two_iscsi_paths(machine: Machine) -> Path:
    """One map over two sessions, each to a controller's own address."""
    first = iscsi(machine, "sda", "8:0", 2, "192.0.2.11")
    standby = {"access_state": "active/non-optimized\n", "preferred_path": "0\n"}
    second = iscsi(machine, "sdb", "8:16", 3, "192.0.2.12", device=standby)
    return multipath(machine, first, second)


def nvme(
    machine: Machine,
    states: Sequence[str] = ("optimized", "inaccessible"),
    controllers: Mapping[int, Mapping[str, str]] | None = None,
) -> Path:
    """An NVMe namespace over TCP with a controller for each ANA state given."""
    subsystem = "virtual/nvme-subsystem/nvme-subsys0"
    attributes = {"wwid": "eui.0025380000000001\n", "nsid": "1\n", "queue/io_timeout": "30000\n"}
    disk = machine.disk("nvme0n1", "259:0", subsystem, QUEUE | attributes, size_mib=1024, between="")
    folder = disk.parent
    machine.write(folder, {"subsysnqn": f"{SUBSYSTEM}\n", "model": "PAIR\n", "serial": "S1\n"})
    (disk / "device").symlink_to("..")
    for index, state in enumerate(states):
        controller = Path(machine.sysfs) / "devices/virtual/nvme-fabrics/ctl" / f"nvme{index}"
        machine.write(
            controller,
            {
                "address": f"traddr=192.0.2.{21 + index},trsvcid=4420,src_addr=192.0.2.99\n",
                "transport": "tcp\n",
                "state": "live\n",
                "subsysnqn": f"{SUBSYSTEM}\n",
                "ctrl_loss_tmo": "600\n",
                "fast_io_fail_tmo": "off\n",
                f"nvme0c{index}n1/ana_state": f"{state}\n",
                f"nvme0c{index}n2/ana_state": "change\n",
                **(controllers or {}).get(index, {}),
            },
        )
        (folder / f"nvme{index}").symlink_to(controller)
    return disk


def virtio(machine: Machine, name: str = "vda", number: str = "252:0") -> Path:
    """A disk that a host gives to its guest."""
    return machine.disk(name, number, f"pci0000:00/0000:00:02.0/virtio{number[-1]}", QUEUE, size_mib=1024)


def surveyed(
    machine: Machine,
    number: str,
    asked: Asked | None = None,
    answers: Mapping[tuple[str, ...], str] | None = None,
    **seen: object,
) -> Survey:
    """Survey a device of a made-up machine; `answers` are what programs print, by their command."""
    tree = BlockTree(machine.sysfs, machine.dev)
    node = tree.by_number(number)
    assert node is not None
    identity = identify_node(tree, node, tree.device_path(node))
    look = Look(identity, **{"contents": Contents((), ())} | seen)  # type: ignore[arg-type]
    given = answers or {}
    return survey_of(
        look,
        asked or Asked(),
        Places(machine.sysfs, machine.proc, machine.dev, lambda words: given.get(tuple(words), "")),
    )


def values(found: Survey, topic: str) -> list[str]:
    """What the lines of a topic tell."""
    return [line.value for line in found.lines if line.topic == topic]


def reasons(found: Survey, topic: str) -> list[tuple[str, str]]:
    """(level, reason) of each line of a topic."""
    return [(str(line.level), line.reason) for line in found.lines if line.topic == topic]
