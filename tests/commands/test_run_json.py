"""run.json truncated, foreign, or with any field missing or wrong: a clear sentence, never a false verdict."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from tests.commands.test_bad_input import here
from tests.drill.runs import put_back, write_here
from verify.drill.planning import RunRequest, StreamRequest
from verify.errors import EXIT_CANNOT_RUN, EXIT_INCONCLUSIVE, EXIT_USAGE

WRONG_VALUES: tuple[Any, ...] = (None, True, -1, 2**63, 2**200, 1.5, "", "x", [], {})
TOLD = ("host", "software", "started", "ended", "ended_because", "result", "workers_lost",
        "floating_address")  # fmt: skip
"""Fields that a verdict does not rest on, or that a run that was killed has not got."""


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("run json")
    write_here(folder / "volume", folder / "record", RunRequest((StreamRequest(4096, 2, 64 << 10),), operations=5))
    return folder / "record"


@pytest.fixture(autouse=True)
def _no_syncs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hundreds of checks need not be made non-volatile."""
    monkeypatch.setattr(os, "fsync", lambda fd: None)


@pytest.fixture
def run_json(record: Path) -> Iterator[Path]:
    """The path of run.json, which is put back afterwards."""
    yield from put_back(record / "run.json")


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path of every field and item in a JSON value."""
    items: Any = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield (*path, key)
        yield from places(inner, (*path, key))


def changed(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    """A copy with one place set to something else."""
    copy = deepcopy(value)
    inner = copy
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = new
    return copy


def without(value: Any, path: tuple[Any, ...]) -> Any:
    """A copy without one place."""
    copy = deepcopy(value)
    inner = copy
    for key in path[:-1]:
        inner = inner[key]
    del inner[path[-1]]
    return copy


def test_truncated_anywhere(run_json: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = run_json.read_bytes()
    for length in range(len(whole) - 1):
        run_json.write_bytes(whole[:length])
        if whole[length:].strip():
            code, out, err = here(["check", run_json.parent], capsys)
            assert (code, out) == (EXIT_USAGE, ""), length
            assert "run.json is damaged or is not the description of a run" in err


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\x00" * 100,
        b"\xff\xfe\x80",
        b"null",
        b"[]",
        b'"a text"',
        b"{}",
        b'{"format": "another-tool/7", "run": {}}',
        b'{"format": "ackproof-run/2"}',
        b'{"format": "ackproof-run/1"}',
        b'{"format": "ackproof-run/1", "run": []}',
        b"[" * 100_000,
        b'{"format": ' + b"1" * 10_000 + b"}",
    ],
    ids=lambda content: repr(content[:30]),
)
def test_foreign(run_json: Path, capsys: pytest.CaptureFixture[str], content: bytes) -> None:
    run_json.write_bytes(content)
    for command in (["check", run_json.parent], ["check", run_json.parent, "--read-twice"]):
        code, out, err = here(command, capsys)
        assert (code, out) == (EXIT_USAGE, "")
        assert "run.json" in err
        assert len(err.splitlines()) == 1


def test_a_folder_or_a_link_in_its_place(run_json: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    whole = run_json.read_bytes()
    run_json.unlink()
    (tmp_path / "elsewhere").write_bytes(whole)
    run_json.symlink_to(tmp_path / "elsewhere")
    assert here(["check", run_json.parent], capsys)[0] == EXIT_CANNOT_RUN
    run_json.unlink()
    run_json.mkdir()
    assert here(["check", run_json.parent], capsys)[0] == EXIT_CANNOT_RUN
    run_json.rmdir()


def test_every_field_missing(run_json: Path, capsys: pytest.CaptureFixture[str]) -> None:
    value = json.loads(run_json.read_text())
    for path in places(value):
        run_json.write_text(json.dumps(without(value, path)))
        code, out, err = here(["check", run_json.parent], capsys)
        shutil.rmtree(run_json.parent / "checks", ignore_errors=True)
        if path[0] in TOLD or path[0] == "ledger_heads" or path[:2] in OPTIONAL:
            assert code == EXIT_INCONCLUSIVE, path
        else:
            assert (code, out) == (EXIT_USAGE, ""), path
            assert len(err.splitlines()) == 1, path


OPTIONAL = {
    ("volume", "direct"),
    ("volume", "cache_mode"),
    ("volume", "memory_locked"),
    ("volume", "time_outs_s"),
}


def test_every_field_wrong(run_json: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whatever is wrong in it: neither PASS nor FAIL, but a refusal, or INCONCLUSIVE where it matters to no verdict."""
    value = json.loads(run_json.read_text())
    for path in places(value):
        for new in WRONG_VALUES:
            run_json.write_text(json.dumps(changed(value, path, new)))
            code, _, err = here(["check", run_json.parent], capsys)
            shutil.rmtree(run_json.parent / "checks", ignore_errors=True)  # A check reads what every earlier one saw.
            assert code in (EXIT_INCONCLUSIVE, EXIT_USAGE, EXIT_CANNOT_RUN), (path, new)
            assert len(err.splitlines()) <= 2, (path, new, err)
