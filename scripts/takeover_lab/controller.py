"""A controller of the lab: an iSCSI target and a VRRP daemon in one network namespace."""

from __future__ import annotations

import json
import shlex
import signal
import stat
import sys
import time

from scripts.takeover_lab.layout import FLOATING_ADDRESS, PORT, TARGET_NAME, ControllerLayout, Kind, Layout
from scripts.takeover_lab.network import has_floating_address, set_cable, set_storage_port, switch_port
from scripts.takeover_lab.packages import find
from scripts.takeover_lab.processes import (
    ProcessId,
    collected,
    kill_all,
    processes_in,
    run,
    start,
    stopped_whole,
    tail,
    wait_until,
)
from verify.errors import CannotRun

DRAIN_S = 0.1
"""How long an orderly takeover lets the target finish what it has taken in, after it takes in no more."""
_VIRTUAL_ROUTER = 51
_UNIT = ("--mode", "logicalunit", "--tid", "1", "--lun", "1")


class Controller:
    """One of the two controllers; all that runs in its namespace belongs to it."""

    def __init__(self, layout: Layout, name: str) -> None:
        self.layout = layout
        self.own: ControllerLayout = layout.controller(name)
        self.target_log = self.own.folder / "target.log"
        self.vrrp_log = self.own.folder / "vrrp.log"
        self.destage_log = self.own.folder / "destages.jsonl"

    @property
    def processes(self) -> list[ProcessId]:
        """All of its processes."""
        return processes_in(self.own.namespace)

    @property
    def alive(self) -> bool:
        """Whether anything of it runs."""
        return bool(self.processes)

    @property
    def target(self) -> ProcessId:
        """Its target, which may have ended."""
        pid, started = (self.own.folder / "target.pid").read_text(encoding="ascii").split()
        return ProcessId(int(pid), int(started))

    @property
    def frozen(self) -> bool:
        """Whether all of it has been stopped."""
        processes = self.processes
        return bool(processes) and all(stopped_whole(process.pid) for process in processes)

    @property
    def active(self) -> bool:
        """Whether it holds the floating address and could answer there."""
        return self.alive and has_floating_address(self.layout, self.own.name)

    def start(self) -> None:
        """Start its target, its destaging and its VRRP daemon; it comes up as the standby."""
        run(["ip", "-n", self.own.namespace, "addr", "del", f"{FLOATING_ADDRESS}/32", "dev", PORT], allow_failure=True)
        set_storage_port(self.layout, self.own.name, True)
        set_cable(self.layout, self.own.name, True)
        self.own.folder.mkdir(exist_ok=True)
        self._start_target()
        if self.destages:
            self.destage_log.touch()
            start(
                self.own.namespace,
                [sys.executable, "-m", "scripts.takeover_lab.destaging", str(self.layout.folder)],
                self.own.folder / "destaging.log",
            )
        self._start_vrrp()

    @property
    def destages(self) -> bool:
        """Whether it moves a cache of its own to the disk."""
        return self.layout.settings.kind in (Kind.LAGGING, Kind.SHUFFLED) and self.own.name == "a"

    def _tgtadm(self, *words: str, allow_failure: bool = False) -> str:
        return run(["tgtadm", "-C", str(self.own.control_port), "--lld", "iscsi", *words], allow_failure=allow_failure)

    def _start_target(self) -> None:
        port = str(self.own.control_port)
        program = find("tgtd") or "tgtd"
        target = start(self.own.namespace, [program, "-f", "-C", port], self.target_log)

        def answers() -> bool:
            if not collected(target):
                raise CannotRun(f"the target of controller {self.own.name} ended: {tail(self.target_log)}")
            return "System" in self._tgtadm("--op", "show", "--mode", "sys", allow_failure=True)

        wait_until(answers, f"the target of controller {self.own.name}")
        (self.own.folder / "target.pid").write_text(f"{target.pid} {target.started}\n", encoding="ascii")
        self._tgtadm("--op", "new", "--mode", "target", "--tid", "1", "-T", TARGET_NAME)
        self.add_volume()
        self._tgtadm("--op", "bind", "--mode", "target", "--tid", "1", "-I", "ALL")

    def add_volume(self) -> None:
        """Let its target serve the volume."""
        self._tgtadm("--op", "new", *_UNIT, "-b", str(self.own.image), "--bsoflags", "direct")
        facts = f"vendor_id=EXAMPLE,product_id=LABVOLUME,scsi_sn=LAB-{self.layout.tag}"
        self._tgtadm("--op", "update", *_UNIT, "--params", facts)

    def remove_volume(self) -> None:
        """Let its target answer, but know no volume, as that of a controller which is not ready yet."""
        self._tgtadm("--op", "delete", *_UNIT)

    def _start_vrrp(self) -> None:
        folder = self.own.folder
        script = folder / "become-active"
        script.write_text(self._become_active(), encoding="utf-8")
        script.chmod(stat.S_IRWXU)
        settings = self.layout.settings
        priority = settings.priorities["ab".index(self.own.name)]
        (folder / "vrrp.conf").write_text(
            f"global_defs {{\n    router_id {self.own.name}\n    vrrp_version 3\n    script_user root\n}}\n"
            f"vrrp_instance pair {{\n    state BACKUP\n    interface {PORT}\n    virtual_router_id {_VIRTUAL_ROUTER}\n"
            f"    priority {priority}\n    advert_int {settings.interval_s:g}\n    nopreempt\n"
            f"    virtual_ipaddress {{\n        {FLOATING_ADDRESS}/32 dev {PORT}\n    }}\n"
            f"    notify_master {shlex.quote(str(script))}\n}}\n",
            encoding="utf-8",
        )
        command = [find("keepalived") or "keepalived", "-n", "-l", "-D", "-f", str(folder / "vrrp.conf")]
        for name in ("vrrp.pid", "vrrp-child.pid"):  # of one that was killed; its number may be another's by now
            (folder / name).unlink(missing_ok=True)
        command += ["-p", str(folder / "vrrp.pid"), "-r", str(folder / "vrrp-child.pid")]
        said_before = self.vrrp_log.stat().st_size if self.vrrp_log.exists() else 0
        daemon = start(self.own.namespace, command, self.vrrp_log)

        def stands_by() -> bool:
            if not collected(daemon):
                raise CannotRun(f"the VRRP daemon of controller {self.own.name} ended: {tail(self.vrrp_log)}")
            return b"Entering BACKUP STATE" in self.vrrp_log.read_bytes()[said_before:]

        wait_until(stands_by, f"the VRRP daemon of controller {self.own.name}")

    def _become_active(self) -> str:
        """What the controller does as it becomes active: end the other one if that still holds the disk, and hold it.

        It stands for what a pair does by a reservation on the disks, or by the peer's power supply.
        """
        peer, holder = self.layout.peer(self.own.name), shlex.quote(str(self.layout.holder))
        fences = self.layout.settings.kind not in (Kind.SPLIT, Kind.UNFENCED)
        fence = f"""if [ "$(cat {holder} 2>/dev/null)" = {peer} ]; then
    ip -n {self.layout.namespace("switch")} link set {switch_port(peer)} down
    for process in $(ip netns pids {self.layout.namespace(peer)}); do kill -9 "$process"; done
    echo "$(date +%s.%N) fenced {peer}" >> {shlex.quote(str(self.own.folder / "fenced.log"))}
fi
"""
        return (
            "#!/bin/sh\nPATH=/usr/sbin:/usr/bin:/sbin:/bin\n"
            + (fence if fences else "")
            + f"echo {self.own.name} > {holder}.{self.own.name} && mv {holder}.{self.own.name} {holder}\n"
        )

    def kill(self) -> None:
        """End everything of it outright, its network with it, as a loss of power does."""
        set_cable(self.layout, self.own.name, False)
        kill_all(self.processes)

    def freeze(self) -> None:
        """Stop everything of it where it stands."""
        processes = self.processes
        for process in processes:
            process.send(signal.SIGSTOP)
        wait_until(lambda: all(stopped_whole(p.pid) or not p.alive for p in processes), "a controller to freeze")

    def thaw(self) -> bool:
        """Let it go on, if it has not been fenced meanwhile; whether anything was left of it."""
        processes = self.processes
        for process in processes:
            process.send(signal.SIGCONT)
        return bool(processes)

    def hand_over(self) -> None:
        """Give up being active in an orderly way: take in no more, finish, let go of the disk, tell the peer."""
        set_storage_port(self.layout, self.own.name, False)
        time.sleep(DRAIN_S)
        self.layout.holder.unlink(missing_ok=True)
        parent = int((self.own.folder / "vrrp.pid").read_text(encoding="ascii"))
        daemon = ProcessId.of(parent)
        if daemon is not None and daemon in self.processes:
            daemon.send(signal.SIGTERM)
            wait_until(lambda: not daemon.alive, "the VRRP daemon to resign")
        self.kill()

    def wait_active(self, seconds: float = 30.0) -> None:
        """Wait until it holds the floating address and the disk."""

        def holds() -> bool:
            try:
                held = self.layout.holder.read_text(encoding="ascii").strip() == self.own.name
            except FileNotFoundError:
                return False
            return held and has_floating_address(self.layout, self.own.name)

        wait_until(holds, f"controller {self.own.name} to become active ({tail(self.vrrp_log, 2)})", seconds)

    def destage_records(self) -> list[dict[str, int]]:
        """Every destage so far: `frozen_ns`, `resumed_ns` (CLOCK_MONOTONIC), `blocks` moved and left."""
        if not self.destage_log.exists():
            return []
        return [json.loads(line) for line in self.destage_log.read_text(encoding="ascii").splitlines()]
