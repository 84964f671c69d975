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

    def wait(self, seconds: float) -> None:
        """Wait until that may have changed, at most `seconds`."""

    def close(self) -> None:
        """Look no more."""


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
        self._looked_ns = self._looked_wall_ns = 0

    def wait(self, seconds: float) -> None:
        """Wait until there may be something to see, at most `seconds`."""
        self._table.wait(seconds)

    def look(self, now_ns: int, wall_ns: int) -> NeighbourChange | None:
        """Look once; what changed, None if nothing did.

        The mark of a move is dated to the look before this one: until then the other controller was not seen. A
        controller that answers from another of its ports has not moved.

        Args:
            now_ns, wall_ns: the present moment, monotonic and wall clock, taken just before.
        """
        found = self._table.hardware_address()
        changed = found != self._last
        moved = None
        if found and self._serving and self._controller(found) != self._controller(self._serving):
            moved = {
                "text": f"{self.address} moved from {self._named(self._serving)} to {self._named(found)}",
                "takeover": True, "watched": True,
                "pressed_ns": self._looked_ns, "pressed_wall_ns": self._looked_wall_ns,
            }  # fmt: skip
        self._last = found
        self._serving = found or self._serving
        self._looked_ns, self._looked_wall_ns = now_ns, wall_ns
        return NeighbourChange(self.address, found, self._names.get(found, ""), moved) if changed else None

    def close(self) -> None:
        """Look no more."""
        self._table.close()

    def _controller(self, hardware_address: str) -> str:
        return self._names.get(hardware_address, hardware_address)

    def _named(self, hardware_address: str) -> str:
        name = self._names.get(hardware_address)
        return f"{name} ({hardware_address})" if name else hardware_address
