"""Watches the hardware address behind a floating address, so that a takeover leaves evidence of its direction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol


class Table(Protocol):
    """What tells the hardware address behind an address; "" while none is known."""

    address: str

    def hardware_address(self) -> str:
        """The hardware address as it is known now."""


@dataclass(frozen=True)
class NeighbourChange:
    """Something else is behind the address than before; `moved` is a mark of a takeover, if one follows from it."""

    address: str
    hardware_address: str
    name: str
    moved: dict[str, Any] | None


class NeighbourWatch:
    """Compares what is behind a floating address with what was there at the last look.

    Args:
        table: where to look.
        names: names of controllers by hardware address.
    """

    def __init__(self, table: Table, names: Mapping[str, str]) -> None:
        self.address = table.address
        self._table = table
        self._names = names
        self._last: str | None = None
        self._serving = ""
        self._seen_ns = self._seen_wall_ns = 0

    def look(self, now_ns: int, wall_ns: int) -> NeighbourChange | None:
        """Look once; what changed, None if nothing did.

        Args:
            now_ns, wall_ns: the present moment, monotonic and wall clock.
        """
        found = self._table.hardware_address()
        changed = found != self._last
        moved = None
        if found and self._serving not in ("", found):
            moved = {
                "text": f"{self.address} moved from {self._named(self._serving)} to {self._named(found)}",
                "takeover": True, "pressed_ns": self._seen_ns, "pressed_wall_ns": self._seen_wall_ns,
            }  # fmt: skip
        self._last = found
        if found:
            self._serving, self._seen_ns, self._seen_wall_ns = found, now_ns, wall_ns
        return NeighbourChange(self.address, found, self._names.get(found, ""), moved) if changed else None

    def _named(self, hardware_address: str) -> str:
        name = self._names.get(hardware_address)
        return f"{name} ({hardware_address})" if name else hardware_address
