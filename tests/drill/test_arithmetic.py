"""A computer that computes wrongly writes nothing and gives no verdict."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from blake3 import blake3
from xxhash import xxh3_64_intdigest

from tests.drill.runs import run_here
from verify import arithmetic
from verify.arithmetic import require_right_arithmetic
from verify.errors import CannotRun

SPAN_BYTES = 1 << 20
MonkeyPatch = pytest.MonkeyPatch


def wrong_checksum(patch: MonkeyPatch) -> None:
    patch.setattr(arithmetic, "xxh3_64_intdigest", lambda content: xxh3_64_intdigest(content) ^ 1)


def wrong_digest(patch: MonkeyPatch) -> None:
    """Of whatever length, all of one another kind: nothing is wrong but the published value."""
    patch.setattr(arithmetic, "blake3", lambda content, key: blake3(content, key=key[::-1]))


def wrong_long_output(patch: MonkeyPatch) -> None:
    """A bit in the last block of a long output, as vectorised code makes it."""

    class Hasher:
        def __init__(self, content: bytes, key: bytes) -> None:
            self._rightly = blake3(content, key=key)

        def hexdigest(self) -> str:
            return self._rightly.hexdigest()

        def digest(self, length: int, seek: int = 0) -> bytes:
            right = self._rightly.digest(length=length, seek=seek)
            return right if length == 64 else right[:-1] + bytes([right[-1] ^ 1])

    patch.setattr(arithmetic, "blake3", Hasher)


def wrongly_sorted(name: str) -> Callable[[MonkeyPatch], None]:
    """Two neighbours in the wrong order, or something found one place too far, in the middle of many."""
    rightly: Callable[..., Any] = getattr(np, name)

    def wrongly(*arguments: Any, **named: Any) -> Any:
        out = rightly(*arguments, **named)
        array = out[0] if isinstance(out, tuple) else out
        middle = len(array) // 2
        array[[middle, middle + 1]] = array[[middle + 1, middle]]
        return out

    def patch_it(patch: MonkeyPatch) -> None:
        patch.setattr(np, name, wrongly)

    return patch_it


WAYS: dict[str, tuple[Callable[[MonkeyPatch], None], str]] = {
    "checksum": (wrong_checksum, "checksums"),
    "digest": (wrong_digest, "payloads"),
    "long output": (wrong_long_output, "payloads"),
    **{
        name: (wrongly_sorted(name), "sorting")
        for name in ("sort", "argsort", "lexsort", "unique", "searchsorted")
    },
}


def test_this_computer_computes_rightly() -> None:
    require_right_arithmetic()


@pytest.mark.parametrize("way", WAYS)
def test_each_thing_that_goes_wrong_is_named(monkeypatch: MonkeyPatch, way: str) -> None:
    spoil, named = WAYS[way]
    with monkeypatch.context() as patch:
        spoil(patch)
        with pytest.raises(CannotRun, match=f"^this computer makes mistakes in {named}, "):
            require_right_arithmetic()


def test_two_things_are_named_together(monkeypatch: MonkeyPatch) -> None:
    wrong_checksum(monkeypatch)
    wrong_digest(monkeypatch)
    with pytest.raises(CannotRun, match="mistakes in checksums and payloads, so"):
        require_right_arithmetic()


def write(volume: Path, record: Path) -> Any:
    return run_here(
        "write", volume, "--erase", volume, "--record", record, "--span", str(SPAN_BYTES), "--for", "0.2s",
        "--allow-page-cache",
    )  # fmt: skip


def test_nothing_is_written_and_nothing_judged(tmp_path: Path, monkeypatch: MonkeyPatch) -> None:
    volume, record = tmp_path / "volume", tmp_path / "record"
    volume.write_bytes(bytes(SPAN_BYTES))
    with monkeypatch.context() as patch:
        wrong_checksum(patch)
        done = write(volume, record)
    assert (done.returncode, done.stdout) == (4, "")
    assert "this computer makes mistakes in checksums" in " ".join(done.stderr.split())
    assert not record.exists()
    assert volume.read_bytes() == bytes(SPAN_BYTES)

    assert write(volume, record).returncode == 0
    before = tmp_path / "before"
    shutil.copytree(record, before)
    with monkeypatch.context() as patch:
        wrong_checksum(patch)
        done = run_here("check", record)
    assert done.returncode == 4
    assert "another model of processor" in " ".join(done.stderr.split())
    kept = {path.relative_to(before): path.read_bytes() for path in before.rglob("*") if path.is_file()}
    assert {path.relative_to(record): path.read_bytes() for path in record.rglob("*") if path.is_file()} == kept
