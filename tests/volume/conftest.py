from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.volume.machine import Machine

Attach = Callable[..., str]


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    built = Machine(tmp_path / "machine")
    for module in ("sysfs", "mounts", "safety"):
        monkeypatch.setattr(f"verify.volume.{module}.block_device_number", built.node_number)
    return built


@pytest.fixture
def attach() -> Iterator[Attach]:
    """Attaches files as loop devices, whose paths it gives; all are detached in the end."""
    if os.geteuid() != 0 or shutil.which("losetup") is None:
        pytest.skip("needs root and losetup: attaches loop devices")
    attached: list[str] = []

    def attach_file(path: Path, *options: str, device: str = "") -> str:
        if device:
            subprocess.run(["losetup", *options, device, str(path)], check=True)
        else:
            command = ["losetup", "--find", "--show", *options, str(path)]
            device = subprocess.check_output(command, text=True).strip()
        attached.append(device)
        return device

    yield attach_file
    for device in reversed(attached):
        subprocess.run(["losetup", "--detach", device], check=False, capture_output=True)


@pytest.fixture
def mount(tmp_path: Path) -> Iterator[Callable[..., Path]]:
    """Mounts devices, whose mount points it gives; all are unmounted in the end."""
    points: list[Path] = []

    def mount_device(device: str, *options: str) -> Path:
        point = tmp_path / f"mounted {len(points)}"
        point.mkdir()
        subprocess.run(["mount", *options, device, str(point)], check=True)
        points.append(point)
        return point

    yield mount_device
    for point in reversed(points):
        subprocess.run(["umount", "--lazy", str(point)], check=True)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """An empty file of 16 MiB with its room reserved."""
    path = tmp_path / "volume.img"
    with path.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, 16 << 20)
    return path
