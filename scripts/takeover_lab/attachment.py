"""The guest's side: an iSCSI session to the floating address, and the volume as one file with direct I/O.

The file comes over NBD to a FUSE mount, and not from the storage daemon's own FUSE export: that one (seen with version
7.2) mixes up the data of writes that are under way at the same time.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from scripts.takeover_lab.layout import FLOATING_ADDRESS, INITIATOR_NAME, TARGET_NAME, Layout
from scripts.takeover_lab.processes import ProcessId, collected, kill_all, run, start, tail, wait_until
from verify.errors import CannotRun

_CONNECTIONS = 4


def attach(layout: Layout) -> None:
    """Connect the guest to the floating address and mount the volume.

    Raises:
        CannotRun: if the target does not answer, or the mount does not come up.
    """
    folder = layout.guest_folder
    folder.mkdir(exist_ok=True)
    socket_path = folder / "nbd.socket"
    socket_path.unlink(missing_ok=True)
    layout.volume.touch()
    blockdev = (
        f"driver=iscsi,node-name=volume,transport=tcp,portal={FLOATING_ADDRESS},target={TARGET_NAME},lun=1,"
        f"initiator-name={INITIATOR_NAME},cache.direct=on"
    )
    log = folder / "initiator.log"
    initiator = start(
        layout.namespace("guest"),
        ["qemu-storage-daemon", "--blockdev", blockdev,
         "--nbd-server", f"addr.type=unix,addr.path={socket_path},max-connections=0",
         "--export", "nbd,id=export,node-name=volume,name=volume,writable=on"],
        log,
    )  # fmt: skip
    _remember(folder / "initiator.pid", initiator)

    def ready(process: ProcessId, there: bool) -> bool:
        if not collected(process):
            raise CannotRun(f"the guest's side ended: {tail(log)} {tail(folder / 'mount.log')}")
        return there

    wait_until(lambda: ready(initiator, socket_path.is_socket()), f"the iSCSI session ({tail(log)})", 30)
    mount = start(
        layout.namespace("guest"),
        ["nbdfuse", "--connections", str(_CONNECTIONS), str(layout.volume), f"nbd+unix:///volume?socket={socket_path}"],
        folder / "mount.log",
    )
    _remember(folder / "mount.pid", mount)
    wait_until(lambda: ready(mount, _size(layout.volume) == layout.total_bytes), "the volume to be mounted", 30)


def detach(layout: Layout) -> None:
    """Unmount the volume and end the session; does nothing where there is none."""
    if os.path.ismount(layout.volume):
        run(["umount", "--lazy", str(layout.volume)])
    for name in ("mount.pid", "initiator.pid"):
        process = _recall(layout.guest_folder / name)
        if process is not None:
            process.send(signal.SIGTERM)
            deadline = time.monotonic() + 2
            while collected(process) and time.monotonic() < deadline:
                time.sleep(0.01)
            kill_all([process])
            (layout.guest_folder / name).unlink(missing_ok=True)


def attached(layout: Layout) -> bool:
    """Whether the guest's volume is mounted."""
    return os.path.ismount(layout.volume)


def _size(path: Path) -> int:
    try:
        return os.stat(path).st_size if os.path.ismount(path) else -1
    except OSError:
        return -1


def _remember(path: Path, process: ProcessId) -> None:
    path.write_text(f"{process.pid} {process.started}\n", encoding="ascii")


def _recall(path: Path) -> ProcessId | None:
    try:
        pid, started = path.read_text(encoding="ascii").split()
        return ProcessId(int(pid), int(started))
    except (OSError, ValueError):
        return None
