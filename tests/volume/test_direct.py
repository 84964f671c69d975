"""Reading and writing real files and loop devices past the page cache."""

from __future__ import annotations

import ctypes
import errno
import fcntl
import mmap
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from verify.errors import CannotRun, UsageError
from verify.volume import direct
from verify.volume.direct import DirectVolume, aligned_buffer, open_volume
from verify.volume.identity import VolumeIdentity, identify
from verify.volume.protocol import Volume


def filled(value: int, size_bytes: int = 4096) -> memoryview:
    buffer = aligned_buffer(size_bytes)
    buffer[:] = bytes([value]) * size_bytes
    return buffer


@pytest.fixture
def volume(image: Path) -> Iterator[DirectVolume]:
    opened = open_volume(str(image), writable=True, exclusive=True)
    yield opened
    opened.close()


def open_fds() -> set[str]:
    return set(os.listdir("/proc/self/fd"))


class TestAlignedBuffer:
    @pytest.mark.parametrize("size_bytes", [1, 512, 4096, 65536 + 512])
    def test_it_is_writable_zeroed_and_starts_on_a_page(self, size_bytes: int) -> None:
        buffer = aligned_buffer(size_bytes)
        assert (len(buffer), buffer.readonly, bytes(buffer)) == (size_bytes, False, bytes(size_bytes))
        address = ctypes.addressof(ctypes.c_char.from_buffer(buffer))
        assert address % mmap.PAGESIZE == 0

    @pytest.mark.parametrize("size_bytes", [0, -1])
    def test_an_empty_one_is_wrong_usage(self, size_bytes: int) -> None:
        with pytest.raises(UsageError):
            aligned_buffer(size_bytes)


class TestReadingAndWriting:
    def test_it_is_a_volume_with_direct_io(self, volume: DirectVolume, image: Path) -> None:
        as_volume: Volume = volume
        assert (as_volume.size_bytes, as_volume.sector_bytes) == (16 << 20, identify(str(image)).sector_bytes)
        assert volume.direct
        assert fcntl.fcntl(volume.fd, fcntl.F_GETFL) & os.O_DIRECT
        assert fcntl.fcntl(volume.fd, fcntl.F_GETFD) & fcntl.FD_CLOEXEC
        assert (volume.cache_mode, volume.reopened) == ("", [])

    @pytest.mark.parametrize("through", [False, True])
    def test_what_is_written_is_read_back_and_nothing_else_changes(
        self, volume: DirectVolume, image: Path, through: bool
    ) -> None:
        assert volume.write(8192, filled(7), through) == 4096
        volume.flush()
        back = aligned_buffer(4096)
        assert volume.read(8192, back) == 4096
        assert bytes(back) == bytes([7]) * 4096
        content = image.read_bytes()
        assert content[8192:12288] == bytes(back)
        assert content.count(0) == len(content) - 4096

    def test_reads_end_at_the_end(self, volume: DirectVolume) -> None:
        assert volume.read(volume.size_bytes - 4096, aligned_buffer(8192)) == 4096
        assert volume.read(volume.size_bytes, aligned_buffer(4096)) == 0

    def test_unaligned_transfers_are_the_kernels_error(self, volume: DirectVolume) -> None:
        volume.write(0, filled(1), False)
        with pytest.raises(OSError, match="Invalid argument"):
            volume.write(100, filled(1), False)
        with pytest.raises(OSError, match="Invalid argument"):
            volume.read(0, aligned_buffer(100))

    def test_a_part_of_a_buffer_can_be_written(self, volume: DirectVolume) -> None:
        buffer = aligned_buffer(8192)
        buffer[4096:] = filled(9)
        assert volume.write(0, buffer[4096:8192], False) == 4096
        back = aligned_buffer(8192)
        volume.read(0, back)
        assert bytes(back) == bytes([9]) * 4096 + bytes(4096)

    def test_opened_for_reading_it_cannot_be_written(self, image: Path) -> None:
        volume = open_volume(str(image), writable=False, exclusive=True)
        with pytest.raises(OSError, match="Bad file descriptor"):
            volume.write(0, filled(1), False)
        volume.close()

    def test_through_writes_ask_for_it_in_the_call(
        self, volume: DirectVolume, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        flags: list[tuple[int, ...]] = []
        real_write = os.pwritev

        def write(fd: int, buffers: object, offset: int, *more: int) -> int:
            flags.append(more)
            return real_write(fd, buffers, offset, *more)

        monkeypatch.setattr(os, "pwritev", write)
        volume.write(0, filled(1), True)
        volume.write(0, filled(1), False)
        assert flags == [(os.RWF_DSYNC,), ()]

    def test_where_the_call_cannot_a_second_open_file_does_it(
        self, volume: DirectVolume, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        asked: list[int] = []
        real_write = os.pwritev

        def write(fd: int, buffers: object, offset: int, flags: int = 0) -> int:
            if flags:
                asked.append(fd)
                raise OSError(errno.EOPNOTSUPP, "not supported")
            assert (fcntl.fcntl(fd, fcntl.F_GETFL) & os.O_DSYNC != 0) == (offset == 4096)
            return real_write(fd, buffers, offset)

        monkeypatch.setattr(os, "pwritev", write)
        for _ in range(2):
            assert volume.write(4096, filled(3), True) == 4096
            assert volume.write(0, filled(4), False) == 4096
        assert len(asked) == 1
        back = aligned_buffer(8192)
        volume.read(0, back)
        assert bytes(back) == bytes([4]) * 4096 + bytes([3]) * 4096

    def test_other_errors_of_through_writes_are_raised(
        self, volume: DirectVolume, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fail(fd: int, buffers: object, offset: int, flags: int = 0) -> int:
            raise OSError(errno.EIO, "broken")

        monkeypatch.setattr(os, "pwritev", fail)
        with pytest.raises(OSError, match="broken"):
            volume.write(0, filled(1), True)

    def test_closed_it_answers_bad_descriptor_and_holds_nothing(self, image: Path) -> None:
        before = open_fds()
        volume = open_volume(str(image), writable=True, exclusive=True)
        volume.close()
        volume.close()
        assert open_fds() == before
        calls = (
            lambda: volume.read(0, aligned_buffer(4096)),
            lambda: volume.write(0, filled(1), False),
            lambda: volume.write(0, filled(1), True),
            volume.flush,
        )
        for call in calls:
            with pytest.raises(OSError, match="Bad file descriptor"):
                call()
        assert not volume.reopen()


class TestOpening:
    def test_a_second_exclusive_use_is_refused_until_the_first_ends(self, image: Path) -> None:
        first = open_volume(str(image), writable=True, exclusive=True)
        before = open_fds()
        with pytest.raises(CannotRun, match="is in use"):
            open_volume(str(image), writable=True, exclusive=True)
        assert open_fds() == before
        shared = open_volume(str(image), writable=True, exclusive=False)
        shared.close()
        first.close()
        open_volume(str(image), writable=True, exclusive=True).close()

    def test_it_says_which_program_has_it(self, image: Path) -> None:
        code = "import fcntl, sys; f = open(sys.argv[1]); fcntl.flock(f, 2); print(flush=True); input()"
        with subprocess.Popen(
            [sys.executable, "-c", code, str(image)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as holder:
            assert holder.stdout is not None
            holder.stdout.readline()
            with pytest.raises(CannotRun, match=rf"in use: locked by process {holder.pid} \(python"):
                open_volume(str(image), writable=True, exclusive=True)
            holder.communicate(b"\n")

    def test_a_file_system_without_locks_is_told(self, image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def no_locks(fd: int, operation: int) -> None:
            raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

        monkeypatch.setattr(fcntl, "flock", no_locks)
        before = open_fds()
        with pytest.raises(CannotRun, match="cannot be locked for exclusive use"):
            open_volume(str(image), writable=True, exclusive=True)
        assert open_fds() == before

    def test_another_volume_than_expected_is_refused(self, image: Path, tmp_path: Path) -> None:
        expected = identify(str(image))
        open_volume(str(image), writable=False, exclusive=False, expected=expected).close()
        (tmp_path / "other.img").write_bytes(bytes(16 << 20))
        with pytest.raises(CannotRun, match=r"other\.img is another volume: .*volume\.img was expected"):
            open_volume(str(tmp_path / "other.img"), writable=False, exclusive=False, expected=expected)

    def test_a_file_cut_short_is_still_the_expected_one(self, image: Path) -> None:
        expected = identify(str(image))
        os.truncate(image, 4096)
        volume = open_volume(str(image), writable=False, exclusive=False, expected=expected)
        assert volume.size_bytes == 4096
        volume.close()

    def test_a_file_swapped_while_it_is_opened_is_refused(
        self, image: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def identify_then_swap(path: str) -> VolumeIdentity:
            identity = identify(path)
            os.replace(image.with_name("swapped.img"), image)
            return identity

        image.with_name("swapped.img").write_bytes(bytes(16 << 20))
        monkeypatch.setattr(direct, "identify", identify_then_swap)
        before = open_fds()
        with pytest.raises(CannotRun, match="became another volume"):
            open_volume(str(image), writable=True, exclusive=True)
        assert open_fds() == before

    def test_without_permission_it_says_so(self, image: Path) -> None:
        image.chmod(0o400)
        effective = os.geteuid()
        if effective == 0:
            image.parent.chmod(0o711)
            image.parent.parent.chmod(0o711)
            image.parent.parent.parent.chmod(0o711)
            os.seteuid(65534)
        try:
            for exclusive in (False, True):
                with pytest.raises(CannotRun, match="no permission to open"):
                    open_volume(str(image), writable=True, exclusive=exclusive)
        finally:
            os.seteuid(effective)

    def test_an_empty_file_can_be_opened(self, tmp_path: Path) -> None:
        (tmp_path / "empty.img").touch()
        volume = open_volume(str(tmp_path / "empty.img"), writable=True, exclusive=True)
        assert (volume.size_bytes, volume.read(0, aligned_buffer(4096))) == (0, 0)
        volume.close()

    @pytest.mark.parametrize("refusal", ["at open", "at the first read"])
    def test_where_direct_io_is_refused(
        self, image: Path, monkeypatch: pytest.MonkeyPatch, refusal: str
    ) -> None:
        real_open, real_read = os.open, os.preadv

        def refusing_open(path: str, flags: int, *more: int) -> int:
            if flags & os.O_DIRECT and refusal == "at open":
                raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
            return real_open(path, flags, *more)

        def refusing_read(fd: int, buffers: object, offset: int) -> int:
            if fcntl.fcntl(fd, fcntl.F_GETFL) & os.O_DIRECT:
                raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
            return real_read(fd, buffers, offset)

        monkeypatch.setattr(os, "open", refusing_open)
        if refusal == "at the first read":
            monkeypatch.setattr(os, "preadv", refusing_read)
        before = open_fds()
        with pytest.raises(CannotRun, match="refuses direct I/O"):
            open_volume(str(image), writable=True, exclusive=True)
        assert open_fds() == before
        volume = open_volume(str(image), writable=True, exclusive=True, allow_page_cache=True)
        assert not volume.direct
        assert volume.write(0, filled(5), True) == 4096
        assert volume.reopen()
        back = aligned_buffer(4096)
        assert (volume.read(0, back), bytes(back)) == (4096, bytes([5]) * 4096)
        volume.close()


class TestReopeningFiles:
    def test_the_same_file_is_opened_anew_behind_the_same_descriptor(
        self, volume: DirectVolume, image: Path
    ) -> None:
        fd = volume.fd
        stale = os.open(os.devnull, os.O_RDWR)
        os.dup2(stale, fd)  # what the descriptor leads to is of no use any more
        os.close(stale)
        assert volume.read(0, aligned_buffer(4096)) == 0
        before = open_fds()
        assert volume.reopen()
        assert (volume.fd, open_fds()) == (fd, before)
        assert volume.read(0, aligned_buffer(4096)) == 4096
        assert fcntl.fcntl(fd, fcntl.F_GETFD) & fcntl.FD_CLOEXEC
        assert volume.reopened == []

    def test_its_exclusive_use_is_kept(self, volume: DirectVolume, image: Path) -> None:
        assert volume.reopen()
        with pytest.raises(CannotRun, match="in use"):
            open_volume(str(image), writable=True, exclusive=True)

    def test_the_file_for_through_writes_is_opened_anew_too(
        self, volume: DirectVolume, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        real_write, used = os.pwritev, []

        def write(fd: int, buffers: object, offset: int, flags: int = 0) -> int:
            if flags:
                raise OSError(errno.EOPNOTSUPP, "not supported")
            used.append(fd)
            return real_write(fd, buffers, offset)

        monkeypatch.setattr(os, "pwritev", write)
        volume.write(0, filled(1), True)
        stale = os.open(os.devnull, os.O_RDONLY)
        os.dup2(stale, used[0])
        os.close(stale)
        with pytest.raises(OSError, match="Bad file descriptor"):
            volume.write(0, filled(2), True)
        assert volume.reopen()
        assert volume.write(0, filled(3), True) == 4096
        assert used[0] == used[-1]
        assert fcntl.fcntl(used[-1], fcntl.F_GETFL) & os.O_DSYNC

    def test_gone_shrunk_or_replaced_it_is_not_there(self, volume: DirectVolume, image: Path) -> None:
        os.truncate(image, 4096)
        assert not volume.reopen()
        os.truncate(image, 16 << 20)
        assert volume.reopen()
        away = image.rename(image.with_name("away.img"))
        assert not volume.reopen()
        image.write_bytes(bytes(16 << 20))
        assert not volume.reopen()
        os.replace(away, image)
        assert volume.reopen()

    def test_other_threads_never_miss_it(self, volume: DirectVolume) -> None:
        volume.write(0, filled(6), False)
        stop = threading.Event()
        seen: set[object] = set()

        def lane() -> None:
            buffer = aligned_buffer(4096)
            while not stop.is_set():
                try:
                    seen.add((volume.read(0, buffer), bytes(buffer)))
                except OSError as error:
                    seen.add(error.errno)

        lanes = [threading.Thread(target=lane) for _ in range(4)]
        for thread in lanes:
            thread.start()
        assert all(volume.reopen() for _ in range(200))
        stop.set()
        for thread in lanes:
            thread.join()
        assert seen == {(4096, bytes([6]) * 4096)}
