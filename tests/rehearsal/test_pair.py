"""The simulated pair as a volume, one call at a time: caches, destaging, the mirror, and waiting."""

from __future__ import annotations

import errno
import os
import random
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.rehearsal.numbered import BLOCK_BYTES, BLOCKS, bytes_of, get, make_pair, on_medium, put
from verify.rehearsal.backing import FileBacking, MemoryBacking
from verify.rehearsal.clock import VirtualClock
from verify.rehearsal.core import stays_with_a
from verify.rehearsal.pair import SimulatedPair
from verify.rehearsal.truth import digest_of
from verify.volume.protocol import Volume


def dirty_blocks(pair: SimulatedPair, backing: MemoryBacking) -> int:
    """Blocks whose newest acknowledged version the medium does not hold yet."""
    return sum(
        pair.truth.version(offset, last).digest != digest_of(on_medium(backing, offset, length))
        for offset, length, last in pair.truth.blocks()
    )


class TestCaches:
    def test_a_write_stays_in_the_cache_until_the_cache_is_full(self) -> None:
        pair, backing = make_pair(cache_blocks=16)
        for index in range(16):
            put(pair, index * BLOCK_BYTES, bytes_of(index))
            assert on_medium(backing, index * BLOCK_BYTES) == bytes(BLOCK_BYTES)
        put(pair, 16 * BLOCK_BYTES, bytes_of(16))
        assert on_medium(backing, 0) == bytes_of(0)

    @pytest.mark.parametrize("order", ["oldest", "address", "random"])
    def test_no_more_blocks_are_dirty_than_the_cache_holds(self, order: str) -> None:
        pair, backing = make_pair(cache_blocks=16, destage_order=order)
        draw = random.Random(1)
        for number in range(400):
            put(pair, draw.randrange(BLOCKS) * BLOCK_BYTES, bytes_of(number))
            assert dirty_blocks(pair, backing) <= 16
        assert dirty_blocks(pair, backing) >= 8

    def test_a_mirror_that_lags_holds_no_more_blocks_dirty_either(self) -> None:
        pair, backing = make_pair("mirror-lagging", cache_blocks=16, lag_writes=16)
        draw = random.Random(2)
        for number in range(400):
            put(pair, draw.randrange(BLOCKS) * BLOCK_BYTES, bytes_of(number))
            assert dirty_blocks(pair, backing) <= 17

    def test_destage_orders_choose_as_they_say(self) -> None:
        written = [5, 3, 9, 1, 7, 2, 8, 4, 6]
        pair, backing = make_pair(cache_blocks=8, destage_order="oldest")
        for index in written:
            put(pair, index * BLOCK_BYTES, bytes_of(index))
        assert [i for i in written if any(on_medium(backing, i * BLOCK_BYTES))] == [5]
        pair, backing = make_pair(cache_blocks=8, destage_order="address")
        for index in [*written, 20, 0, 21]:
            put(pair, index * BLOCK_BYTES, bytes_of(index))
        assert [i for i in range(BLOCKS) if any(on_medium(backing, i * BLOCK_BYTES))] == [1, 2, 3, 4]

    def test_a_write_through_and_a_flush_reach_the_medium_at_once(self) -> None:
        pair, backing = make_pair()
        put(pair, 0, bytes_of(1))
        put(pair, 0, bytes_of(2), through=True)
        assert on_medium(backing, 0) == bytes_of(2)
        put(pair, BLOCK_BYTES, bytes_of(3))
        assert on_medium(backing, BLOCK_BYTES) == bytes(BLOCK_BYTES)
        pair.flush()
        assert on_medium(backing, BLOCK_BYTES) == bytes_of(3)
        assert [v.flush_covered for v in pair.truth.versions(0)] == [True, True]

    def test_closing_leaves_on_the_file_what_the_survivor_serves(self, tmp_path: Path) -> None:
        path = tmp_path / "medium"
        pair = SimulatedPair(FileBacking(path, BLOCKS * BLOCK_BYTES), clock=VirtualClock())
        for index in range(BLOCKS):
            put(pair, index * BLOCK_BYTES, bytes_of(index))
        pair.takeover()
        put(pair, 0, bytes_of(1000))
        served = get(pair.checker(), 0, BLOCKS * BLOCK_BYTES)
        pair.close()
        pair.close()
        assert path.read_bytes() == served
        assert served[:BLOCK_BYTES] == bytes_of(1000)

    def test_a_medium_that_fails_acknowledges_nothing_and_forgets_nothing(self) -> None:
        class Failing(MemoryBacking):
            broken = False

            def write(self, offset_bytes: int, data: bytes) -> None:
                if self.broken:
                    raise OSError(errno.EIO, os.strerror(errno.EIO))
                super().write(offset_bytes, data)

        backing = Failing(BLOCKS * BLOCK_BYTES)
        pair, _ = make_pair(backing=backing, cache_blocks=1)
        put(pair, 0, bytes_of(1))
        backing.broken = True
        for through in (False, True):
            with pytest.raises(OSError, match="Input/output"):
                put(pair, BLOCK_BYTES, bytes_of(2), through)
        assert (get(pair, 0), pair.truth.last_ordinal(BLOCK_BYTES)) == (bytes_of(1), 0)
        assert [offset for offset, _, _ in pair.truth.blocks()] == [0]


@st.composite
def histories(draw: st.DrawFn) -> list[tuple[str, int, int, int]]:
    """Operations over a volume of 4 KiB blocks in its first half and 16 KiB blocks in its second."""
    operations = []
    for number in range(draw(st.integers(1, 60))):
        what = draw(st.sampled_from(["write", "write", "write", "through", "flush", "read", "takeover"]))
        if draw(st.booleans()):
            place = (draw(st.integers(0, 15)) * 4096, 4096)
        else:
            place = (65536 + draw(st.integers(0, 3)) * 16384, 16384)
        if what == "read":
            first = draw(st.integers(0, 255))
            place = (first * 512, draw(st.integers(1, 300)) * 512)
        operations.append((what, *place, number))
    return operations


class TestServing:
    @settings(max_examples=150, database=None, print_blob=True)
    @given(history=histories(), cache_blocks=st.integers(1, 12), order=st.sampled_from(["oldest", "address"]))
    def test_a_sound_pair_reads_as_plain_memory_in_any_shape(
        self, history: list[tuple[str, int, int, int]], cache_blocks: int, order: str
    ) -> None:
        pair, backing = make_pair(
            backing=MemoryBacking(131072), cache_blocks=cache_blocks, destage_order=order
        )
        model = bytearray(131072)
        for what, offset, length, number in history:
            if what in ("write", "through"):
                data = bytes_of(number, length)
                put(pair, offset, data, what == "through")
                model[offset : offset + length] = data
            elif what == "flush":
                pair.flush()
            elif what == "takeover" and not pair.truth.moments:
                pair.takeover()
            assert get(pair, offset, length) == model[offset : offset + length]
        assert not pair.truth.changes()
        pair.close()
        assert on_medium(backing, 0, 131072) == model

    def test_a_large_read_joins_caches_and_medium_of_both_controllers(self) -> None:
        pair, _ = make_pair("both-active", cache_blocks=64)
        for index in range(BLOCKS):
            put(pair, index * BLOCK_BYTES, bytes_of(index))
        pair.takeover()
        for index in range(0, BLOCKS, 3):
            put(pair, index * BLOCK_BYTES, bytes_of(1000 + index))
        whole = get(pair, 0, BLOCKS * BLOCK_BYTES)
        for index in range(BLOCKS):
            expected = bytes_of(index + (0 if index % 3 else 1000))
            assert whole[index * BLOCK_BYTES : (index + 1) * BLOCK_BYTES] == expected
            assert get(pair, index * BLOCK_BYTES) == expected

    def test_reads_are_short_at_the_end_and_empty_beyond_it(self) -> None:
        pair, _ = make_pair()
        end = BLOCKS * BLOCK_BYTES
        put(pair, end - BLOCK_BYTES, bytes_of(1))
        assert get(pair, end - BLOCK_BYTES, 4 * BLOCK_BYTES) == bytes_of(1)
        assert get(pair, end) == b""

    @pytest.mark.parametrize(
        ("offset_bytes", "length_bytes", "code"),
        [
            (1, 4096, errno.EINVAL),
            (-512, 4096, errno.EINVAL),
            (0, 100, errno.EINVAL),
            (BLOCKS * BLOCK_BYTES - 512, 4096, errno.ENOSPC),
            (512, 4096, errno.EINVAL),
            (0, 8192, errno.EINVAL),
            (8192 - 512, 512, errno.EINVAL),
        ],
    )
    def test_writes_off_the_sectors_off_the_end_or_across_blocks_are_refused(
        self, offset_bytes: int, length_bytes: int, code: int
    ) -> None:
        pair, _ = make_pair()
        put(pair, 0, bytes_of(1))
        put(pair, BLOCK_BYTES, bytes_of(2))
        with pytest.raises(OSError) as refused:  # noqa: PT011 - the code is what tells these apart
            pair.write(offset_bytes, memoryview(bytearray(length_bytes)), False)
        assert refused.value.errno == code
        assert get(pair, 0, 2 * BLOCK_BYTES) == bytes_of(1) + bytes_of(2)

    def test_it_is_a_volume(self) -> None:
        pair, _ = make_pair()
        volume: Volume = pair
        view: Volume = pair.checker()
        assert (volume.size_bytes, volume.sector_bytes) == (BLOCKS * BLOCK_BYTES, 512)
        assert (view.size_bytes, view.sector_bytes) == (BLOCKS * BLOCK_BYTES, 512)
        with pytest.raises(OSError, match="a check writes nothing"):
            view.write(0, memoryview(bytearray(512)), False)
        view.flush()
        view.close()
        assert view.reopen()
        volume.close()
        assert not view.reopen()
        with pytest.raises(OSError, match="Bad file descriptor"):
            get(view, 0)


class TestWaiting:
    def test_a_caller_waits_out_the_stall_and_finds_the_other_controller(self) -> None:
        pair, _ = make_pair(stall_s=2.0)
        put(pair, 0, bytes_of(1))
        moment = pair.takeover()
        assert moment.visible_ns - moment.happened_ns == 2_000_000_000
        assert not pair.reopen()
        assert get(pair, 0) == bytes_of(1)
        assert pair.clock.monotonic_ns() >= moment.visible_ns
        assert pair.reopen()

    def test_the_second_stall_holds_only_the_callers_of_the_dropped_controller(self) -> None:
        pair, _ = make_pair("both-active", stall_s=2.0)
        offsets = [index * BLOCK_BYTES for index in range(BLOCKS)]
        with_a = next(o for o in offsets if stays_with_a(o))
        with_b = next(o for o in offsets if not stays_with_a(o))
        put(pair, with_a, bytes_of(1))
        put(pair, with_b, bytes_of(2))
        pair.takeover()
        put(pair, with_a, bytes_of(3))
        put(pair, with_b, bytes_of(4))
        moment = pair.end_both_active()
        assert get(pair, with_b) == bytes_of(4)
        assert pair.clock.monotonic_ns() < moment.visible_ns
        assert get(pair, with_a) == bytes_of(1)
        assert pair.clock.monotonic_ns() >= moment.visible_ns
        assert [(d.offset_bytes, d.first_seen) for d in pair.truth.damages()] == [(with_a, "read")]

    def test_giving_up_ends_every_wait_and_every_later_call(self) -> None:
        pair = SimulatedPair(MemoryBacking(BLOCKS * BLOCK_BYTES), "address-never-returns")
        put(pair, 0, bytes_of(1))
        pair.takeover()
        codes: list[int | None] = []

        def wait() -> None:
            try:
                get(pair, 0)
            except OSError as error:
                codes.append(error.errno)

        threads = [threading.Thread(target=wait) for _ in range(8)]
        for thread in threads:
            thread.start()
        pair.give_up()
        for thread in threads:
            thread.join()
        wait()
        with pytest.raises(TimeoutError):
            put(pair, 0, bytes_of(2))
        with pytest.raises(TimeoutError):
            pair.flush()
        assert codes == [errno.ETIMEDOUT] * 9
        assert not pair.reopen()
        assert [(d.kind, d.lost_writes, d.surviving_ordinal) for d in pair.truth.damages()] == [
            ("unreadable", 1, None)
        ]
        pair.close()

    def test_closing_ends_a_wait_too(self) -> None:
        pair = SimulatedPair(MemoryBacking(BLOCKS * BLOCK_BYTES), "address-never-returns")
        pair.takeover()
        failures: list[BaseException] = []

        def wait() -> None:
            try:
                pair.flush()
            except OSError as error:
                failures.append(error)

        thread = threading.Thread(target=wait)
        thread.start()
        pair.close()
        thread.join()
        assert [type(f) for f in failures] == [OSError]
