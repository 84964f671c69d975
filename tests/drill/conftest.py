from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

Attach = Callable[[Path], str]


@pytest.fixture
def attach() -> Iterator[Attach]:
    """Attaches files as loop devices with direct backing, whose paths it gives; all are detached in the end."""
    if os.geteuid() != 0 or shutil.which("losetup") is None:
        pytest.skip("needs root and losetup: attaches loop devices")
    attached: list[str] = []

    def attach_file(path: Path) -> str:
        command = ["losetup", "--find", "--show", "--direct-io=on", str(path)]
        attached.append(subprocess.check_output(command, text=True).strip())
        return attached[-1]

    yield attach_file
    for device in reversed(attached):
        subprocess.run(["losetup", "--detach", device], check=False, capture_output=True)
