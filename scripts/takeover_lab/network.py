"""The lab's network: hosts are network namespaces, and the switch between them is a bridge in one of its own."""

from __future__ import annotations

import ctypes
import os
import select
import socket
import struct
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType

from scripts.takeover_lab.layout import (
    CONTROLLERS,
    FLOATING_ADDRESS,
    GUEST_ADDRESS,
    GUEST_HARDWARE_ADDRESS,
    NETWORK_BITS,
    PORT,
    Layout,
)
from scripts.takeover_lab.processes import NAMESPACES, in_namespace, run

_CLONE_NEWNET = 0x40000000
_NETLINK_ROUTE = 0
_ETHERTYPE_ARP = 0x0806
_RTMGRP_IPV4_IFADDR = 0x10
_RTM_NEWADDR, _RTM_DELADDR = 20, 21
_IFA_LOCAL = 2
_VRRP_TABLE = "ackproof_lab"


def build_network(layout: Layout) -> None:
    """Make the namespaces, the switch, and a port for each host."""
    for name in layout.namespaces:
        run(["ip", "netns", "add", name])
        run(["ip", "-n", name, "link", "set", "lo", "up"])
    switch = layout.namespace("switch")
    run(["ip", "-n", switch, "link", "add", "switch0", "type", "bridge"])
    run(["ip", "-n", switch, "link", "set", "switch0", "up"])
    for name in CONTROLLERS:
        controller = layout.controller(name)
        _connect(layout, name, controller.address, controller.hardware_address)
    _connect(layout, "guest", GUEST_ADDRESS, GUEST_HARDWARE_ADDRESS)


def switch_port(host: str) -> str:
    """The name of a host's port on the switch."""
    return f"port-{host}"


def _connect(layout: Layout, host: str, address: str, hardware_address: str) -> None:
    switch, namespace = layout.namespace("switch"), layout.namespace(host)
    port = switch_port(host)
    run(["ip", "-n", switch, "link", "add", port, "type", "veth", "peer", "name", PORT, "netns", namespace])
    run(["ip", "-n", switch, "link", "set", port, "master", "switch0", "up"])
    run(["ip", "-n", namespace, "link", "set", PORT, "address", hardware_address, "up"])
    run(["ip", "-n", namespace, "addr", "add", f"{address}/{NETWORK_BITS}", "dev", PORT])


def remove_network(layout: Layout) -> None:
    """Delete the namespaces, and with them everything in them."""
    for name in layout.namespaces:
        if (NAMESPACES / name).exists():
            run(["ip", "netns", "delete", name])


def set_cable(layout: Layout, host: str, plugged: bool) -> None:
    """Pull or plug the cable between a host and the switch."""
    state = "up" if plugged else "down"
    run(["ip", "-n", layout.namespace("switch"), "link", "set", switch_port(host), state])


def cable_plugged(layout: Layout, host: str) -> bool:
    """Whether the cable between a host and the switch is in."""
    text = run(["ip", "-n", layout.namespace("switch"), "link", "show", switch_port(host)], allow_failure=True)
    flags = text.partition("<")[2].partition(">")[0]
    return "UP" in flags.split(",")


def set_peer_link(layout: Layout, joined: bool) -> None:
    """Let the two VRRP daemons hear each other, or not; everything else passes."""
    for name in CONTROLLERS:
        namespace = layout.namespace(name)
        table = ["nft", "delete", "table", "inet", _VRRP_TABLE]
        run(in_namespace(namespace, table), allow_failure=True)
        if not joined:
            chain = "type filter hook input priority 0; policy accept; ip protocol vrrp drop;"
            run(in_namespace(namespace, ["nft", f"table inet {_VRRP_TABLE} {{ chain deaf {{ {chain} }}; }}"]))


def set_storage_port(layout: Layout, name: str, accepting: bool) -> None:
    """Let a controller take in storage traffic, or not."""
    namespace, table = layout.namespace(name), f"{_VRRP_TABLE}_storage"
    run(in_namespace(namespace, ["nft", "delete", "table", "inet", table]), allow_failure=True)
    if not accepting:
        chain = "type filter hook input priority 0; policy accept; tcp dport 3260 drop;"
        run(in_namespace(namespace, ["nft", f"table inet {table} {{ chain closed {{ {chain} }}; }}"]))


def has_floating_address(layout: Layout, name: str) -> bool:
    """Whether a controller holds the floating address."""
    text = run(["ip", "-n", layout.namespace(name), "-4", "addr", "show", "dev", PORT], allow_failure=True)
    return f" {FLOATING_ADDRESS}/" in text


@dataclass(frozen=True)
class AddressChange:
    """The floating address came to a host or left it, as its kernel told; CLOCK_MONOTONIC nanoseconds."""

    at_ns: int
    came: bool


class AddressWatch:
    """Hears from the kernel of one host when the floating address comes and goes (rtnetlink(7)).

    The socket belongs to the host's network namespace; no process does.
    """

    def __init__(self, namespace: str) -> None:
        self.changes: list[AddressChange] = []
        self._socket = _made_in(namespace, _address_socket)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)

    def __enter__(self) -> AddressWatch:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._thread.join()
        self._socket.close()

    def _listen(self) -> None:
        while not self._ended.is_set():
            ready, _, _ = select.select([self._socket], [], [], 0.1)
            if ready:
                data, now_ns = self._socket.recv(1 << 16), time.monotonic_ns()
                self.changes += [AddressChange(now_ns, came) for came in _floating_changes(data)]


def announce(layout: Layout, name: str) -> None:
    """Let a controller tell the network again that the floating address is with it (RFC 5227, ARP announcement)."""
    own = bytes.fromhex(layout.controller(name).hardware_address.replace(":", ""))
    address = socket.inet_aton(FLOATING_ADDRESS)
    header = b"\xff" * 6 + own + struct.pack("!H", _ETHERTYPE_ARP)
    arp = struct.pack("!HHBBH", 1, 0x0800, 6, 4, 1) + own + address + bytes(6) + address

    def make() -> socket.socket:
        made = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
        made.bind((PORT, _ETHERTYPE_ARP))
        return made

    with _made_in(layout.namespace(name), make) as sender:
        sender.send(header + arp)


def _address_socket() -> socket.socket:
    made = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, _NETLINK_ROUTE)
    made.bind((0, _RTMGRP_IPV4_IFADDR))
    return made


def _made_in(namespace: str, maker: Callable[[], socket.socket]) -> socket.socket:
    """A socket of another network namespace, made by a thread that goes there (setns(2))."""
    made: list[socket.socket] = []
    failures: list[OSError] = []

    def make() -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        descriptor = os.open(NAMESPACES / namespace, os.O_RDONLY | os.O_CLOEXEC)
        try:
            if libc.setns(descriptor, _CLONE_NEWNET):
                failures.append(OSError(ctypes.get_errno(), "setns"))
                return
            made.append(maker())
        except OSError as error:
            failures.append(error)
        finally:
            os.close(descriptor)

    thread = threading.Thread(target=make)
    thread.start()
    thread.join()
    if failures:
        raise failures[0]
    return made[0]


def _floating_changes(data: bytes) -> list[bool]:
    """Whether the floating address came (True) or left, for each message about it."""
    wanted = socket.inet_aton(FLOATING_ADDRESS)
    out = []
    at = 0
    while at + 16 <= len(data):
        length, kind = struct.unpack_from("<IH", data, at)
        inner = at + 16 + 8
        while kind in (_RTM_NEWADDR, _RTM_DELADDR) and inner + 4 <= at + length:
            size, attribute = struct.unpack_from("<HH", data, inner)
            if attribute == _IFA_LOCAL and data[inner + 4 : inner + 8] == wanted:
                out.append(kind == _RTM_NEWADDR)
            inner += max((size + 3) & ~3, 4)
        at += max((length + 3) & ~3, 16)
    return out
