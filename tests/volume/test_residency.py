"""Accepted is not bypassed: what counts as direct, and what is caught."""

from __future__ import annotations

import errno
import fcntl
import mmap
import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from verify.errors import CannotRun
from verify.volume import kernel, residency
from verify.volume.direct import DirectVolume, open_volume, prove_direct
from verify.volume.identity import identify
from verify.volume.kernel import resident_pages
from verify.volume.look import direct_trouble

Attach = Callable[..., str]
ASKING = [kernel._cached_by_cachestat, kernel._cached_by_mincore]


def opened(path: str | Path, allow_page_cache: bool = False) -> DirectVolume:
    return open_volume(str(path), writable=True, exclusive=False, allow_page_cache=allow_page_cache)


def turn_direct_io_off(volume: DirectVolume) -> None:
    """Make reads go through the page cache although the volume was opened, and says it is, direct."""
    flags = fcntl.fcntl(volume.fd, fcntl.F_GETFL)
    fcntl.fcntl(volume.fd, fcntl.F_SETFL, flags & ~os.O_DIRECT)


@pytest.fixture
def image_with_data(image: Path) -> Path:
    image.write_bytes(os.urandom(1 << 20) * 16)
    return image


class TestAskingTheKernel:
    @pytest.mark.parametrize("ask", ASKING)
    def test_cached_pages_are_counted(
        self, image_with_data: Path, ask: Callable[[int, int, int], int]
    ) -> None:
        with image_with_data.open("r+b", buffering=0) as file:
            os.fsync(file.fileno())
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
            try:
                assert ask(file.fileno(), 0, 1 << 20) == 0
            except OSError as error:
                if error.errno == errno.ENOSYS:
                    pytest.skip("this kernel cannot be asked so")
                raise
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_RANDOM)
            os.pread(file.fileno(), 3 * mmap.PAGESIZE, 8 * mmap.PAGESIZE)
            assert ask(file.fileno(), 8 * mmap.PAGESIZE, 3 * mmap.PAGESIZE) == 3
            assert ask(file.fileno(), 0, mmap.PAGESIZE) == 0
            assert ask(file.fileno(), 0, 1 << 20) < 256

    def test_where_the_first_way_fails_the_second_is_taken(
        self, image_with_data: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def missing(fd: int, offset_bytes: int, length_bytes: int) -> int:
            raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))

        monkeypatch.setattr(kernel, "_cached_by_cachestat", missing)
        with image_with_data.open("r+b", buffering=0) as file:
            os.pread(file.fileno(), 4096, 0)
            assert resident_pages(file.fileno(), 0, 4096) == 1
        with pytest.raises(OSError, match="Bad file descriptor"):
            resident_pages(9999, 0, 4096)


class TestFiles:
    def test_direct_reads_are_proven(self, image_with_data: Path) -> None:
        volume = opened(image_with_data)
        assert prove_direct(volume) is None
        volume.close()

    def test_a_sparse_file_is_proven(self, tmp_path: Path) -> None:
        with (tmp_path / "sparse.img").open("wb") as file:
            file.truncate(1 << 40)
        volume = opened(tmp_path / "sparse.img")
        assert prove_direct(volume) is None
        volume.close()

    def test_what_other_programs_cached_and_wrote_does_not_count(self, image_with_data: Path) -> None:
        volume = opened(image_with_data)
        with image_with_data.open("r+b") as other:
            other.write(os.urandom(1 << 20))
            other.flush()
            other.read()
            assert resident_pages(other.fileno(), 0, 1 << 20) == 256
            assert prove_direct(volume) is None
        volume.close()

    def test_what_other_programs_wrote_is_written_out_first(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(residency, "ATTEMPT_COUNT", 1)
        volume_path = tmp_path / "small.img"
        volume_path.write_bytes(bytes(65536))
        volume = opened(volume_path)
        with volume_path.open("r+b", buffering=0) as other:
            other.write(os.urandom(65536))
            assert prove_direct(volume) is None
        volume.close()

    @pytest.mark.parametrize("ask", ASKING)
    def test_reads_that_really_go_through_the_page_cache_are_caught(
        self, image_with_data: Path, monkeypatch: pytest.MonkeyPatch, ask: Callable[[int, int, int], int]
    ) -> None:
        monkeypatch.setattr(residency, "resident_pages", ask)
        volume = opened(image_with_data)
        turn_direct_io_off(volume)
        problem = prove_direct(volume)
        volume.close()
        assert problem is not None
        assert "in this guest's page cache, although direct I/O was accepted" in problem

    def test_one_cached_place_among_direct_ones_is_caught(
        self, image_with_data: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        volume = opened(image_with_data)
        direct_read = DirectVolume.read

        def read(self: DirectVolume, offset_bytes: int, buffer: memoryview) -> int:
            if offset_bytes > 15 << 20:
                with image_with_data.open("rb", buffering=0) as file:
                    return os.preadv(file.fileno(), (buffer,), offset_bytes)
            return direct_read(self, offset_bytes, buffer)

        monkeypatch.setattr(DirectVolume, "read", read)
        problem = prove_direct(volume)
        volume.close()
        assert problem is not None
        assert "left 16 pages" in problem

    def test_pages_another_program_reads_in_the_same_moment_do_not_count(
        self, image_with_data: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        volume = opened(image_with_data)
        direct_read, reads = DirectVolume.read, []

        def read(self: DirectVolume, offset_bytes: int, buffer: memoryview) -> int:
            reads.append(offset_bytes)
            if reads.count(offset_bytes) == 1:
                with image_with_data.open("rb", buffering=0) as file:
                    os.pread(file.fileno(), 4096, offset_bytes)
            return direct_read(self, offset_bytes, buffer)

        monkeypatch.setattr(DirectVolume, "read", read)
        assert prove_direct(volume) is None
        volume.close()
        assert len(reads) == 2 * len(set(reads)) > 2

    def test_pages_that_will_not_go_leave_it_unproven(self, tmp_path: Path) -> None:
        (tmp_path / "small.img").write_bytes(os.urandom(65536))
        volume = opened(tmp_path / "small.img")
        with (tmp_path / "small.img").open("r+b") as file, mmap.mmap(file.fileno(), 65536) as mapped:
            assert sum(mapped[::4096]) > 0  # every page of the mapping is now in use
            problem = prove_direct(volume)
        assert problem is not None
        assert "the kernel would not drop it" in problem
        assert prove_direct(volume) is None
        volume.close()

    def test_a_kernel_that_does_not_tell_leaves_it_unproven(
        self, image: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def missing(fd: int, offset_bytes: int, length_bytes: int) -> int:
            raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))

        monkeypatch.setattr(residency, "resident_pages", missing)
        volume = opened(image)
        problem = prove_direct(volume)
        volume.close()
        assert problem is not None
        assert "the kernel does not tell" in problem

    def test_a_file_smaller_than_a_sector_is_unproven(self, tmp_path: Path) -> None:
        (tmp_path / "tiny.img").write_bytes(b"x")
        volume = opened(tmp_path / "tiny.img")
        problem = prove_direct(volume)
        volume.close()
        assert problem is not None
        assert "too small" in problem

    def test_a_file_on_which_the_file_system_does_none_is_caught(
        self, image: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(residency, "direct_alignment", lambda _: (0, 0))
        volume = opened(image)
        problem = prove_direct(volume)
        volume.close()
        assert problem is not None
        assert "does no direct I/O on this file" in problem


def accepts_direct_io(path: Path) -> bool:
    try:
        os.close(os.open(path, os.O_RDWR | os.O_DIRECT))
    except OSError:
        return False
    return True


@pytest.fixture
def memory_folder(tmp_path: Path) -> Iterator[Path]:
    if os.geteuid() != 0:
        pytest.skip("needs root: mounts a file system in memory")
    folder = tmp_path / "memory"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=32m", "none", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.root
class TestFilesInMemory:
    @pytest.mark.parametrize("content", [b"", os.urandom(1 << 20)])
    def test_they_are_caught_with_and_without_data(self, memory_folder: Path, content: bytes) -> None:
        path = memory_folder / "v.img"
        path.write_bytes(content)
        os.truncate(path, 1 << 20)
        if not accepts_direct_io(path):
            with pytest.raises(CannotRun, match="refuses direct I/O"):
                opened(path)
        volume = opened(path, allow_page_cache=True)
        problem = prove_direct(volume)
        volume.close()
        assert problem is not None
        assert "is on tmpfs" in problem or not accepts_direct_io(path)

    def test_a_loop_device_over_one_is_caught(self, memory_folder: Path, attach: Attach) -> None:
        path = memory_folder / "v.img"
        path.write_bytes(bytes(1 << 20))
        volume = opened(attach(path, "--direct-io=on"))
        problem = prove_direct(volume)
        volume.close()
        assert problem is not None
        assert "tmpfs" in problem or "page cache" in problem


@pytest.mark.root
class TestLoopDevices:
    def test_one_with_direct_io_to_its_file_is_proven(self, attach: Attach, image_with_data: Path) -> None:
        device = attach(image_with_data, "--direct-io=on")
        volume = opened(device)
        with open(device, "rb") as other:
            other.read(1 << 20)
            assert resident_pages(other.fileno(), 0, 1 << 20) == 256
        assert prove_direct(volume) is None
        volume.close()

    def test_one_without_is_caught(self, attach: Attach, image_with_data: Path) -> None:
        device = attach(image_with_data, "--direct-io=off")
        volume = opened(device)
        problem = prove_direct(volume)
        volume.close()
        assert problem is not None
        assert f"the loop device {device} reads and writes {image_with_data} through" in problem

    def test_reads_through_the_page_cache_are_caught(self, attach: Attach, image_with_data: Path) -> None:
        volume = opened(attach(image_with_data, "--direct-io=on"))
        turn_direct_io_off(volume)
        problem = prove_direct(volume)
        volume.close()
        assert problem is not None
        assert "although direct I/O was accepted" in problem

    @pytest.mark.parametrize("mode", ["on", "off"])
    def test_a_file_on_a_file_system_on_a_loop_device(
        self, attach: Attach, mount: Callable[..., Path], image: Path, mode: str
    ) -> None:
        device = attach(image, f"--direct-io={mode}")
        subprocess.run(["mkfs.ext4", "-q", device], check=True)
        path = mount(device) / "v.img"
        path.write_bytes(os.urandom(1 << 20))
        volume = opened(path)
        problem = prove_direct(volume)
        volume.close()
        if mode == "on":
            assert problem is None
        else:
            assert problem is not None
            assert f"the loop device {device} reads and writes {image} through" in problem

    @pytest.mark.parametrize("mode", ["on", "off"])
    def test_a_loop_device_on_a_file_system_on_a_loop_device(
        self, attach: Attach, mount: Callable[..., Path], image: Path, mode: str
    ) -> None:
        lower = attach(image, f"--direct-io={mode}")
        subprocess.run(["mkfs.ext4", "-q", lower], check=True)
        inner = mount(lower) / "inner.img"
        inner.write_bytes(os.urandom(1 << 20))
        upper = attach(inner, "--direct-io=on")
        volume = opened(upper)
        problem = prove_direct(volume)
        volume.close()
        subprocess.run(["losetup", "--detach", upper], check=True)
        assert (problem is None) == (mode == "on")
        assert mode == "on" or f"the loop device {lower} " in str(problem)

    @pytest.mark.parametrize("mode", ["on", "off"])
    def test_a_partition_of_a_loop_device(self, attach: Attach, image_with_data: Path, mode: str) -> None:
        device = attach(image_with_data, f"--direct-io={mode}", "--partscan")
        subprocess.run(["addpart", device, "1", "2048", "8192"], check=True)
        volume = opened(f"{device}p1")
        problem = prove_direct(volume)
        volume.close()
        assert volume.identity.identity == f"loop:{image_with_data}@0-part1"
        assert volume.size_bytes == 4 << 20
        assert (problem is None) == (mode == "on")


@pytest.mark.root
@pytest.mark.parametrize(("option", "trouble"), [("on", ""), ("off", "through this guest's page cache")])
def test_a_survey_says_of_a_loop_device_what_a_write_would_refuse(
    attach: Attach, image_with_data: Path, option: str, trouble: str
) -> None:
    found = direct_trouble(identify(attach(image_with_data, f"--direct-io={option}")))
    assert trouble in found
    assert bool(found) == bool(trouble)
