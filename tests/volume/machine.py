"""A made-up machine's sysfs, /dev and /proc in a folder, laid out as the kernel lays them out."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from pathlib import Path

SECTORS_PER_MIB = 2048


class Machine:
    """Builds block devices under `root`; device nodes are stand-ins that hold their device number."""

    def __init__(self, root: Path) -> None:
        self.sysfs = str(root / "sys")
        self.dev = str(root / "dev")
        self.proc = str(root / "proc")
        for folder in ("sys/class/block", "sys/dev/block", "dev", "proc/self"):
            (root / folder).mkdir(parents=True)
        self.set_mounts([])
        self.set_swaps([])

    def disk(
        self,
        name: str,
        number: str,
        place: str,
        attributes: Mapping[str, str | bytes] | None = None,
        size_mib: int = 64,
        between: str = "block",
    ) -> Path:
        """Plug in a disk: its directory is devices/PLACE/block/NAME, or with another folder between, or none."""
        directory = Path(self.sysfs) / "devices" / place / between / name
        self._add(directory, name, number, size_mib)
        (directory / "holders").mkdir()
        (directory / "slaves").mkdir()
        self.write(directory, {"queue/logical_block_size": "512\n", "diskseq": "9\n", **(attributes or {})})
        return directory

    def partition(self, disk: Path, part: int, number: str, size_mib: int = 16) -> Path:
        name = f"{disk.name}p{part}" if disk.name[-1].isdigit() else f"{disk.name}{part}"
        directory = disk / name
        self._add(directory, name, number, size_mib)
        (directory / "holders").mkdir()
        self.write(directory, {"partition": f"{part}\n"})
        return directory

    def stack(self, upper: Path, *lowers: Path) -> None:
        """Let one device stand on others."""
        for lower in lowers:
            (upper / "slaves" / lower.name).symlink_to(lower)
            (lower / "holders" / upper.name).symlink_to(upper)

    def unplug(self, directory: Path) -> None:
        number = (directory / "dev").read_text().strip()
        (Path(self.sysfs) / "class/block" / directory.name).unlink()
        (Path(self.sysfs) / "dev/block" / number).unlink()
        (Path(self.dev) / directory.name).unlink()
        shutil.rmtree(directory)

    def write(self, directory: Path, attributes: Mapping[str, str | bytes]) -> None:
        for name, value in attributes.items():
            path = directory / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(value.encode() if isinstance(value, str) else value)

    def set_mounts(self, lines: list[str]) -> None:
        text = "".join(f"{20 + index} 1 {line}\n" for index, line in enumerate(lines))
        (Path(self.proc) / "self/mountinfo").write_text(text)

    def set_swaps(self, paths: list[str]) -> None:
        text = "Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n"
        text += "".join(f"{path}    partition\t1048572\t\t0\t\t-2\n" for path in paths)
        (Path(self.proc) / "swaps").write_text(text)

    def node_number(self, path: str) -> str | None:
        """Stands in for looking at a device node, which only root can make."""
        try:
            return Path(path).read_text() if os.path.dirname(path) == self.dev else None
        except OSError:
            return None

    def _add(self, directory: Path, name: str, number: str, size_mib: int) -> None:
        directory.mkdir(parents=True)
        major, minor = number.split(":")
        self.write(
            directory,
            {
                "dev": f"{number}\n",
                "size": f"{size_mib * SECTORS_PER_MIB}\n",
                "uevent": f"MAJOR={major}\nMINOR={minor}\nDEVNAME={name}\nDEVTYPE=disk\n",
            },
        )
        (Path(self.sysfs) / "class/block" / name).symlink_to(directory)
        (Path(self.sysfs) / "dev/block" / number).symlink_to(directory)
        (Path(self.dev) / name).write_text(number)
