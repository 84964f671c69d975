"""`scripts/lab` as a user has it: it builds, tells, hurts, refuses, and leaves nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

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


def nothing_is_left(folder: Path) -> None:
    """Assert that no namespace, mount, process or file of the lab in a folder is left."""
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

    @pytest.mark.skipif(os.geteuid() == 0, reason="tells what a user other than root is told")
    def test_a_user_is_told_that_it_needs_root(self, tmp_path: Path) -> None:
        assert "needs root" in cannot_run_here()
        assert lab("up", "--folder", tmp_path / "lab").returncode == 4


@pytest.mark.lab
class TestWithALab:
    def test_a_lab_is_built_told_hurt_and_removed(self, tmp_path: Path) -> None:
        folder = tmp_path / "lab"
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
            assert "a           active, cable pulled" not in lab("pull", "b", "--folder", folder).stdout
            assert "b           standby, cable pulled" in lab("status", "--folder", folder).stdout
            assert "b           standby, cable plugged" in lab("replug", "b", "--folder", folder).stdout
        finally:
            down = lab("down", "--folder", folder)
        assert down.returncode == 0, down.stderr
        nothing_is_left(folder)

    def test_a_folder_that_holds_something_else_is_left_alone(self, tmp_path: Path) -> None:
        (tmp_path / "letter").write_text("dear reader")
        done = lab("up", "--folder", tmp_path)
        assert (done.returncode, "is not empty" in done.stderr) == (2, True)
        assert [path.name for path in tmp_path.iterdir()] == ["letter"]

    @pytest.mark.parametrize("after_s", [0.6, 1.2, 2.4])
    @pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
    def test_one_that_is_interrupted_while_it_is_built_leaves_nothing(
        self, tmp_path: Path, after_s: float, number: signal.Signals
    ) -> None:
        """Killed outright it cannot clean up; `down` does then."""
        folder = tmp_path / "lab"
        started = subprocess.Popen(
            [sys.executable, "-m", "scripts.takeover_lab", "up", "--folder", str(folder), "--size", "4MiB"],
            env=environment(), cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        time.sleep(after_s)
        started.send_signal(number)
        _, said = started.communicate(timeout=60)
        assert started.returncode != 0
        assert "Traceback" not in said
        if number == signal.SIGKILL and folder.exists():
            lab("down", "--folder", folder)
        nothing_is_left(folder)

    def test_it_does_not_end_what_it_did_not_start(self, tmp_path: Path) -> None:
        folder = tmp_path / "lab"
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
        nothing_is_left(folder)
