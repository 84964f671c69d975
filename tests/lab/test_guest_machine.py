"""The whole job inside a guest whose disk is the lab's volume: takeovers sound and lossy, and its own end."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import pytest

from scripts.takeover_lab.layout import FLOATING_ADDRESS, INITIATOR_NAME, TARGET_NAME, Kind, Settings
from scripts.takeover_lab.machine import (
    ADAPTER,
    RECORD_MOUNT,
    STRICT_ADAPTER,
    VOLUME,
    BootImage,
    GuestMachine,
    IscsiVolume,
    MachineError,
    make_guest_image,
)
from scripts.takeover_lab.machine_kernel import NoKernelPackage
from scripts.takeover_lab.machine_python import python_environment
from scripts.takeover_lab.pair import Lab
from scripts.takeover_lab.processes import processes_in, wait_until
from tests.drill.runs import PROJECT, convicting, losses_of, no_false_finding, verdict_of
from tests.lab.evidence import BLOCK_BYTES, kill_and_compare, lost_offsets, offsets_in_flight

pytestmark = [pytest.mark.lab, pytest.mark.machine]

SPAN_BYTES = 4 << 20
LANES = 8
RECORD = f"{RECORD_MOUNT}/drill"
EVENTS = f"{RECORD}/events.jsonl"
BEGUN = "the load has begun"
ACKPROOF = '"$0" -m verify'
FUNCTIONS = f"""
events() {{ cat {EVENTS} 2>/dev/null | grep -c "$1"; }}
until_seen() {{ until [ "$(events "$1")" -gt "$2" ]; do kill -0 $$ 2>/dev/null || exit; sleep 0.2; done; }}
"""
"""What watches in the background ends with the script, for the guest is not over before."""
WRITE = f"""
(until_seen load_began 0; echo {BEGUN}) &
sh -c 'echo $$ >/run/writer; exec "$0" -m verify write "$@"' "$0" {VOLUME} --erase "$1" --record {RECORD} \\
    --span {SPAN_BYTES} --lanes {LANES} --read-share 0.3 --stall-threshold 2s"""
END_THE_LOAD = "sleep 2; kill -INT $(cat /run/writer)"
UNTIL_AFTER_AN_OUTAGE = f"(until_seen outage_ended 0; {END_THE_LOAD}) & {WRITE} --for 90s"
CHECK = f"{ACKPROOF} check {RECORD}"
END_S = 150.0
"""Patience with a guest emulated on processors that others use too; far above what it takes."""

Make = Callable[..., AbstractContextManager[GuestMachine]]
Start = Callable[[GuestMachine, str], None]


@contextmanager
def lab_of(folder: Path, kind: Kind) -> Iterator[Lab]:
    built = Lab.up(folder, Settings(kind, volume_bytes=SPAN_BYTES, destage_every_s=1.5), attached=False)
    try:
        yield built
    finally:
        built.down()


@pytest.fixture(scope="module")
def sound_pair(lab_folder: Path) -> Iterator[Lab]:
    with lab_of(lab_folder / "pair", Kind.SOUND) as lab:
        yield lab


@pytest.fixture
def pair(sound_pair: Lab) -> Iterator[Lab]:
    """A sound pair, one controller active and the other its standby, whatever the test before did to them."""
    yield sound_pair
    sound_pair.make_whole()


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
def make(tmp_path: Path, boot_image: BootImage, compiled: dict[str, str]) -> Make:
    """Makes the guest of a pair, which is ended with its block and leaves no mount and no process."""

    @contextmanager
    def guest_of(lab: Lab, target: str = TARGET_NAME, adapter: str = ADAPTER) -> Iterator[GuestMachine]:
        volume = IscsiVolume(f"{FLOATING_ADDRESS}:3260", target, INITIATOR_NAME)
        visible = [PROJECT, Path(sys.prefix), Path(sys.base_prefix), Path(compiled["PYTHONPYCACHEPREFIX"])]
        namespace = lab.layout.namespace("guest")
        with GuestMachine(tmp_path / "guest", boot_image, namespace, volume, visible, adapter=adapter) as guest:
            yield guest
        assert not guest.running
        assert processes_in(namespace) == []
        assert str(tmp_path / "guest") not in Path("/proc/self/mounts").read_text()

    return guest_of


@pytest.fixture
def start(compiled: dict[str, str]) -> Start:
    """Boots a guest and runs a shell script in it whose "$0" is this Python and whose "$1" is the volume's identity."""

    def start_guest(guest: GuestMachine, script: str) -> None:
        command = ["sh", "-c", FUNCTIONS + script, sys.executable, guest.volume_identity]
        guest.start(command, {**compiled, "NO_COLOR": "1"})
        guest.wait_for_boot()

    return start_guest


def record_of(
    guest: GuestMachine, folder: Path, inside: str = RECORD
) -> tuple[Path, dict[str, Any], list[dict[str, str]]]:
    """The record folder taken out of the guest, its verdict, and the rows of the last check's losses.csv."""
    record = guest.take_out(inside, folder)
    last = max((record / "checks").iterdir())
    return record, verdict_of(record), losses_of(last)


def one_takeover_within_the_time_out(guest: GuestMachine, verdict: dict[str, Any]) -> dict[str, Any]:
    """Assert that one takeover was observed and that the disk's time-out was not reached; gives the takeover."""
    (takeover,) = verdict["takeovers"]
    assert takeover["seen"] == "observed"
    assert takeover["stall_s"] > 2.0
    assert takeover["stall_s"] <= takeover["longest_wait_s"] < takeover["time_out_s"] == 30
    assert "within the disk's time-out of 30.0 s" in " ".join(guest.output.split()).replace("time- out", "time-out")
    assert 0 < takeover["in_flight"] <= LANES
    assert takeover["slots"]["unexamined"] == 0
    assert takeover["after"]["writes_per_second"] > 0
    return takeover


def test_a_guest_that_cannot_boot_is_told_with_what_was_said(make: Make, pair: Lab) -> None:
    with make(pair, TARGET_NAME + "-elsewhere") as guest:
        guest.start(["true"])
        with pytest.raises(MachineError, match="the guest ended before it was up") as told:
            guest.wait_for_boot()
        assert "iSCSI" in str(told.value)
        with pytest.raises(MachineError, match="the guest ended before its command did"):
            guest.wait(1.0)


@pytest.mark.long
def test_killed_outright_checked_from_a_second_boot_and_then_run_to_the_end(
    make: Make, start: Start, pair: Lab, tmp_path: Path, boot_image: BootImage
) -> None:
    again = f"{RECORD}-again"
    with make(pair) as guest:
        start(guest, f"{WRITE} --for 60s")
        guest.wait_for_output(BEGUN, END_S)
        time.sleep(2)
        assert guest.running
        guest.kill()
        start(
            guest, f"{CHECK}; echo checked with $?; {WRITE.replace(RECORD, again)} --for 2s && {ACKPROOF} check {again}"
        )
        assert guest.wait(END_S) == 3
    assert guest.boots == 2
    assert "checked with 3\n" in guest.output
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

    record, verdict, losses = record_of(guest, tmp_path, again)
    no_false_finding(verdict, losses)
    about = json.loads((record / "run.json").read_text())
    assert about["ended_because"] == "the time is over"
    assert about["host"]["kernel"] == boot_image.version
    assert about["volume"]["time_outs_s"] == {VOLUME: 30}
    assert about["volume"]["direct"] is True
    assert verdict["coverage"]["slots_read"] == SPAN_BYTES // BLOCK_BYTES
    assert all(part["closed"] for part in verdict["ledger"].values())
    assert verdict["takeovers"] == []
    assert verdict["reasons"] == ["no takeover was observed, and none was attested by a mark made in time"]
    assert guest.output.splitlines()[-1].startswith("  - where in the path")


@pytest.mark.long
def test_the_active_controller_is_killed_while_it_writes(make: Make, start: Start, pair: Lab, tmp_path: Path) -> None:
    with make(pair) as guest:
        start(guest, f"{UNTIL_AFTER_AN_OUTAGE} && {CHECK}")
        guest.wait_for_output(BEGUN, END_S)
        time.sleep(2)
        active = pair.one_active().own.name
        pair.kill(active)
        code = guest.wait(END_S)
    assert pair.active() == pair.layout.peer(active)
    _, verdict, losses = record_of(guest, tmp_path)
    no_false_finding(verdict, losses)
    assert (verdict["verdict"], code) == ("PASS", 0), guest.output
    one_takeover_within_the_time_out(guest, verdict)
    assert verdict["writes"]["errors"] == 0


@pytest.mark.long
def test_commands_that_time_out_are_aborted_and_the_run_goes_on(
    make: Make, start: Start, pair: Lab, tmp_path: Path
) -> None:
    """The time-out of the disk is shorter than the stall: the guest aborts what hangs, and nothing is lost."""
    short = f"echo 3 >/sys/block/{Path(VOLUME).name}/device/timeout; "
    with make(pair, adapter=STRICT_ADAPTER) as guest:
        start(guest, f"{short}{UNTIL_AFTER_AN_OUTAGE} && {CHECK}")
        guest.wait_for_output(BEGUN, END_S)
        time.sleep(2)
        active = pair.one_active()
        active.freeze()
        pair.standby_of(active.own.name).wait_active()
        code = guest.wait(END_S)
    _, verdict, losses = record_of(guest, tmp_path)
    no_false_finding(verdict, losses)
    assert (verdict["verdict"], code) == ("PASS", 0), guest.output
    takeover = verdict["takeovers"][0]
    assert takeover["longest_wait_s"] > takeover["time_out_s"] == 3
    assert "beyond the disk's time-out of 3.00 s" in " ".join(guest.output.split()).replace("time- out", "time-out")
    assert "Aborting command" in guest.console


@pytest.mark.long
def test_real_errors_of_a_disk_and_of_a_controller_are_no_losses(
    make: Make, start: Start, pair: Lab, tmp_path: Path
) -> None:
    """The disk goes offline, is removed, and comes back under another name, as after error handling that failed.

    Then the controller that takes over answers before it knows the volume.
    """
    device = f"/sys/block/{Path(VOLUME).name}/device"
    away_and_back = f"""
(until_seen load_began 0; sleep 1
echo offline >{device}/state; sleep 1.5; echo running >{device}/state; sleep 1.5
echo 1 >{device}/delete; sleep 1.5; echo "- - -" >/sys/class/scsi_host/host0/scan; sleep 2
until [ "$(events outage_began)" = "$(events outage_ended)" ]; do kill -0 $$ 2>/dev/null || exit; sleep 0.2; done
ended=$(events outage_ended); echo now there is /dev/sd*
until_seen outage_ended $ended; {END_THE_LOAD}) &"""
    with make(pair) as guest:
        start(guest, f"{away_and_back} {WRITE} --for 90s && {CHECK}")
        guest.wait_for_output("now there is /dev/sdb\n", END_S)
        active = pair.one_active().own.name
        taking = pair.standby_of(active)
        taking.remove_volume()
        pair.kill(active)
        taking.wait_active()
        wait_until(lambda: "LOGICAL_UNIT_NOT_SUPPORTED" in guest.emulator, "the guest to be told so", 60)
        time.sleep(1)
        taking.add_volume()
        code = guest.wait(END_S)
    assert "rejecting I/O to offline device" in guest.console
    assert "I/O error, dev sdb" in guest.console
    _, verdict, losses = record_of(guest, tmp_path)
    no_false_finding(verdict, losses)
    assert (verdict["verdict"], code) == ("PASS", 0), guest.output
    assert verdict["coverage"]["slots_read"] == verdict["coverage"]["slots"]
    assert verdict["writes"]["errors"] > LANES
    assert [takeover["slots"]["unexamined"] for takeover in verdict["takeovers"]] == [0] * len(verdict["takeovers"])
    last = verdict["takeovers"][-1]
    assert (last["seen"], last["stall_s"] > 2.0, last["after"]["writes_per_second"] > 0) == ("observed", True, True)


def test_what_a_pair_with_a_lagging_cache_loses_is_told_from_inside_the_guest(
    make: Make, start: Start, tmp_path: Path
) -> None:
    """What was lost is told by comparing the images, block by block, by code that knows no block format."""
    with lab_of(tmp_path / "pair", Kind.LAGGING) as lab, make(lab) as guest:
        start(guest, f"{UNTIL_AFTER_AN_OUTAGE} && {CHECK}")
        guest.wait_for_output(BEGUN, END_S)
        time.sleep(1)
        truth = kill_and_compare(lab, tmp_path)
        code = guest.wait(END_S)
    record, verdict, losses = record_of(guest, tmp_path)
    assert (verdict["verdict"], code) == ("FAIL", 1), guest.output
    assert "lost" in convicting(verdict)
    assert set(convicting(verdict)) <= {"lost", "stale_read"}
    takeover = one_takeover_within_the_time_out(guest, verdict)
    exempt = offsets_in_flight(record, takeover)
    told = lost_offsets(losses)
    assert len(truth) > 5 * LANES
    assert told - exempt == truth - exempt
    assert verdict["lost"]["blocks"] == len(told)
    assert takeover["order"]["one_moment"] is True
