"""What a survey tells of the ways to a volume, and of what would share its fate, on sample trees of sysfs."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.volume.machine import Machine
from tests.volume.sample_machines import (
    SUBSYSTEM,
    TARGET,
    iscsi,
    multipath,
    nvme,
    reasons,
    scsi,
    surveyed,
    system_disk,
    two_iscsi_paths,
    values,
    virtio,
)
from verify.volume.lines import Level
from verify.volume.survey import Asked, Survey

FLOATING = "192.0.2.10"
QUEUEING = "0 2097152 multipath 1 queue_if_no_path 1 alua 2 1 service-time 0 1 2 8:0 1 1 service-time 0 1 2 8:16 1 1\n"
FAILING = QUEUEING.replace("1 queue_if_no_path", "0")
BOTH_ACTIVE = "0 2097152 multipath 2 0 0 0 2 1 A 0 1 2 8:0 A 0 0 1 E 0 1 2 8:16 A 0 0 1\n"
TABLE, STATUS = ("dmsetup", "table", "mpatha"), ("dmsetup", "status", "--noflush", "mpatha")


def warned(found: Survey) -> list[str]:
    return [line.topic for line in found.of_level(Level.WARNING)]


class TestIscsi:
    def test_the_portal_really_connected_is_told(self, machine: Machine) -> None:
        system_disk(machine)
        iscsi(machine, "sda", "8:0", 2, FLOATING)
        found = surveyed(machine, "8:0", Asked(floating_address=FLOATING))
        (told,) = values(found, "path")
        assert told == (
            f"iSCSI, running, active/optimized (preferred), connected to {FLOATING}:3260, {TARGET}, session2 LOGGED_IN"
        )
        assert values(found, "floating_address") == [f"{FLOATING}, where the path goes"]
        assert values(found, "time_out") == ["30 s", "120 s"]
        assert found.level is Level.FINE

    def test_a_session_to_a_controllers_own_address_is_a_warning(self, machine: Machine) -> None:
        iscsi(machine, "sda", "8:0", 2, "192.0.2.11")
        found = surveyed(machine, "8:0", Asked(floating_address=FLOATING))
        ((level, reason),) = reasons(found, "floating_address")
        assert level == "warning"
        assert "session2 is attached to 192.0.2.11" in reason
        assert "nothing will move" in reason

    def test_a_session_that_was_sent_on_is_judged_by_where_it_is(self, machine: Machine) -> None:
        iscsi(machine, "sda", "8:0", 2, "192.0.2.11", asked=FLOATING)
        found = surveyed(machine, "8:0", Asked(floating_address=FLOATING))
        assert "sent it on to 192.0.2.11" in reasons(found, "path")[0][1]
        assert reasons(found, "floating_address")[0][0] == "warning"

    @pytest.mark.parametrize("written", ["[2001:DB8::10]", "2001:db8:0:0:0:0:0:10", "2001:db8::10%eth0"])
    def test_one_address_may_be_written_in_several_ways(self, machine: Machine, written: str) -> None:
        iscsi(machine, "sda", "8:0", 2, "2001:db8::10")
        found = surveyed(machine, "8:0", Asked(floating_address=written))
        assert reasons(found, "floating_address") == [("fine", "")]
        assert "[2001:db8::10]:3260" in values(found, "path")[0]

    def test_another_sessions_portal_is_not_taken(self, machine: Machine) -> None:
        iscsi(machine, "sda", "8:0", 2, FLOATING)
        iscsi(machine, "sdb", "8:16", 20, "192.0.2.99")
        assert FLOATING in values(surveyed(machine, "8:0"), "path")[0]
        assert "192.0.2.99" in values(surveyed(machine, "8:16"), "path")[0]

    @pytest.mark.parametrize(
        ("session", "device"),
        [
            ({"state": "FAILED\n"}, {}),
            ({}, {"state": "transport-offline\n"}),
            ({}, {"state": "blocked\n"}),
            ({}, {"access_state": "unavailable\n"}),
            ({}, {"access_state": "standby\n"}),
            ({}, {"access_state": "transitioning\n"}),
        ],
    )
    def test_without_a_path_that_carries_io_there_is_a_stop(
        self, machine: Machine, session: dict[str, str], device: dict[str, str | bytes]
    ) -> None:
        iscsi(machine, "sda", "8:0", 2, FLOATING, told=session, device=device)
        found = surveyed(machine, "8:0")
        assert values(found, "paths") == ["0 of 1 up"]
        assert [line.topic for line in found.of_level(Level.STOP)] == ["paths"]

    def test_without_facts_about_the_session_nothing_is_made_up(self, machine: Machine) -> None:
        scsi(machine, "sda", "8:0", "platform/host2/session2/target2:0:0/2:0:0:0")
        found = surveyed(machine, "8:0", Asked(floating_address=FLOATING))
        assert values(found, "path") == ["iSCSI, running, active/optimized (preferred), session2"]
        assert "cannot be told" in reasons(found, "floating_address")[0][1]


class TestMultipath:
    def test_a_map_that_queues_with_both_paths_is_fine(self, machine: Machine) -> None:
        system_disk(machine)
        two_iscsi_paths(machine)
        found = surveyed(machine, "253:0", answers={TABLE: QUEUEING, STATUS: BOTH_ACTIVE})
        assert values(found, "multipath") == [
            "2 paths (sda, sdb), 2 groups, alua handler, queues without paths until the daemon's no_path_retry is over"
        ]
        assert values(found, "paths") == ["2 of 2 up"]
        assert found.level is Level.FINE
        told = found.to_json()["maps"]
        assert isinstance(told, dict)
        assert told["mpatha"]["features"] == ("queue_if_no_path",)

    def test_a_map_that_fails_at_once_is_a_warning(self, machine: Machine) -> None:
        two_iscsi_paths(machine)
        found = surveyed(machine, "253:0", answers={TABLE: FAILING, STATUS: BOTH_ACTIVE})
        assert "fails at once without paths" in values(found, "multipath")[0]
        assert "multipath" in warned(found)

    def test_a_path_that_the_map_gave_up_is_a_warning(self, machine: Machine) -> None:
        two_iscsi_paths(machine)
        status = BOTH_ACTIVE.replace("8:16 A 0", "8:16 F 2")
        found = surveyed(machine, "253:0", answers={TABLE: QUEUEING, STATUS: status})
        assert reasons(found, "multipath") == [("warning", "failed: sdb")]

    def test_a_policy_that_was_not_told_is_a_warning(self, machine: Machine) -> None:
        two_iscsi_paths(machine)
        assert "was not told" in reasons(surveyed(machine, "253:0"), "multipath")[0][1]

    def test_a_single_path_is_a_warning(self, machine: Machine) -> None:
        multipath(machine, iscsi(machine, "sda", "8:0", 2, FLOATING))
        found = surveyed(machine, "253:0", answers={TABLE: QUEUEING})
        assert "no second path" in reasons(found, "multipath")[0][1]

    def test_a_suspended_map_is_a_stop(self, machine: Machine) -> None:
        multipath(machine, iscsi(machine, "sda", "8:0", 2, FLOATING), suspended="1\n")
        assert reasons(surveyed(machine, "253:0", answers={TABLE: QUEUEING}), "multipath")[0][0] == "stop"

    def test_one_path_lost_is_a_warning(self, machine: Machine) -> None:
        first = iscsi(machine, "sda", "8:0", 2, FLOATING)
        multipath(machine, first, iscsi(machine, "sdb", "8:16", 3, FLOATING, told={"state": "FAILED\n"}))
        found = surveyed(machine, "253:0", answers={TABLE: QUEUEING, STATUS: BOTH_ACTIVE})
        assert values(found, "paths") == ["1 of 2 up"]
        assert [level for level, _ in reasons(found, "path")] == ["fine", "warning"]

    def test_no_optimized_path_is_a_warning(self, machine: Machine) -> None:
        passing_on = {"access_state": "active/non-optimized\n"}
        multipath(machine, iscsi(machine, "sda", "8:0", 2, FLOATING, device=passing_on))
        assert "none of them is optimized" in reasons(surveyed(machine, "253:0"), "paths")[0][1]

    def test_a_map_of_another_kind_is_no_multipath_map(self, machine: Machine) -> None:
        disk = scsi(machine, "sda", "8:0", "pci0000:00/host2/target2:0:0/2:0:0:0")
        upper = machine.disk("dm-0", "253:0", "virtual", {"dm/name": "data\n", "dm/uuid": "LVM-abc\n"})
        machine.stack(upper, disk)
        found = surveyed(machine, "253:0")
        assert values(found, "multipath") == []
        assert values(found, "paths") == ["1 of 1 up"]


class TestNvme:
    def test_each_controller_is_a_path_with_its_ana_state(self, machine: Machine) -> None:
        nvme(machine)
        found = surveyed(machine, "259:0")
        assert values(found, "path") == [
            f"NVMe over TCP, live, optimized, connected to 192.0.2.21:4420, {SUBSYSTEM}",
            f"NVMe over TCP, live, inaccessible, connected to 192.0.2.22:4420, {SUBSYSTEM}",
        ]
        assert reasons(found, "paths")[0][0] == "warning"
        assert set(values(found, "time_out")) == {"30 s", "600 s"}

    @pytest.mark.parametrize("state", ["inaccessible", "persistent-loss", "change"])
    def test_no_controller_that_serves_the_namespace_is_a_stop(self, machine: Machine, state: str) -> None:
        nvme(machine, (state, state))
        assert reasons(surveyed(machine, "259:0"), "paths")[0][0] == "stop"

    def test_a_controller_that_connects_is_not_up(self, machine: Machine) -> None:
        nvme(machine, ("optimized", "non-optimized"), {0: {"state": "connecting\n"}})
        found = surveyed(machine, "259:0")
        assert values(found, "paths") == ["1 of 2 up"]

    def test_a_controllers_own_address_is_a_warning(self, machine: Machine) -> None:
        nvme(machine, ("optimized", "optimized"))
        found = surveyed(machine, "259:0", Asked(floating_address="192.0.2.21"))
        ((level, reason),) = reasons(found, "floating_address")
        assert level == "warning"
        assert "nvme1 is attached to 192.0.2.22" in reason
        assert "nvme0" not in reason

    def test_a_controller_that_is_waited_for_without_end_is_fine(self, machine: Machine) -> None:
        nvme(machine, ("optimized",), {0: {"ctrl_loss_tmo": "off\n"}})
        found = surveyed(machine, "259:0", Asked(expected_stall_s=25))
        assert set(values(found, "time_out")) == {"30 s", "waits for ever"}
        assert "time_out" not in warned(found)

    def test_a_local_one_has_one_path_over_the_bus(self, machine: Machine) -> None:
        disk = machine.disk("nvme1n1", "259:1", "pci0000:00/0000:01:00.0/nvme/nvme1", {"nsid": "1\n"}, between="")
        (disk / "device").symlink_to("..")
        attributes = {"address": "0000:01:00.0\n", "transport": "pcie\n", "state": "live\n"}
        machine.write(disk.parent, attributes)
        assert values(surveyed(machine, "259:1"), "path") == ["NVMe over PCIe, live, connected to 0000:01:00.0"]


def test_a_fibre_channel_path_with_its_remote_port(machine: Machine) -> None:
    port = "rport-5:0-0"
    scsi(machine, "sda", "8:0", f"pci0000:00/host5/{port}/target5:0:0/5:0:0:0")
    machine.write(
        Path(machine.sysfs) / "class/fc_remote_ports" / port,
        {"port_name": "0x50\n", "port_state": "Online\n", "fast_io_fail_tmo": "5\n", "dev_loss_tmo": "60\n"},
    )
    found = surveyed(machine, "8:0", Asked(expected_stall_s=20))
    assert "Fibre Channel" in values(found, "path")[0]
    assert values(found, "time_out") == ["30 s", "5 s", "60 s"]
    assert [level for level, _ in reasons(found, "time_out")] == ["fine", "warning", "fine"]


def test_a_virtual_disk_tells_nothing_of_the_hosts_paths(machine: Machine) -> None:
    virtio(machine)
    found = surveyed(machine, "252:0", Asked(floating_address=FLOATING))
    assert values(found, "path") == ["virtio"]
    assert "look on the host" in reasons(found, "floating_address")[0][1]
    assert values(found, "time_out") == ["not told by the kernel"]


class TestTheExpectedStall:
    @pytest.mark.parametrize(
        ("asked", "levels"),
        [
            (Asked(), ["fine", "fine"]),
            (Asked(expected_stall_s=30), ["fine", "fine"]),
            (Asked(expected_stall_s=31), ["warning", "fine"]),
            (Asked(expected_stall_s=121), ["warning", "warning"]),
            (Asked(vrrp_priority=100, vrrp_interval_s=1), ["fine", "fine"]),
            (Asked(vrrp_priority=1, vrrp_interval_s=40), ["warning", "warning"]),
        ],
    )
    def test_a_shorter_time_out_is_a_warning(self, machine: Machine, asked: Asked, levels: list[str]) -> None:
        iscsi(machine, "sda", "8:0", 2, FLOATING)
        assert [level for level, _ in reasons(surveyed(machine, "8:0", asked), "time_out")] == levels

    def test_the_warning_says_what_usually_follows_and_where_to_set_it(self, machine: Machine) -> None:
        iscsi(machine, "sda", "8:0", 2, FLOATING, told={"recovery_tmo": "5\n"})
        found = surveyed(machine, "8:0", Asked(expected_stall_s=20))
        reason = reasons(found, "time_out")[1][1]
        assert "shorter than the expected stall of 20 s" in reason
        assert "read-only" in reason
        assert "/sys/class/iscsi_session/session2/recovery_tmo" in reason

    @pytest.mark.parametrize(("written", "told", "level"), [("0", "0 s", "warning"), ("-1", "waits for ever", "fine")])
    def test_the_ends_of_the_scale_of_a_sessions_wait(
        self, machine: Machine, written: str, told: str, level: str
    ) -> None:
        iscsi(machine, "sda", "8:0", 2, FLOATING, told={"recovery_tmo": f"{written}\n"})
        found = surveyed(machine, "8:0", Asked(expected_stall_s=20))
        assert values(found, "time_out")[1] == told
        assert reasons(found, "time_out")[1][0] == level

    def test_the_detection_time_of_vrrp_is_told(self, machine: Machine) -> None:
        iscsi(machine, "sda", "8:0", 2, FLOATING)
        (told,) = values(surveyed(machine, "8:0", Asked(vrrp_priority=100, vrrp_interval_s=1)), "stall")
        assert told.startswith("at least 3.609 s")


class TestASharedFate:
    def record(self, machine: Machine, mount: str, **seen: object) -> tuple[str, str]:
        machine.set_mounts([mount])
        asked = Asked(record="/records/1")
        number = mount.split(" ", maxsplit=1)[0]
        ((level, reason),) = reasons(
            surveyed(machine, "8:0", asked, record_place=("/records", number), **seen), "record"
        )
        return level, reason

    @pytest.fixture(autouse=True)
    def volume(self, machine: Machine) -> Path:
        return iscsi(machine, "sda", "8:0", 2, FLOATING)

    def test_records_on_another_disk_are_fine(self, machine: Machine) -> None:
        system_disk(machine)
        assert self.record(machine, f"254:0 / /records rw - ext4 {machine.dev}/sdz rw") == ("fine", "")

    def test_records_on_another_disk_of_the_same_target_are_a_warning(self, machine: Machine) -> None:
        iscsi(machine, "sdb", "8:16", 3, "192.0.2.12")
        level, reason = self.record(machine, f"8:16 / /records rw - ext4 {machine.dev}/sdb rw")
        assert level == "warning"
        assert TARGET in reason

    def test_records_on_another_partition_of_the_disk_are_a_warning(self, machine: Machine, volume: Path) -> None:
        machine.partition(volume, 1, "8:1")
        level, reason = self.record(machine, f"8:1 / /records rw - ext4 {machine.dev}/sda1 rw")
        assert level == "warning"
        assert "own disk" in reason

    def test_records_on_the_volume_itself_are_a_stop(self, machine: Machine) -> None:
        mount = f"8:0 / /records rw - ext4 {machine.dev}/sda rw"
        assert self.record(machine, mount, record_shares="it lies on it") == ("stop", "it lies on it")

    @pytest.mark.parametrize(
        ("file_system", "says"),
        [("tmpfs", "kept in memory"), ("nfs4", "over a network"), ("overlay", "cannot be seen")],
    )
    def test_records_elsewhere_than_on_a_disk_are_a_warning(
        self, machine: Machine, file_system: str, says: str
    ) -> None:
        level, reason = self.record(machine, f"0:40 / /records rw - {file_system} none rw")
        assert level == "warning"
        assert says in reason

    def test_the_root_on_the_same_target_is_a_warning(self, machine: Machine) -> None:
        iscsi(machine, "sdb", "8:16", 3, "192.0.2.12")
        machine.set_mounts([f"8:16 / / rw - ext4 {machine.dev}/sdb rw"])
        ((level, reason),) = reasons(surveyed(machine, "8:0"), "root")
        assert level == "warning"
        assert TARGET in reason
