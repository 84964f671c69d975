"""The file of the shared secret: made for its owner alone, read with care, refused with what to do."""

from __future__ import annotations

import errno
import hashlib
import hmac
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.ledger.second_ends import SECRET
from verify.errors import CannotRun, UsageError
from verify.ledger.second_secret import (
    PROOF_BYTES,
    SECRET_BYTES_MAX,
    SECRET_BYTES_MIN,
    SENDER,
    fingerprint,
    make_secret,
    proof,
    proves,
    read_secret,
)

PATIENCE_S = 5.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "secret"


@pytest.fixture(autouse=True)
def gives_files_back() -> Any:
    """Whatever happens."""
    before = os.listdir("/proc/self/fd")
    yield
    assert os.listdir("/proc/self/fd") == before


def put(path: Path, content: bytes) -> str:
    path.write_bytes(content)
    path.chmod(0o600)
    return str(path)


def failing(number: int) -> Callable[..., Any]:
    def fail(*_: Any) -> Any:
        raise OSError(number, os.strerror(number))

    return fail


class TestProof:
    def test_one_is_the_hmac_of_what_the_page_lists(self) -> None:
        """By the standard library's other way of making it."""
        shown, ours, theirs = hashlib.sha256(b"DER").digest(), bytes(range(32)), bytes(range(32, 64))
        made = hmac.new(SECRET, digestmod="sha256")
        for piece in (b"ackproof 2026-11-25 second ledger proof v1", b"S", shown, ours, theirs):
            made.update(piece)
        assert fingerprint(b"DER") == shown
        assert proof(SECRET, SENDER, shown, ours, theirs) == made.digest()
        assert len(made.digest()) == PROOF_BYTES

    @pytest.mark.parametrize("other", [b"", bytes(31), bytes(33), bytes(31) + b"\1", b"\1" + bytes(31)])
    def test_no_other_proves(self, other: bytes) -> None:
        assert proves(bytes(32), bytes(32))
        assert not proves(other, bytes(32))


class TestMaking:
    def test_it_is_for_its_owner_alone_and_read_back(self, path: Path, tmp_path: Path) -> None:
        assert make_secret(str(path))
        assert path.stat().st_mode & 0o777 == 0o600
        content = path.read_bytes()
        assert len(content) == 2 * SECRET_BYTES_MIN + 1
        assert len(bytes.fromhex(content.removesuffix(b"\n").decode())) == SECRET_BYTES_MIN
        assert read_secret(str(path)) == content.removesuffix(b"\n")
        assert make_secret(str(tmp_path / "other"))
        assert read_secret(str(tmp_path / "other")) != read_secret(str(path))

    def test_one_that_is_there_is_left_alone(self, path: Path) -> None:
        put(path, SECRET)
        assert not make_secret(str(path))
        assert path.read_bytes() == SECRET

    def test_one_that_cannot_be_made_is_told(self, tmp_path: Path) -> None:
        place = tmp_path / "none" / "secret"
        with pytest.raises(CannotRun) as told:
            make_secret(str(place))
        assert str(told.value) == f"--secret {place} cannot be made: No such file or directory"

    @pytest.mark.parametrize("call", ["write", "fsync"])
    def test_one_that_cannot_be_written_is_told_and_not_left_behind(
        self, path: Path, monkeypatch: pytest.MonkeyPatch, call: str
    ) -> None:
        """A secret that is there in part would be kept by the next start, and copied."""
        with monkeypatch.context() as patch:
            patch.setattr(os, call, failing(errno.ENOSPC))
            with pytest.raises(CannotRun) as told:
                make_secret(str(path))
        assert str(told.value) == f"--secret {path} cannot be written: No space left on device"
        assert not path.exists()


class TestReading:
    @pytest.mark.parametrize(
        ("content", "secret"),
        [
            (SECRET, SECRET),
            (b"\n " + SECRET + b"\r\n\t", SECRET),
            (b"x" * SECRET_BYTES_MIN, b"x" * SECRET_BYTES_MIN),
            (b"x" * SECRET_BYTES_MAX, b"x" * SECRET_BYTES_MAX),
            (SECRET + b" \0\xff " + SECRET, SECRET + b" \0\xff " + SECRET),
        ],
        ids=lambda value: str(len(value)),
    )
    def test_all_but_white_space_at_the_ends_counts(self, path: Path, content: bytes, secret: bytes) -> None:
        assert read_secret(put(path, content)) == secret

    @pytest.mark.parametrize(
        ("content", "held"),
        [
            (b"", 0),
            (b"short\n", 5),
            (b" " * 100, 0),
            (b"x" * 31 + b"\n", 31),
            (b"x" * 31 + b" " * 4065, 31),
            (b"x" * 4096 + b"\n", 4097),
            (b"x" * 4096 + b" and more", 4105),
            (b"x" * (1 << 20), 1 << 20),
        ],
        ids=lambda value: str(len(value) if isinstance(value, bytes) else value),
    )
    def test_too_few_or_too_many_bytes_are_refused(self, path: Path, content: bytes, held: int) -> None:
        """Told as they are; and never are the first of too many taken for all."""
        with pytest.raises(UsageError) as told:
            read_secret(put(path, content))
        assert str(told.value) == (
            f"--secret {path} holds {held} bytes; it takes 32 to 4096 random ones, "
            "such as `openssl rand -hex 32` prints"
        )

    @pytest.mark.parametrize("mode", [0o640, 0o620, 0o610, 0o604, 0o602, 0o601, 0o644])
    def test_that_others_may_read_is_refused(self, path: Path, mode: int) -> None:
        put(path, SECRET)
        path.chmod(mode)
        with pytest.raises(UsageError) as told:
            read_secret(str(path))
        assert str(told.value) == f"--secret {path} may be read by others; do: chmod 600 {path}"

    @pytest.mark.parametrize("mode", [0o600, 0o400, 0o700])
    def test_whatever_its_owner_may_do(self, path: Path, mode: int) -> None:
        put(path, SECRET)
        path.chmod(mode)
        assert read_secret(str(path)) == SECRET

    def test_one_that_is_not_there_is_told_who_makes_it(self, path: Path) -> None:
        with pytest.raises(UsageError) as told:
            read_secret(str(path))
        assert str(told.value) == (
            f"--secret {path}: there is no such file; `ackproof receive` makes one, which is then copied to the guest"
        )

    def test_a_folder_or_a_device_is_refused(self, tmp_path: Path) -> None:
        for place in (str(tmp_path), "/dev/null"):
            with pytest.raises(UsageError) as told:
                read_secret(place)
            assert str(told.value) == f"--secret {place} is no file"

    def test_a_pipe_is_refused_and_not_waited_for(self, path: Path) -> None:
        os.mkfifo(path, 0o600)
        told: list[str] = []

        def read() -> None:
            try:
                read_secret(str(path))
            except UsageError as error:
                told.append(str(error))

        thread = threading.Thread(target=read, daemon=True)
        thread.start()
        thread.join(PATIENCE_S)
        assert told == [f"--secret {path} is no file"]

    def test_one_that_cannot_be_opened_is_told(self, path: Path) -> None:
        place = path / "secret"
        put(path, SECRET)
        with pytest.raises(CannotRun) as told:
            read_secret(str(place))
        assert str(told.value) == f"--secret {place} cannot be read: Not a directory"

    def test_one_that_cannot_be_read_is_told(self, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        put(path, SECRET)
        with monkeypatch.context() as patch:
            patch.setattr(os, "read", failing(errno.EIO))
            with pytest.raises(CannotRun) as told:
                read_secret(str(path))
        assert str(told.value) == f"--secret {path} cannot be read: Input/output error"
