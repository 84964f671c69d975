"""Which hardware answers behind a floating address: the kernel's neighbour table, asked over netlink.

A takeover moves the address to the other controller without changing it; what changes is the hardware address that
this machine's kernel has learnt for it. Messages as in rtnetlink(7); numbers from linux/rtnetlink.h and
linux/neighbour.h [from memory].
"""

from __future__ import annotations

import ipaddress
import re
import socket
import struct
from collections.abc import Mapping, Sequence

from verify.errors import CannotRun, UsageError

_NETLINK_ROUTE = 0
_RTM_NEWNEIGH, _RTM_GETNEIGH = 28, 30
_NLM_F_REQUEST, _NLM_F_DUMP = 0x001, 0x300
_NLMSG_ERROR, _NLMSG_DONE = 2, 3
_NDA_DST, _NDA_LLADDR = 1, 2
_HEADER = struct.Struct("=IHHII")
_NEIGHBOUR = struct.Struct("=BBHiHBB")
_ATTRIBUTE = struct.Struct("=HH")
_WAIT_S = 0.2
_RECEIVE_BYTES = 1 << 17
_HARDWARE_ADDRESS = re.compile(r"[0-9a-f]{2}(:[0-9a-f]{2}){5}\Z")


class NeighbourTable:
    """The neighbour table of this process's network, for one address.

    Args:
        address: an IPv4 or IPv6 address in text form.

    Raises:
        UsageError: if that is no address.
        CannotRun: if the kernel does not let the table be read.
    """

    def __init__(self, address: str) -> None:
        try:
            parsed = ipaddress.ip_address(address)
        except ValueError:
            raise UsageError(f"--floating-address {address!r} is not an IP address") from None
        self.address = str(parsed)
        self._packed = parsed.packed
        self._family = socket.AF_INET if parsed.version == 4 else socket.AF_INET6
        try:
            self._socket = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, _NETLINK_ROUTE)
            self._socket.settimeout(_WAIT_S)
        except OSError as error:
            raise CannotRun(f"the kernel's neighbour table cannot be read: {error.strerror}") from None
        self._number = 0

    def hardware_address(self) -> str:
        """The hardware address learnt for the address, as `02:00:00:00:00:aa`; "" if none is known just now."""
        self._number += 1
        body = _NEIGHBOUR.pack(self._family, 0, 0, 0, 0, 0, 0)
        size = _HEADER.size + len(body)
        request = _HEADER.pack(size, _RTM_GETNEIGH, _NLM_F_REQUEST | _NLM_F_DUMP, self._number, 0) + body
        found = ""
        try:
            self._socket.send(request)
            ended = False
            while not ended:
                messages, ended = parse_neighbours(self._socket.recv(_RECEIVE_BYTES), self._number)
                found = next((hardware for packed, hardware in messages if packed == self._packed), found)
        except OSError:
            return ""
        return found

    def close(self) -> None:
        """Give the socket back."""
        self._socket.close()


def parse_neighbours(data: bytes, number: int) -> tuple[list[tuple[bytes, str]], bool]:
    """The entries of one netlink datagram: (address as bytes, hardware address), and whether the answer is complete.

    Entries without a hardware address (none was learnt, or the neighbour stopped answering) are left out, and so are
    messages that answer another request than `number`.
    """
    out: list[tuple[bytes, str]] = []
    at = 0
    while at + _HEADER.size <= len(data):
        size, kind, _flags, answered, _port = _HEADER.unpack_from(data, at)
        if size < _HEADER.size or at + size > len(data):
            break
        if answered == number:
            if kind in (_NLMSG_DONE, _NLMSG_ERROR):
                return out, True
            if kind == _RTM_NEWNEIGH:
                attributes = _attributes(data[at + _HEADER.size + _NEIGHBOUR.size : at + size])
                if len(attributes.get(_NDA_LLADDR, b"")) == 6 and _NDA_DST in attributes:
                    out.append((attributes[_NDA_DST], attributes[_NDA_LLADDR].hex(":")))
        at += (size + 3) & ~3
    return out, False


def _attributes(data: bytes) -> dict[int, bytes]:
    out: dict[int, bytes] = {}
    at = 0
    while at + _ATTRIBUTE.size <= len(data):
        size, kind = _ATTRIBUTE.unpack_from(data, at)
        if size < _ATTRIBUTE.size:
            break
        out[kind] = data[at + _ATTRIBUTE.size : at + size]
        at += (size + 3) & ~3
    return out


def parse_controllers(texts: Sequence[str]) -> Mapping[str, str]:
    """The controllers' names by hardware address, from `NAME=02:00:00:00:00:aa`.

    Raises:
        UsageError: if one is not of that form, or given twice.
    """
    out: dict[str, str] = {}
    for text in texts:
        name, _, hardware = text.rpartition("=")
        hardware = hardware.lower().replace("-", ":")
        if not name.strip() or not _HARDWARE_ADDRESS.match(hardware):
            raise UsageError(f"--controller {text!r} is not of the form NAME=02:00:00:00:00:aa")
        if hardware in out:
            raise UsageError(f"--controller gives {hardware} twice")
        out[hardware] = name.strip()
    return out
