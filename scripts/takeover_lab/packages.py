"""The general-purpose programs that the lab and a guest machine on it are made of, and their Debian packages."""

from __future__ import annotations

import glob
import os
import platform
import shutil
import subprocess
from collections.abc import Mapping

from verify.errors import CannotRun

PROGRAMS = {
    "ip": "iproute2",
    "nsenter": "util-linux",
    "umount": "mount",
    "nft": "nftables",
    "tgtd": "tgt",
    "tgtadm": "tgt",
    "keepalived": "keepalived",
    "qemu-storage-daemon": "qemu-system-common",
    "nbdfuse": "libnbd-bin",
}
"""Program of the lab to the Debian package that brings it."""
MACHINE_PROGRAMS = {
    "qemu-system-x86_64": "qemu-system-x86",
    "mkfs.ext4": "e2fsprogs",
    "debugfs": "e2fsprogs",
    "nsenter": "util-linux",
    "setpriv": "util-linux",
}
"""The same for a guest machine; its kernel and its busybox are downloaded and not installed."""
MODULES = {"/usr/lib/*/qemu/block-iscsi.so": "qemu-block-extra"}
"""Files that the storage daemon and the machine's emulator load, by pattern, to their Debian package."""


_SERVICES = ("tgt", "keepalived")
"""Packages that bring a service of the same name."""


def missing_packages(programs: Mapping[str, str] = PROGRAMS, modules: Mapping[str, str] = MODULES) -> list[str]:
    """Debian packages that have to be installed, sorted."""
    missing = {package for program, package in programs.items() if find(program) is None}
    missing |= {package for pattern, package in modules.items() if not glob.glob(pattern)}
    return sorted(missing)


def find(program: str) -> str | None:
    """Where a program is, system folders included, whatever the PATH says."""
    path = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/sbin", "/usr/bin", "/bin"])
    return shutil.which(program, path=path)


def cannot_run_here() -> str:
    """Why the lab cannot be built on this machine, "" if it can once packages are installed."""
    if os.geteuid() != 0:
        return "the lab needs root, for network namespaces and mounts"
    if not os.path.exists("/dev/fuse"):
        return "the lab needs /dev/fuse, which this kernel or container does not have"
    return ""


def machine_cannot_run_here() -> str:
    """Why no guest machine can be booted on this machine, "" if one can once packages are installed."""
    if os.geteuid() != 0:
        return "a guest machine needs root: it enters a network namespace and reads this machine's root"
    if platform.machine() != "x86_64":
        return "a guest machine needs an x86-64 processor here, for it runs this machine's own programs"
    return ""


def install(missing: list[str]) -> None:
    """Install Debian packages without starting what they bring, now or with the machine.

    Raises:
        CannotRun: naming them, if that is not possible here.
    """
    if not missing:
        return
    text = " ".join(missing)
    if find("apt-get") is None:
        raise CannotRun(f"the lab needs what Debian's packages {text} bring; install that, then try again")
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive", "RUNLEVEL": "1", "SYSTEMD_OFFLINE": "1"}
    for words in (["update", "-qq"], ["install", "-qq", "-y", "--no-install-recommends", *missing]):
        done = subprocess.run(
            ["apt-get", *words], env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
        )
        if done.returncode:
            said = " / ".join((done.stderr or done.stdout).strip().splitlines()[-3:])
            raise CannotRun(f"`apt-get {' '.join(words)}` failed: {said}")
    for service in _SERVICES:
        if service in missing:
            _keep_off(service)


def _keep_off(service: str) -> None:
    """Let a service that came with a package not start with the machine: the lab starts its own, on its own network."""
    for words in (["systemctl", "disable", service], ["update-rc.d", service, "disable"]):
        program = find(words[0])
        if program is not None:
            subprocess.run([program, *words[1:]], stdin=subprocess.DEVNULL, capture_output=True, check=False)
