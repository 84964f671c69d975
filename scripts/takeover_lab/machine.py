"""A guest: a virtual machine with the iSCSI volume as its SCSI disk, which runs one command and powers off.

The host's root, mounted read-only, is the guest's root, so nothing has to be installed in it: the host's Python, the
clone and its packages are there. QEMU's own iSCSI initiator stands where a host's would: it reconnects by itself.
Emulated in software, so that it runs where no hardware virtualisation is to be had.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shlex
import subprocess
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from scripts.takeover_lab.machine_init import ENDED, INIT, RECORD_MOUNT, TROUBLE, UP, VOLUME
from scripts.takeover_lab.machine_kernel import BootImage, MachineError, make_boot_image
from scripts.takeover_lab.packages import find

__all__ = ["ADAPTER", "RECORD_MOUNT", "STRICT_ADAPTER", "VOLUME", "BootImage", "GuestMachine", "IscsiVolume",
           "MachineError", "make_guest_image"]  # fmt: skip

ADAPTER, STRICT_ADAPTER = "virtio-scsi-pci", "am53c974"
BOOT_TIMEOUT_S = 90.0
_KILLED_S = 10.0
"""Who is killed is gone by then. Without a limit a `Popen` that a signal broke off as it waited may wait for ever."""
TAIL_BYTES = 2000

_GUEST_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
_COVERED = ("/tmp", "/run")
"""Folders of the host that the guest has of its own, and empty."""


def make_guest_image(folder: Path) -> BootImage:
    """Make what guests boot from in `folder`, downloading the kernel's package once; see `make_boot_image`."""
    return make_boot_image(folder, INIT)


@dataclass(frozen=True)
class IscsiVolume:
    """The volume under test as QEMU's initiator reaches it.

    Attributes:
        portal: address and port, such as "198.51.100.10:3260"; the floating address.
        target: the target's iSCSI name.
        initiator: the initiator's iSCSI name.
        lun: logical unit number.
        passed_through: whether the guest's SCSI commands go to the target as they are, so that the guest sees the
            target's own identity and conditions; else QEMU is the disk and reads and writes the volume for it.
    """

    portal: str
    target: str
    initiator: str
    lun: int = 1
    passed_through: bool = False


class GuestMachine:
    """A guest that can be booted again and again with the same two disks, and killed outright at any moment.

    The volume is `VOLUME` in the guest, and the record's disk is mounted at `RECORD_MOUNT`. Its root is the host's,
    read-only; /tmp and /run are its own and empty, but for the folders named as visible.

    Args:
        folder: of this machine alone; made if it is missing. Holds the record's disk, and for each boot a folder
            "boot-1" and so on with `console` (the kernel), `output` (the command) and `emulator` (QEMU).
        image: from `make_guest_image`.
        namespace: name of the network namespace from which the volume is reached.
        volume: the volume under test.
        visible: folders of the host that the guest must see although they are in /tmp or /run.
        memory_mib: of the guest.
        processors: of the guest.
        record_mib: size of the record's disk, which grows as it fills.
        adapter: QEMU's name of the SCSI adapter. The driver of the first never lets a command time out, whatever
            /sys/block/sda/device/timeout says (virtscsi_eh_timed_out in the kernel's drivers/scsi/virtio_scsi.c
            [from memory]; a wait of 45 s was seen to end well with a time-out of 30 s); with `STRICT_ADAPTER`, which
            is slower, commands are aborted and the bus reset when their time is over.

    Raises:
        MachineError: if the record's disk cannot be made.
    """

    def __init__(
        self,
        folder: Path,
        image: BootImage,
        namespace: str,
        volume: IscsiVolume,
        visible: Sequence[Path] = (),
        memory_mib: int = 768,
        processors: int = 2,
        record_mib: int = 512,
        adapter: str = ADAPTER,
    ) -> None:
        self.folder, self.image, self.namespace, self.volume = folder, image, namespace, volume
        self.record_disk = folder / "record.img"
        self.boots = 0
        self._visible = [Path(os.path.abspath(path)) for path in visible if _is_covered(path)]
        self._memory_mib, self._processors, self._adapter = memory_mib, processors, adapter
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not self.record_disk.exists():
            self._make_record_disk(record_mib)

    def __enter__(self) -> GuestMachine:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()

    @property
    def running(self) -> bool:
        """Whether the guest is running now."""
        return self._process is not None and self._process.poll() is None

    @property
    def volume_identity(self) -> str:
        """What `--erase` must be given in the guest; of a volume that is passed through only the target can tell it.

        Raises:
            MachineError: if the volume is passed through.
        """
        if self.volume.passed_through:
            raise MachineError("the identity of a volume that is passed through is the target's: ask `ackproof survey`")
        return f"scsi:QEMU_QEMU_HARDDISK_{self._serial}"

    @property
    def process_id(self) -> int:
        """Process id of the emulator of this boot, for freezing it and letting it go on; 0 before the first."""
        return self._process.pid if self._process is not None else 0

    @property
    def output(self) -> str:
        """What the command of this boot has printed so far, without the marked lines."""
        lines = self._log("output").splitlines(keepends=True)
        return "".join(line for line in lines if not line.startswith((UP, ENDED, TROUBLE)))

    @property
    def console(self) -> str:
        """What the guest's kernel has said in this boot so far."""
        return self._log("console")

    @property
    def emulator(self) -> str:
        """What QEMU has said in this boot so far, its initiator's reconnections among it."""
        return self._log("emulator")

    def start(self, command: Sequence[str | Path], environment: Mapping[str, str] | None = None) -> None:
        """Boot, and run a command in the guest as root; comes back at once.

        The guest is ended with the thread that calls this, so that a lab killed outright leaves none behind.

        Args:
            command: the command line; paths are the host's.
            environment: what the command finds in its environment beside PATH and HOME.

        Raises:
            MachineError: if it is running already, or QEMU cannot be started.
        """
        if self.running:
            raise MachineError(f"the guest in {self.folder} is running; wait for its end or kill it first")
        self.boots += 1
        boot = self._boot_folder
        boot.mkdir(mode=0o700)
        shared = boot / "shared"
        shared.mkdir(mode=0o700)
        (shared / "visible").write_text("".join(f"{path}\n{path.resolve()}\n" for path in self._visible))
        (shared / "command").write_text(_script(command, environment or {}))
        for name in ("console", "output"):
            (boot / name).touch(mode=0o600)
        try:
            with open(boot / "emulator", "wb") as log:
                self._process = subprocess.Popen(
                    self._command_line(shared), stdin=subprocess.DEVNULL, stdout=log, stderr=log, umask=0o077
                )
        except OSError as error:
            raise MachineError(f"QEMU cannot be started: {error.strerror}") from None

    def wait_for_boot(self, timeout_s: float = BOOT_TIMEOUT_S) -> None:
        """Wait until the guest is up and has begun its command.

        Raises:
            MachineError: if it is not by then, or ends before; with the end of what it said. It is killed then.
        """
        deadline = time.monotonic() + timeout_s
        while UP not in (said := self._log("output")):
            if TROUBLE in said:
                reason = said.split(TROUBLE, 1)[1].splitlines()[0]
                self._give_up(f"the guest cannot run its command: {reason}")
            if not self.running:
                self._give_up("the guest ended before it was up")
            if time.monotonic() > deadline:
                self._give_up(f"the guest was not up after {timeout_s:g} s")
            time.sleep(0.05)

    def wait_for_output(self, text: str, timeout_s: float) -> None:
        """Wait until the command has printed `text`.

        Raises:
            MachineError: if it has not by then, or the guest ends before. It is killed then.
        """
        deadline = time.monotonic() + timeout_s
        while text not in self.output:
            if not self.running and text not in self.output:
                self._give_up(f"the guest ended before its command printed {text!r}")
            if time.monotonic() > deadline:
                self._give_up(f"the guest's command had not printed {text!r} after {timeout_s:g} s")
            time.sleep(0.05)

    def wait(self, timeout_s: float) -> int:
        """Wait until the command has ended and the guest has powered off.

        Returns:
            The command's exit code.

        Raises:
            MachineError: if it has not by then (it is killed), or it ended without the command's end.
        """
        if self._process is None:
            raise MachineError(f"the guest in {self.folder} was never started")
        try:
            self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            self._give_up(f"the guest's command had not ended after {timeout_s:g} s")
        told = [line for line in self._log("output").splitlines() if line.startswith(ENDED)]
        if not told:
            self._give_up("the guest ended before its command did")
        return int(told[-1].removeprefix(ENDED))

    def run(
        self, command: Sequence[str | Path], timeout_s: float, environment: Mapping[str, str] | None = None
    ) -> int:
        """Boot, run a command and wait for its end; gives its exit code and raises as `wait_for_boot` and `wait`."""
        self.start(command, environment)
        self.wait_for_boot()
        return self.wait(timeout_s)

    def kill(self) -> None:
        """End the guest outright, as a loss of its power would; does nothing if it is not running."""
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(_KILLED_S)

    def take_out(self, inside: str, destination: Path) -> Path:
        """Copy a folder from the record's disk, whose guest is off; nothing is mounted.

        Of a guest that was killed it shows what its file system's journal has not kept yet as it was before.

        Args:
            inside: path of the folder in the guest, below `RECORD_MOUNT`.
            destination: an existing folder to put it into.

        Returns:
            Path of the copy.

        Raises:
            MachineError: if the guest is running, or there is no such folder.
        """
        if self.running:
            raise MachineError(f"the guest in {self.folder} is running: its disk cannot be read meanwhile")
        place = "/" + inside.removeprefix(RECORD_MOUNT).strip("/")
        copy = destination / Path(place).name
        if copy.exists():
            raise MachineError(f"{copy} is there already; name another folder")
        order = f"rdump {shlex.quote(place)} {shlex.quote(str(destination))}"
        command = [find("debugfs") or "debugfs", "-R", order, str(self.record_disk)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode or not copy.exists():
            raise MachineError(f"{inside} cannot be read from {self.record_disk}: {done.stderr.strip()[-300:]}")
        return copy

    @property
    def _serial(self) -> str:
        return hashlib.sha256(f"{self.volume.target} {self.volume.lun}".encode()).hexdigest()[:16]

    @property
    def _boot_folder(self) -> Path:
        return self.folder / f"boot-{self.boots}"

    def _log(self, name: str) -> str:
        with contextlib.suppress(FileNotFoundError):
            return (self._boot_folder / name).read_bytes().decode(errors="replace").replace("\r\n", "\n")
        return ""

    def _give_up(self, what: str) -> None:
        self.kill()
        logs = ("console", "output", "emulator")
        tails = "\n".join(f"{name}: {self._log(name)[-TAIL_BYTES:].strip() or 'nothing'}" for name in logs)
        raise MachineError(f"{what}; see {self._boot_folder}. The last of what was said on\n{tails}")

    def _make_record_disk(self, size_mib: int) -> None:
        file = os.open(self.record_disk, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            os.truncate(file, size_mib << 20)
        finally:
            os.close(file)
        command = [find("mkfs.ext4") or "mkfs.ext4", "-q", "-F", str(self.record_disk)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            self.record_disk.unlink()
            raise MachineError(f"the record's disk {self.record_disk} cannot be made: {done.stderr.strip()[-300:]}")

    def _command_line(self, shared: Path) -> list[str]:
        volume = self.volume
        initiator = {
            "driver": "iscsi", "node-name": "volume", "transport": "tcp", "portal": volume.portal,
            "target": volume.target, "lun": volume.lun, "initiator-name": volume.initiator, "cache": {"direct": True},
        }  # fmt: skip
        record = {
            "driver": "raw", "node-name": "record",
            "file": {"driver": "file", "filename": str(self.record_disk)},
        }  # fmt: skip
        disk = "scsi-block,drive=volume" if volume.passed_through else f"scsi-hd,drive=volume,serial={self._serial}"
        return [
            "nsenter", f"--net=/run/netns/{self.namespace}", "--", "setpriv", "--pdeathsig", "KILL", "--",
            "qemu-system-x86_64", "-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
            "-machine", "pc", "-accel", "tcg,thread=multi", "-cpu", "max",
            "-smp", str(self._processors), "-m", str(self._memory_mib),
            "-kernel", str(self.image.kernel), "-initrd", str(self.image.initramfs),
            "-append", "console=ttyS0 loglevel=4 mitigations=off tsc=reliable panic=-1 rdinit=/init",
            "-serial", f"file:{self._boot_folder / 'console'}", "-serial", f"file:{self._boot_folder / 'output'}",
            *_shared_folder("host", Path("/")), *_shared_folder("machine", shared),
            "-blockdev", json.dumps(initiator), "-blockdev", json.dumps(record),
            "-device", self._adapter, "-device", disk,
            "-device", "virtio-blk-pci,drive=record,serial=record",
        ]  # fmt: skip


def _is_covered(path: Path) -> bool:
    return any(Path(os.path.abspath(path)).is_relative_to(folder) for folder in _COVERED)


def _shared_folder(tag: str, path: Path) -> list[str]:
    """QEMU's options for one folder of the host, read-only; a comma in its path is told by doubling it."""
    place = str(path).replace(",", ",,")
    return [
        "-fsdev", f"local,id={tag},path={place},security_model=none,readonly=on,multidevs=remap",
        "-device", f"virtio-9p-pci,fsdev={tag},mount_tag={tag}",
    ]  # fmt: skip


def _script(command: Sequence[str | Path], environment: Mapping[str, str]) -> str:
    settings = {"PATH": _GUEST_PATH, "HOME": "/root", "PYTHONDONTWRITEBYTECODE": "1", **environment}
    words = ["exec", "env", "-i", *(f"{name}={value}" for name, value in settings.items()), *map(str, command)]
    return " ".join(shlex.quote(word) for word in words) + "\n"
