"""The lab needs root and some Debian packages; where they are missing its tests are skipped, and say so."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from scripts.takeover_lab.packages import cannot_run_here, missing_packages


def pytest_configure() -> None:
    """End as on Ctrl-C when asked to end, so that no lab is left standing."""

    def end(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, end)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip every test of this folder that needs a lab where none can be built."""
    reason = cannot_run_here()
    if not reason and missing_packages():
        reason = f"needs Debian's packages {', '.join(missing_packages())}; `scripts/lab up` installs them"
    here = Path(__file__).parent
    for item in items:
        if reason and item.path.parent == here and item.get_closest_marker("lab"):
            item.add_marker(pytest.mark.skip(reason=reason))


@pytest.fixture(scope="module")
def lab_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder for one lab and the records of its trials."""
    return tmp_path_factory.mktemp("lab")
