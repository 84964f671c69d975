"""The promise `flushed`: which writes a flush covers, and what a power loss may take."""

from __future__ import annotations

import heapq
import random
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.judge.checking import check
from tests.judge.stories import Content, LaneLog, Mark, Op, Story, doer, make_run
from verify.judge.decision import CONVICTING, Finding
from verify.judge.flushes import NOT_COVERED_NS, FlushCover
from verify.judge.spans import merge
from verify.load.run import Run
from verify.load.schedule import Flush, Pattern

THOROUGH = settings(max_examples=600, database=None, print_blob=True)
MOMENTS = st.integers(0, 30)
SPANS = st.tuples(MOMENTS, st.integers(0, 8)).map(lambda pair: (pair[0], pair[0] + pair[1]))


class TestFlushCover:
    @THOROUGH
    @given(
        flushes=st.lists(SPANS, max_size=6),
        outages=st.lists(SPANS, max_size=4),
        writes=st.lists(st.tuples(MOMENTS, st.booleans()), min_size=1, max_size=8),
    )
    def test_against_every_flush_and_every_outage(
        self, flushes: list[tuple[int, int]], outages: list[tuple[int, int]], writes: list[tuple[int, bool]]
    ) -> None:
        pairs = np.array(sorted(flushes), dtype=np.int64).reshape(-1, 2)
        cover = FlushCover(pairs[:, 0].copy(), pairs[:, 1].copy(), merge(outages))
        acknowledged = np.array([moment for moment, _ in writes], dtype=np.int64)
        through = np.array([is_through for _, is_through in writes])
        expected = []
        for moment, is_through in writes:
            covering = [
                done
                for issued, done in flushes
                if issued > moment and not any(begin < done and end > moment for begin, end in outages)
            ]
            expected.append(moment if is_through else min(covering, default=NOT_COVERED_NS))
        assert cover.covered_at(acknowledged, through).tolist() == expected

    def test_a_flush_that_overtook_an_earlier_one_covers_from_its_own_completion(self) -> None:
        """Issued and done at 10 and 50, and at 20 and 30: a write acknowledged at 15 has only the second."""
        cover = FlushCover(np.array([10, 20]), np.array([50, 30]), [(40, 45)])
        covered = cover.covered_at(np.array([5, 15, 20]), np.zeros(3, dtype=np.bool_))
        assert covered.tolist() == [30, 30, NOT_COVERED_NS]

    def test_without_any_flush_only_writing_through_covers(self) -> None:
        none = np.zeros(0, dtype=np.int64)
        cover = FlushCover(none, none, [])
        covered = cover.covered_at(np.array([5, 6]), np.array([False, True]))
        assert covered.tolist() == [NOT_COVERED_NS, 6]


W0, W1, W2 = (("write", 0, 0),), (("write", 0, 1),), (("write", 0, 2),)
OLD: Content = (("old",),)
ONE_SLOT = make_run([(1, 1, 1)], promise="flushed", pattern=Pattern.SWEEP, read_share=0.0, fill=False)
TWO_LANES = make_run([(2, 2, 1)], promise="flushed", pattern=Pattern.SWEEP, read_share=0.0, fill=False)


def story_of(run: Run, lanes: list[list[Op]], sees: list[Content], marks: tuple[Mark, ...] = ()) -> Story:
    """A story of writes and flushes with one check of it."""
    logs = [
        LaneLog(ops, Op("end", sum(op.what in ("write", "through") for op in ops), 300, 300)) for ops in lanes
    ]
    beats = {part: list(range(301)) for part in {0, *run.lane_workers}}
    looks = [[(content, content) for content in sees]]
    return Story(run, 0, logs, beats, list(marks), 250, 300, set(), looks, False, doer(run))


def write(n: int, issued: int, done: int) -> Op:
    return Op("write", n, issued, done)


def flush(n: int, issued: int, done: int) -> Op:
    return Op("flush", n, issued, done)


class TestScenarios:
    """One slot, writes 0, 1 and 2; an outage is a wait of the third from 60 to 90."""

    LAST = write(2, 60, 90)

    @pytest.mark.parametrize(("ops", "sees", "finding"), [
        # Nothing was flushed: old content, and any of the writes, is legal.
        ([write(0, 10, 12), write(1, 14, 16), LAST], OLD, Finding.UNTOUCHED),
        ([write(0, 10, 12), write(1, 14, 16), LAST], W0, Finding.INTACT),
        # A flush before the outage: what it covered must be there, or something newer.
        ([write(0, 10, 12), flush(1, 13, 14), write(1, 15, 16), LAST], W0, Finding.INTACT),
        ([write(0, 10, 12), flush(1, 13, 14), write(1, 15, 16), LAST], W1, Finding.INTACT),
        ([write(0, 10, 12), flush(1, 13, 14), write(1, 15, 16), LAST], OLD, Finding.DAMAGED),
        ([write(0, 10, 12), write(1, 14, 16), flush(2, 18, 20), LAST], W0, Finding.LOST),
        # A flush that began before the acknowledgement covers nothing, whenever it ended.
        ([write(0, 10, 12), flush(1, 12, 20), write(1, 21, 22), LAST], OLD, Finding.UNTOUCHED),
        # A flush after the outage does not convict what was legally lost in it.
        ([write(0, 10, 12), write(1, 14, 16), LAST, flush(3, 95, 96)], W2, Finding.INTACT),
        ([write(0, 10, 12), write(1, 14, 16), LAST, flush(3, 95, 96)], W1, Finding.LOST),
        ([write(0, 10, 12), write(1, 14, 16), write(2, 17, 18), flush(3, 60, 90), flush(3, 95, 96)], W0,
         Finding.INTACT),
        # Nor does one that was under way in it.
        ([write(0, 10, 12), write(1, 14, 16), write(2, 17, 18), flush(3, 60, 90)], OLD, Finding.UNTOUCHED),
        # An error is an outage: a flush that completes after it proves nothing about what came before.
        ([write(0, 10, 12), Op("error", 1, 13, 14), flush(1, 20, 21), write(1, 22, 23), write(2, 24, 25)], OLD,
         Finding.UNTOUCHED),
        ([write(0, 10, 12), flush(1, 13, 14), Op("error", 1, 15, 16), write(1, 18, 23), write(2, 24, 25)], OLD,
         Finding.DAMAGED),
        # Errors less than a second apart are one stretch of trouble, whatever was acknowledged in between.
        ([Op("error", 0, 5, 9), write(0, 10, 12), flush(1, 13, 14), Op("error", 1, 18, 19), write(1, 20, 22)], OLD,
         Finding.UNTOUCHED),
        ([Op("error", 0, 5, 7), write(0, 10, 12), flush(1, 13, 14), Op("error", 1, 18, 19), write(1, 20, 22)], OLD,
         Finding.DAMAGED),
    ])  # fmt: skip
    def test_what_the_slot_may_hold(self, ops: list[Op], sees: Content, finding: Finding) -> None:
        assert check(story_of(ONE_SLOT, [ops], [sees])).finding_of_check(0) is finding

    def test_a_mark_between_acknowledgement_and_flush_is_an_outage(self) -> None:
        ops = [write(0, 10, 12), flush(1, 20, 21), write(1, 22, 24)]
        unmarked = check(story_of(ONE_SLOT, [ops], [OLD]))
        assert unmarked.finding_of_check(0) is Finding.DAMAGED
        for pressed, accepted in ((15, 16), (15, 40)):
            mark = Mark(pressed, accepted, True, "power cut")
            marked = check(story_of(ONE_SLOT, [ops], [OLD], (mark,)))
            assert marked.finding_of_check(0) is Finding.UNTOUCHED

    @pytest.mark.parametrize(("beats", "stop", "finding"), [
        (300, 250, Finding.DAMAGED),
        (300, None, Finding.DAMAGED),
        (31, None, Finding.DAMAGED),
        (30, None, Finding.UNTOUCHED),
        (5, None, Finding.UNTOUCHED),
    ])  # fmt: skip
    def test_a_mark_may_have_been_made_where_the_supervisor_s_ledger_is_cut(
        self, beats: int, stop: int | None, finding: Finding
    ) -> None:
        """A mark may be told up to a second (10 units) after it was made: the flush ended at 21."""
        ops = [write(0, 10, 12), flush(1, 20, 21), write(1, 22, 24)]
        story = story_of(ONE_SLOT, [ops], [OLD])
        story.open_parts, story.stop = {0}, stop
        story.beats[0] = list(range(beats + 1))
        assert check(story).finding_of_check(0) is finding

    @pytest.mark.parametrize(("last", "finding"), [(21, Finding.DAMAGED), (20, Finding.UNTOUCHED)])
    def test_an_error_may_have_come_after_the_last_that_an_open_lane_tells(self, last: int, finding: Finding) -> None:
        """Lane 0's write, flushed by lane 1, while lane 1's or lane 0's part of the ledger ends at about that time."""
        run = replace(TWO_LANES, lane_workers=(1, 2))
        lanes = [[write(0, 10, 12), write(1, 13, last)], [write(0, 10, 13), flush(1, 14, 21), write(1, 22, 24)]]
        story = story_of(run, lanes, [OLD, (("write", 1, 1),)])
        assert check(story).finding_of_check(0) is Finding.DAMAGED
        story.open_parts = {1}
        story.lanes[0].closing = None
        assert check(story).finding_of_check(0) is finding

    @pytest.mark.parametrize(("seen", "finding"), [
        (None, Finding.UNTOUCHED), (41, Finding.UNTOUCHED), (40, Finding.DAMAGED), (35, Finding.DAMAGED),
    ])  # fmt: skip
    def test_what_other_lanes_flush_counts_again_once_a_worker_was_seen_to_be_lost(
        self, seen: int | None, finding: Finding
    ) -> None:
        """Lane 0 dies at 30; later lane 1 writes (acknowledged at 40) and flushes, and loses it in a takeover."""
        run = replace(TWO_LANES, lane_workers=(1, 2))
        lanes = [[write(0, 20, 30)], [write(0, 38, 40), flush(1, 45, 48), write(1, 89, 92)]]
        story = story_of(run, lanes, [(("write", 0, 0),), OLD], (Mark(90, 91, True, "pulled"),))
        story.open_parts, story.lost = {1}, {} if seen is None else {1: seen}
        story.lanes[0].closing = None
        assert check(story).finding_of_check(1) is finding

    def test_a_single_lane_that_waits_is_an_outage_though_no_takeover(self) -> None:
        for waits_until, finding in ((40, Finding.UNTOUCHED), (17, Finding.DAMAGED)):
            lanes = [[write(0, 10, 12), flush(1, 20, 22)], [write(0, 15, waits_until)]]
            checked = check(story_of(TWO_LANES, lanes, [OLD, (("write", 1, 0),)]))
            assert checked.judgement.takeovers == []
            assert checked.finding_of_check(0) is finding

    def test_of_a_newer_write_that_nothing_covered_none_is_counted_as_lost(self) -> None:
        ops = [write(0, 10, 12), flush(1, 13, 14), write(1, 15, 16)]
        checked = check(story_of(ONE_SLOT, [ops], [OLD]))
        assert (checked.finding_of_check(0), checked.totals.lost_writes) == (Finding.DAMAGED, 1)

    def test_a_flush_of_one_lane_covers_the_writes_of_all(self) -> None:
        lanes = [[write(0, 10, 12)], [write(0, 10, 13), flush(1, 14, 15)]]
        checked = check(story_of(TWO_LANES, lanes, [OLD, (("write", 1, 0),)]))
        assert checked.finding_of_check(0) is Finding.DAMAGED
        assert checked.judgement.state.covered_writes == 2

    def test_a_write_written_through_needs_no_flush(self) -> None:
        ops = [Op("through", 0, 10, 12), Op("through", 1, 14, 90)]
        assert check(story_of(ONE_SLOT, [ops], [W0])).finding_of_check(0) is Finding.LOST
        assert check(story_of(ONE_SLOT, [ops], [W1])).finding_of_check(0) is Finding.INTACT

    def test_only_covered_writes_count_as_lost(self) -> None:
        """Write 1 was lost legally in an outage of its own, before write 2 was flushed."""
        ops = [
            write(0, 10, 12), flush(1, 13, 14), write(1, 15, 16), Op("error", 2, 18, 19), write(2, 21, 22),
            flush(3, 30, 31),
        ]  # fmt: skip
        checked = check(story_of(ONE_SLOT, [ops], [W0]))
        assert checked.finding_of_check(0) is Finding.LOST
        assert checked.totals.lost_writes == 1

    def test_an_examination_knows_only_the_flushes_before_it(self) -> None:
        ops = [
            write(0, 10, 12), Op("exam", 1, 14, 15, OLD), write(1, 16, 17), flush(2, 20, 21),
            Op("exam", 2, 30, 31, W0), write(2, 32, 33),
        ]  # fmt: skip
        checked = check(story_of(ONE_SLOT, [ops], [W2]))
        assert checked.findings_under_load(0) == [Finding.UNTOUCHED, Finding.LOST]

    def test_a_flush_that_was_done_when_a_look_began_was_done_before_it(self) -> None:
        """Done is taken after the completion and issued before the submission, so what is alike was in this order."""
        for issued, finding in ((19, Finding.UNTOUCHED), (20, Finding.DAMAGED), (21, Finding.DAMAGED)):
            lanes = [[write(0, 10, 12), Op("exam", 1, issued, 22, OLD), write(1, 23, 24)], [flush(0, 14, 20)]]
            checked = check(story_of(TWO_LANES, lanes, [(("write", 0, 1),), OLD]))
            assert checked.findings_under_load(0) == [finding]

    def test_where_nothing_was_covered_no_write_of_another_slot_is_owed(self) -> None:
        """Each slot has one write, none flushed; both show old content."""
        lanes = [[write(0, 10, 12)], [write(0, 10, 13), Op("exam", 1, 20, 21, OLD), write(1, 22, 23)]]
        checked = check(story_of(TWO_LANES, lanes, [OLD, (("write", 1, 1),)]))
        assert checked.findings_under_load(1) == [Finding.UNTOUCHED]
        assert checked.finding_of_check(0) is Finding.UNTOUCHED

    def test_nor_is_it_where_the_only_write_of_the_slot_before_was_covered(self) -> None:
        """Slot 0 lost its only write, which a flush had covered; slot 1's only one came after that flush."""
        lanes = [[write(0, 4, 5)], [flush(0, 7, 8), write(0, 10, 13), Op("exam", 1, 20, 21, OLD), write(1, 22, 23)]]
        checked = check(story_of(TWO_LANES, lanes, [OLD, (("write", 1, 1),)]))
        assert checked.findings_under_load(1) == [Finding.UNTOUCHED]
        assert checked.finding_of_check(0) is Finding.DAMAGED

    def test_when_no_flush_covered_anything_that_is_known(self) -> None:
        checked = check(story_of(ONE_SLOT, [[write(0, 10, 12)]], [W0]))
        assert checked.judgement.state.covered_writes == 0


@dataclass
class VolatileDevice:
    """A disk with a volatile cache: a power loss keeps any of the cached writes and drops the others."""

    honest: bool
    rng: random.Random
    medium: dict[int, int] = field(default_factory=dict)
    cache: list[tuple[int, int, int]] = field(default_factory=list)
    flushed: list[tuple[int, dict[int, int]]] = field(default_factory=list)

    def write(self, slot: int, n: int, done: int) -> None:
        self.cache.append((done, slot, n))

    def flush(self, issued: int, done: int) -> None:
        """Make the writes acknowledged before the issue non-volatile; a dishonest device only says so."""
        covered = {slot: n for acknowledged, slot, n in self.cache if acknowledged < issued}
        self.flushed.append((done, covered))
        if self.honest:
            self.medium |= {slot: max(n, self.medium.get(slot, -1)) for slot, n in covered.items()}
            self.cache = [entry for entry in self.cache if entry[0] >= issued]

    def lose_power(self, outage_began: int) -> set[int]:
        """The slots that lost a write which a flush had covered before any operation waited for the outage."""
        kept = self.rng.random()
        for _, slot, n in self.cache:
            if self.rng.random() < kept:
                self.medium[slot] = n
        self.cache = []
        promised = [entry for done, covered in self.flushed if done <= outage_began for entry in covered.items()]
        return {slot for slot, n in promised if self.medium.get(slot, -1) < n}

    def read(self, slot: int) -> int:
        return next((n for _, other, n in reversed(self.cache) if other == slot), self.medium.get(slot, -1))


def power_loss(seed: int, honest: bool) -> tuple[Story, set[int]]:
    """Two or three lanes over a device that loses power once; lanes examine before they overwrite afterwards.

    Also gives the slots that lost a covered write, but for those that a write in flight overwrote.
    """
    rng = random.Random(seed)
    lanes = rng.choice((2, 3))
    reads, fill = rng.choice((0.0, 0.3)), rng.random() < 0.7
    run = make_run([(lanes, 6, 1)], promise="flushed", read_share=reads, flush=Flush.EVERY, fill=fill)
    does, device = doer(run), VolatileDevice(honest, rng)
    loss = rng.randint(15, 60)
    logs = [LaneLog() for _ in range(lanes)]
    newest: dict[int, int] = {}
    examined: set[int] = set()
    lost: set[int] | None = None
    queue: list[tuple[int, int, int, Op]] = []

    def issue(lane: int, n: int, now: int, what: str | None = None) -> None:
        writes, slot = does(lane, n)
        if what is None:
            flushes = rng.random() < 0.2
            again = lost is not None and writes and slot in newest and slot not in examined
            what = "flush" if flushes else "exam" if again else "write" if writes else "read"
        done = now + rng.randint(1, 3)
        if now < loss + 20 and done > loss:
            done = loss + rng.randint(20, 23)
        heapq.heappush(queue, (done, lane, n, Op(what, n, now, done)))

    for lane in range(lanes):
        issue(lane, 0, 5 + lane)
    while queue:
        done, lane, n, op = heapq.heappop(queue)
        if done > loss and lost is None:
            outstanding = [(lane, n, op), *((a, b, c) for _, a, b, c in queue)]
            overwritten = {does(a, b)[1] for a, b, c in outstanding if c.what == "write"}
            lost = device.lose_power(min(c.issued for _, _, c in outstanding)) - overwritten
        slot = does(lane, n)[1]
        if op.what == "write":
            device.write(slot, n, done)
            newest[slot] = n
        elif op.what == "flush":
            device.flush(op.issued, done)
        elif slot in newest and device.read(slot) != newest[slot]:
            seen = device.read(slot)
            op = Op(op.what, n, op.issued, done, (("write", slot, seen),) if seen >= 0 else OLD)
        logs[lane].ops.append(op)
        if lost is not None and op.what in ("exam", "read", "write"):
            examined.add(slot)
        if done < loss + 40:
            issue(lane, n + (op.what in ("write", "read")), done + 1, "write" if op.what == "exam" else None)
    for log in logs:
        log.closing = Op("end", sum(op.what in ("write", "read") for op in log.ops), 200, 200)
    looks: list[tuple[Content, Content]] = []
    for slot in range(run.slots):
        n = device.read(slot)
        content: Content = (("write", slot, n),) if n >= 0 else OLD
        looks.append((content, content))
    beats = {part: list(range(0, 201, 2)) for part in {0, *run.lane_workers}}
    return Story(run, 0, logs, beats, [], 190, 200, set(), [looks], False, does), lost or set()


class TestPowerLoss:
    @settings(THOROUGH, max_examples=200)
    @given(seed=st.integers(0, 2**32))
    def test_a_sound_device_that_drops_unflushed_writes_in_any_order_gets_no_finding(self, seed: int) -> None:
        story, lost = power_loss(seed, honest=True)
        assert not lost
        checked = check(story)
        assert [t.observed for t in checked.judgement.takeovers] == [True]
        assert not checked.totals.slots_by_finding[list(CONVICTING)].any()
        assert checked.totals.lost_writes == 0

    @settings(THOROUGH, max_examples=200)
    @given(seed=st.integers(0, 2**32))
    def test_one_that_ignores_flushes_gets_a_finding_for_every_slot_that_it_cost(self, seed: int) -> None:
        story, lost = power_loss(seed, honest=False)
        assert check(story).convicted_slots() == lost

    def test_the_losses_in_question_come_up(self) -> None:
        assert sum(bool(power_loss(seed, honest=False)[1]) for seed in range(50)) > 10
