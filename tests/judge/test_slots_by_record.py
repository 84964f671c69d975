"""The second pass over a ledger, record by record and frame by frame: what is known of slots, looks and lanes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.judge.plain_runs import sweep
from tests.judge.stories import make_run
from verify.judge.arrays import int64
from verify.judge.flushes import FlushCover
from verify.judge.slots import SlotState
from verify.judge.surroundings import WINDOW_NS
from verify.judge.takeovers import Takeover
from verify.judge.timeline import Timeline
from verify.ledger.frames import Kind, Records, clock_record, decode_records, operation_record
from verify.load.run import Run

W, R, LOOK, ERROR, FLYING, END = (
    Kind.WRITE, Kind.READ, Kind.EXAMINED, Kind.ERROR, Kind.IN_FLIGHT, Kind.LANE_END,
)  # fmt: skip
TEN_SECONDS = 10_000_000_000
CLOSED = {"event": "close", "monotonic_ns": 900, "heads": {}}

Told = tuple[Kind, int, int, int, int]
"""(kind, lane, sequence, issued, done)."""


def frame(*told: Told) -> Records:
    return decode_records(b"".join(operation_record(*one) for one in told))


def one_lane(*told: tuple[Kind, int, int]) -> list[Told]:
    """Records of lane 0, (kind, sequence, issued), each done one later."""
    return [(kind, 0, sequence, issued, issued + 1) for kind, sequence, issued in told]


def fed(
    run: Run, items: Sequence[tuple[int, Any]], *takeovers: Takeover, cover: FlushCover | None = None
) -> SlotState:
    """What is known after the two passes over a ledger, its items being (part, frame or event)."""
    timeline = Timeline(run)
    for part, item in items:
        timeline.feed(part, item)
    timeline.finish()
    assert timeline.contradictions == {}
    state = SlotState(timeline, takeovers, cover)
    for part, item in items:
        state.feed(part, item)
    state.finish()
    return state


def attested(pressed: int, accepted: int) -> Takeover:
    return Takeover(accepted, accepted, False, looks_from_ns=pressed)


def run_that(slots: int, *does: tuple[bool, int]) -> Run:
    """A run of one lane that reads and writes at random, and begins with these operations: (writes, slot)."""
    plain = make_run([(1, slots, 1)], read_share=0.5, fill=False)
    for seed in range(10_000):
        run = replace(plain, seed=seed)
        first = run.schedule(0).operations(0, len(does))
        if list(zip(first.writes.tolist(), first.slots.tolist(), strict=True)) == list(does):
            return run
    raise AssertionError("no seed gives these operations")


class TestLooks:
    """Every look since a mark was pressed tells what the takeover left.

    Only a write that was issued after the mark was taken in, and every lane told, should have looked before.
    """

    def counts(self, run: Run, frames: list[list[Told]], *takeovers: Takeover) -> list[tuple[int, int, int]]:
        """For each takeover the slots examined, overwritten unexamined, and left to the check."""
        around = fed(run, [(1, frame(*told)) for told in frames], *takeovers).around
        return [(one.examined, one.unexamined, one.left_to_check) for one in around]

    @pytest.mark.parametrize("apart", [False, True])
    @pytest.mark.parametrize(("issued", "examined"), [(29, 0), (30, 0), (31, 1), (150, 1), (160, 1)])
    def test_at_a_slot_that_was_written_by_the_first_operation_of_all(
        self, issued: int, examined: int, apart: bool
    ) -> None:
        told = one_lane((W, 0, 10), (LOOK, 1, issued))
        frames = [told[:1], told[1:]] if apart else [told]
        assert self.counts(sweep(slots=1), frames, attested(30, 150)) == [(examined, 0, 1 - examined)]

    def test_a_read_of_a_slot_never_written_is_none(self) -> None:
        """What is then written there, before lanes were told, is as much in question as what was written before."""
        told = one_lane((W, 0, 10), (R, 1, 40), (W, 2, 50))
        run = run_that(2, (True, 0), (False, 1), (True, 1))
        assert self.counts(run, [told], attested(30, 150)) == [(0, 0, 2)]
        told = one_lane((W, 0, 10), (W, 1, 20), (R, 2, 40), (W, 3, 50))
        run = run_that(2, (True, 0), (True, 1), (False, 1), (True, 1))
        assert self.counts(run, [told], attested(30, 150)) == [(1, 0, 1)]

    def test_one_at_one_slot_says_nothing_of_the_next(self) -> None:
        """Slot 0 is looked at after both takeovers, slot 1 was written before them."""
        told = one_lane((W, 0, 10), (W, 1, 20), (LOOK, 2, 155), (W, 2, 157))
        takeovers = attested(50, 60), attested(150, 160)
        assert self.counts(sweep(slots=2), [told], *takeovers) == [(1, 0, 1)] * 2

    @pytest.mark.parametrize("together", [1, 2, 3])
    def test_what_follows_one_before_lanes_were_told_takes_nothing_back(self, together: int) -> None:
        """The look at 155 came after both marks were pressed, the overwrite at 156 before the second was taken in."""
        told = one_lane((W, 0, 10), (LOOK, 1, 155), (W, 1, 156))
        frames = [told[i : i + together] for i in range(0, 3, together)]
        takeovers = attested(50, 60), attested(150, 160)
        assert self.counts(sweep(slots=1), frames, *takeovers) == [(1, 0, 0)] * 2

    def test_of_many_touches_of_slots_the_first_of_each_counts(self) -> None:
        """Forty writes to eight slots; slots 0, 3 and 4 are looked at before the next write to them, the others not.

        The look at slot 0 came before lanes were told, so what was known of each slot is worked out touch by touch.
        """
        told = one_lane(*((W, n, 2 * n) for n in range(16)), (LOOK, 16, 105))
        for n in range(16, 40):
            told += one_lane((LOOK, n, 200 + 2 * n)) * (n in (19, 20)) + one_lane((W, n, 201 + 2 * n))
        assert self.counts(sweep(slots=8), [told], attested(100, 110)) == [(3, 5, 0)]

    def test_slots_that_nothing_touched_since_are_left_by_all_takeovers(self) -> None:
        told = one_lane((W, 0, 10), (W, 1, 20))
        assert self.counts(sweep(slots=3), [told], *(attested(at, at) for at in (50, 60, 70))) == [(0, 0, 2)] * 3


class TestFramesAtTheEdges:
    """Of a frame only the takeovers are asked that it may tell of: each of these is alone in its frame."""

    def around(self, told: Told, takeover: Takeover, stop_ns: int = -1) -> Any:
        began = (0, {"event": "load_began", "monotonic_ns": 0})
        stop = [(0, {"event": "stop", "monotonic_ns": stop_ns})] * (stop_ns >= 0)
        beat = decode_records(clock_record(told[4], 0))
        return fed(sweep(), [began, (1, frame(told)), (1, beat), *stop], takeover).around[0]

    @pytest.mark.parametrize(("done", "writes"), [(-1, 0), (0, 1), (1, 1)])
    def test_a_write_acknowledged_as_the_window_before_begins(self, done: int, writes: int) -> None:
        assert WINDOW_NS == TEN_SECONDS
        takeover = Takeover(2 * TEN_SECONDS, 2 * TEN_SECONDS + 5, True)
        assert self.around((W, 0, 0, TEN_SECONDS - 5, TEN_SECONDS + done), takeover).before.writes == writes

    @pytest.mark.parametrize(("issued", "errors"), [(199, 1), (200, 1), (201, 0)])
    def test_an_error_of_an_attempt_issued_as_the_takeover_ended(self, issued: int, errors: int) -> None:
        """The load was stopped before it ended, so there is no window after it."""
        around = self.around((ERROR, 0, 0, issued, 210), Takeover(100, 200, True), stop_ns=150)
        assert (around.errors, around.after.writes) == (errors, 0)


class TestInFlight:
    def test_a_lane_counts_once_and_only_with_writes(self) -> None:
        """Since the press at 30, lane 0 had write 0 acknowledged and write 1 in flight; lane 1 issued one too late."""
        told = [
            (W, 0, 0, 25, 35), (FLYING, 0, 1, 36, 900), (FLYING, 1, 0, 41, 900), (FLYING, 2, 0, 40, 900),
            (END, 3, 0, 900, 900),
        ]  # fmt: skip
        state = fed(sweep(lanes=4, slots=8), [(1, frame(*told)), (1, CLOSED)], attested(30, 40))
        (around,) = state.around
        assert (around.writing_lanes, around.in_flight) == ({0, 2}, 2)
        assert state.in_flight == {4: 1, 1: 0, 2: 0}

    def test_a_read_is_none_and_hides_no_write_of_another_lane(self) -> None:
        """Each of two streams has a lane with two slots; the first only reads."""
        plain = make_run([(1, 2, 1)] * 2, pattern=sweep().streams[0].pattern, read_share=0.0, fill=False)
        run = replace(plain, streams=(replace(plain.streams[0], read_share=1.0), plain.streams[1]))
        told = frame((FLYING, 0, 0, 12, 900), (FLYING, 1, 0, 12, 900))
        state = fed(run, [(1, told), (1, CLOSED)], attested(30, 40))
        assert (state.around[0].writing_lanes, state.in_flight) == ({1}, {2: 0})


class TestDoubt:
    RUN = make_run([(3, 6, 1), (1, 2, 1)], pattern=sweep().streams[0].pattern, read_share=0.0, fill=False, workers=3)
    """Lanes 0 and 3 write to part 1, lanes 1 and 2 to parts 2 and 3; slots 6 and 7 are lane 3's."""

    WRITES = (
        (1, frame((W, 0, 0, 10, 11), (W, 3, 0, 12, 13), (END, 0, 1, 900, 900), (END, 3, 1, 900, 900))),
        (2, frame((W, 1, 0, 10, 11), (END, 1, 1, 900, 900))),
        (3, frame((W, 2, 0, 10, 11))),
        (1, CLOSED), (2, CLOSED),
    )  # fmt: skip
    """Part 3 is open."""

    @pytest.mark.parametrize(("part", "changes", "wrong"), [
        (1, {}, False),
        (1, {"expected": -1}, True),
        (1, {"expected": 1}, True),
        (2, {"expected": 1}, False),
        (1, {"expected": 1, "slot": -1}, False),
        (1, {"expected": 1, "slot": 6}, False),
        (1, {"expected": 0, "slot": 3}, True),
        (1, {"expected": 1, "lane": 4}, False),
        (1, {"expected": 1, "lane": -1}, False),
        (1, {"expected": 1, "lane": None}, False),
        (1, {"expected": "one"}, False),
        (1, {"expected": float("inf")}, False),
        (1, {"expected": 1, "event": "outage"}, False),
    ])  # fmt: skip
    def test_an_observation_that_expected_another_write_than_its_lane_had_done(
        self, part: int, changes: dict[str, Any], wrong: bool
    ) -> None:
        """One that is not whole, or not by a lane of its part, is refused elsewhere, and makes no doubt here."""
        event = {"event": "observation", "lane": 0, "slot": 0, "expected": 0, **changes}
        state = fed(self.RUN, [*self.WRITES, (part, event)])
        sentence = f"an observation by lane 0 expected write {event['expected']}, which is not the newest of its slot"
        assert state.mismatches == ({part: sentence} if wrong else {})

    def test_every_part_that_does_not_fit_is_distrusted_and_what_was_open_stays_open(self) -> None:
        reads = [(part, frame((R, part - 1, 1, 20, 21))) for part in (1, 2)]
        told = [item for item in self.WRITES if isinstance(item[1], Records)]
        for index, part in enumerate((1, 2)):
            kept = told[index][1].kind != END
            told[index] = (part, told[index][1].take(np.flatnonzero(kept)))
        state = fed(self.RUN, [*told, *reads])
        assert state.mismatches == {
            part: f"the operations of lane {lane} are not those that the run's seed and streams give"
            for part, lane in ((1, 0), (2, 1))
        }
        assert np.flatnonzero(state.distrusted_slots()).tolist() == [0, 1, 3, 4, 6, 7]
        assert [state.is_open(lane) for lane in range(4)] == [True] * 4

    def test_what_is_distrusted_is_open_beside_what_is_closed_and_what_was_open(self) -> None:
        event = {"event": "observation", "lane": 1, "slot": 1, "expected": 7}
        state = fed(self.RUN, [*self.WRITES, (2, event)])
        assert [state.is_open(lane) for lane in range(4)] == [False, True, True, False]

    def test_who_owns_a_slot(self) -> None:
        state = fed(make_run([(2, 5, 1), (3, 4, 1)]), [])
        assert [state.lane_of_slot(slot) for slot in range(9)] == [0, 1, 0, 1, 0, 2, 3, 4, 2]
        with pytest.raises(IndexError, match=r"^9$"):
            state.lane_of_slot(9)


def test_what_is_covered_depends_on_the_promise() -> None:
    """Slot 0 is written at 10, slot 1 at 20, slot 2 not at all; a flush was issued at 15."""
    told = [(1, frame(*one_lane((W, 0, 10), (W, 1, 20))))]
    completed = fed(sweep(slots=3), told)
    assert (completed.newest.tolist(), completed.covered.tolist()) == ([0, 1, -1], [0, 1, -1])
    flushed = fed(sweep(slots=3, promise="flushed"), told, cover=FlushCover(int64([15]), int64([16]), []))
    assert (flushed.newest.tolist(), flushed.covered.tolist()) == ([0, 1, -1], [0, -1, -1])
    assert flushed.covered_writes == 1


class TestWhatAnEarlierCheckSaw:
    def test_the_first_operation_of_a_lane_proves_itself_alone(self) -> None:
        state = fed(sweep(slots=2), [])
        state.recall({0: 0})
        assert (state.newest.tolist(), state.proven, state.recalled) == ([0, -1], {0: 0}, {0: -1})

    @pytest.mark.parametrize("seen", [{0: 2, 1: 3}, {1: 3, 0: 2}])
    def test_the_highest_of_a_lane_proves_what_was_done_before_it(self, seen: dict[int, int]) -> None:
        state = fed(sweep(slots=2), [])
        state.recall(seen)
        assert (state.newest.tolist(), state.proven, state.recalled) == ([2, 3], {0: 3}, {1: 1})
