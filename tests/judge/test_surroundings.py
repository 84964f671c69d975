"""What is told of the time around a takeover, moment by moment: windows, what was in flight, failures, waits, rates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.judge.plain_runs import sweep
from tests.judge.stories import make_run
from verify.judge.surroundings import WINDOW_NS, AroundTakeover, Window, gather, windows
from verify.judge.takeovers import Takeover
from verify.judge.timeline import Timeline
from verify.ledger.frames import Kind, Records, decode_records, operation_record
from verify.load.schedule import Pattern

S = 1_000_000_000
RUN = make_run([(2, 4, 1), (2, 4, 2)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)
"""Lanes 0 and 1 write blocks of 512 bytes, lanes 2 and 3 of 1024."""


class TestWindows:
    def windows(
        self, *stalls: tuple[int, int], began: int = -1, stop: int = -1, last: int = 500
    ) -> list[tuple[int, int, int, int]]:
        """For each takeover (start, end in seconds) where the windows before and after it start and end."""
        timeline = Timeline(sweep())
        moments = (moment * S if moment >= 0 else -1 for moment in (began, stop, last))
        timeline.load_began_ns, timeline.stop_ns, timeline.last_ns = moments
        takeovers = [Takeover(start * S, end * S, True) for start, end in stalls]
        out = []
        for index in range(len(takeovers)):
            before, after = windows(timeline, takeovers, index)
            out.append((before.start_ns / S, before.end_ns / S, after.start_ns / S, after.end_ns / S))
        return out

    def test_alone_they_are_of_full_length(self) -> None:
        assert WINDOW_NS == 10 * S
        assert self.windows((100, 110)) == [(90, 100, 110, 120)]

    def test_they_end_where_the_next_takeover_starts_and_begin_where_the_one_before_ended(self) -> None:
        assert self.windows((100, 110), (115, 118), (122, 125), (200, 210)) == [
            (90, 100, 110, 115), (110, 115, 118, 122), (118, 122, 125, 135), (190, 200, 210, 220),
        ]  # fmt: skip
        assert self.windows((100, 110), (115, 118)) == [(90, 100, 110, 115), (110, 115, 118, 128)]

    def test_they_stay_within_the_load(self) -> None:
        """The fill before it goes at another rate."""
        assert self.windows((100, 110), began=97, stop=114) == [(97, 100, 110, 114)]
        assert self.windows((100, 110), began=97, last=114) == [(97, 100, 110, 114)]

    def test_a_load_just_after_the_guests_start(self) -> None:
        assert self.windows((4, 6)) == [(0, 4, 6, 16)]
        assert self.windows((0, 0), stop=0) == [(0, 0, 0, 0)]


def records(*some: tuple[Kind, int, int, int]) -> Records:
    """Records of (kind, lane, issued, done)."""
    return decode_records(b"".join(operation_record(kind, lane, 0, at, done) for kind, lane, at, done in some))


def gathered(takeover: Takeover, *stretches: Sequence[tuple[Kind, int, int, int]]) -> AroundTakeover:
    """What is known after some stretches of records, with windows of 20 before and after."""
    before, after = Window(takeover.start_ns - 20, takeover.start_ns), Window(takeover.end_ns, takeover.end_ns + 20)
    around = AroundTakeover(takeover, before, after)
    for stretch in stretches:
        gather(around, records(*stretch), RUN)
    return around


def observed() -> Takeover:
    return Takeover(100, 110, True)


class TestInFlight:
    @pytest.mark.parametrize(("kind", "issued", "done", "in_flight"), [
        (Kind.WRITE, 100, 110, True), (Kind.WRITE, 101, 110, False), (Kind.WRITE, 99, 101, True),
        (Kind.WRITE, 99, 100, False), (Kind.WRITE_THROUGH, 99, 101, True), (Kind.READ, 99, 110, False),
        (Kind.FLUSH, 99, 110, False),
    ])  # fmt: skip
    def test_a_write_issued_by_the_start_and_not_yet_acknowledged(
        self, kind: Kind, issued: int, done: int, in_flight: bool
    ) -> None:
        around = gathered(observed(), [(kind, 3, issued, done)])
        assert around.writing_lanes == ({3} if in_flight else set())

    @pytest.mark.parametrize(("issued", "done", "in_flight"), [
        (85, 90, False), (85, 91, True), (95, 96, True), (100, 101, True), (101, 102, False),
    ])  # fmt: skip
    def test_of_an_attested_one_at_any_moment_since_the_press(self, issued: int, done: int, in_flight: bool) -> None:
        around = gathered(Takeover(100, 100, False, looks_from_ns=90), [(Kind.WRITE, 0, issued, done)])
        assert around.writing_lanes == ({0} if in_flight else set())

    def test_each_lane_once_over_all_stretches(self) -> None:
        one, two = (Kind.WRITE, 0, 90, 110), (Kind.WRITE, 2, 99, 115)
        assert gathered(observed(), [one, two], [two]).writing_lanes == {0, 2}


class TestErrorsAndWaits:
    def test_errors_are_those_that_fall_into_the_stall_summed_over_all_stretches(self) -> None:
        spans = [(90, 99), (90, 100), (105, 106), (110, 112), (111, 112), (80, 150)]
        errors = [(Kind.ERROR, 0, issued, done) for issued, done in spans]
        assert [gathered(observed(), [error]).errors for error in errors] == [0, 1, 1, 1, 0, 1]
        assert gathered(observed(), errors[:3], errors[3:], []).errors == 4

    @pytest.mark.parametrize(("kind", "issued", "done", "wait_ns"), [
        (Kind.WRITE, 91, 99, 0), (Kind.WRITE, 90, 100, 10), (Kind.WRITE, 110, 137, 27), (Kind.WRITE, 111, 150, 0),
        (Kind.READ_ODD, 95, 130, 35), (Kind.EXAMINED, 95, 130, 35), (Kind.FLUSH, 95, 130, 35),
        (Kind.IN_FLIGHT, 95, 130, 35), (Kind.PREFLIGHT, 95, 130, 35), (Kind.ERROR, 95, 130, 0),
        (Kind.LANE_END, 95, 130, 0),
    ])  # fmt: skip
    def test_the_longest_wait_is_that_of_any_operation_that_reaches_into_the_stall(
        self, kind: Kind, issued: int, done: int, wait_ns: int
    ) -> None:
        assert gathered(observed(), [(kind, 0, issued, done)]).takeover.longest_wait_ns == wait_ns

    def test_it_is_the_longest_of_all_stretches_and_of_what_was_known_before(self) -> None:
        writes = [(Kind.WRITE, 0, 99, 110), (Kind.WRITE, 1, 90, 115), (Kind.WRITE, 2, 95, 108)]
        known = Takeover(100, 110, True, longest_wait_ns=20)
        assert gathered(known, writes[:1], writes[1:], writes[2:]).takeover.longest_wait_ns == 25
        known = Takeover(100, 110, True, longest_wait_ns=40)
        assert gathered(known, writes).takeover.longest_wait_ns == 40


class TestRates:
    @pytest.mark.parametrize(("done", "window"), [
        (79, ""), (80, "before"), (99, "before"), (100, ""), (109, ""), (110, "after"), (129, "after"), (130, ""),
    ])  # fmt: skip
    def test_what_was_done_within_a_window_counts_there(self, done: int, window: str) -> None:
        kinds = (Kind.WRITE, Kind.WRITE_THROUGH, Kind.EXAMINED, Kind.EXAMINED_ODD, Kind.READ, Kind.FLUSH, Kind.ERROR)
        around = gathered(observed(), [(kind, 0, 70, done) for kind in kinds])
        for name, told in (("before", around.before), ("after", around.after)):
            expected = (2, 1024, 2) if name == window else (0, 0, 0)
            assert (told.writes, told.bytes_moved, told.examinations) == expected

    def test_stretches_are_summed_with_the_block_size_of_each_lane(self) -> None:
        writes = [(Kind.WRITE, lane, 80 - lane, 90) for lane in (0, 1, 2, 3)]
        looks = [(Kind.EXAMINED, 0, 85, 90)]
        before = gathered(observed(), writes[:2] + looks, looks, writes[2:]).before
        assert (before.writes, before.bytes_moved, before.examinations) == (4, 2 * 512 + 2 * 1024, 2)
        assert np.concatenate(before.latencies).tolist() == [10, 11, 12, 13]
        for lane, block_bytes in enumerate((512, 512, 1024, 1024)):
            assert gathered(observed(), [writes[lane]]).before.bytes_moved == block_bytes

    def test_times_are_told_to_a_thousandth(self) -> None:
        told = Window(0, 1_234_567_890, latencies=[np.array([4_321_123_456])]).summary()
        assert told is not None
        assert (told["seconds"], told["latency_max_ms"]) == (1.235, 4321.123)
        assert Window(0, 1_000_000_000).summary() is not None
