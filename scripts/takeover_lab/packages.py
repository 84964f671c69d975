"""The general-purpose programs that the lab is made of, and their Debian packages."""

from __future__ import annotations

import glob
import os
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
"""Program to the Debian package that brings it."""
MODULES = {"/usr/lib/*/qemu/block-iscsi.so": "qemu-block-extra"}
"""Files that a program loads, by pattern, to their Debian package."""


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


def install(missing: list[str]) -> None:
    """Install Debian packages without starting what they bring.

    Raises:
        CannotRun: naming them, if that is not possible here.
    """
    if not missing:
        return
    text = " ".join(missing)
    if find("apt-get") is None:
        raise CannotRun(f"the lab needs what Debian's packages {text} bring; install that, then try again")
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive", "RUNLEVEL": "1"}
    for words in (["update", "-qq"], ["install", "-qq", "-y", "--no-install-recommends", *missing]):
        done = subprocess.run(
            ["apt-get", *words], env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
        )
        if done.returncode:
            said = " / ".join((done.stderr or done.stdout).strip().splitlines()[-3:])
            raise CannotRun(f"`apt-get {' '.join(words)}` failed: {said}")
