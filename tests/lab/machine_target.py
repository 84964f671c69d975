"""A small stand-in for a pair of controllers: one iSCSI target at a time serves a file on one address."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType

STORAGE_ADDRESS, GUEST_ADDRESS = "198.51.100.10", "198.51.100.20"
PORTAL = f"{STORAGE_ADDRESS}:3260"
TARGET = "iqn.2026-11.org.example:volume"
INITIATOR = "iqn.2026-11.org.example:guest"
TOOLS = ("tgtd", "tgtadm", "ip", "nsenter", "setpriv")
_PATIENCE_S = 20.0


def run(*command: str | Path) -> str:
    """Run a command that must succeed; gives what it printed."""
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True, check=False, timeout=30)
    assert done.returncode == 0, f"{' '.join(map(str, command))}: {done.stderr}"
    return done.stdout


class Target:
    """One target daemon in a namespace, which serves a file as logical unit 1; ended outright.

    Args:
        namespace: where it listens on `PORTAL`.
        image: the file.
        late_s: how long it listens before it knows its target, and then again before that has its logical unit:
            a controller that takes over step by step.
    """

    def __init__(self, namespace: str, image: Path, late_s: tuple[float, float] = (0.0, 0.0)) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="vmdev-"))
        self._inside = ["nsenter", f"--net=/run/netns/{namespace}", "--"]
        self._environment = {**os.environ, "TGT_IPC_SOCKET": str(self._folder / "control")}
        with open(self._folder / "log", "wb") as log:
            self._process = subprocess.Popen(
                [*self._inside, "setpriv", "--pdeathsig", "KILL", "--",
                 "tgtd", "-f", "-C", "1", "--iscsi", f"portal={PORTAL}"],
                env=self._environment, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        try:
            self._wait_for_control()
            time.sleep(late_s[0])
            self._order("new", "--mode", "target", "--tid", "1", "-T", TARGET)
            self._order("bind", "--mode", "target", "--tid", "1", "-I", "ALL")
            time.sleep(late_s[1])
            self._order("new", "--mode", "logicalunit", "--tid", "1", "--lun", "1", "-b", str(image),
                        "--bsoflags", "direct")  # fmt: skip
        except BaseException:
            self.kill()
            raise

    def freeze(self) -> None:
        """Let it stand still; what it has begun to write is written, and nothing more."""
        self._process.send_signal(signal.SIGSTOP)
        state = Path(f"/proc/{self._process.pid}/task")
        deadline = time.monotonic() + _PATIENCE_S
        while any(_state(thread) != "T" for thread in state.iterdir()):
            assert time.monotonic() < deadline, "the target does not stand still"
            time.sleep(0.01)

    def thaw(self) -> None:
        """Let it go on."""
        self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        """End it outright."""
        with contextlib.suppress(ProcessLookupError):
            self._process.kill()
        self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _wait_for_control(self) -> None:
        deadline = time.monotonic() + _PATIENCE_S
        while self._told("show", "--mode", "sys").returncode:
            assert self._process.poll() is None, (self._folder / "log").read_text()
            assert time.monotonic() < deadline, "the target did not come up"
            time.sleep(0.02)

    def _order(self, *words: str) -> None:
        done = self._told(*words)
        assert done.returncode == 0, f"{' '.join(words)}: {done.stderr}"

    def _told(self, *words: str) -> subprocess.CompletedProcess[str]:
        command = [*self._inside, "tgtadm", "-C", "1", "--lld", "iscsi", "--op", *words]
        return subprocess.run(command, env=self._environment, capture_output=True, text=True, check=False, timeout=30)


def _state(thread: Path) -> str:
    """The state of a thread, such as "T" for stopped; the second field after its name, as in proc_pid_stat(5)."""
    with contextlib.suppress(FileNotFoundError):
        return (thread / "stat").read_text().rpartition(")")[2].split()[0]
    return "T"


class StandIn:
    """Two namespaces joined by a link, and a target that can be ended and followed by another on the same address."""

    def __init__(self) -> None:
        self.guest, self.storage = f"vmdev-g{os.getpid()}", f"vmdev-s{os.getpid()}"
        self.target: Target | None = None
        self._made: list[str] = []

    def __enter__(self) -> StandIn:
        try:
            for name in (self.guest, self.storage):
                run("ip", "netns", "add", name)
                self._made.append(name)
                run("ip", "-n", name, "link", "set", "lo", "up")
            run("ip", "-n", self.guest, "link", "add", "data", "type", "veth", "peer", "data", "netns", self.storage)
            for name, address in ((self.guest, GUEST_ADDRESS), (self.storage, STORAGE_ADDRESS)):
                run("ip", "-n", name, "address", "add", f"{address}/24", "dev", "data")
                run("ip", "-n", name, "link", "set", "data", "up")
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def serve(self, image: Path, late_s: tuple[float, float] = (0.0, 0.0)) -> Target:
        """Let a target serve a file; see `Target`."""
        self.target = Target(self.storage, image, late_s)
        return self.target

    def end(self) -> None:
        """End the target outright."""
        if self.target is not None:
            self.target.kill()
            self.target = None

    def close(self) -> None:
        """End and remove all that was made."""
        self.end()
        while self._made:
            run("ip", "netns", "delete", self._made.pop())
