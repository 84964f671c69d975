"""The wheel: what is in it, and that what is in it is enough."""

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy of the sources, so that nothing is left in the clone, and off line."""
    pytest.importorskip("setuptools", minversion="77", reason="building a wheel needs setuptools 77")
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    for name in ("verify", "tests", "scripts"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation"]
    command += ["--no-cache-dir", "--no-index", "--disable-pip-version-check"]
    command += ["--wheel-dir", str(folder), str(source)]
    built = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert built.returncode == 0, built.stdout + built.stderr
    (found,) = folder.glob("*.whl")
    return found


@pytest.fixture(scope="module")
def unpacked(wheel: Path) -> Path:
    """The wheel laid out as an installer would."""
    site = wheel.parent / "site"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    return site


def run_python(site: Path, code: str) -> str:
    """What `code` prints, run with the packages of this interpreter but with the project from `site`."""
    environment = {**os.environ, "PYTHONPATH": str(site), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-W", "error", "-c", code]
    done = subprocess.run(
        command, cwd=site, env=environment, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_it_holds_the_package_and_its_metadata_and_nothing_else(wheel: Path) -> None:
    modules = {path.relative_to(ROOT).as_posix() for path in (ROOT / "verify").rglob("*.py")}
    pages = {"verify/py.typed", "verify/blocks/FORMAT.md", "verify/ledger/FORMAT.md", "verify/ledger/SECOND.md"}
    pages |= {path.relative_to(ROOT).as_posix() for path in (ROOT / "verify/report/templates").iterdir()}
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    metadata = f"{PROJECT['name']}-{PROJECT['version']}.dist-info/"
    assert {name for name in names if not name.startswith(metadata)} == modules | pages


def test_every_page_of_a_format_is_in_it(unpacked: Path) -> None:
    pages = sorted(path.relative_to(ROOT) for path in (ROOT / "verify").rglob("*.md"))
    assert pages
    for page in pages:
        assert (unpacked / page).read_bytes() == (ROOT / page).read_bytes()


def test_its_name_says_that_it_runs_anywhere(wheel: Path) -> None:
    assert wheel.name == f"{PROJECT['name']}-{PROJECT['version']}-py3-none-any.whl"


def test_it_needs_only_the_run_time_packages(unpacked: Path) -> None:
    (metadata,) = unpacked.glob("*.dist-info/METADATA")
    lines = metadata.read_text(encoding="utf-8").splitlines()
    needed = [line.removeprefix("Requires-Dist: ") for line in lines if line.startswith("Requires-Dist: ")]
    unconditional = {name.split(">=")[0] for name in needed if "extra ==" not in name}
    assert unconditional == {"blake3", "click", "numpy", "tqdm", "xxhash"}


def test_it_installs_one_command_that_can_be_called(unpacked: Path) -> None:
    (entry_points,) = unpacked.glob("*.dist-info/entry_points.txt")
    parser = configparser.ConfigParser()
    parser.read_string(entry_points.read_text(encoding="utf-8"))
    assert {section: dict(parser[section]) for section in parser.sections()} == {
        "console_scripts": {"ackproof": "verify.commands.main:main"}
    }
    assert run_python(unpacked, "from verify.commands.main import main; print(callable(main))") == "True\n"


def test_every_module_can_be_imported_from_it(unpacked: Path) -> None:
    code = """
import importlib, pkgutil, verify
names = [module.name for module in pkgutil.walk_packages(verify.__path__, "verify.")]
modules = [importlib.import_module(name) for name in names if not name.endswith(".__main__")]
print(verify.__file__, *(module.__file__ for module in modules), sep="\\n")
"""
    imported = {Path(line) for line in run_python(unpacked, code).splitlines()}
    assert imported == {path for path in (unpacked / "verify").rglob("*.py") if path.name != "__main__.py"}
