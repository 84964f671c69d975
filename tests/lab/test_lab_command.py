"""`scripts/lab` as a user has it: it builds, tells, hurts, refuses, and leaves nothing behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from scripts.takeover_lab import __main__ as command
from scripts.takeover_lab.layout import Layout, Settings
from scripts.takeover_lab.packages import MACHINE_PROGRAMS, MODULES, PROGRAMS, cannot_run_here, missing_packages
from scripts.takeover_lab.processes import NAMESPACES, ProcessId, processes_in
from scripts.takeover_lab.trial import environment

ROOT = Path(__file__).parents[2]


def lab(*arguments: str | Path, timeout_s: float = 60.0) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "scripts.takeover_lab", *map(str, arguments)], env=environment(), cwd=ROOT,
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=timeout_s, check=False,
    )  # fmt: skip


def traces() -> tuple[set[int], set[str]]:
    """The network namespaces that processes are in, by inode, and the sockets of targets."""
    inodes: set[int] = set()
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            with contextlib.suppress(OSError):
                inodes.add((entry / "ns" / "net").stat().st_ino)
    sockets = Path("/run/tgtd")
    return inodes, {path.name for path in sockets.iterdir()} if sockets.exists() else set()


def nothing_is_left(folder: Path, before: tuple[set[int], set[str]]) -> None:
    """Assert that no namespace, mount, process, socket or file of the lab in a folder is left."""
    for now, then in zip(traces(), before, strict=True):
        assert now <= then
    layout = Layout(folder, Settings())
    assert [name for name in layout.namespaces if (NAMESPACES / name).exists()] == []
    assert str(folder) not in Path("/proc/mounts").read_text()
    assert not folder.exists()
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                command = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            assert os.fsencode(folder) not in command or int(entry.name) == os.getpid(), command


class TestWithoutALab:
    @pytest.mark.parametrize(
        ("arguments", "code", "says"),
        [
            (("status",), 2, "there is no lab in"),
            (("down",), 2, "there is no lab in"),
            (("pull", "a"), 2, "there is no lab in"),
            (("pull", "c"), 2, "'c' is not one of 'a', 'b'"),
            (("guest", "true"), 2, "there is no lab in"),
        ],
    )
    def test_what_needs_one_says_so(self, tmp_path: Path, arguments: tuple[str, ...], code: int, says: str) -> None:
        done = lab(arguments[0], "--folder", tmp_path, *arguments[1:])
        assert (done.returncode, says in done.stderr) == (code, True), done.stderr
        assert "Traceback" not in done.stderr

    def test_a_state_file_that_is_none_is_refused_in_one_sentence(self, tmp_path: Path) -> None:
        (tmp_path / "lab.json").write_text("[1]")
        done = lab("status", "--folder", tmp_path)
        assert done.returncode == 2
        assert "cannot be used" in done.stderr
        assert "Traceback" not in done.stderr

    def test_packages_are_told_by_name_where_programs_are_missing(self) -> None:
        nowhere = {f"no-such-program-{name}": package for name, package in PROGRAMS.items()}
        wanted = sorted({*PROGRAMS.values(), "some-module"})
        assert missing_packages(nowhere, {"/nowhere/*.so": "some-module"}) == wanted
        assert missing_packages({"sh": "dash"}, {"/bin/*": "coreutils"}) == []

    def test_continuous_integration_installs_every_package_that_it_does_not_find(self) -> None:
        """A package left out there would skip the tests that need it, and nobody would notice."""
        lines = (ROOT / ".ci" / "run").read_text().replace("'", "").splitlines()
        for looked_for, package in {**PROGRAMS, **MACHINE_PROGRAMS, **MODULES}.items():
            assert any(f" {looked_for} >/dev/null || packages+=({package})" in line for line in lines), looked_for

    def test_a_user_is_told_that_it_needs_root_and_what_is_missing(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        monkeypatch.setattr(os, "geteuid", lambda: 1000)
        monkeypatch.setattr(command, "missing_packages", lambda: ["tgt"])
        assert "needs root" in cannot_run_here()
        with pytest.raises(SystemExit) as ended:
            command.lab(["up", "--folder", str(tmp_path / "lab")])
        assert ended.value.code == 4
        assert "needs root" in (said := capsys.readouterr().err)
        assert "tgt are missing" in said
        assert not (tmp_path / "lab").exists()


@pytest.mark.lab
class TestWithALab:
    def test_a_lab_is_built_told_hurt_and_removed(self, tmp_path: Path) -> None:
        folder, before = tmp_path / "lab", traces()
        try:
            done = lab("up", "--folder", folder, "--size", "4MiB", "--interval", "0.2s")
            assert done.returncode == 0, done.stderr
            assert "a           active, cable plugged, holds the floating address" in done.stdout
            assert "b           standby, cable plugged" in done.stdout
            again = lab("up", "--folder", folder)
            assert (again.returncode, "already" in again.stderr) == (2, True)
            assert lab("start", "a", "--folder", folder).returncode == 2
            assert lab("failback", "--folder", folder).returncode == 2
            inside = lab("guest", "--folder", folder, "ackproof", "survey", folder / "guest" / "volume")
            assert inside.returncode == 0, inside.stderr
            frozen = lab("freeze", "b", "--folder", folder)
            assert "b           frozen" in frozen.stdout
            assert "goes on" in lab("thaw", "b", "--folder", folder).stdout
            taken = lab("takeover", "--folder", folder)
            assert "b           active" in taken.stdout, taken.stderr
            assert "a           standby" in taken.stdout
            back = lab("failback", "--folder", folder)
            assert "a           active" in back.stdout, back.stderr
            assert "b           standby, cable pulled" in lab("pull", "b", "--folder", folder).stdout
            assert "b           standby, cable pulled" in lab("status", "--folder", folder).stdout
            assert "b           standby, cable plugged" in lab("replug", "b", "--folder", folder).stdout
        finally:
            down = lab("down", "--folder", folder)
        assert down.returncode == 0, down.stderr
        nothing_is_left(folder, before)

    def test_a_folder_that_holds_something_else_is_left_alone(self, tmp_path: Path) -> None:
        (tmp_path / "letter").write_text("dear reader")
        done = lab("up", "--folder", tmp_path)
        assert (done.returncode, "is not empty" in done.stderr) == (2, True)
        assert [path.name for path in tmp_path.iterdir()] == ["letter"]

    @pytest.mark.parametrize(
        ("milestone", "number"),
        [
            ("lab.json", signal.SIGTERM), ("lab.json", signal.SIGKILL),
            ("controller-a/target.log", signal.SIGINT), ("controller-a/target.log", signal.SIGKILL),
            ("controller-b/vrrp.conf", signal.SIGTERM), ("controller-b/vrrp.conf", signal.SIGKILL),
            ("guest/initiator.log", signal.SIGHUP), ("guest/initiator.log", signal.SIGKILL),
            ("guest/mount.log", signal.SIGINT), ("guest/mount.log", signal.SIGKILL),
        ],
    )  # fmt: skip
    def test_one_that_is_interrupted_while_it_is_built_leaves_nothing(
        self, tmp_path: Path, milestone: str, number: signal.Signals
    ) -> None:
        """Killed outright it cannot clean up; `down` does then."""
        folder, before = tmp_path / "lab", traces()
        command = ["up", "--folder", str(folder), "--size", "4MiB", "--interval", "0.2s"]
        started = subprocess.Popen(
            [sys.executable, "-m", "scripts.takeover_lab", *command], env=environment(), cwd=ROOT,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            deadline = time.monotonic() + 60
            while not (folder / milestone).exists():
                assert started.poll() is None, f"it ended before there was {milestone}"
                assert time.monotonic() < deadline
                time.sleep(0.001)
            started.send_signal(number)
            _, said = started.communicate(timeout=60)
            assert "Traceback" not in said
            if number == signal.SIGKILL:
                assert lab("down", "--folder", folder).returncode == 0
            elif started.returncode:
                assert not folder.exists()
            if started.returncode:
                nothing_is_left(folder, before)
        finally:
            if folder.exists():
                lab("down", "--folder", folder)

    def test_a_mount_whose_process_was_killed_is_taken_down(self, tmp_path: Path) -> None:
        folder, before = tmp_path / "lab", traces()
        assert lab("up", "--folder", folder, "--size", "4MiB", "--interval", "0.2s").returncode == 0
        try:
            (folder / "letter").write_text("dear reader")
            for process in processes_in(Layout(folder, Settings()).namespace("guest")):
                process.send(signal.SIGKILL)
        finally:
            down = lab("down", "--folder", folder)
        assert (down.returncode, "letter is left" in down.stdout or "left: letter" in down.stdout) == (0, True)
        assert [path.name for path in folder.iterdir()] == ["letter"]
        (folder / "letter").unlink()
        folder.rmdir()
        nothing_is_left(folder, before)

    def test_it_does_not_end_what_it_did_not_start(self, tmp_path: Path) -> None:
        folder, before = tmp_path / "lab", traces()
        stranger = None
        try:
            assert lab("up", "--folder", folder, "--size", "4MiB", "--interval", "0.2s").returncode == 0
            stranger = subprocess.Popen(
                [sys.executable, "-m", "scripts.takeover_lab", "guest", "--folder", str(folder), "sleep", "60"],
                env=environment(), cwd=ROOT, stdin=subprocess.DEVNULL,
            )  # fmt: skip
            namespace = Layout(folder, Settings()).namespace("guest")
            sleeper = ProcessId.of(stranger.pid)
            deadline = time.monotonic() + 20
            while sleeper not in processes_in(namespace):
                assert time.monotonic() < deadline
                time.sleep(0.02)
            refused = lab("down", "--folder", folder)
            assert refused.returncode == 4
            assert str(stranger.pid) in refused.stderr
            assert stranger.poll() is None
        finally:
            if stranger is not None:
                stranger.kill()
                stranger.wait()
            done = lab("down", "--folder", folder)
        assert done.returncode == 0, done.stderr
        nothing_is_left(folder, before)
