"""By what a disk is reached, as sysfs tells: SCSI, iSCSI, Fibre Channel, NVMe, virtio.

The attributes are those of the kernel's drivers (scsi_sysfs, scsi_transport_iscsi, scsi_transport_fc, nvme); what
they mean is from memory of the drivers and their documentation.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from verify.volume.sysfs import BlockNode, BlockTree, names_in, raw_at

_GOOD_DEVICE_STATES = ("", "running", "live")
_GOOD_SESSION_STATES = ("", "LOGGED_IN")
_GOOD_PORT_STATES = ("", "Online")
_GOOD_CONNECTION_STATES = ("", "up")
_SERVING_ACCESS = ("", "active/optimized", "active/non-optimized", "lba-dependent", "optimized", "non-optimized")
"""Access states in which a path carries I/O: of ALUA in SCSI and of ANA in NVMe."""

_KINDS = (
    (re.compile(r"session\d+"), "iSCSI"),
    (re.compile(r"rport-.+"), "Fibre Channel"),
    (re.compile(r"end_device-.+"), "SAS"),
    (re.compile(r"ata\d+"), "ATA"),
    (re.compile(r"usb\d+"), "USB"),
)
TIME_OUT = "time-out"
"""Name of the limit that is the kernel's own for a command to a disk."""

_VIRTIO = re.compile(r"virtio\d+")
_CONTROLLER = re.compile(r"nvme\d+")
_NAMESPACE = re.compile(r"nvme\d+(?:c\d+)?(n\d+)")


@dataclass(frozen=True)
class TimeLimit:
    """How long something waits for a path or a command.

    Attributes:
        name: such as "time-out of commands".
        seconds: the limit; None for one that never ends.
        where: where it can be set, as a path of sysfs.
        effect: what happens at its end.
    """

    name: str
    seconds: float | None
    where: str
    effect: str


@dataclass(frozen=True)
class VolumePath:
    """One way from the guest to the volume; a field is "" where the kernel does not tell.

    Attributes:
        device: the path's device node, or an NVMe controller's name.
        kind: the transport, such as "iSCSI".
        state: of the SCSI device or the NVMe controller.
        access: the ALUA or ANA state of the path.
        preferred: whether the storage calls this path preferred.
        target: name of the target or subsystem.
        address: of the portal that is really connected.
        port: TCP port, or the like.
        asked_address: the portal that the session was set up for.
        link: name of the session or remote port in sysfs.
        link_state: state of the session or remote port.
        connection_state: state of the iSCSI connection.
        limits: what waits how long on this path.
    """

    device: str
    kind: str
    state: str = ""
    access: str = ""
    preferred: bool = False
    target: str = ""
    address: str = ""
    port: str = ""
    asked_address: str = ""
    link: str = ""
    link_state: str = ""
    connection_state: str = ""
    limits: tuple[TimeLimit, ...] = ()

    @property
    def is_up(self) -> bool:
        """Whether the path carries I/O now, as far as the kernel tells."""
        return (
            self.state in _GOOD_DEVICE_STATES
            and self.link_state in _GOOD_SESSION_STATES + _GOOD_PORT_STATES
            and self.connection_state in _GOOD_CONNECTION_STATES
            and self.access in _SERVING_ACCESS
        )

    @property
    def supplies(self) -> frozenset[tuple[str, str]]:
        """What this path hangs on and another disk's may hang on too: the target, the subsystem, the portal."""
        told = (("target", self.target), ("portal", self.address if self.kind != "NVMe over PCIe" else ""))
        return frozenset((what, name) for what, name in told if name)

    def to_json(self) -> dict[str, object]:
        """Give the fields by name, ready for JSON."""
        return asdict(self) | {"up": self.is_up}


def paths_of(disk: BlockNode, tree: BlockTree) -> list[VolumePath]:
    """List the ways to a disk: one for a SCSI disk, one for each controller of an NVMe namespace.

    Stacked devices have none of their own; ask for those of the disks at their bottom.
    """
    if disk.name.startswith("nvme"):
        return list(_nvme_paths(disk))
    return [] if tree.slaves(disk) or _is_virtual(disk) else [_scsi_or_other(disk, tree)]


def _is_virtual(disk: BlockNode) -> bool:
    return disk.directory.parent.name == "block" and disk.directory.parent.parent.name == "virtual"


def _scsi_or_other(disk: BlockNode, tree: BlockTree) -> VolumePath:
    parts = disk.directory.parts
    kind = next((name for pattern, name in _KINDS if any(pattern.fullmatch(part) for part in parts)), "")
    on_virtio = any(_VIRTIO.fullmatch(part) for part in parts)
    is_scsi = disk.number("device/timeout") is not None or disk.text("device/state") != ""
    path = VolumePath(
        device=tree.device_path(disk),
        kind=kind or (("virtio SCSI" if is_scsi else "virtio") if on_virtio else "SCSI" if is_scsi else "other"),
        state=disk.text("device/state").strip(),
        access=disk.text("device/access_state").strip(),
        preferred=disk.text("device/preferred_path").strip() == "1",
        limits=tuple(_command_limit(disk)),
    )
    if kind == "iSCSI":
        return _with_session(path, next(part for part in parts if re.fullmatch(r"session\d+", part)), tree)
    if kind == "Fibre Channel":
        return _with_remote_port(path, next(part for part in parts if part.startswith("rport-")), tree)
    return path


def _command_limit(disk: BlockNode) -> Iterator[TimeLimit]:
    seconds, milliseconds = disk.number("device/timeout"), disk.number("queue/io_timeout")
    effect = "the kernel aborts the command and resets the device; in the end the guest sees I/O errors"
    if seconds is not None:
        yield TimeLimit(TIME_OUT, float(seconds), f"/sys/block/{disk.name}/device/timeout", effect)
    elif milliseconds is not None:
        yield TimeLimit(TIME_OUT, milliseconds / 1000, f"/sys/block/{disk.name}/queue/io_timeout", effect)


def _text(path: Path) -> str:
    return raw_at(path).decode(errors="surrogateescape").strip()


def _with_session(path: VolumePath, session: str, tree: BlockTree) -> VolumePath:
    folder = tree.root / "class" / "iscsi_session" / session
    number = session.removeprefix("session")
    connections = tree.root / "class" / "iscsi_connection"
    names = [name for name in names_in(connections) if re.fullmatch(rf"connection{number}:\d+", name)]
    connection = connections / names[0] if names else None
    told = {
        name: _text(connection / name) if connection is not None else ""
        for name in ("address", "port", "persistent_address", "state")
    }
    limits = list(path.limits)
    waits = _text(folder / "recovery_tmo")
    if re.fullmatch(r"-?\d+", waits):
        limits.append(
            TimeLimit(
                "wait for a lost session",
                float(waits) if int(waits) >= 0 else None,
                f"/sys/class/iscsi_session/{session}/recovery_tmo",
                "what waits for the session fails, and the guest sees I/O errors",
            )
        )
    return replace(
        path,
        limits=tuple(limits),
        target=_text(folder / "targetname"),
        address=told["address"],
        port=told["port"],
        asked_address=told["persistent_address"],
        link=session,
        link_state=_text(folder / "state"),
        connection_state=told["state"],
    )


def _with_remote_port(path: VolumePath, port: str, tree: BlockTree) -> VolumePath:
    folder = tree.root / "class" / "fc_remote_ports" / port
    limits = list(path.limits)
    for attribute, effect in (
        ("fast_io_fail_tmo", "what waits for the remote port fails, and the guest sees I/O errors"),
        ("dev_loss_tmo", "the disk is removed from the guest"),
    ):
        if (seconds := _text(folder / attribute)).isdigit():
            where = f"/sys/class/fc_remote_ports/{port}/{attribute}"
            limits.append(TimeLimit(f"{attribute} of the remote port", float(seconds), where, effect))
    return replace(
        path,
        limits=tuple(limits),
        target=_text(folder / "node_name"),
        address=_text(folder / "port_name"),
        link=port,
        link_state=_text(folder / "port_state"),
    )


def _nvme_paths(disk: BlockNode) -> Iterator[VolumePath]:
    """Give a path for each controller: of the subsystem above the disk, or the one that the disk hangs on."""
    match = _NAMESPACE.fullmatch(disk.name)
    above = Path(os.path.realpath(disk.directory / "device"))
    if match is None or not above.is_dir():
        return
    controllers = [above / name for name in names_in(above) if _CONTROLLER.fullmatch(name)]
    for controller in controllers or [above]:
        folder = Path(os.path.realpath(controller))
        access = ""
        for name in names_in(folder):
            own = _NAMESPACE.fullmatch(name)
            if own is not None and own[1] == match[1] and "c" in name:
                access = _text(folder / name / "ana_state")
        yield _nvme_path(folder, access or disk.text("ana_state").strip(), disk)


def _nvme_path(controller: Path, access: str, disk: BlockNode) -> VolumePath:
    address = _text(controller / "address")
    told = dict(part.split("=", 1) for part in address.split(",") if "=" in part)
    transport = _text(controller / "transport")
    kind = {"pcie": "PCIe", "fc": "Fibre Channel"}.get(transport, transport.upper())
    limits = list(_command_limit(disk))
    if transport != "pcie":
        limits += _nvme_limits(controller)
    return VolumePath(
        device=controller.name,
        kind=f"NVMe over {kind}" if kind else "NVMe",
        state=_text(controller / "state"),
        access=access,
        target=_text(controller / "subsysnqn"),
        address=told.get("traddr", address),
        port=told.get("trsvcid", ""),
        limits=tuple(limits),
    )


def _nvme_limits(controller: Path) -> Iterator[TimeLimit]:
    """Give what an NVMe host waits for a lost controller; "off" waits for ever."""
    for attribute, name, effect in (
        ("fast_io_fail_tmo", "fast failing of I/O", "what waits for the controller fails"),
        ("ctrl_loss_tmo", "wait for a lost controller", "the controller is given up, and the disk may vanish"),
    ):
        text = _text(controller / attribute)
        where = f"/sys/class/nvme/{controller.name}/{attribute}"
        if text.isdigit():
            yield TimeLimit(name, float(text), where, effect)
        elif text in ("off", "-1") and attribute == "ctrl_loss_tmo":
            yield TimeLimit(name, None, where, effect)
