"""What may come between: signals, a second command, missing permission, a full disk, a volume in use."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.commands.test_bad_input import CANNOT_RUN, INCONCLUSIVE, SMALL, USAGE, refused
from tests.drill.runs import (
    ackproof,
    check_here,
    command_line,
    environment,
    losses_of,
    no_false_finding,
    run_here,
    start,
    verdict_of,
    wait_for_load,
    wait_until,
    write_here,
)
from verify.drill.planning import RunRequest, StreamRequest

LOAD = ("--lanes", "4", "--span", "1MiB", "--workers", "2")
POWERS = "-dac_override,-dac_read_search"


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A writer under load that would go on for a minute; killed in the end, if it still runs."""
    process = start("write", tmp_path / "volume", "--record", tmp_path / "record", "--for", "60s", *LOAD)
    try:
        wait_for_load(tmp_path / "record", process)
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


def events(tmp_path: Path) -> str:
    path = tmp_path / "record" / "events.jsonl"
    return path.read_text() if path.exists() else ""


def about(tmp_path: Path) -> dict[str, Any]:
    value: dict[str, Any] = json.loads((tmp_path / "record" / "run.json").read_text())
    return value


def assert_ended_cleanly(tmp_path: Path, because: str) -> None:
    """The ledger is closed, nothing that was acknowledged is missing in it, and the check finds nothing."""
    assert about(tmp_path)["ended_because"] == because
    assert set(about(tmp_path)["ledger_heads"]) == {p.stem.lstrip("0") or "0" for p in ledgers(tmp_path)}
    result = check_here(tmp_path / "record")
    no_false_finding(result.verdict, losses_of(result.folder))
    assert all(part["closed"] for part in result.verdict["ledger"].values())
    acknowledged = about(tmp_path)["result"]["acknowledged_writes"] + result.verdict["coverage"]["slots"]
    assert result.verdict["writes"]["acknowledged"] == acknowledged
    assert not any("damaged" in reason for reason in result.verdict["reasons"])


def ledgers(tmp_path: Path) -> list[Path]:
    return list((tmp_path / "record" / "ledger").glob("*.ledger"))


class TestSignals:
    @pytest.mark.parametrize("times", [1, 2, 5])
    def test_ctrl_c_ends_the_load_cleanly(self, writer: subprocess.Popen[str], tmp_path: Path, times: int) -> None:
        """A terminal sends it to every process of the group."""
        for _ in range(times):
            if writer.poll() is None:
                os.killpg(writer.pid, signal.SIGINT)
        out, err = writer.communicate(timeout=60)
        assert writer.returncode == 0, err
        assert "Traceback" not in err
        assert "the load ended because Ctrl-C was pressed" in out
        assert_ended_cleanly(tmp_path, "Ctrl-C was pressed")

    def test_sigterm_ends_the_load_cleanly(self, writer: subprocess.Popen[str], tmp_path: Path) -> None:
        writer.terminate()
        _, err = writer.communicate(timeout=60)
        assert writer.returncode == 0, err
        assert_ended_cleanly(tmp_path, "SIGTERM was received")

    def test_a_terminal_that_hangs_up_stops_nothing(self, writer: subprocess.Popen[str], tmp_path: Path) -> None:
        os.killpg(writer.pid, signal.SIGHUP)
        time.sleep(0.3)
        assert ackproof("mark", tmp_path / "record", "still there").stdout == "marked\n"
        assert writer.poll() is None
        os.killpg(writer.pid, signal.SIGINT)
        _, err = writer.communicate(timeout=60)
        assert writer.returncode == 0, err
        assert "still there" in events(tmp_path)
        assert_ended_cleanly(tmp_path, "Ctrl-C was pressed")

    def test_ctrl_c_while_it_fills(self, tmp_path: Path) -> None:
        arguments = ("--for", "60s", "--lanes", "4", "--span", "2GiB", "--block", "4KiB")
        process = start("write", tmp_path / "volume", "--record", tmp_path / "record", *arguments)
        try:
            wait_until(lambda: sum(p.stat().st_size for p in ledgers(tmp_path)) > 10_000, "the fill")
            os.killpg(process.pid, signal.SIGINT)
            _, err = process.communicate(timeout=60)
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
        assert process.returncode == 0, err
        assert about(tmp_path)["ended_because"] == "Ctrl-C was pressed"
        assert about(tmp_path)["result"]["acknowledged_writes"] == 0

    def test_ctrl_c_during_a_check_concludes_nothing(self, tmp_path: Path) -> None:
        """At moments of any kind: as it begins, one in eight was lost or met a lock that then stayed taken."""
        volume = tmp_path / "volume"
        with open(volume, "wb") as file:
            file.truncate(64 << 30)
        arguments = ("--no-fill", "--operations", "2", "--lanes", "1", "--span", "64GiB")
        written = ackproof(
            "write", volume, "--erase", os.path.realpath(volume), "--record", tmp_path / "record", *arguments
        )
        assert written.returncode == 0, written.stderr
        checks = tmp_path / "record" / "checks"
        for _ in range(10):
            check = start("check", tmp_path / "record")
            wait_until(lambda: list(checks.iterdir()), "the check")
            time.sleep(random.uniform(0, 0.02))
            check.send_signal(signal.SIGINT)
            out, err = check.communicate(timeout=60)
            assert (check.returncode, out) == (CANNOT_RUN, "")
            assert "nothing was concluded" in err
            assert "Traceback" not in err
            assert [path.name for path in checks.iterdir()] == [".001.partial"]
            assert "--resume goes on from there" in err
            assert not (tmp_path / "record" / "verdict.json").exists()
            shutil.rmtree(checks / ".001.partial")

    def test_ctrl_c_during_a_rehearsal_concludes_nothing(self, tmp_path: Path) -> None:
        folder = tmp_path / "rehearsal"
        rehearsal = start("rehearse", "--fault", "sound", "--record", folder)
        wait_for_load(folder / "sound" / "record", rehearsal)
        rehearsal.send_signal(signal.SIGINT)
        _, err = rehearsal.communicate(timeout=60)
        assert (rehearsal.returncode, err.strip()) == (CANNOT_RUN, "ackproof: stopped; nothing was concluded")
        assert list((folder / "sound" / "record" / "checks").iterdir()) == []


class TestWhileARunGoesOn:
    def test_there_is_no_check(self, writer: subprocess.Popen[str], tmp_path: Path) -> None:
        refused(run_here("check", tmp_path / "record"), CANNOT_RUN, "a run is still writing")

    def test_there_is_no_second_run(self, writer: subprocess.Popen[str], tmp_path: Path) -> None:
        volume = tmp_path / "volume"
        second = run_here("write", volume, "--erase", os.path.realpath(volume), "--record", tmp_path / "second", *SMALL)
        refused(second, CANNOT_RUN, "in use")
        refused(run_here("write", tmp_path / "other", "--record", tmp_path / "record", *SMALL), USAGE, "not empty")

    def test_the_worker_that_dies_is_told(self, writer: subprocess.Popen[str], tmp_path: Path) -> None:
        """Only one of its processes: the others go on, and the end says so."""
        children = Path(f"/proc/{writer.pid}/task/{writer.pid}/children").read_text().split()
        assert len(children) >= 2
        os.kill(int(children[0]), signal.SIGKILL)
        wait_until(lambda: "worker_lost" in events(tmp_path), "the loss of a worker")
        os.killpg(writer.pid, signal.SIGINT)
        _, err = writer.communicate(timeout=60)
        assert writer.returncode == CANNOT_RUN
        assert "did not end as planned" in err
        result = check_here(tmp_path / "record")
        no_false_finding(result.verdict, losses_of(result.folder))

    def test_the_supervisor_that_dies_takes_the_workers_along(
        self, writer: subprocess.Popen[str], tmp_path: Path
    ) -> None:
        os.kill(writer.pid, signal.SIGKILL)
        writer.communicate()
        wait_until(lambda: run_here("check", tmp_path / "record").returncode == INCONCLUSIVE, "the workers' end")
        no_false_finding(verdict_of(tmp_path / "record"), losses_of(tmp_path / "record" / "checks" / "001"))


def powerless(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run a command without root's power to read and write what its permissions forbid."""
    command = command_line(*arguments)
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("root needs setpriv to give up its power over permissions")
        command = ["setpriv", f"--bounding-set={POWERS}", f"--inh-caps={POWERS}", *command]
    return subprocess.run(command, env=environment(), capture_output=True, text=True, timeout=120, check=False)


class TestWithoutPermission:
    @pytest.fixture
    def record(self, tmp_path: Path) -> Path:
        request = RunRequest((StreamRequest(4096, 2, 64 << 10),), operations=5)
        write_here(tmp_path / "volume", tmp_path / "record", request)
        return tmp_path / "record"

    @pytest.fixture
    def locked(self, tmp_path: Path) -> Iterator[Path]:
        """A folder in which nothing can be made."""
        folder = tmp_path / "locked"
        folder.mkdir(mode=0o500)
        yield folder
        folder.chmod(0o700)

    def test_to_write_to_the_volume(self, tmp_path: Path) -> None:
        volume = tmp_path / "volume"
        volume.write_bytes(bytes(128 << 10))
        volume.chmod(0o400)
        arguments = ("--erase", os.path.realpath(volume), "--record", tmp_path / "record", *SMALL)
        refused(powerless("write", volume, *arguments), CANNOT_RUN, str(volume))
        assert not (tmp_path / "record").exists()

    def test_to_make_the_volume(self, tmp_path: Path, locked: Path) -> None:
        done = powerless("write", locked / "volume", "--record", tmp_path / "record", *SMALL)
        refused(done, CANNOT_RUN, "no permission to create")
        assert not (tmp_path / "record").exists()

    def test_to_make_the_record_folder(self, tmp_path: Path, locked: Path) -> None:
        done = powerless("write", tmp_path / "volume", "--record", locked / "record", *SMALL)
        refused(done, CANNOT_RUN, "cannot be made: Permission denied")
        assert not (tmp_path / "volume").exists()

    def test_to_read_the_volume_at_check_time(self, record: Path, tmp_path: Path) -> None:
        (tmp_path / "volume").chmod(0)
        refused(powerless("check", record), CANNOT_RUN, "no permission")
        assert not (record / "verdict.json").exists()

    def test_to_keep_the_check(self, record: Path) -> None:
        (record / "checks").chmod(0o500)
        refused(powerless("check", record), CANNOT_RUN, "cannot be kept", "Permission denied")

    def test_to_read_the_record(self, record: Path) -> None:
        (record / "run.json").chmod(0)
        refused(powerless("check", record), CANNOT_RUN, "run.json", "Permission denied")

    def test_to_read_the_ledger(self, record: Path) -> None:
        (record / "ledger" / "001.ledger").chmod(0)
        done = powerless("check", record)
        assert done.returncode in (INCONCLUSIVE, CANNOT_RUN), done.stdout
        assert "001.ledger" in done.stdout + done.stderr
        assert "Traceback" not in done.stderr

    def test_to_look_at_the_volume(self, locked: Path) -> None:
        (locked.parent / "locked").chmod(0)
        refused(powerless("survey", locked / "volume"), CANNOT_RUN, "no permission")


needs_mounts = pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("mkfs.ext4") is None, reason="needs root and mkfs.ext4: mounts file systems"
)


class TestAFullLedgerDisk:
    @pytest.fixture
    def disk(self, tmp_path: Path) -> Iterator[Callable[[int], Path]]:
        """Mounts file systems in memory of so many KiB; all are unmounted in the end."""
        points: list[Path] = []

        def mount(size_kib: int) -> Path:
            point = tmp_path / f"disk {len(points)}"
            point.mkdir()
            command = ["mount", "-t", "tmpfs", "-o", f"size={size_kib}k", "tmpfs", str(point)]
            subprocess.run(command, check=True)
            points.append(point)
            return point

        yield mount
        for point in points:
            subprocess.run(["umount", "--lazy", str(point)], check=True)

    @needs_mounts
    def test_stops_the_load_and_keeps_what_was_acknowledged(self, disk: Callable[[int], Path], tmp_path: Path) -> None:
        record = disk((8 << 10) + 200) / "record"
        written = ackproof("write", tmp_path / "volume", "--record", record, "--for", "60s", *LOAD)
        assert written.returncode == CANNOT_RUN, written.stdout
        assert "Traceback" not in written.stderr
        assert "the ledger's disk is full" in written.stdout
        assert "did not end as planned" in written.stderr
        result = check_here(record)
        no_false_finding(result.verdict, losses_of(result.folder))
        run_json = json.loads((record / "run.json").read_text())
        acknowledged = run_json["result"]["acknowledged_writes"] + result.verdict["coverage"]["slots"]
        assert result.verdict["writes"]["acknowledged"] == acknowledged
        assert all(part["closed"] for part in result.verdict["ledger"].values())

    @needs_mounts
    def test_without_room_from_the_start_nothing_is_written(self, disk: Callable[[int], Path], tmp_path: Path) -> None:
        volume = tmp_path / "volume"
        volume.write_bytes(bytes(1 << 20))
        arguments = ("--erase", os.path.realpath(volume), "--record", disk(1 << 10) / "record", *LOAD)
        refused(run_here("write", volume, *arguments), CANNOT_RUN, "no room for the ledger")
        assert volume.read_bytes() == bytes(1 << 20)


class TestAVolumeInUse:
    @pytest.fixture
    def device(self, tmp_path: Path) -> Iterator[str]:
        """A loop device with an ext4 file system."""
        backing = tmp_path / "backing"
        with open(backing, "wb") as file:
            os.posix_fallocate(file.fileno(), 0, 64 << 20)
        subprocess.run(["mkfs.ext4", "-q", str(backing)], check=True)
        command = ["losetup", "--find", "--show", "--direct-io=on", str(backing)]
        device = subprocess.check_output(command, text=True).strip()
        yield device
        subprocess.run(["losetup", "--detach", device], check=True)

    @pytest.fixture
    def mounted(self, device: str, tmp_path: Path) -> Iterator[Path]:
        point = tmp_path / "mounted"
        point.mkdir()
        subprocess.run(["mount", device, str(point)], check=True)
        yield point
        subprocess.run(["umount", str(point)], check=True)

    def identity(self, device: str) -> str:
        survey = run_here("survey", device).stdout
        return next(line.split("  ", 1)[1].strip() for line in survey.splitlines() if "--erase" in line)

    @needs_mounts
    def test_a_mounted_device_is_never_written_to(self, device: str, mounted: Path, tmp_path: Path) -> None:
        erase = ("--erase", self.identity(device))
        done = run_here("write", device, *erase, "--record", tmp_path / "record", *SMALL)
        refused(done, CANNOT_RUN, "is in use", f"mounted at {mounted}")

    @needs_mounts
    def test_the_ledger_is_not_kept_on_the_volume_under_test(self, device: str, mounted: Path) -> None:
        erase = ("--erase", self.identity(device))
        done = run_here("write", device, *erase, "--record", mounted / "record", *SMALL)
        refused(done, CANNOT_RUN, "is in use", f"mounted at {mounted}")
        assert not (mounted / "record").exists()

    @needs_mounts
    def test_a_file_system_is_named_and_needs_the_identity(self, device: str, tmp_path: Path) -> None:
        done = run_here("write", device, "--record", tmp_path / "record", *SMALL)
        refused(done, USAGE, "ext4", f"--erase {self.identity(device)}")
        again = ackproof("write", device, "--erase", self.identity(device), "--record", tmp_path / "record", *SMALL)
        assert again.returncode == 0, again.stderr

    @needs_mounts
    def test_a_file_that_is_attached_as_a_device(self, device: str, tmp_path: Path) -> None:
        backing = tmp_path / "backing"
        done = run_here("write", backing, "--erase", os.path.realpath(backing), "--record", tmp_path / "record", *SMALL)
        refused(done, CANNOT_RUN, "in use", device)
