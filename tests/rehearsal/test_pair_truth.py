"""What the truth says of single writes, one call at a time under a virtual clock."""

from __future__ import annotations

import random

import pytest

from tests.rehearsal.numbered import BLOCK_BYTES, BLOCKS, bytes_of, get, make_pair, on_medium, put
from verify.rehearsal.backing import MemoryBacking
from verify.rehearsal.clock import VirtualClock
from verify.rehearsal.core import PairCore, stays_with_a
from verify.rehearsal.faults import FAULTS
from verify.rehearsal.state import PairSettings
from verify.rehearsal.truth import digest_of

OFFSETS = [index * BLOCK_BYTES for index in range(BLOCKS)]


def make_core(fault: str, cache_blocks: int = 16) -> PairCore:
    settings = PairSettings(cache_blocks=cache_blocks, lag_writes=4, stall_s=0.1)
    backing = MemoryBacking(BLOCKS * BLOCK_BYTES)
    return PairCore(backing, FAULTS[fault], settings, VirtualClock().monotonic_ns)


def write(core: PairCore, offset_bytes: int, number: int, through: bool = False) -> None:
    data = bytes_of(number)
    core.write(offset_bytes, data, digest_of(data), through, issued_ns=1)


class TestWhatIsLost:
    def test_every_acknowledged_version_above_the_survivor_counts(self) -> None:
        pair, _ = make_pair("cache-not-mirrored")
        put(pair, 0, bytes_of(1))
        pair.flush()
        for number in (2, 3, 4):
            put(pair, 0, bytes_of(number))
        pair.takeover()
        [damage] = pair.truth.damages()
        assert (damage.kind, damage.surviving_ordinal, damage.last_acknowledged_ordinal) == ("lost", 1, 4)
        assert damage.lost_writes == 3
        assert pair.truth.version(0, 1).digest == digest_of(get(pair, 0))

    def test_only_the_newest_counts_where_the_untouched_medium_shows(self) -> None:
        pair, _ = make_pair("cache-not-mirrored")
        for number in (1, 2, 3):
            put(pair, 0, bytes_of(number))
        pair.takeover()
        [damage] = pair.truth.damages()
        assert (damage.kind, damage.surviving_ordinal, damage.lost_writes) == ("blank", None, 1)

    def test_other_old_content_of_the_medium_is_not_blank(self) -> None:
        backing = MemoryBacking(BLOCKS * BLOCK_BYTES)
        backing.write(0, bytes_of(99))
        pair, _ = make_pair("cache-not-mirrored", backing=backing)
        put(pair, 0, bytes_of(1))
        pair.takeover()
        assert [damage.kind for damage in pair.truth.damages()] == ["damaged"]

    def test_nothing_is_lost_of_a_side_that_a_dropped_controller_did_not_write(self) -> None:
        pair, _ = make_pair("both-active", cache_blocks=4, stall_s=0.0)
        for number, offset in enumerate(OFFSETS):
            put(pair, offset, bytes_of(number))
        pair.takeover()
        pair.flush()
        for number, offset in enumerate(OFFSETS):
            put(pair, offset, bytes_of(1000 + number), through=number % 2 == 0)
        assert not pair.truth.damages()
        pair.end_both_active()
        lost = [offset for offset in OFFSETS if stays_with_a(offset)]
        assert [damage.offset_bytes for damage in pair.truth.damages()] == lost
        for number, offset in enumerate(OFFSETS):
            assert get(pair, offset) == bytes_of(number if offset in lost else 1000 + number)

    def test_bit_damage_flips_one_bit_of_each_block_it_hits(self) -> None:
        pair, _ = make_pair("bit-damage", blocks_hit=BLOCKS)
        for number, offset in enumerate(OFFSETS):
            put(pair, offset, bytes_of(number))
        pair.takeover()
        assert [damage.offset_bytes for damage in pair.truth.damages()] == OFFSETS
        for number, offset in enumerate(OFFSETS):
            differing = int.from_bytes(get(pair, offset)) ^ int.from_bytes(bytes_of(number))
            assert differing.bit_count() == 1

    def test_a_write_received_by_the_hung_controller_comes_back_over_a_newer_one(self) -> None:
        core = make_core("late-replay")
        write(core, OFFSETS[0], 1)
        core.takeover([(OFFSETS[0], bytes_of(2)), (OFFSETS[1], bytes_of(3))])
        write(core, OFFSETS[0], 2)
        write(core, OFFSETS[1], 3)
        assert core.late_replay([]) is None
        write(core, OFFSETS[0], 4)
        assert core.late_replay([(OFFSETS[0], bytes_of(5))]) is None
        moment = core.late_replay([])
        assert moment is not None
        assert [(c.offset_bytes, c.surviving_ordinal, c.kind) for c in moment.changes] == [
            (OFFSETS[0], 2, "lost")
        ]
        served = bytearray(BLOCK_BYTES)
        core.read(OFFSETS[0], memoryview(served))
        assert served == bytes_of(2)
        write(core, OFFSETS[1], 6)
        assert core.late_replay([]) is not None
        assert core.late_replay([]) is None

    def test_closing_while_both_are_active_keeps_the_writes_of_both(self) -> None:
        pair, backing = make_pair("both-active", stall_s=0.0)
        for number, offset in enumerate(OFFSETS):
            put(pair, offset, bytes_of(number))
        pair.takeover()
        for number, offset in enumerate(OFFSETS):
            put(pair, offset, bytes_of(1000 + number))
        pair.close()
        assert [on_medium(backing, o) for o in OFFSETS] == [bytes_of(1000 + n) for n in range(BLOCKS)]


class TestWhatACallerSawFirst:
    def test_reads_overwrites_and_writes_in_flight_are_told_apart(self) -> None:
        pair, _ = make_pair("cache-not-mirrored")
        for offset in OFFSETS[:4]:
            put(pair, offset, bytes_of(1))
        pair.flush()
        for offset in OFFSETS[:4]:
            put(pair, offset, bytes_of(2))
        pair.takeover()
        put(pair, OFFSETS[0], bytes_of(3))
        put(pair, OFFSETS[1], bytes_of(3))
        get(pair, OFFSETS[2])
        put(pair, OFFSETS[2], bytes_of(3))
        get(pair, OFFSETS[2], 2 * BLOCK_BYTES)
        get(pair.checker(), OFFSETS[3])
        seen = [(d.first_seen, len(d.read_ns), d.ended_ns is None) for d in pair.truth.damages()]
        assert seen == [
            ("in flight", 0, False),
            ("overwritten", 0, False),
            ("read", 1, False),
            ("read", 1, True),
        ]


class TestFlushes:
    def test_a_flush_after_the_loss_covers_nothing_that_was_lost_in_it(self) -> None:
        pair, _ = make_pair("flush-ignored")
        put(pair, 0, bytes_of(1))
        pair.takeover()
        pair.flush()
        assert len(pair.truth.changes()) == 1
        assert not pair.truth.damages()
        put(pair, 0, bytes_of(2))
        pair.flush()
        assert [v.flush_covered for v in pair.truth.versions(0)] == [False, True]

    def test_a_flush_issued_before_the_loss_and_answered_after_it_covers_nothing(self) -> None:
        core = make_core("flush-ignored")
        write(core, 0, 1)
        issued_ns = core.truth.version(0, 1).acknowledged_ns + 1
        core.takeover([])
        core.flush(issued_ns)
        write(core, 0, 2)
        assert [v.flush_covered for v in core.truth.versions(0)] == [False, False]

    def test_a_flush_covers_only_what_was_acknowledged_before_its_issue(self) -> None:
        core = make_core("sound")
        write(core, 0, 1)
        issued_ns = core.truth.version(0, 1).acknowledged_ns + 1
        write(core, 0, 2)
        core.flush(issued_ns)
        assert [v.flush_covered for v in core.truth.versions(0)] == [True, False]


class TestTheLink:
    def test_the_partner_keeps_copies_of_the_dirty_blocks_alone(self) -> None:
        core = make_core("sound", cache_blocks=8)
        for number, offset in enumerate(OFFSETS):
            write(core, offset, number)
            assert core.state.b.partner_copy == core.state.a.dirty

    def test_a_write_through_makes_a_lagging_link_catch_up(self) -> None:
        core = make_core("mirror-lagging")
        write(core, OFFSETS[0], 1)
        write(core, OFFSETS[1], 2)
        write(core, OFFSETS[0], 3, through=True)
        write(core, OFFSETS[2], 4)
        moment = core.takeover([])
        assert [change.offset_bytes for change in moment.changes] == [OFFSETS[2]]
        kept, lost = core.truth.version(OFFSETS[0], 2), core.truth.version(OFFSETS[2], 1)
        assert moment.went_back_to_ns == (kept.acknowledged_ns, lost.acknowledged_ns)

    @pytest.mark.parametrize("order", ["oldest", "address", "random"])
    def test_a_lagging_link_never_lets_the_medium_run_ahead(self, order: str) -> None:
        for seed in range(20):
            pair, _ = make_pair("mirror-lagging", cache_blocks=8, lag_writes=6, destage_order=order)
            draw = random.Random(seed)
            for number in range(100):
                put(pair, draw.randrange(20) * BLOCK_BYTES, bytes_of(number))
            moment = pair.takeover()
            assert moment.went_back_to_ns is not None
            kept_ns, _ = moment.went_back_to_ns
            shown = {change.offset_bytes: change.surviving_ordinal for change in moment.changes}
            for offset, _, last in pair.truth.blocks():
                kept = sum(v.acknowledged_ns <= kept_ns for v in pair.truth.versions(offset))
                assert shown.get(offset, last) == kept, seed

    def test_a_lagging_link_loses_exactly_its_last_writes(self) -> None:
        core = make_core("mirror-lagging")
        for number, offset in enumerate(OFFSETS[:100]):
            write(core, offset, number)
        moment = core.takeover([])
        assert [change.offset_bytes for change in moment.changes] == OFFSETS[96:100]
