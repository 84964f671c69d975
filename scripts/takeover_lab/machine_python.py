"""Python for a guest: its modules compiled beforehand on the host, since the emulated processor is slow at that."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

from scripts.takeover_lab.machine_kernel import MachineError

_IMPORT_ALL = """
import importlib, pkgutil, verify
for module in pkgutil.walk_packages(verify.__path__, "verify."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
"""


def python_environment(folder: Path, python: str, project: Path) -> dict[str, str]:
    """Compile ackproof and all that it imports into `folder`, and give the environment in which a guest uses that.

    Args:
        folder: made if it is missing; the guest must see it.
        python: the interpreter that the guest will run.
        project: the clone whose `verify` is to be run.

    Raises:
        MachineError: if ackproof cannot be imported by that interpreter.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    settings = {"PYTHONPATH": str(project), "PYTHONPYCACHEPREFIX": str(folder)}
    inherited = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    done = subprocess.run(
        [python, "-c", _IMPORT_ALL], env=inherited | settings, capture_output=True, text=True, timeout=300, check=False
    )
    if done.returncode:
        raise MachineError(f"{python} cannot import ackproof from {project}: {done.stderr.strip()[-500:]}")
    return settings
