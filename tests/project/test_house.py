"""The house as it is meant to stand: which room may know which, and what never does I/O."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2] / "verify"
IO_MODULES = {"os", "io", "pathlib", "socket", "subprocess", "shutil", "tempfile", "mmap", "fcntl", "threading",
              "multiprocessing", "time", "signal", "ctypes", "sys"}  # fmt: skip


def imports(path):
    out = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            out.add(node.module)
    return out


def modules(room):
    return sorted((ROOT / room).rglob("*.py"))


@pytest.mark.parametrize("path", modules("blocks") + modules("judge"), ids=lambda p: f"{p.parent.name}/{p.name}")
def test_blocks_and_judge_do_no_io(path):
    source = path.read_text(encoding="utf-8")
    assert not {name.split(".")[0] for name in imports(path)} & IO_MODULES
    assert not any(
        isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("open", "print", "input")
        for node in ast.walk(ast.parse(source))
    )


@pytest.mark.parametrize("room", ["blocks", "ledger", "volume", "judge", "load", "drill", "report", "rehearsal"])
def test_no_room_knows_the_commands(room):
    for path in modules(room):
        assert not any(name.startswith("verify.commands") for name in imports(path)), path


@pytest.mark.parametrize("room", ["blocks", "ledger", "volume", "judge", "load", "drill", "report"])
def test_no_room_knows_the_simulated_pair(room):
    for path in modules(room):
        assert not any(name.startswith("verify.rehearsal") for name in imports(path)), path


def test_the_simulated_pair_knows_nothing_of_blocks_ledger_and_judge():
    driver = {"comparison.py", "drill_ground.py", "rehearse.py"}
    for path in modules("rehearsal"):
        if path.name not in driver:
            known = {name for name in imports(path) if name.startswith("verify.")}
            allowed = ("verify.errors", "verify.rehearsal", "verify.volume.protocol")
            assert all(name.startswith(allowed) for name in known)


def test_the_judge_takes_only_what_is_pure_from_other_rooms():
    allowed = {"verify.ledger.frames", "verify.load.run", "verify.load.schedule"}
    for path in modules("judge"):
        for name in imports(path):
            if name.startswith("verify.") and not name.startswith(("verify.judge", "verify.blocks")):
                assert name in allowed, f"{path.name} imports {name}"
