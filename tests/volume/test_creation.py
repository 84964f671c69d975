"""Making a file to test on."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from verify.errors import CannotRun, UsageError
from verify.volume import creation
from verify.volume.direct import create_file
from verify.volume.kernel import allocate


def test_the_file_has_its_size_and_its_room(tmp_path: Path) -> None:
    create_file(str(tmp_path / "v.img"), 1 << 20)
    status = (tmp_path / "v.img").stat()
    assert (status.st_size, status.st_mode & 0o777) == (1 << 20, 0o600)
    assert status.st_blocks * 512 >= 1 << 20


def test_a_relative_path_works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    create_file("v.img", 4096)
    assert (tmp_path / "v.img").stat().st_size == 4096


def test_what_exists_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "v.img").write_bytes(b"precious")
    with pytest.raises(CannotRun, match="exists already"):
        create_file(str(tmp_path / "v.img"), 4096)
    (tmp_path / "dangling").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CannotRun, match="exists already"):
        create_file(str(tmp_path / "dangling"), 4096)
    assert (tmp_path / "v.img").read_bytes() == b"precious"
    assert not (tmp_path / "elsewhere").exists()


def test_without_room_nothing_is_left(tmp_path: Path) -> None:
    free_bytes = os.statvfs(tmp_path).f_bavail * os.statvfs(tmp_path).f_frsize
    with pytest.raises(CannotRun, match=r"no room for .*v\.img: it needs \d+ bytes, and \d+ are free"):
        create_file(str(tmp_path / "v.img"), free_bytes * 4)
    assert list(tmp_path.iterdir()) == []


def test_a_size_beyond_any_file_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(CannotRun, match="no room"):
        create_file(str(tmp_path / "v.img"), 1 << 62)
    assert list(tmp_path.iterdir()) == []


class TestWhereRoomCannotBeReserved:
    @pytest.fixture(autouse=True)
    def no_reserving(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(creation, "allocate", lambda *_: False)

    def test_the_file_is_sized(self, tmp_path: Path) -> None:
        create_file(str(tmp_path / "v.img"), 1 << 20)
        status = (tmp_path / "v.img").stat()
        assert (status.st_size, status.st_blocks) == (1 << 20, 0)

    def test_too_little_free_room_is_refused_at_once(self, tmp_path: Path) -> None:
        room = os.statvfs(tmp_path)
        with pytest.raises(CannotRun, match="no room"):
            create_file(str(tmp_path / "v.img"), room.f_bavail * room.f_frsize + (1 << 40))
        assert list(tmp_path.iterdir()) == []


def test_only_a_file_system_that_cannot_reserve_says_so(tmp_path: Path) -> None:
    with (tmp_path / "v.img").open("w+b") as file:
        assert allocate(file.fileno(), 8192)
        assert os.fstat(file.fileno()).st_size == 8192
        with pytest.raises(OSError, match=r"No space left|File too large"):
            allocate(file.fileno(), 1 << 62)
        os.ftruncate(file.fileno(), 0)
    with (tmp_path / "v.img").open("rb") as file, pytest.raises(OSError, match="Bad file descriptor"):
        allocate(file.fileno(), 8192)


def test_any_failure_removes_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(fd: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(CannotRun, match="Input/output error"):
        create_file(str(tmp_path / "v.img"), 4096)
    assert list(tmp_path.iterdir()) == []


def test_an_interrupt_removes_the_file_and_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(fd: int, size_bytes: int) -> bool:
        raise KeyboardInterrupt

    monkeypatch.setattr(creation, "allocate", interrupt)
    with pytest.raises(KeyboardInterrupt):
        create_file(str(tmp_path / "v.img"), 4096)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("size_bytes", [0, -4096])
def test_no_size_is_wrong_usage(tmp_path: Path, size_bytes: int) -> None:
    with pytest.raises(UsageError, match="size above 0"):
        create_file(str(tmp_path / "v.img"), size_bytes)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_will_not_do_is_named(tmp_path: Path) -> None:
    with pytest.raises(CannotRun, match="its folder does not exist"):
        create_file(str(tmp_path / "missing" / "v.img"), 4096)
    (tmp_path / "file").touch()
    with pytest.raises(CannotRun, match="its folder is not a folder"):
        create_file(str(tmp_path / "file" / "v.img"), 4096)
    with pytest.raises(CannotRun, match="cannot create"):
        create_file("nul\0byte", 4096)


def test_without_permission_it_says_so(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    effective = os.geteuid()
    try:
        if effective == 0:
            os.seteuid(65534)
        with pytest.raises(CannotRun, match="no permission to"):
            create_file(str(tmp_path / "v.img"), 4096)
    finally:
        os.seteuid(effective)
        tmp_path.chmod(0o700)
