"""Which hardware answers behind a floating address: the kernel's neighbour table, asked over netlink.

A takeover moves the address to the other controller without changing it; what changes is the hardware address that
this machine's kernel has learnt for it. Messages as in rtnetlink(7); numbers from linux/rtnetlink.h and
linux/neighbour.h [from memory].
"""

from __future__ import annotations

import contextlib
import ipaddress
import re
import select
import socket
import struct
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from verify.errors import CannotRun, UsageError

_NETLINK_ROUTE = 0
_RTM_NEWROUTE, _RTM_GETROUTE, _RTM_NEWNEIGH, _RTM_GETNEIGH = 24, 26, 28, 30
_NLM_F_REQUEST, _NLM_F_DUMP = 0x001, 0x300
_NLMSG_ERROR, _NLMSG_DONE = 2, 3
_NDA_DST, _NDA_LLADDR = 1, 2
_RTA_DST, _RTA_OIF, _RTA_GATEWAY, _RTA_VIA = 1, 4, 5, 18
_HEADER = struct.Struct("=IHHII")
_NEIGHBOUR = struct.Struct("=BBHiHBB")
_ROUTE = struct.Struct("=BBBBBBBBI")
_ATTRIBUTE = struct.Struct("=HH")
_RTMGRP_NEIGH = 0x4
_WAIT_S = 0.2
_RECEIVE_BYTES = 1 << 17
_HARDWARE_ADDRESS = re.compile(r"[0-9a-f]{2}(:[0-9a-f]{2}){5}\Z")
_NAME_CHARACTERS_MAX = 40


@dataclass(frozen=True)
class Entry:
    """One line of the neighbour table: what is behind `address` (as bytes) on one interface of this machine."""

    interface: int
    address: bytes
    hardware_address: str


class NeighbourTable:
    """The neighbour table of this process's network, for one address.

    Where several interfaces have an entry for the address, the one that the routes lead to counts; where no route
    leads straight to it, that with the lowest number.

    Args:
        address: an IPv4 or IPv6 address in text form; a link-local one may end in `%INTERFACE`.

    Raises:
        UsageError: if that is not the address of a host, or its interface is not there.
        CannotRun: if the kernel does not let the table be read.
    """

    def __init__(self, address: str) -> None:
        parsed = _parse_address(address)
        self.address = str(parsed)
        self._packed = parsed.packed
        self._family = socket.AF_INET if parsed.version == 4 else socket.AF_INET6
        self._interface = _interface_of(parsed)
        try:
            self._socket = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, _NETLINK_ROUTE)
            self._socket.settimeout(_WAIT_S)
            self._news = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, _NETLINK_ROUTE)
            self._news.bind((0, _RTMGRP_NEIGH))
            self._news.setblocking(False)
        except OSError as error:
            raise CannotRun(f"the kernel's neighbour table cannot be read: {error.strerror}") from None
        self._number = 0

    def hardware_address(self) -> str:
        """The hardware address learnt for the address, as `02:00:00:00:00:aa`; "" if none is known just now."""
        try:
            interface = self._interface or self._interface_by_route()
            entries = [entry for entry in self._entries() if entry.address == self._packed]
        except OSError:
            return ""
        if interface:
            entries = [entry for entry in entries if entry.interface == interface]
        return min(entries, key=lambda entry: entry.interface).hardware_address if entries else ""

    def wait(self, seconds: float) -> None:
        """Wait until the kernel tells of any change in the neighbour table, at most `seconds`."""
        ready, _, _ = select.select([self._news], [], [], seconds)
        with contextlib.suppress(OSError):  # BlockingIOError ends it; ENOBUFS means that news were missed, so look
            while ready:
                self._news.recv(_RECEIVE_BYTES)

    def close(self) -> None:
        """Give the sockets back."""
        self._socket.close()
        self._news.close()

    def _entries(self) -> list[Entry]:
        self._ask(_RTM_GETNEIGH, _NLM_F_DUMP, _NEIGHBOUR.pack(self._family, 0, 0, 0, 0, 0, 0))
        out: list[Entry] = []
        ended = False
        while not ended:
            entries, ended = parse_neighbours(self._socket.recv(_RECEIVE_BYTES), self._number)
            out += entries
        return out

    def _interface_by_route(self) -> int:
        """The interface that leads straight to the address; 0 if none does."""
        size = len(self._packed)
        wanted = _ROUTE.pack(self._family, 8 * size, 0, 0, 0, 0, 0, 0, 0)
        self._ask(_RTM_GETROUTE, 0, wanted + _ATTRIBUTE.pack(_ATTRIBUTE.size + size, _RTA_DST) + self._packed)
        found = None
        while found is None:
            found = parse_route(self._socket.recv(_RECEIVE_BYTES), self._number)
        return found

    def _ask(self, kind: int, flags: int, body: bytes) -> None:
        self._number += 1
        header = _HEADER.pack(_HEADER.size + len(body), kind, _NLM_F_REQUEST | flags, self._number, 0)
        self._socket.send(header + body)


def parse_neighbours(data: bytes, number: int) -> tuple[list[Entry], bool]:
    """The entries of one netlink datagram, and whether the answer is complete.

    Entries without a hardware address (none was learnt, or the neighbour stopped answering) are left out, and so are
    messages that answer another request than `number`.
    """
    out: list[Entry] = []
    for kind, body in _messages(data, number):
        if kind in (_NLMSG_DONE, _NLMSG_ERROR):
            return out, True
        if kind == _RTM_NEWNEIGH and len(body) >= _NEIGHBOUR.size:
            interface = _NEIGHBOUR.unpack_from(body)[3]
            attributes = _attributes(body[_NEIGHBOUR.size :])
            hardware = attributes.get(_NDA_LLADDR, b"")
            if len(hardware) == 6 and any(hardware) and _NDA_DST in attributes:
                out.append(Entry(interface, attributes[_NDA_DST], hardware.hex(":")))
    return out, False


def parse_route(data: bytes, number: int) -> int | None:
    """The interface that a route leads straight out of: 0 if there is none, None if the datagram does not say.

    A route through a gateway is none: the hardware behind the address is not to be seen from here.
    """
    for kind, body in _messages(data, number):
        if kind in (_NLMSG_DONE, _NLMSG_ERROR):
            return 0
        if kind == _RTM_NEWROUTE:
            attributes = _attributes(body[_ROUTE.size :])
            interface = attributes.get(_RTA_OIF, b"")
            straight = _RTA_GATEWAY not in attributes and _RTA_VIA not in attributes
            return int.from_bytes(interface, sys.byteorder) if straight and len(interface) == 4 else 0
    return None


def _messages(data: bytes, number: int) -> Iterator[tuple[int, bytes]]:
    """Kind and body of each whole message that answers request `number`."""
    at = 0
    while at + _HEADER.size <= len(data):
        size, kind, _flags, answered, _port = _HEADER.unpack_from(data, at)
        if size < _HEADER.size or at + size > len(data):
            return
        if answered == number:
            yield kind, data[at + _HEADER.size : at + size]
        at += (size + 3) & ~3


def _attributes(data: bytes) -> dict[int, bytes]:
    out: dict[int, bytes] = {}
    at = 0
    while at + _ATTRIBUTE.size <= len(data):
        size, kind = _ATTRIBUTE.unpack_from(data, at)
        if size < _ATTRIBUTE.size or at + size > len(data):
            break
        out[kind] = data[at + _ATTRIBUTE.size : at + size]
        at += (size + 3) & ~3
    return out


def _parse_address(address: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        raise UsageError(f"--floating-address {address!r} is not an IP address") from None
    if isinstance(parsed, ipaddress.IPv6Address) and parsed.ipv4_mapped is not None:
        parsed = parsed.ipv4_mapped
    if parsed.is_multicast or parsed.is_unspecified or parsed.is_loopback:
        raise UsageError(f"--floating-address {address!r} is not the address of another host; name the one guests use")
    return parsed


def _interface_of(address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> int:
    """The number of the interface that a link-local address names; 0 if it names none."""
    scope = address.scope_id if isinstance(address, ipaddress.IPv6Address) else None
    if scope is None:
        return 0
    try:
        return socket.if_nametoindex(scope)
    except (OSError, UnicodeError, ValueError):
        raise UsageError(f"--floating-address names the interface {scope!r}, which is not there") from None


def parse_controllers(texts: Sequence[str], what: str = "--controller") -> Mapping[str, str]:
    """The controllers' names by hardware address, from `NAME=02:00:00:00:00:aa`.

    A controller with several ports may be named several times, each time with another hardware address. Messages call
    what was given `what`.

    Raises:
        UsageError: if one is not of that form, its name is long or cannot be shown, or an address is given twice.
    """
    out: dict[str, str] = {}
    for text in texts:
        name, _, hardware = text.rpartition("=")
        name, hardware = name.strip(), hardware.strip().lower().replace("-", ":")
        if not name or not _HARDWARE_ADDRESS.match(hardware):
            raise UsageError(f"{what} {text!r} is not of the form NAME=02:00:00:00:00:aa")
        if not name.isprintable() or len(name) > _NAME_CHARACTERS_MAX:
            raise UsageError(f"{what} {text!r}: a name is at most {_NAME_CHARACTERS_MAX} printable characters")
        if hardware in out:
            raise UsageError(f"{what} gives {hardware} twice")
        out[hardware] = name
    return out
