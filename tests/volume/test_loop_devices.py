"""Real block devices: exclusive use, vanishing, coming back under another name."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from verify.errors import CannotRun
from verify.volume import direct
from verify.volume.direct import DirectVolume, aligned_buffer, open_volume
from verify.volume.identity import find_by_identity, identify

pytestmark = pytest.mark.root

Attach = Callable[..., str]


def detach(device: str) -> None:
    subprocess.run(["losetup", "--detach", device], check=True)


def pattern(value: int, size_bytes: int = 4096) -> memoryview:
    buffer = aligned_buffer(size_bytes)
    buffer[:] = bytes([value]) * size_bytes
    return buffer


def make_useless(volume: DirectVolume) -> None:
    """Let go of the device as if it had been pulled: every call on the volume fails from now on."""
    nothing = os.open("/", os.O_PATH)
    for fd in (volume.fd, volume._claim_fd, volume._through_fd):
        if fd >= 0:
            os.dup2(nothing, fd)
    os.close(nothing)


class TestOpening:
    def test_what_is_written_reaches_the_file_behind(self, attach: Attach, image: Path) -> None:
        volume = open_volume(attach(image, "--direct-io=on"), writable=True, exclusive=True)
        assert volume.write(4096, pattern(7), True) == 4096
        assert volume.write(8192, pattern(8), False) == 4096
        volume.flush()
        back = aligned_buffer(4096)
        assert (volume.read(4096, back), bytes(back)) == (4096, bytes([7]) * 4096)
        volume.close()
        assert image.read_bytes()[4096:12288] == bytes([7]) * 4096 + bytes([8]) * 4096

    def test_its_facts(self, attach: Attach, image: Path) -> None:
        device = attach(image, "--sector-size=4096", "--offset=1048576")
        volume = open_volume(device, writable=True, exclusive=False)
        assert (volume.size_bytes, volume.sector_bytes) == (15 << 20, 4096)
        assert volume.identity.identity == f"loop:{image}@1048576"
        assert volume.cache_mode in ("write back", "write through")
        volume.close()

    def test_a_second_exclusive_use_is_refused_until_the_first_ends(
        self, attach: Attach, image: Path
    ) -> None:
        device = attach(image)
        first = open_volume(device, writable=True, exclusive=True)
        with pytest.raises(CannotRun, match=f"{device} is in use: this program or one"):
            open_volume(device, writable=True, exclusive=True)
        open_volume(device, writable=True, exclusive=False).close()
        first.close()
        open_volume(device, writable=True, exclusive=True).close()

    def test_another_program_with_the_device_is_named(self, attach: Attach, image: Path) -> None:
        device = attach(image)
        code = "import os, sys; os.open(sys.argv[1], os.O_RDONLY | os.O_EXCL); print(flush=True); input()"
        with subprocess.Popen(
            ["python3", "-c", code, device], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as holder:
            assert holder.stdout is not None
            holder.stdout.readline()
            with pytest.raises(CannotRun, match=f"in use: opened by process {holder.pid}"):
                open_volume(device, writable=True, exclusive=True)
            holder.communicate(b"\n")

    def test_a_mounted_device_is_refused_by_its_mount_point(
        self, attach: Attach, mount: Callable[..., Path], image: Path
    ) -> None:
        device = attach(image)
        subprocess.run(["mkfs.ext4", "-q", device], check=True)
        point = mount(device)
        with pytest.raises(CannotRun, match=f"in use: it is mounted at {point}"):
            open_volume(device, writable=True, exclusive=True)
        open_volume(device, writable=False, exclusive=False).close()

    def test_while_it_is_held_it_cannot_be_mounted(self, attach: Attach, image: Path, tmp_path: Path) -> None:
        device = attach(image)
        subprocess.run(["mkfs.ext4", "-q", device], check=True)
        volume = open_volume(device, writable=True, exclusive=True)
        assert volume.reopen()
        (tmp_path / "point").mkdir()
        done = subprocess.run(["mount", device, str(tmp_path / "point")], check=False, capture_output=True)
        assert done.returncode != 0
        volume.close()

    def test_a_read_only_device_is_told(self, attach: Attach, image: Path) -> None:
        device = attach(image, "--read-only")
        with pytest.raises(CannotRun, match=f"{device} is read-only"):
            open_volume(device, writable=True, exclusive=True)
        open_volume(device, writable=False, exclusive=True).close()

    def test_a_device_with_nothing_attached_has_no_medium(self, attach: Attach, image: Path) -> None:
        device = attach(image)
        detach(device)
        with pytest.raises(CannotRun, match="has no medium"):
            open_volume(device, writable=True, exclusive=True)

    def test_a_name_that_comes_to_mean_another_disk_while_opening_is_refused(
        self, attach: Attach, image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        other = shutil.copy(image, tmp_path / "other.img")
        device = attach(image)
        identity = identify(device)
        detach(device)
        attach(other, device=device)
        monkeypatch.setattr(direct, "identify", lambda _: identity)
        with pytest.raises(CannotRun, match="became another volume"):
            open_volume(device, writable=True, exclusive=True)


class TestReopening:
    def test_a_device_that_never_left_is_opened_anew_and_stays_claimed(
        self, attach: Attach, image: Path
    ) -> None:
        device = attach(image)
        volume = open_volume(device, writable=True, exclusive=True)
        assert volume.reopen()
        assert volume.reopen()
        with pytest.raises(CannotRun, match="in use"):
            open_volume(device, writable=True, exclusive=True)
        assert volume.write(0, pattern(1), True) == 4096
        assert (volume.identity.path, volume.reopened) == (device, [])
        volume.close()

    def test_it_is_found_under_another_number_while_another_disk_has_its_own(
        self, attach: Attach, image: Path, tmp_path: Path
    ) -> None:
        intruder = tmp_path / "intruder.img"
        intruder.write_bytes(bytes([0xEE]) * (16 << 20))
        device = attach(image, "--direct-io=on")
        volume = open_volume(device, writable=True, exclusive=True)
        wanted = volume.identity
        make_useless(volume)
        detach(device)
        assert find_by_identity(wanted) is None
        assert not volume.reopen()

        attach(intruder, device=device)
        assert find_by_identity(wanted) is None
        assert not volume.reopen()
        with pytest.raises(OSError, match="Bad file descriptor") as caught:
            volume.write(0, pattern(1), False)
        assert caught.value.errno == errno.EBADF

        again = attach(image, "--direct-io=on")
        assert again != device
        assert volume.reopen()
        assert volume.identity.path == again
        assert volume.write(0, pattern(5), True) == 4096
        with pytest.raises(CannotRun, match="in use"):
            open_volume(again, writable=True, exclusive=True)
        volume.close()
        assert image.read_bytes()[:4096] == bytes([5]) * 4096
        assert set(intruder.read_bytes()) == {0xEE}
        assert volume.reopened == []

    def test_a_disk_of_another_size_is_not_taken(self, attach: Attach, image: Path) -> None:
        device = attach(image)
        volume = open_volume(device, writable=True, exclusive=True)
        make_useless(volume)
        detach(device)
        attach(image, "--sizelimit=1048576")
        assert not volume.reopen()
        volume.close()

    def test_a_disk_of_another_sector_size_is_not_taken(self, attach: Attach, image: Path) -> None:
        device = attach(image)
        volume = open_volume(device, writable=True, exclusive=True)
        make_useless(volume)
        detach(device)
        attach(image, "--sector-size=4096")
        assert not volume.reopen()
        volume.close()

    def test_while_another_program_has_it_it_is_not_there(self, attach: Attach, image: Path) -> None:
        device = attach(image)
        volume = open_volume(device, writable=True, exclusive=True)
        make_useless(volume)
        detach(device)
        again = attach(image)
        other = open_volume(again, writable=True, exclusive=True)
        before = set(os.listdir("/proc/self/fd"))
        assert not volume.reopen()
        assert set(os.listdir("/proc/self/fd")) == before
        other.close()
        assert volume.reopen()
        volume.close()

    def test_what_was_opened_before_a_failure_is_let_go(
        self, attach: Attach, image: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        device = attach(image)
        volume = open_volume(device, writable=True, exclusive=True)
        make_useless(volume)
        detach(device)
        again = attach(image)
        real_open = os.open

        def failing_open(path: str, flags: int) -> int:
            if flags & os.O_DIRECT:
                raise OSError(errno.ENXIO, os.strerror(errno.ENXIO))
            return real_open(path, flags)

        before = set(os.listdir("/proc/self/fd"))
        with monkeypatch.context() as patch:
            patch.setattr(os, "open", failing_open)
            assert not volume.reopen()
        assert set(os.listdir("/proc/self/fd")) == before
        open_volume(again, writable=True, exclusive=True).close()
        assert volume.reopen()
        volume.close()

    def test_a_loop_that_comes_back_through_the_page_cache_is_noted_once(
        self, attach: Attach, image: Path
    ) -> None:
        device = attach(image, "--direct-io=on")
        volume = open_volume(device, writable=True, exclusive=True)
        make_useless(volume)
        detach(device)
        attach(image, "--direct-io=off")
        assert volume.reopen()
        assert volume.reopen()
        volume.close()
        (note,) = volume.reopened
        assert "on reopening" in note
        assert "through this guest's page cache" in note

    def test_a_changed_cache_mode_is_noted(self, attach: Attach, image: Path) -> None:
        device = attach(image)
        volume = open_volume(device, writable=True, exclusive=True)
        setting = Path("/sys/class/block", Path(device).name, "queue/write_cache")
        before = setting.read_text().strip()
        after = "write through" if before == "write back" else "write back"
        setting.write_text(after)
        try:
            if setting.read_text().strip() != after:
                pytest.skip("this kernel does not let the cache mode be set")
            assert volume.reopen()
        finally:
            setting.write_text(before)
        volume.close()
        assert f"cache mode changed from {before} to {after} on reopening" in volume.reopened

    def test_a_disk_known_by_its_place_is_not_taken_once_it_has_vanished(
        self, attach: Attach, image: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("verify.volume.naming._of_loop", lambda _: "")
        device = attach(image)
        volume = open_volume(device, writable=True, exclusive=True)
        assert volume.identity.identity == f"at:/devices/virtual/block/{Path(device).name}"
        assert volume.reopen()
        make_useless(volume)
        detach(device)
        attach(image, device=device)
        assert identify(device).identity == volume.identity.identity
        assert not volume.reopen()
        volume.close()
