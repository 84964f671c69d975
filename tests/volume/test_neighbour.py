"""The kernel's neighbour table: its messages taken apart, and a real one in network namespaces."""

from __future__ import annotations

import ipaddress
import itertools
import os
import shutil
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import verify
from verify.errors import UsageError
from verify.volume.neighbour import Entry, NeighbourTable, parse_controllers, parse_neighbours, parse_route

NEWROUTE, NEWNEIGH, ERROR, DONE = 24, 28, 2, 3
DST, LLADDR, CACHEINFO, PROBES = 1, 2, 3, 4
OIF, GATEWAY, VIA = 4, 5, 18
FLOATING = bytes((192, 0, 2, 9))
A, B = "02:00:00:00:00:aa", "02:00:00:00:00:bb"


def attribute(kind: int, value: bytes) -> bytes:
    return struct.pack("=HH", 4 + len(value), kind) + value + bytes(-len(value) % 4)


def message(kind: int, body: bytes, number: int = 1) -> bytes:
    return struct.pack("=IHHII", 16 + len(body), kind, 2, number, 77) + body + bytes(-len(body) % 4)


def neighbour(
    hardware: str | None, address: bytes = FLOATING, interface: int = 3, number: int = 1, more: bytes = b""
) -> bytes:
    family = 2 if len(address) == 4 else 10
    body = struct.pack("=BBHiHBB", family, 0, 0, interface, 2, 0, 1) + attribute(DST, address) + more
    if hardware is not None:
        body += attribute(LLADDR, bytes.fromhex(hardware.replace(":", "")))
    return message(NEWNEIGH, body, number)


def route(*attributes: bytes) -> bytes:
    return message(NEWROUTE, struct.pack("=BBBBBBBBI", 2, 32, 0, 0, 254, 0, 0, 1, 0) + b"".join(attributes))


CAPTURED = bytes.fromhex(
    "4c0000001c000200020000009446000002000000030000008000000108000100c00002070a0002000200000000bb0000"
    "08000400000000001400030006000000060000000600000000000000400000001c00020002000000944600000200000003"
    "0000002000000108000100c00002080800040000000000140003007617000006000000060000000000000"
    "04c0000001c000200020000009446000002000000030000000200000108000100c00002090a0002000200000000aa0000"
    "080004000000000014000300060000000600000006000000010000001400000003000200020000009446000000000000"
)
"""What Linux 6.18 answered for 192.0.2.7 (permanent), 192.0.2.8 (failed) and 192.0.2.9 (reachable) on interface 3."""

CAPTURED_6 = bytes.fromhex(
    "580000001c00020002000000944600000a000000030000004000000514000100ff0200000000000000000000000000160a000200"
    "333300000016000008000400000000001400030075170000050000000500000000000000580000001c000200020000009446"
    "00000a00000003000000040000011400010020010db80000000000000000000000090a0002000200000000cc00000800040000"
    "00000014000300751700000500000005000000000000001400000003000200020000009446000000000000"
)
"""The same for a multicast group and for 2001:db8::9 (stale)."""

little_endian = pytest.mark.skipif(sys.byteorder != "little", reason="captured on a little-endian machine")


class TestMessages:
    @little_endian
    def test_a_captured_answer_gives_every_neighbour_that_has_a_hardware_address(self) -> None:
        assert parse_neighbours(CAPTURED, 2) == ([Entry(3, bytes((192, 0, 2, 7)), B), Entry(3, FLOATING, A)], True)
        group, host = (ipaddress.ip_address(text).packed for text in ("ff02::16", "2001:db8::9"))
        expected = [Entry(3, group, "33:33:00:00:00:16"), Entry(3, host, "02:00:00:00:00:cc")]
        assert parse_neighbours(CAPTURED_6, 2) == (expected, True)

    @little_endian
    def test_an_answer_to_another_request_is_none(self) -> None:
        assert parse_neighbours(CAPTURED, 3) == ([], False)

    def test_several_messages_of_which_one_answers_an_older_request(self) -> None:
        data = neighbour(A, number=1) + neighbour(B, number=2, interface=4) + message(DONE, bytes(4), number=1)
        assert parse_neighbours(data, 2) == ([Entry(4, FLOATING, B)], False)
        assert parse_neighbours(data, 1) == ([Entry(3, FLOATING, A)], True)

    def test_what_stands_after_the_end_is_not_read(self) -> None:
        assert parse_neighbours(message(DONE, bytes(4)) + neighbour(A), 1) == ([], True)

    def test_an_error_ends_the_answer(self) -> None:
        assert parse_neighbours(neighbour(A) + message(ERROR, struct.pack("=i", -16)), 1)[1]

    @pytest.mark.parametrize("hardware", [None, "", "00:00:00:00:00:00", "02:00:00:00:00", ":".join(["fe"] * 20)])
    def test_an_entry_without_a_hardware_address_of_six_bytes_is_left_out(self, hardware: str | None) -> None:
        assert parse_neighbours(neighbour(hardware), 1) == ([], False)

    def test_other_attributes_and_other_kinds_of_message_are_passed_over(self) -> None:
        odd = attribute(PROBES, b"\1") + attribute(CACHEINFO, bytes(16)) + attribute(99, b"xyz")
        data = message(NEWROUTE, bytes(40)) + neighbour(A, more=odd)
        assert parse_neighbours(data, 1) == ([Entry(3, FLOATING, A)], False)

    def test_an_attribute_that_claims_more_than_there_is_ends_its_message_only(self) -> None:
        lying = struct.pack("=HH", 400, LLADDR) + bytes(6)
        data = message(NEWNEIGH, struct.pack("=BBHiHBB", 2, 0, 0, 3, 2, 0, 1) + attribute(DST, FLOATING) + lying)
        assert parse_neighbours(data + neighbour(B), 1) == ([Entry(3, FLOATING, B)], False)

    @pytest.mark.parametrize("size", [0, 1, 3])
    def test_an_attribute_of_no_size_does_not_hold_it_up(self, size: int) -> None:
        endless = struct.pack("=HH", size, DST)
        body = struct.pack("=BBHiHBB", 2, 0, 0, 3, 2, 0, 1) + endless * 5
        assert parse_neighbours(message(NEWNEIGH, body), 1) == ([], False)

    @pytest.mark.parametrize("size", [0, 15])
    def test_a_message_of_no_size_does_not_hold_it_up(self, size: int) -> None:
        assert parse_neighbours(struct.pack("=IHHII", size, NEWNEIGH, 0, 1, 0) * 9, 1) == ([], False)

    def test_every_truncation_gives_the_messages_that_are_whole(self) -> None:
        messages = [neighbour(A), neighbour(B, interface=4), message(DONE, bytes(4))]
        ends = list(itertools.accumulate(len(m) for m in messages))
        entries = [Entry(3, FLOATING, A), Entry(4, FLOATING, B)]
        data = b"".join(messages)
        padding = len(messages[0]) - struct.unpack_from("=I", messages[0])[0]
        for length in range(len(data) + 1):
            whole = sum(end - padding <= length for end in ends[:2])
            assert parse_neighbours(data[:length], 1) == (entries[:whole], length == len(data)), length

    @settings(max_examples=300, database=None)
    @given(st.binary(max_size=200), st.integers(0, 200), st.integers(0, 2**32 - 1))
    def test_garbage_raises_nothing_and_ends(self, garbage: bytes, at: int, number: int) -> None:
        good = neighbour(A) + neighbour(B, ipaddress.ip_address("2001:db8::9").packed)
        for data in (garbage, good[:at] + garbage, good[:at] + garbage + good[at + len(garbage) :]):
            for wanted in (number, 1):
                entries, _ = parse_neighbours(data, wanted)
                assert all(len(entry.hardware_address) == 17 for entry in entries)
                assert parse_route(data, wanted) is None or parse_route(data, wanted) >= 0

    def test_a_route_leads_straight_out_of_an_interface_or_through_a_gateway(self) -> None:
        out = attribute(OIF, struct.pack("=I", 258))
        assert parse_route(route(attribute(DST, FLOATING), out), 1) == 258
        assert parse_route(route(out, attribute(GATEWAY, FLOATING)), 1) == 0
        assert parse_route(route(out, attribute(VIA, bytes(18))), 1) == 0
        assert parse_route(route(), 1) == 0
        assert parse_route(route(attribute(OIF, b"\1")), 1) == 0
        assert parse_route(message(ERROR, struct.pack("=i", -101)), 1) == 0
        assert parse_route(route(out), 2) is None


class TestAddresses:
    @pytest.mark.parametrize("address", [
        "", "x", "1", "192.0.2", "192.0.2.256", "192.0.2.1/24", "192.0.2.1%eth0", "2001:db8::g", "host.example",
        "2001:db8::1%", "\x1b[2J", "\udcff",
    ])  # fmt: skip
    def test_what_is_none_is_refused(self, address: str) -> None:
        with pytest.raises(UsageError, match="is not an IP address") as refused:
            NeighbourTable(address)
        assert str(refused.value).isprintable()

    @pytest.mark.parametrize("address", ["0.0.0.0", "::", "224.0.0.18", "ff02::12", "127.0.0.1", "::1"])
    def test_what_is_no_other_host_is_refused(self, address: str) -> None:
        with pytest.raises(UsageError, match="is not the address of another host"):
            NeighbourTable(address)

    @pytest.mark.parametrize("scope", ["nowhere", "\x1b[2J", "x" * 300, "\udcff", "\0", "9" * 30])
    def test_an_interface_that_is_not_there_is_refused(self, scope: str) -> None:
        with pytest.raises(UsageError, match="which is not there") as refused:
            NeighbourTable(f"fe80::9%{scope}")
        assert str(refused.value).isprintable()

    @pytest.mark.parametrize(("written", "shown"), [
        ("2001:DB8:0::0009", "2001:db8::9"), ("::ffff:192.0.2.9", "192.0.2.9"), ("192.0.2.9", "192.0.2.9"),
        ("fe80::9%lo", "fe80::9%lo"),
    ])  # fmt: skip
    def test_one_is_written_in_one_way(self, written: str, shown: str) -> None:
        table = NeighbourTable(written)
        assert table.address == shown
        table.close()

    def test_a_table_that_was_closed_knows_nothing(self) -> None:
        table = NeighbourTable("192.0.2.9")
        table.close()
        assert table.hardware_address() == ""


class TestControllers:
    def test_names_by_hardware_address_however_it_is_written(self) -> None:
        found = parse_controllers(["left=02:00:00:00:00:AA", " a = b =02-00-00-00-00-bb", "left=02:00:00:00:00:cc"])
        assert found == {A: "left", B: "a = b", "02:00:00:00:00:cc": "left"}
        assert parse_controllers([]) == {}

    @pytest.mark.parametrize("text", [
        "", "=", "left", "left=", f"={A}", f"  ={A}", A, "left=02:00:00:00:00", f"left={A}:00", f"left={A}g",
        "left=0200000000aa", "left=192.0.2.9", "left=02:00:00:00:00:a\u0661", f"left={A}\0",
    ])  # fmt: skip
    def test_what_is_of_another_form_is_refused(self, text: str) -> None:
        with pytest.raises(UsageError, match="is not of the form NAME=02:00:00:00:00:aa"):
            parse_controllers([text])

    @pytest.mark.parametrize("name", ["\x1b[2Jleft", "le\nft", "\u202etfel", "left\udcff", "x" * 41])
    def test_a_name_that_cannot_be_shown_is_refused(self, name: str) -> None:
        with pytest.raises(UsageError, match="printable characters") as refused:
            parse_controllers([f"{name}={A}"])
        assert str(refused.value).isprintable()

    def test_one_hardware_address_for_two_is_refused(self) -> None:
        with pytest.raises(UsageError, match=f"gives {A} twice"):
            parse_controllers([f"left={A}", f"right={A.upper()}"])


HELPER = """
import socket, sys, time
from verify.volume.neighbour import NeighbourTable
table = NeighbourTable(sys.argv[1])
talk = socket.socket(table._family, socket.SOCK_DGRAM)
for line in sys.stdin:
    if line == "send\\n":
        talk.sendto(b"hello", (sys.argv[1], 9))
    if line == "wait\\n":
        began = time.monotonic()
        table.wait(60)
        print("news" if time.monotonic() - began < 60 else "no news", flush=True)
        continue
    print(table.hardware_address() or "none", flush=True)
"""

needs_namespaces = pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("ip") is None or shutil.which("nsenter") is None,
    reason="needs root, ip and nsenter: makes network namespaces",
)


class Guest:
    """A network namespace with two interfaces, each joined to one of another namespace."""

    def __init__(self, serial: int) -> None:
        self.name, self.peer = (f"ackproof-test-{os.getpid()}-{serial}-{end}" for end in ("guest", "peer"))
        self.helpers: list[subprocess.Popen[str]] = []

    def build(self) -> None:
        for name in (self.name, self.peer):
            done = subprocess.run(["ip", "netns", "add", name], capture_output=True, text=True, check=False)
            if done.returncode:
                pytest.skip(f"network namespaces cannot be made here: {done.stderr.strip()}")
        for number, network in enumerate(("192.0.2", "198.51.100")):
            port = f"port{number}"
            self.ip("link", "add", port, "type", "veth", "peer", "name", port, "netns", self.peer)
            self.ip("addr", "add", f"{network}.1/24", "dev", port)
            self.ip("link", "set", port, "up")
            self.ip("addr", "add", f"{network}.9/24", "dev", port, where=self.peer)
            self.ip("link", "set", port, "address", f"02:00:00:00:01:0{number}", "up", where=self.peer)
        self.ip("addr", "add", "2001:db8::1/64", "dev", "port0", "nodad")

    def remove(self) -> None:
        for helper in self.helpers:
            helper.communicate()
        for name in (self.name, self.peer):
            subprocess.run(["ip", "netns", "delete", name], capture_output=True, check=False)

    def ip(self, *arguments: str, where: str = "") -> None:
        subprocess.run(["ip", "-n", where or self.name, *arguments], check=True, capture_output=True)

    def set_neighbour(self, state: str, hardware: str = "", port: int = 0, address: str = "192.0.2.9") -> None:
        link = ["lladdr", hardware] if hardware else []
        self.ip("neigh", "replace", address, *link, "dev", f"port{port}", "nud", state)

    def watch(self, address: str = "192.0.2.9") -> Callable[..., str]:
        """A table of a process in the guest; each call tells what it sees now."""
        helper = subprocess.Popen(
            ["nsenter", f"--net=/run/netns/{self.name}", sys.executable, "-c", HELPER, address],
            env=os.environ | {"PYTHONPATH": str(Path(verify.__file__).parent.parent)},
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.helpers.append(helper)

        def look(request: str = "look") -> str:
            assert helper.stdin is not None
            assert helper.stdout is not None
            print(request, file=helper.stdin, flush=True)
            return helper.stdout.readline().strip()

        return look


SERIALS = itertools.count()


@pytest.fixture
def guest() -> Iterator[Guest]:
    built = Guest(next(SERIALS))
    try:
        built.build()
        yield built
    finally:
        built.remove()


@needs_namespaces
class TestRealTable:
    def test_the_change_of_an_entry_is_seen_and_so_is_its_end(self, guest: Guest) -> None:
        look = guest.watch()
        assert look() == "none"
        guest.set_neighbour("reachable", A)
        assert look() == A
        guest.set_neighbour("stale", B)
        assert look() == B
        guest.set_neighbour("failed")
        assert look() == "none"
        guest.set_neighbour("permanent", A)
        assert look() == A
        guest.ip("neigh", "del", "192.0.2.9", "dev", "port0")
        assert look() == "none"

    def test_what_the_kernel_learns_by_itself_is_seen(self, guest: Guest) -> None:
        look = guest.watch()
        look("send")
        seen = (look() for _ in range(2000))
        assert next(found for found in seen if found != "none") == "02:00:00:00:01:00"

    def test_a_change_ends_the_waiting_at_once(self, guest: Guest) -> None:
        look = guest.watch()
        assert look() == "none", "only one that listens already is told of what comes now"
        guest.set_neighbour("reachable", A)
        assert look() == A
        assert look("wait") == "news"
        later = threading.Timer(0.3, guest.set_neighbour, ["reachable", B])
        later.start()
        assert look("wait") == "news"
        assert look() == B
        later.join()

    def test_an_address_of_the_sixth_version(self, guest: Guest) -> None:
        look = guest.watch("2001:db8::9")
        guest.set_neighbour("reachable", B)
        assert look() == "none"
        guest.set_neighbour("reachable", A, address="2001:db8::9")
        assert look() == A
        guest.set_neighbour("failed", address="2001:db8::9")
        assert look() == "none"

    def test_a_link_local_address_is_looked_for_on_its_own_interface(self, guest: Guest) -> None:
        for port, hardware in ((0, A), (1, B)):
            guest.set_neighbour("permanent", hardware, port, "fe80::9")
        assert [guest.watch(f"fe80::9%port{port}")() for port in (0, 1)] == [A, B]

    def test_other_neighbours_do_not_count_however_many(self, guest: Guest) -> None:
        """More than one datagram holds."""
        lines = [f"neigh replace 192.0.2.{n} lladdr {B} dev port0 nud permanent\n" for n in range(10, 250)]
        lines += [f"neigh replace 198.51.100.{n} lladdr {B} dev port1 nud permanent\n" for n in range(10, 250)]
        subprocess.run(["ip", "-n", guest.name, "-batch", "-"], input="".join(lines), text=True, check=True)
        look = guest.watch()
        assert look() == "none"
        guest.set_neighbour("reachable", A)
        assert [look() for _ in range(20)] == [A] * 20

    @pytest.mark.parametrize(("address", "port"), [("192.0.2.9", 0), ("198.51.100.9", 1)])
    def test_of_two_interfaces_that_have_an_entry_the_one_that_the_routes_lead_to_counts(
        self, guest: Guest, address: str, port: int
    ) -> None:
        look = guest.watch(address)
        guest.set_neighbour("stale", A, port, address)
        guest.set_neighbour("reachable", B, 1 - port, address)
        assert look() == A
        guest.set_neighbour("failed", port=port, address=address)
        assert look() == "none"

    def test_where_no_route_leads_straight_there_the_first_interface_counts(self, guest: Guest) -> None:
        look = guest.watch("203.0.113.9")
        guest.set_neighbour("permanent", B, 1, "203.0.113.9")
        assert look() == B
        guest.set_neighbour("permanent", A, 0, "203.0.113.9")
        assert look() == A
        guest.ip("route", "add", "default", "via", "192.0.2.9", "dev", "port0")
        assert look() == A
        guest.ip("route", "add", "203.0.113.0/24", "dev", "port1")
        assert look() == B
