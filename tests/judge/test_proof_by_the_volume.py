"""What blocks beyond the end of a ledger prove, wherever and at whichever read they were seen."""

from __future__ import annotations

from dataclasses import replace

from tests.judge.checking import check
from tests.judge.plain_runs import OLD, log_of, story_of, sweep, whole
from tests.judge.stories import Content, Renderer, Story
from verify.judge.decision import Finding


def twice(story: Story, number: int, slot: int, second: Content) -> Story:
    """The story with everything read twice, and another content at the second read of one slot."""
    looks = [list(pairs) for pairs in story.checks]
    looks[number][slot] = (looks[number][slot][0], second)
    return replace(story, twice=True, checks=looks)


def test_a_write_in_flight_seen_by_a_second_read_is_demanded_by_later_checks() -> None:
    """It was on the volume, so a later check that finds the write before it has found a loss."""
    run = sweep(slots=2)
    before = [whole(0, 0), whole(1, 1)]
    story = twice(story_of(run, [log_of(2, in_flight=True)], before, before), 0, 0, whole(0, 2))
    first = check(story, 0)
    assert first.finding_of_check(0) is Finding.INTACT
    assert first.scan.seen_in_flight == {0: 2}
    later = check(story, 1, first.scan.seen_in_flight)
    assert later.finding_of_check(0) is Finding.LOST


def test_an_operation_seen_by_a_second_read_proves_those_before_it() -> None:
    run = sweep(slots=3)
    seen = [whole(0, 0), whole(1, 1), whole(2, 2)]
    story = twice(story_of(run, [log_of(3, is_open=True)], seen, open_parts={0, 1}), 0, 2, whole(2, 5))
    checked = check(story)
    assert [checked.finding_of_check(slot) for slot in range(3)] == [Finding.LOST, Finding.LOST, Finding.INTACT]
    assert checked.totals.lost_writes == 2


def test_a_misplaced_block_proves_what_its_lane_did_before_it() -> None:
    run = sweep(slots=3)
    seen = [whole(0, 0), whole(2, 5), whole(2, 2)]
    checked = check(story_of(run, [log_of(3, is_open=True)], seen, open_parts={0, 1}))
    assert [checked.finding_of_check(slot) for slot in range(3)] == [Finding.LOST, Finding.MISPLACED, Finding.INTACT]
    assert checked.totals.lost_writes == 2


def test_a_sector_out_of_place_proves_what_its_lane_did_before_it() -> None:
    run = sweep(slots=3, sectors=2)
    torn = (whole(1, 1)[0], whole(2, 5)[0])
    seen = [whole(0, 0, 2), torn, whole(2, 2, 2)]
    checked = check(story_of(run, [log_of(3, is_open=True)], seen, open_parts={0, 1}))
    assert [checked.finding_of_check(slot) for slot in range(3)] == [Finding.LOST, Finding.TORN, Finding.INTACT]
    assert checked.totals.lost_writes == 2


def test_sectors_of_other_runs_where_only_the_volume_proves_a_write_are_foreign() -> None:
    """They were taken for old content until a later block proved that a write had been there."""
    run = sweep(slots=2, sectors=2)
    renderer = Renderer(run)
    blocks = [renderer._others[0].block(0, 0, n) for n in (1, 2)]
    renderer._known[0, ("alien",)] = blocks[0][:512] + blocks[1][512:]
    seen: list[Content] = [(("alien",),) * 2, whole(1, 1, 2)]
    checked = check(story_of(run, [log_of(0, is_open=True)], seen, open_parts={0, 1}), renderer=renderer)
    assert checked.finding_of_check(0) is Finding.FOREIGN
    assert checked.totals.lost_writes == 1


def test_old_content_that_nothing_proves_otherwise_stays_untouched() -> None:
    run = sweep(slots=2)
    checked = check(story_of(run, [log_of(0, is_open=True)], [OLD, OLD], open_parts={0, 1}))
    assert not checked.convicted_slots()


def test_of_two_reads_the_newer_write_is_demanded_by_later_checks() -> None:
    run = sweep(slots=2)
    seen = [whole(0, 4), whole(1, 3)]
    story = twice(story_of(run, [log_of(2, is_open=True)], seen, open_parts={0, 1}), 0, 0, whole(0, 2))
    assert check(story).scan.seen_in_flight == {0: 4, 1: 3}


def test_a_sector_proves_what_it_is_proof_of_whatever_stands_beside_it() -> None:
    """The newest sector is of an operation that never wrote there; the other is of one that did."""
    run = sweep(slots=3, sectors=2)
    torn = (whole(0, 6)[0], whole(0, 100)[0])
    seen = [torn, whole(1, 1, 2), whole(2, 2, 2)]
    checked = check(story_of(run, [log_of(3, is_open=True)], seen, open_parts={0, 1}))
    assert [checked.finding_of_check(slot) for slot in range(3)] == [Finding.TORN, Finding.LOST, Finding.LOST]
