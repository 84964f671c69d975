"""Python for a guest: its modules compiled beforehand on the host, since the emulated processor is slow at that."""

from __future__ import annotations

import os
import subprocess
import tempfile
from pathlib import Path

from scripts.takeover_lab.machine_kernel import MachineError
from verify.errors import EXIT_INCONCLUSIVE, EXIT_PASS

_VOLUME_BYTES = 1 << 20


def python_environment(folder: Path, python: str, project: Path) -> dict[str, str]:
    """Compile ackproof and all that it imports into `folder`, and give the environment in which a guest uses that.

    That is done by a short run of the whole job on a file, since some modules are imported only where they are needed.

    Args:
        folder: made if it is missing, on a file system that takes direct I/O; the guest must see it.
        python: the interpreter that the guest will run.
        project: the clone whose `verify` is to be run.

    Raises:
        MachineError: if ackproof cannot be run by that interpreter.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    settings = {"PYTHONPATH": str(project), "PYTHONPYCACHEPREFIX": str(folder)}
    inherited = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        volume, record = Path(scratch) / "volume", Path(scratch) / "record"
        with open(volume, "wb") as image:
            os.posix_fallocate(image.fileno(), 0, _VOLUME_BYTES)
        write = ["write", volume, "--erase", volume, "--record", record, "--span", str(_VOLUME_BYTES), "--for", "0.2s"]
        for words, good in ((write, EXIT_PASS), (["check", record], EXIT_INCONCLUSIVE)):
            done = subprocess.run(
                [python, "-m", "verify", *map(str, words)], env=inherited | settings, cwd=scratch,
                stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=300, check=False,
            )  # fmt: skip
            if done.returncode not in (good, EXIT_PASS):
                raise MachineError(f"{python} cannot run ackproof from {project}: {done.stderr.strip()[-500:]}")
    return settings
