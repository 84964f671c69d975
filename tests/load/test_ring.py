"""Driving lanes by a ring: the same bytes as by threads, errors, short transfers, stops, waits and kills."""

from __future__ import annotations

import errno
import itertools
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from tests.drill.runs import (
    wait_until,
)
from tests.load.driving import make_run
from verify.blocks.encode import BlockMaker
from verify.ledger.frames import Kind, Records, decode_records
from verify.load import ring as ring_module
from verify.load import ringdriver
from verify.load.action import Action
from verify.load.lane import SHORT_TRANSFER, Lane
from verify.load.ring import Ring, ring_refusal
from verify.load.ringdriver import drive_ring
from verify.load.run import Run
from verify.load.schedule import Flush, Pattern
from verify.load.shared import LaneState, Phase, Shared
from verify.load.threads import Reopener
from verify.volume.memory import aligned_buffer

REFUSED = ring_refusal()
needs_ring = pytest.mark.skipif(bool(REFUSED), reason=f"needs io_uring: {REFUSED}")
BLOCK = 512


class FileVolume:
    """A file as far as the ring and the reopener need one; reopening runs `on_reopen`."""

    def __init__(self, fd: int, on_reopen: Callable[[], object] = lambda: None) -> None:
        self.fd = fd
        self.reopens = 0
        self._on_reopen = on_reopen

    def reopen(self) -> bool:
        self.reopens += 1
        self._on_reopen()
        return True


class Driven:
    """All lanes of a run driven by one ring in a thread of this process, its ledger in memory."""

    def __init__(self, run: Run, volume: FileVolume, hold: Callable[[], bool] = lambda: False) -> None:
        self.run = run
        self.shared = Shared(run.lanes, 1)
        self.shared.phase = Phase.LOAD
        self.items: list[Any] = []
        self.found = 0
        door = threading.Lock()
        self.lanes = [
            Lane(run, lane, self.shared, 0, self.items.append, lambda block: None,
                 (aligned_buffer(BLOCK), aligned_buffer(BLOCK)), aligned_buffer(BLOCK), door=door)
            for lane in range(run.lanes)
        ]  # fmt: skip
        reopener = Reopener(cast(Any, volume), self._count_found)
        arguments = (Ring(run.lanes), self.lanes, volume, reopener, hold, self._ended)
        self.thread = threading.Thread(target=drive_ring, args=arguments, daemon=True)
        self.thread.start()

    def _count_found(self) -> None:
        self.found += 1

    def _ended(self, lane: Lane) -> None:
        self.shared.lane_state[lane.lane] = LaneState.ENDED

    def to_end(self) -> Driven:
        self.thread.join(60)
        assert not self.thread.is_alive()
        assert list(self.shared.lane_state) == [LaneState.ENDED] * self.run.lanes
        return self

    def stop(self) -> Driven:
        self.shared.phase = Phase.STOP
        return self.to_end()

    def records(self) -> Records:
        return decode_records(b"".join(item for item in self.items if isinstance(item, bytes)))

    def kinds(self) -> list[Kind]:
        return [Kind(kind) for kind in self.records().kind.tolist()]


@pytest.fixture(autouse=True, params=["quick", "long"])
def building(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Every test with blocks that are built quickly, and with some that are said to take long."""
    if request.param == "long":
        monkeypatch.setattr(ringdriver, "_LONG_TO_BUILD_BYTES", BLOCK)
    return str(request.param)


@pytest.fixture
def open_file(tmp_path: Path) -> Iterator[Callable[..., int]]:
    opened: list[int] = []

    def opening(size_bytes: int, flags: int = os.O_RDWR) -> int:
        path = tmp_path / "volume"
        with open(path, "ab") as file:
            file.truncate(size_bytes)
        opened.append(os.open(path, flags))
        return opened[-1]

    yield opening
    for fd in opened:
        os.close(fd)


def noted(log: list[str], name: str, call: Callable[..., Any]) -> Callable[..., Any]:
    """The call, noted by its name unless it returns False."""

    def and_note(*arguments: Any) -> Any:
        result = call(*arguments)
        log.extend([name] if result is not False else [])
        return result

    return and_note


@needs_ring
class TestDriving:
    def test_writes_reads_and_flushes_where_the_lanes_want_it(self, open_file: Callable[..., int]) -> None:
        fd = open_file(64 * BLOCK)
        run = make_run(slots=64, lanes=5, operations=40, read_share=0.3, flush=Flush.EVERY, flush_every=3)
        driven = Driven(run, FileVolume(fd)).to_end()
        kinds = driven.kinds()
        assert kinds.count(Kind.READ_ODD) == kinds.count(Kind.ERROR) == 0
        assert kinds.count(Kind.WRITE) + kinds.count(Kind.READ) == 5 * 40 + 64
        assert kinds.count(Kind.READ) > 0
        assert kinds.count(Kind.FLUSH) > 0
        maker = BlockMaker(run.streams[0].layout, run.seed, run.tag)
        newest: dict[int, int] = {}
        for lane in range(5):
            operations = run.schedule(lane).operations(0, 40 + run.schedule(lane).fill_count)
            for sequence, (slot, is_write) in enumerate(zip(operations.slots, operations.writes, strict=True)):
                if is_write:
                    newest[int(slot)] = sequence
        for slot in range(64):
            found = os.pread(fd, BLOCK, slot * BLOCK)
            assert found == maker.block(slot, slot % 5, newest[slot])

    def test_outages_raised_at_any_moment_lead_to_examinations_and_to_nothing_else(
        self, open_file: Callable[..., int]
    ) -> None:
        fd = open_file(60 * BLOCK)
        driven = Driven(make_run(slots=60, lanes=6, operations=3000, fill=False), FileVolume(fd))
        while driven.thread.is_alive():
            driven.shared.raise_outage(0)
            time.sleep(0.0005)
        kinds = driven.to_end().kinds()
        assert set(kinds) == {Kind.WRITE, Kind.EXAMINED}
        assert kinds.count(Kind.WRITE) == 6 * 3000
        assert kinds.count(Kind.EXAMINED) > 100
        assert not any(driven.shared.outstanding_ns)
        records, run = driven.records(), driven.run
        maker = BlockMaker(run.streams[0].layout, run.seed, run.tag)
        for lane in range(6):
            own = records.take((records.lane == lane) & (records.kind == Kind.WRITE))
            assert own.sequence.tolist() == list(range(3000))
            assert (own.issued_ns[1:] >= own.done_ns[:-1]).all()
            newest = dict(zip(run.schedule(lane).operations(0, 3000).slots.tolist(), range(3000), strict=True))
            for slot, sequence in newest.items():
                assert os.pread(fd, BLOCK, slot * BLOCK) == maker.block(slot, lane, sequence)

    def test_acknowledges_after_issuing_and_one_after_the_other(self, open_file: Callable[..., int]) -> None:
        driven = Driven(make_run(slots=16, lanes=4, operations=50), FileVolume(open_file(16 * BLOCK))).to_end()
        records = driven.records()
        assert (records.done_ns > records.issued_ns).all()
        for lane in range(4):
            own = records.take(records.lane == lane)
            assert (own.issued_ns[1:] >= own.done_ns[:-1]).all()

    def test_writes_through_as_asked(self, open_file: Callable[..., int]) -> None:
        for flush, flags in ((Flush.WRITE, os.RWF_DSYNC), (Flush.NEVER, 0)):
            ring = Ring(1)
            driven = Driven(make_run(slots=8, operations=1, fill=False, flush=flush), FileVolume(open_file(8 * BLOCK)))
            assert driven.to_end().kinds() == [Kind.WRITE_THROUGH if flush is Flush.WRITE else Kind.WRITE]
            entries = ringdriver._Entries(ring, driven.lanes, FileVolume(open_file(8 * BLOCK)))
            entries.fill(0, Action.WRITE)
            assert ringdriver._SQE.unpack_from(ring.sqes)[7] == flags
            entries.fill(0, Action.FLUSH)
            assert ringdriver._SQE.unpack_from(ring.sqes)[4:8] == (0, 0, 0, 1)
            ring.close()

    def test_more_lanes_than_a_batch(self, open_file: Callable[..., int]) -> None:
        driven = Driven(make_run(slots=300, lanes=130, operations=20), FileVolume(open_file(300 * BLOCK))).to_end()
        assert driven.kinds().count(Kind.WRITE) == 130 * 20 + 300

    @pytest.mark.parametrize("building", ["long"], indirect=True)
    def test_completions_are_looked_for_between_blocks_that_take_long_to_build(
        self, open_file: Callable[..., int], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        answers = itertools.cycle(["none", "none", "none", "some"])
        log: list[str] = []

        def has_completions(*_: object) -> bool:
            log.append(next(answers))
            return log[-1] == "some"

        monkeypatch.setattr(Ring, "has_completions", has_completions)
        for owner, name in ((Ring, "submit_and_wait"), (Lane, "prepare"), (ringdriver._LongWay, "issue")):
            monkeypatch.setattr(owner, name, noted(log, name, getattr(owner, name)))
        driven = Driven(make_run(slots=48, lanes=12, operations=20), FileVolume(open_file(48 * BLOCK))).to_end()
        assert driven.kinds().count(Kind.WRITE) == 12 * 20 + 48
        then = set(itertools.pairwise(log))
        assert {after for before, after in then if before in ("issue", "prepare")} == {"none", "some"}
        assert {after for before, after in then if before == "some"} <= {"submit_and_wait", "none"}
        assert ("none", "prepare") in then

    @pytest.mark.parametrize("building", ["quick"], indirect=True)
    @pytest.mark.parametrize(("at_once", "outstanding"), [(True, 8), (False, 30)])
    def test_all_lanes_are_issued_before_a_submission_that_may_wait(
        self, open_file: Callable[..., int], monkeypatch: pytest.MonkeyPatch, at_once: bool, outstanding: int
    ) -> None:
        """A lane with nothing outstanding would hide that every lane waits."""
        seen: list[int] = []
        lanes: list[Lane] = []
        submit = Ring.submit

        def submit_and_see(ring: Ring, tail: int) -> None:
            seen.append(sum(ns > 0 for ns in lanes[0].shared.outstanding_ns))
            submit(ring, tail)

        original = ringdriver.drive_ring

        def drive(ring: Ring, given: list[Lane], *others: Any) -> None:
            lanes.extend(given)
            original(ring, given, *others, at_once=at_once)

        monkeypatch.setattr(Ring, "submit", submit_and_see)
        monkeypatch.setattr("tests.load.test_ring.drive_ring", drive)
        run = make_run(slots=300, lanes=30, operations=40)
        Driven(run, FileVolume(open_file(300 * BLOCK))).to_end()
        assert seen[0] == outstanding
        if not at_once:
            every = [count for count in seen if count == 30]
            assert len(every) >= len(seen) // 2

    def test_nothing_is_issued_while_the_ledger_is_behind(self, open_file: Callable[..., int]) -> None:
        behind = itertools.chain([True] * 5, itertools.repeat(False))
        asked: list[bool] = []

        def hold() -> bool:
            asked.append(next(behind))
            return asked[-1]

        run = make_run(slots=8, lanes=2, operations=200, fill=False)
        driven = Driven(run, FileVolume(open_file(8 * BLOCK)), hold).to_end()
        assert asked[:6] == [True] * 5 + [False]
        assert driven.kinds().count(Kind.WRITE) == 400


@needs_ring
class TestLookingOut:
    def test_ends_with_the_time_where_nothing_comes(self) -> None:
        ring = Ring(1)
        ring.enable()
        head = ring.words[ring.cq_head]
        until_ns = time.monotonic_ns() + 2_000_000
        assert not ring.look_out(head, until_ns) or time.monotonic_ns() >= until_ns
        assert not ring.has_completions(head)
        ring.close()

    def test_is_given_up_where_somebody_takes_the_processor(self, monkeypatch: pytest.MonkeyPatch) -> None:
        ring = Ring(1)
        ring.enable()
        turns = itertools.count(1)

        def give_way() -> None:
            if next(turns) == 3:
                time.sleep(2 * ring_module.PUT_ASIDE_NS / 1e9)

        monkeypatch.setattr(os, "sched_yield", give_way)
        assert ring.look_out(ring.words[ring.cq_head], time.monotonic_ns() + 60_000_000_000) is False
        ring.close()

    def test_sees_a_completion_without_being_told_in_a_call(self) -> None:
        """An entry of zeros asks for nothing, IORING_OP_NOP of linux/io_uring.h, and completes."""
        ring = Ring(1)
        ring.enable()
        head = ring.words[ring.cq_head]
        ring.submit(1)
        ring.look_out(head, time.monotonic_ns() + 60_000_000_000)
        assert ring.has_completions(head)
        ring.submit_and_wait(1, None)
        assert ring.words[ring.cq_tail] == head + 1
        ring.close()


@needs_ring
class TestErrors:
    def test_are_recorded_and_the_operation_issued_again_until_the_volume_is_found(
        self, open_file: Callable[..., int], building: str
    ) -> None:
        """A descriptor without leave to write gives EBADF; reopening puts one that has it behind the same number.

        Lanes are issued together, but one by one where building takes long: the volume may be found before the second.
        """
        fd, writable = open_file(8 * BLOCK, os.O_RDONLY), open_file(8 * BLOCK)
        volume = FileVolume(fd, lambda: os.dup2(writable, fd))
        driven = Driven(make_run(slots=8, lanes=2, operations=6, fill=False), volume).to_end()
        kinds, records = driven.kinds(), driven.records()
        assert kinds.count(Kind.ERROR) >= (2 if building == "quick" else 1)
        assert set(records.code[records.kind == Kind.ERROR].tolist()) == {errno.EBADF}
        assert kinds.count(Kind.WRITE) == 12
        assert driven.found == volume.reopens >= 1

    def test_a_volume_that_gives_nothing_is_looked_for_again(self, open_file: Callable[..., int]) -> None:
        """A disk that was deleted has no length any more under the old descriptor: every read of it ends short."""
        fd = open_file(0)
        volume = FileVolume(fd, lambda: os.ftruncate(fd, 8 * BLOCK))
        run = make_run(slots=8, lanes=2, operations=6, fill=False, read_share=1.0)
        driven = Driven(run, volume).to_end()
        records = driven.records()
        assert set(records.code[records.kind == Kind.ERROR].tolist()) == {SHORT_TRANSFER}
        assert driven.kinds().count(Kind.READ) == 12
        assert driven.found == volume.reopens == 1

    def test_a_search_for_the_volume_that_hangs_holds_nothing_up(self, open_file: Callable[..., int]) -> None:
        released = threading.Event()
        volume = FileVolume(open_file(8 * BLOCK, os.O_RDONLY), lambda: released.wait(60))
        driven = Driven(make_run(slots=8, lanes=2, fill=False), volume)
        wait_until(lambda: driven.kinds().count(Kind.ERROR) >= 8, "errors")
        assert volume.reopens == 1
        driven.stop()
        released.set()
        assert Kind.WRITE not in driven.kinds()

    def test_a_short_transfer_is_an_error_and_never_an_acknowledgement(self, open_file: Callable[..., int]) -> None:
        fd = open_file(4 * BLOCK + 100)
        run = make_run(slots=5, operations=5, fill=False, read_share=1.0, pattern=Pattern.SWEEP)
        driven = Driven(run, FileVolume(fd))
        wait_until(lambda: driven.kinds().count(Kind.ERROR) >= 2, "short reads")
        records = driven.records()
        assert set(records.code[records.kind == Kind.ERROR].tolist()) == {SHORT_TRANSFER}
        assert (records.sequence[records.kind == Kind.ERROR] == 4).all()
        assert driven.kinds().count(Kind.READ) == 4
        os.ftruncate(fd, 5 * BLOCK)
        driven.to_end()
        assert driven.kinds().count(Kind.READ) == 5

    def test_other_errors_too(self, open_file: Callable[..., int]) -> None:
        """Direct I/O at an offset between sectors gives EINVAL, which no search for the volume follows at once."""
        fd = open_file(64 * BLOCK, os.O_RDWR | os.O_DIRECT)
        volume = FileVolume(fd)
        driven = Driven(make_run(slots=8, operations=None, fill=False), volume)
        driven.lanes[0]._start_bytes = 3
        wait_until(lambda: driven.kinds().count(Kind.ERROR) >= 3, "errors")
        driven.stop()
        records = driven.records()
        assert set(records.code[records.kind == Kind.ERROR].tolist()) == {errno.EINVAL}
        assert volume.reopens == 0


@needs_ring
class TestWaits:
    def test_a_stop_is_obeyed_and_a_lane_that_failed_stays_open(self, open_file: Callable[..., int]) -> None:
        driven = Driven(make_run(slots=8, lanes=2, fill=False), FileVolume(open_file(8 * BLOCK, os.O_RDONLY)))
        wait_until(lambda: driven.kinds().count(Kind.ERROR) >= 2, "errors")
        driven.stop()
        for lane in driven.lanes:
            lane.close(time.monotonic_ns())
        assert driven.kinds()[-2:] == [Kind.IN_FLIGHT] * 2

    def test_an_operation_that_never_returns_holds_no_other_lane_up(self, tmp_path: Path) -> None:
        """A read of an empty pipe does not return; its lane stays as it is while another lane's volume is a file."""
        reading, writing = os.pipe()
        data = os.open(tmp_path / "volume", os.O_RDWR | os.O_CREAT)
        os.ftruncate(data, 16 * BLOCK)

        class PipeFirst(FileVolume):
            _fds = itertools.chain([reading], itertools.repeat(data))

            @property
            def fd(self) -> int:
                return next(self._fds)

            @fd.setter
            def fd(self, value: int) -> None:
                pass

        driven = Driven(make_run(slots=16, lanes=3, fill=False, read_share=1.0), PipeFirst(data))
        wait_until(lambda: driven.kinds().count(Kind.READ) >= 100, "reads of the other lanes")
        driven.shared.phase = Phase.STOP
        wait_until(lambda: list(driven.shared.lane_state).count(LaneState.ENDED) == 2, "the end of the others")
        assert driven.thread.is_alive()
        stuck = next(lane for lane in driven.lanes if driven.shared.lane_state[lane.lane] != LaneState.ENDED)
        stuck.close(time.monotonic_ns())
        assert driven.kinds()[-1] is Kind.IN_FLIGHT
        os.write(writing, bytes(BLOCK))
        driven.to_end()
        assert driven.kinds()[-1] is Kind.IN_FLIGHT
        assert set(driven.records().lane[driven.records().kind == Kind.READ].tolist()) == {0, 1, 2} - {stuck.lane}
        for fd in (reading, writing, data):
            os.close(fd)

    def test_keeps_the_pace(self, open_file: Callable[..., int]) -> None:
        run = make_run(slots=16, lanes=4, fill=False, pace=200.0)
        began_ns = time.monotonic_ns()
        driven = Driven(run, FileVolume(open_file(16 * BLOCK)))
        wait_until(lambda: driven.kinds().count(Kind.WRITE) >= 100, "writes")
        driven.stop()
        seconds = (time.monotonic_ns() - began_ns) / 1e9
        assert driven.kinds().count(Kind.WRITE) <= 200 * seconds + 4
        records = driven.records()
        for lane in range(4):
            issued_ns = records.issued_ns[records.lane == lane]
            assert (issued_ns - issued_ns[0] >= 20_000_000 * (np.arange(len(issued_ns)) - 1)).all()
