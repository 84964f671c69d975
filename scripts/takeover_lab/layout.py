"""Where everything of one lab is: names, addresses, files; and the state that outlives a command.

Addresses are those set aside for documentation (RFC 5737), inside the lab's own network namespaces. Hardware addresses
are locally administered.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from enum import StrEnum
from hashlib import blake2b
from pathlib import Path
from typing import Any

from verify.errors import UsageError

FLOATING_ADDRESS = "192.0.2.10"
NETWORK_BITS = 24
GUEST_ADDRESS = "192.0.2.90"
GUEST_HARDWARE_ADDRESS = "02:00:00:00:00:90"
PORT = "data0"
TARGET_NAME = "iqn.2026-11.org.example:ackproof-lab"
INITIATOR_NAME = "iqn.2026-11.org.example:guest"
PROBE_BYTES = 1 << 20
"""Room behind the part of the volume meant for ackproof, for a probe that knows nothing of it."""
CONTROLLERS = ("a", "b")
STATE_NAME = "lab.json"


class Kind(StrEnum):
    """The pairs that can be built."""

    SOUND = "sound"
    """Both controllers serve the one disk without a cache; who takes over first fences the other."""
    LAGGING = "lagging-cache"
    """A acknowledges from its own cache and destages all of it at one moment, every few seconds."""
    SHUFFLED = "shuffled-cache"
    """As above, but every destage takes a random half of what is dirty."""
    SPLIT = "split-caches"
    """Each controller has a cache of its own, the other's mirror until the peers are cut; nothing is fenced."""
    UNFENCED = "unfenced"
    """As sound, but nothing is fenced: a controller that hung goes on with what it held when it comes back."""


@dataclass(frozen=True)
class ControllerLayout:
    """One controller: what names, addresses and files are its own."""

    name: str
    namespace: str
    address: str
    hardware_address: str
    folder: Path
    control_port: int
    image: Path
    """What its target serves."""


@dataclass
class Settings:
    """How a pair is built, kept in the lab's state file.

    `priorities` and `interval_s` are those of VRRP; `volume_bytes` leaves the probe's room out.
    """

    kind: Kind = Kind.SOUND
    volume_bytes: int = 64 << 20
    priorities: tuple[int, int] = (200, 100)
    interval_s: float = 1.0
    destage_every_s: float = 3.0
    seed: int = 1
    control_ports: tuple[int, int] = (0, 0)


@dataclass(frozen=True)
class Layout:
    """All names of the lab in one folder."""

    folder: Path
    settings: Settings

    @property
    def tag(self) -> str:
        """Six characters that tell labs in different folders apart."""
        return blake2b(os.fsencode(self.folder), digest_size=3).hexdigest()

    def namespace(self, host: str) -> str:
        """The network namespace of `a`, `b`, `guest` or `switch`."""
        return f"acklab-{self.tag}-{host}"

    @property
    def namespaces(self) -> list[str]:
        """All of them."""
        return [self.namespace(host) for host in ("switch", *CONTROLLERS, "guest")]

    @property
    def disk(self) -> Path:
        """The disk that both controllers are wired to."""
        return self.folder / "disk.img"

    @property
    def holder(self) -> Path:
        """Names the controller that holds the disk, as a reservation would."""
        return self.folder / "holder"

    @property
    def volume(self) -> Path:
        """The volume as the guest sees it."""
        return self.folder / "guest" / "volume"

    @property
    def guest_folder(self) -> Path:
        """Files of the guest's side."""
        return self.folder / "guest"

    @property
    def total_bytes(self) -> int:
        """Size of the volume, the probe's room with it."""
        return self.settings.volume_bytes + PROBE_BYTES

    def controller(self, name: str) -> ControllerLayout:
        """One controller.

        Raises:
            UsageError: if there is none of that name.
        """
        if name not in CONTROLLERS:
            raise UsageError(f"there is no controller {name!r}; they are {' and '.join(CONTROLLERS)}")
        number = CONTROLLERS.index(name)
        return ControllerLayout(
            name=name,
            namespace=self.namespace(name),
            address=f"192.0.2.1{number + 1}",
            hardware_address=f"02:00:00:00:00:{'ab'[number] * 2}",
            folder=self.folder / f"controller-{name}",
            control_port=self.settings.control_ports[number],
            image=self._image(name),
        )

    def _image(self, name: str) -> Path:
        kind = self.settings.kind
        own_cache = kind is Kind.SPLIT or (kind in (Kind.LAGGING, Kind.SHUFFLED) and name == "a")
        return self.folder / f"cache-{name}.img" if own_cache else self.disk

    @staticmethod
    def peer(name: str) -> str:
        """The other controller."""
        return CONTROLLERS[1 - CONTROLLERS.index(name)]

    def save(self) -> None:
        """Write the state file, whole or not at all."""
        path = self.folder / STATE_NAME
        partial = path.with_suffix(".partial")
        partial.write_text(json.dumps(asdict(self.settings), indent=1) + "\n", encoding="utf-8")
        os.replace(partial, path)

    @classmethod
    def load(cls, folder: Path) -> Layout | None:
        """The lab in a folder; None if there is none.

        Raises:
            UsageError: if its state file cannot be used.
        """
        try:
            value: dict[str, Any] = json.loads((folder / STATE_NAME).read_text(encoding="utf-8"))
            value["kind"] = Kind(value["kind"])
            for name in ("priorities", "control_ports"):
                value[name] = tuple(value[name])
            return cls(folder, Settings(**value))
        except FileNotFoundError:
            return None
        except (OSError, ValueError, TypeError, KeyError) as error:
            raise UsageError(f"{folder / STATE_NAME} cannot be used ({error}); remove the folder {folder}") from None
