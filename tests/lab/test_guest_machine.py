"""The whole job inside a guest whose disk is a real iSCSI volume: sound, killed, and with takeovers sound and lossy.

The pair is a stand-in: one target daemon is ended outright, and another serves the same address.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from scripts.takeover_lab.machine import (
    RECORD_MOUNT,
    VOLUME,
    BootImage,
    GuestMachine,
    IscsiVolume,
    MachineError,
    make_guest_image,
    what_is_missing,
)
from scripts.takeover_lab.machine_kernel import NoKernelPackage
from scripts.takeover_lab.machine_python import python_environment
from tests.drill.runs import PROJECT, convicting, losses_of, no_false_finding, verdict_of
from tests.lab.machine_target import INITIATOR, PORTAL, TARGET, TOOLS, StandIn

MISSING = what_is_missing() or ", ".join(f"needs {tool}" for tool in TOOLS if shutil.which(tool) is None)
pytestmark = [pytest.mark.root, pytest.mark.skipif(bool(MISSING), reason=MISSING)]

BLOCK_BYTES = 4096
SPAN_MIB, VOLUME_MIB = 8, 32
LANES = 8
RECORD = f"{RECORD_MOUNT}/drill"
BEGUN = "the load has begun"
ACKPROOF = '"$0" -m verify'
WRITE = f"""
(until grep -q load_began {RECORD}/events.jsonl 2>/dev/null; do sleep 0.2; done; echo {BEGUN}) &
{ACKPROOF} write {VOLUME} --erase "$1" --record {RECORD} --span {SPAN_MIB}MiB --lanes {LANES} --read-share 0.3"""
CHECK = f"{ACKPROOF} check {RECORD}"
END_S = 150.0
"""Patience with a guest emulated on processors that others use too; far above what it takes."""

Make = Callable[..., GuestMachine]
Start = Callable[[GuestMachine, str], None]


@pytest.fixture(scope="module")
def boot_image(tmp_path_factory: pytest.TempPathFactory) -> BootImage:
    try:
        return make_guest_image(tmp_path_factory.mktemp("boot"))
    except NoKernelPackage as error:
        pytest.skip(f"needs a kernel to boot: {error}")


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The environment of Python in the guest."""
    return python_environment(tmp_path_factory.mktemp("compiled"), sys.executable, PROJECT)


@pytest.fixture
def pair() -> Iterator[StandIn]:
    with StandIn() as standing_in:
        yield standing_in


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    """What the controllers serve."""
    path = tmp_path / "volume.img"
    with path.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, VOLUME_MIB << 20)
    return path


@pytest.fixture
def make(tmp_path: Path, boot_image: BootImage, compiled: dict[str, str], pair: StandIn) -> Iterator[Make]:
    """Makes the guest, which is ended when the test is over, and leaves no mount and no process."""
    made: list[GuestMachine] = []

    def make_guest(target: str = TARGET) -> GuestMachine:
        volume = IscsiVolume(PORTAL, target, INITIATOR)
        visible = [PROJECT, Path(sys.prefix), Path(sys.base_prefix), Path(compiled["PYTHONPYCACHEPREFIX"])]
        made.append(GuestMachine(tmp_path / "guest", boot_image, pair.guest, volume, visible))
        return made[-1]

    yield make_guest
    for guest in made:
        guest.kill()
        assert not guest.running
    assert str(tmp_path) not in Path("/proc/self/mounts").read_text()


@pytest.fixture
def start(compiled: dict[str, str]) -> Start:
    """Boots a guest and runs a shell script in it whose "$0" is this Python and whose "$1" is the volume's identity."""

    def start_guest(guest: GuestMachine, script: str) -> None:
        command = ["sh", "-c", script, sys.executable, guest.volume_identity]
        guest.start(command, {**compiled, "NO_COLOR": "1"})
        guest.wait_for_boot()

    return start_guest


def record_of(guest: GuestMachine, folder: Path) -> tuple[Path, dict[str, Any], list[dict[str, str]]]:
    """The record folder taken out of the guest, its verdict, and the rows of the last check's losses.csv."""
    record = guest.take_out(RECORD, folder)
    last = max((record / "checks").iterdir())
    return record, verdict_of(record), losses_of(last)


def test_a_guest_that_cannot_boot_is_told_with_what_was_said(make: Make, pair: StandIn, disk: Path) -> None:
    pair.serve(disk)
    guest = make(TARGET + "-elsewhere")
    guest.start(["true"])
    with pytest.raises(MachineError, match="the guest ended before it was up") as told:
        guest.wait_for_boot()
    assert "iSCSI" in str(told.value)
    with pytest.raises(MachineError, match="the guest ended before its command did"):
        guest.wait(1.0)


def test_on_a_healthy_volume(
    make: Make, start: Start, pair: StandIn, disk: Path, tmp_path: Path, boot_image: BootImage
) -> None:
    pair.serve(disk)
    guest = make()
    survey = f"{ACKPROOF} survey {VOLUME}"
    refused = f"{ACKPROOF} write {VOLUME} --record {RECORD}; echo refused with $?"
    start(guest, f"{survey} && {{ {refused}; }} && {WRITE} --for 3s && {CHECK}")
    code = guest.wait(END_S)
    assert f"identity (for --erase)          {guest.volume_identity}\n" in guest.output
    assert "time-out of /dev/sda            30 s\n" in guest.output
    assert "refused with 2\n" in guest.output
    record, verdict, losses = record_of(guest, tmp_path)
    no_false_finding(verdict, losses)
    about = json.loads((record / "run.json").read_text())
    assert about["host"]["kernel"] == boot_image.version
    assert about["volume"]["time_outs_s"] == {VOLUME: 30}
    assert about["volume"]["direct"] is True
    assert verdict["coverage"]["slots_read"] == (SPAN_MIB << 20) // BLOCK_BYTES
    if not verdict["takeovers"]:
        assert verdict["reasons"] == ["no takeover was observed, and none was attested by a mark made in time"]
    assert code == {"PASS": 0, "INCONCLUSIVE": 3}[verdict["verdict"]]
    assert guest.output.splitlines()[-1].startswith("  - where in the path")


def test_killed_outright_and_checked_from_a_second_boot(
    make: Make, start: Start, pair: StandIn, disk: Path, tmp_path: Path
) -> None:
    pair.serve(disk)
    guest = make()
    start(guest, f"{WRITE} --for 60s")
    guest.wait_for_output(BEGUN, END_S)
    time.sleep(3)
    assert guest.running
    guest.kill()
    start(guest, CHECK)
    assert guest.wait(END_S) == 3
    assert guest.boots == 2
    _, verdict, losses = record_of(guest, tmp_path)
    no_false_finding(verdict, losses)
    assert verdict["verdict"] == "INCONCLUSIVE"
    assert not any("damaged" in reason for reason in verdict["reasons"]), verdict["reasons"]
    assert not any(part["closed"] for part in verdict["ledger"].values())
    [complete] = [limit for limit in verdict["not_proved"] if "never closed and is complete only up to" in limit]
    assert verdict["run"]["started"] < complete.split("acknowledged after ")[1]
    slots = verdict["coverage"]["slots"]
    assert verdict["coverage"]["slots_read"] == slots
    assert verdict["writes"]["acknowledged"] > slots


def test_a_takeover_while_it_writes(
    make: Make, start: Start, pair: StandIn, disk: Path, tmp_path: Path
) -> None:
    """The controller that takes over listens before it knows the volume, so that the guest meets real errors."""
    pair.serve(disk)
    guest = make()
    start(guest, f"{WRITE} --for 12s && {CHECK}")
    guest.wait_for_output(BEGUN, END_S)
    time.sleep(3)
    pair.end()
    pair.serve(disk, late_s=(2.0, 2.0))
    assert guest.wait(END_S) == 0, guest.output
    _, verdict, losses = record_of(guest, tmp_path)
    no_false_finding(verdict, losses)
    assert verdict["verdict"] == "PASS"
    [takeover] = verdict["takeovers"]
    assert takeover["seen"] == "observed"
    assert takeover["stall_s"] > 3.0
    assert takeover["stall_s"] <= takeover["longest_wait_s"] < takeover["time_out_s"] == 30
    assert "within the disk's time-out of 30.0 s" in " ".join(guest.output.split()).replace("time- out", "time-out")
    assert 0 < takeover["in_flight"] <= LANES
    assert takeover["slots"]["unexamined"] == 0
    assert takeover["after"]["writes_per_second"] > 0
    assert verdict["writes"]["errors"] > 0
    assert "LOGICAL_UNIT_NOT_SUPPORTED" in guest.emulator
    assert "I/O error, dev sda" in guest.console


def test_a_disk_that_goes_offline_and_comes_back_under_another_name(
    make: Make, start: Start, pair: StandIn, disk: Path, tmp_path: Path
) -> None:
    """As after error handling that failed: offline, running again, then removed and found anew by a scan."""
    pair.serve(disk)
    guest = make()
    device = f"/sys/block/{Path(VOLUME).name}/device"
    away = f"""
(until grep -q load_began {RECORD}/events.jsonl 2>/dev/null; do sleep 0.2; done
sleep 1; echo offline >{device}/state; sleep 1.5; echo running >{device}/state
sleep 2; echo 1 >{device}/delete; sleep 1.5; echo "- - -" >/sys/class/scsi_host/host0/scan
sleep 1; echo now there is /dev/sd*) &"""
    start(guest, f"{away} {WRITE} --for 10s && {CHECK}")
    code = guest.wait(END_S)
    assert "now there is /dev/sdb\n" in guest.output
    assert "rejecting I/O to offline device" in guest.console
    record, verdict, losses = record_of(guest, tmp_path)
    no_false_finding(verdict, losses)
    assert code == 0, guest.output
    assert json.loads((record / "run.json").read_text())["ended_because"] == "the time is over"
    assert verdict["coverage"]["slots_read"] == verdict["coverage"]["slots"]
    assert verdict["writes"]["errors"] > 0
    assert all(takeover["slots"]["unexamined"] == 0 for takeover in verdict["takeovers"])
    assert verdict["takeovers"][-1]["end"] is not None


def test_a_stale_copy_after_the_takeover_is_convicted(
    make: Make, start: Start, pair: StandIn, disk: Path, tmp_path: Path
) -> None:
    """What was lost is told by comparing the images, block by block, by code that knows no block format."""
    first = pair.serve(disk)
    guest = make()
    start(guest, f"{WRITE} --for 10s && {CHECK}")
    guest.wait_for_output(BEGUN, END_S)
    time.sleep(2)
    first.freeze()
    stale = tmp_path / "stale.img"
    shutil.copy(disk, stale)
    first.thaw()
    time.sleep(1)
    pair.end()
    differing = different_blocks(disk, stale)
    assert len(differing) > 10 * LANES
    time.sleep(2)
    pair.serve(stale)
    assert guest.wait(END_S) == 1, guest.output
    _, verdict, losses = record_of(guest, tmp_path)
    assert verdict["verdict"] == "FAIL"
    assert "lost" in convicting(verdict)
    assert set(convicting(verdict)) <= {"lost", "stale_read"}
    [takeover] = verdict["takeovers"]
    lost = {int(row["offset"]) // BLOCK_BYTES for row in losses if row["kind"] == "lost"}
    assert lost <= differing
    assert len(differing - lost) <= takeover["in_flight"] <= LANES
    assert verdict["lost"]["blocks"] == len(lost)
    assert verdict["lost"]["acknowledged_writes"] >= len(lost)
    assert takeover["order"]["one_moment"] is True


def different_blocks(one: Path, other: Path) -> set[int]:
    """The numbers of the blocks in which two files of one length differ."""
    first, second = one.read_bytes(), other.read_bytes()
    assert len(first) == len(second)
    starts = range(0, len(first), BLOCK_BYTES)
    return {at // BLOCK_BYTES for at in starts if first[at : at + BLOCK_BYTES] != second[at : at + BLOCK_BYTES]}
