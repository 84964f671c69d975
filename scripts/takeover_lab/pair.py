"""The lab as a whole: built, looked at, hurt and taken down again."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from scripts.takeover_lab.attachment import attach, detach, is_attached
from scripts.takeover_lab.controller import Controller
from scripts.takeover_lab.destaging import LOCK_NAME, move_cache
from scripts.takeover_lab.layout import CONTROLLERS, STATE_NAME, Kind, Layout, Settings
from scripts.takeover_lab.network import (
    announce,
    build_network,
    cable_plugged,
    has_floating_address,
    remove_network,
    set_cable,
    set_peer_link,
)
from scripts.takeover_lab.packages import cannot_run_here
from scripts.takeover_lab.processes import kill_all, processes_in, undisturbed, wait_until
from scripts.takeover_lab.truth import copy_image
from verify.errors import CannotRun, UsageError

_CONTROL_SOCKET = "/run/tgtd/socket.{}"
_CONTROL_PORTS = range(7100, 7999)
_OWN_FOLDERS = ("controller-[ab]", "guest")
_OWN_FILES = ("disk.img", "cache-[ab].img", "holder", "holder.[ab]", f"{STATE_NAME}.partial", STATE_NAME)
_DESTAGE_PATIENCE_S = 15.0


class Lab:
    """A pair of controllers on one disk and a guest, real but for the wires."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.controllers = {name: Controller(layout, name) for name in CONTROLLERS}

    @classmethod
    def up(cls, folder: Path, settings: Settings, *, attached: bool = True) -> Lab:
        """Build a lab in a folder of its own, with controller A active.

        Args:
            folder: made if it is missing, and empty.
            settings: of the pair.
            attached: whether the guest gets a session of its own and the volume as a file; without, its network is
                for an initiator that somebody else starts there, and ends before `down`.

        Raises:
            UsageError: if the folder holds something else, or a lab already.
            CannotRun: if this machine does not let it be built; nothing is left behind then.
        """
        reason = cannot_run_here()
        if reason:
            raise CannotRun(reason)
        if Layout.load(folder) is not None:
            raise UsageError(f"there is a lab in {folder} already; take it down first")
        if folder.exists() and any(folder.iterdir()):
            raise UsageError(f"{folder} is not empty; name a folder of the lab's own")
        lab = cls(Layout(folder, replace(settings, control_ports=_free_control_ports())))
        folder.mkdir(parents=True, exist_ok=True)
        try:
            lab.layout.save()
            lab._build()
            if attached:
                attach(lab.layout)
        except BaseException:
            lab.down()
            raise
        return lab

    @classmethod
    def open(cls, folder: Path) -> Lab:
        """The lab in a folder.

        Raises:
            UsageError: if there is none.
        """
        layout = Layout.load(folder)
        if layout is None:
            raise UsageError(f"there is no lab in {folder}; build one with `up`")
        return cls(layout)

    def _build(self) -> None:
        layout = self.layout
        for path in {layout.disk, *(controller.own.image for controller in self.controllers.values())}:
            with open(path, "wb") as image:
                os.posix_fallocate(image.fileno(), 0, layout.total_bytes)
        build_network(layout)
        self.controllers["a"].start()
        self.controllers["a"].wait_active()
        self.controllers["b"].start()

    def down(self) -> list[str]:
        """End everything the lab started and remove everything it made; can be repeated after any interruption.

        Gives the names of what others put into the lab's folder, which is left there.
        """
        with undisturbed():
            return self._down()

    def _down(self) -> list[str]:
        layout = self.layout
        detach(layout)
        for controller in self.controllers.values():
            kill_all(controller.processes)
        strangers = processes_in(layout.namespace("guest"))
        if strangers:
            numbers = ", ".join(str(process.pid) for process in strangers)
            raise CannotRun(f"processes {numbers} still run in the lab's guest; let them end, then try again")
        remove_network(layout)
        for port in layout.settings.control_ports:
            own = _CONTROL_SOCKET.format(port)
            for path in () if _answers(own) else (own, f"{own}.lock"):
                with contextlib.suppress(FileNotFoundError):
                    os.unlink(path)
        return self._clear_folder()

    def _clear_folder(self) -> list[str]:
        """Remove what the lab made, its state last."""
        folder = self.layout.folder
        for pattern in _OWN_FOLDERS:
            for path in folder.glob(pattern):
                shutil.rmtree(path)
        for pattern in _OWN_FILES:
            for path in folder.glob(pattern):
                path.unlink(missing_ok=True)
        left = sorted(path.name for path in folder.iterdir())
        if not left:
            folder.rmdir()
        return left

    def active(self) -> str:
        """The controller that is active; "" if none is, "ab" if both are."""
        return "".join(name for name, controller in self.controllers.items() if controller.active)

    def standby_of(self, name: str) -> Controller:
        """The other controller."""
        return self.controllers[self.layout.peer(name)]

    def one_active(self) -> Controller:
        """The controller that is active.

        Raises:
            CannotRun: if none is, or both are.
        """
        names = self.active()
        if len(names) != 1:
            raise CannotRun("both controllers are active" if names else "no controller is active")
        return self.controllers[names]

    def status(self) -> list[str]:
        """How the lab stands, a line for each part."""
        lines = [f"pair        {self.layout.settings.kind}"]
        for name, controller in self.controllers.items():
            what = "active" if controller.active else "standby" if controller.alive else "off"
            what = "frozen" if controller.frozen else what
            held = has_floating_address(self.layout, name) and controller.alive
            cable = "plugged" if cable_plugged(self.layout, name) else "pulled"
            lines.append(f"{name}           {what}, cable {cable}{', holds the floating address' if held else ''}")
        where = "attached at" if is_attached(self.layout) else "not attached to"
        lines.append(f"guest       {where} {self.layout.volume}")
        return lines

    def pull(self, name: str) -> None:
        """Pull a controller's cable."""
        self._controller(name)
        set_cable(self.layout, name, False)

    def replug(self, name: str) -> None:
        """Plug a controller's cable in again."""
        self._controller(name)
        set_cable(self.layout, name, True)

    def kill(self, name: str) -> None:
        """End a controller outright; a destage that is under way is let finish, so what is lost is one state."""
        controller = self._controller(name)
        with self._no_destage(controller):
            controller.kill()

    @contextmanager
    def _no_destage(self, controller: Controller) -> Iterator[None]:
        if not controller.destages:
            yield
            return
        with open(controller.own.folder / LOCK_NAME, "ab") as lock:

            def taken() -> bool:
                try:
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    return False
                return True

            wait_until(taken, "the destage under way (is the controller frozen?)", _DESTAGE_PATIENCE_S)
            yield

    def start(self, name: str) -> None:
        """Start a controller that is off, as the standby; its cache begins as what is on the disk.

        Raises:
            UsageError: if it runs already.
        """
        controller = self._controller(name)
        if controller.alive:
            raise UsageError(f"controller {name} is not off")
        if controller.own.image != self.layout.disk and self.layout.settings.kind is not Kind.SPLIT:
            copy_image(self.layout.disk, controller.own.image)
        controller.start()

    def freeze(self, name: str) -> None:
        """Stop a controller where it stands, as one that hangs; a destage that is under way is let finish."""
        controller = self._controller(name)
        with self._no_destage(controller):
            controller.freeze()

    def thaw(self, name: str) -> str:
        """Let a frozen controller go on; tells what became of it."""
        if self._controller(name).thaw():
            return f"controller {name} goes on"
        return f"controller {name} was fenced when the other took over; start it again"

    def take_over(self) -> str:
        """Let the standby take over in an orderly way; gives its name."""
        giving = self.one_active()
        taking = self.standby_of(giving.own.name)
        if not taking.alive or not cable_plugged(self.layout, taking.own.name):
            raise CannotRun(f"controller {taking.own.name} cannot take over: it is off, or its cable is pulled")
        giving.hand_over()
        taking.wait_active()
        self.start(giving.own.name)
        return taking.own.name

    def fail_back(self) -> None:
        """Give the work back to controller A in an orderly way.

        Raises:
            UsageError: if A has it.
        """
        if self.one_active().own.name == "a":
            raise UsageError("controller a is active already")
        self.take_over()

    def cut_peers(self) -> None:
        """Cut the VRRP daemons off from each other, so that both become active.

        Split caches are mirrors of each other up to this moment.
        """
        if self.layout.settings.kind is Kind.SPLIT:
            active = self.one_active()
            move_cache(self.layout, active, self.standby_of(active.own.name).own.image)
        set_peer_link(self.layout, joined=False)

    def join_peers(self) -> None:
        """Let the VRRP daemons hear each other again; the one that stays active makes itself known."""
        set_peer_link(self.layout, joined=True)
        wait_until(lambda: len(self.active()) < 2, "one of the controllers to stand back")
        for name in self.active():
            announce(self.layout, name)

    def make_whole(self, patience_s: float = 30.0) -> None:
        """Bring the pair back to one active and one standby controller, by starting what is off."""
        self.join_peers()
        active = self.one_active()
        standby = self.standby_of(active.own.name)
        if standby.frozen:
            standby.thaw()
        self.replug(standby.own.name)
        if not standby.alive:
            self.start(standby.own.name)
        wait_until(lambda: standby.alive and self.active() == active.own.name, "the standby", patience_s)

    def _controller(self, name: str) -> Controller:
        self.layout.controller(name)
        return self.controllers[name]


def _free_control_ports() -> tuple[int, int]:
    """Two numbers that no target of this machine listens on, or was killed on and left a socket for."""
    free = [port for port in _CONTROL_PORTS if not _answers(_CONTROL_SOCKET.format(port))]
    start = 2 * (os.getpid() % (len(free) // 2))
    return free[start], free[start + 1]


def _answers(path: str) -> bool:
    if not os.path.exists(path):
        return False
    with socket.socket(socket.AF_UNIX) as probe:
        try:
            probe.connect(path)
        except ConnectionRefusedError:
            return False
        except OSError:
            return True
    return True
