"""The lab and its guest machine need root and some Debian packages; without them tests are skipped, and say so."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from scripts.takeover_lab.packages import (
    MACHINE_PROGRAMS,
    PROGRAMS,
    cannot_run_here,
    machine_cannot_run_here,
    missing_packages,
)


def _why_not(reason: str, missing: list[str]) -> str:
    return reason or (f"needs Debian's packages {', '.join(missing)}; install them as root" if missing else "")


def pytest_configure() -> None:
    """End as on Ctrl-C when asked to end, so that no lab is left standing."""

    def end(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, end)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip every test of this folder that needs a lab, or a guest machine, where none can be had."""
    reasons = {
        "lab": _why_not(cannot_run_here(), missing_packages(PROGRAMS)),
        "long": "" if os.environ.get("ACKPROOF_TEST_MACHINE") == "all" else "long; run it by ACKPROOF_TEST_MACHINE=all",
        "machine": _why_not(machine_cannot_run_here(), missing_packages(MACHINE_PROGRAMS)),
    }
    here = Path(__file__).parent
    for item in items:
        if item.path.parent == here:
            for marker, reason in reasons.items():
                if reason and item.get_closest_marker(marker):
                    item.add_marker(pytest.mark.skip(reason=reason))


@pytest.fixture(scope="module")
def lab_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder for one lab and the records of its trials."""
    return tmp_path_factory.mktemp("lab")
