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
from scripts.takeover_lab.processes import ProcessId, collected, kill_all, processes_in, run, start, tail, wait_until
from verify.errors import CannotRun

_CONNECTIONS = 4
_PROGRAMS = ("qemu-storage-daemon", "nbdfuse")


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
    wait_until(lambda: ready(mount, _size(layout.volume) == layout.total_bytes), "the volume to be mounted", 30)


def detach(layout: Layout) -> None:
    """Unmount the volume and end the session; does nothing where there is none."""
    if is_attached(layout):
        run(["umount", "--lazy", str(layout.volume)])
    own = [process for process in processes_in(layout.namespace("guest")) if _is_own(layout, process)]
    for process in own:
        process.send(signal.SIGTERM)
    deadline = time.monotonic() + 2
    while own and time.monotonic() < deadline:
        own = [process for process in own if collected(process)]
        time.sleep(0.01)
    kill_all(own)


def is_attached(layout: Layout) -> bool:
    """Whether the guest's volume is mounted."""
    wanted = str(layout.volume).replace(" ", "\\040")
    mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace").splitlines()
    return any(line.split(" ")[1] == wanted for line in mounts)  # a stat fails where what serves it has died


def _size(path: Path) -> int:
    try:
        return path.stat().st_size if os.path.ismount(path) else -1
    except OSError:
        return -1


def _is_own(layout: Layout, process: ProcessId) -> bool:
    """Whether a process on the guest's network is part of the attachment, and no stranger's."""
    try:
        words = Path(f"/proc/{process.pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False
    programs = {name for name in _PROGRAMS if any(os.path.basename(word) == os.fsencode(name) for word in words[:4])}
    return bool(programs) and any(os.fsencode(layout.guest_folder) in word for word in words)
