"""The truth itself, on cases worked out by hand from the table of findings and the rule of the ledger's frames."""

from __future__ import annotations

import random

import pytest

from scripts.drill_campaign.contents import Content, Place, Source
from scripts.drill_campaign.ledger import PartBeingWritten, PartLeft
from scripts.drill_campaign.pair import Pair
from scripts.drill_campaign.truth_content import finding_of

SLOTS = [Place(0, 0, 0, 1024, 2, 0), Place(1, 0, 1024, 1024, 2, 1), Place(2, 1, 4096, 512, 1, 2)]
ZERO: Source = ("even", 0)
ALIEN: Source = ("alien",)
JUNK: Source = ("junk", 1)


def write(slot: int, n: int, index: int) -> Source:
    return ("write", slot, n, index)


def both(slot: int, n: int) -> tuple[Source, ...]:
    return write(slot, n, 0), write(slot, n, 1)


@pytest.mark.parametrize(
    ("sectors", "floor", "by", "unit", "finding"),
    [
        (both(0, 4), 4, "check", 1, "intact"),
        (both(0, 2), 4, "check", 1, "lost"),
        (both(0, 2), 4, "exam", 1, "lost"),
        (both(0, 2), 4, "read", 1, "stale read"),
        (both(0, 2), 2, "check", 1, "intact"),
        (both(0, 9), 4, "check", 1, "unissued"),
        ((write(0, 4, 0), write(0, 6, 1)), 4, "check", 1, "tear in flight"),
        ((write(0, 4, 0), write(0, 6, 1)), 4, "check", 2, "torn"),
        ((write(0, 2, 0), write(0, 6, 1)), 4, "check", 1, "torn"),
        ((write(0, 4, 1), write(0, 4, 0)), 4, "check", 1, "torn"),
        ((write(0, 6, 0), JUNK), -1, "check", 1, "tear in flight"),
        ((write(0, 6, 0), JUNK), 4, "check", 1, "damaged"),
        (both(1, 3), 4, "check", 1, "misplaced"),
        (both(1, 3), -1, "check", 1, "misplaced"),
        ((write(1, 3, 0), write(0, 4, 1)), 4, "check", 1, "torn"),
        ((ZERO, ZERO), 4, "check", 1, "blank"),
        ((ZERO, ("even", 7)), 4, "check", 1, "damaged"),
        ((ZERO, ZERO), -1, "check", 1, "untouched"),
        ((ALIEN, ALIEN), 4, "check", 1, "foreign"),
        ((ALIEN, JUNK), 4, "check", 1, "damaged"),
        ((write(2, 5, 0), write(0, 4, 1)), 4, "check", 1, "torn"),
        ((write(2, 5, 0), write(0, 4, 1)), 4, "exam", 1, "damaged"),
    ],
    ids=str,
)
def test_what_a_look_amounts_to(
    sectors: tuple[Source, ...], floor: int, by: str, unit: int, finding: str
) -> None:
    """Writes 2, 4 and 6 of slot 0 may be there: 6 was in flight. A unit is so many sectors."""
    seen = Content(b"", sectors)
    assert finding_of(SLOTS[0], SLOTS, seen, floor, lambda n: n in (2, 4, 6), by, False, unit) == finding


def test_a_stretch_of_another_stream_s_block_is_misplaced_to_a_check_and_unknown_to_a_lane() -> None:
    seen = Content(b"", (write(0, 4, 1),))
    found = [finding_of(SLOTS[2], SLOTS, seen, 3, lambda n: True, by, False, 1) for by in ("check", "exam")]
    assert found == ["misplaced", "damaged"]


def test_what_cannot_be_read_and_what_disagrees() -> None:
    seen = Content(b"", both(0, 4))
    assert finding_of(SLOTS[0], SLOTS, None, 4, lambda n: True, "check", False, 1) == "unreadable"
    assert finding_of(SLOTS[0], SLOTS, seen, 4, lambda n: True, "check", True, 1) == "unstable"


@pytest.fixture
def part() -> PartBeingWritten:
    """Two frames of records, then an event."""
    part = PartBeingWritten(tag=7, part=1)
    for count in (3, 2):
        for _ in range(count):
            part.append(bytes(24))
        part.flush()
    part.close({"event": "close"})
    return part


def test_only_frames_that_are_whole_from_the_beginning_on_count(part: PartBeingWritten) -> None:
    ends = [end for end, _ in part.frames]
    assert [items for _, items in part.frames] == [3, 5, 6]
    for at in range(ends[-1]):
        share = (ends[-1] - 1 - at) / (ends[-1] - 1) + 1e-9
        left = PartLeft(part, "cut", share)
        whole = sum(end <= len(left.data) for end in ends)
        assert left.items_left == (0, 3, 5, 6)[whole]
        assert left.is_cut
        assert not left.closed
        assert not left.harmed


def test_a_flipped_bit_is_damage_and_a_missing_file_too(part: PartBeingWritten) -> None:
    flipped = PartLeft(part, "flipped", 0.0)
    assert (flipped.items_left, flipped.harmed) == (5, "flipped")
    missing = PartLeft(part, "missing", 0.5)
    assert (missing.items_left, missing.harmed, missing.missing) == (0, "missing", True)
    unharmed = PartLeft(part, "", 0.0)
    assert (unharmed.items_left, unharmed.closed, unharmed.is_cut) == (6, True, False)


@pytest.mark.parametrize("mirrored", [True, False])
def test_a_takeover_keeps_what_was_mirrored_and_loses_what_was_only_cached(mirrored: bool) -> None:
    old, new = Content(b"old", (ZERO, ZERO)), Content(b"new", both(0, 1))
    pair = Pair(SLOTS, [old, old, old], random.Random(1), 100, mirrored)
    pair.accept(0, 1, new, False)
    pair.accept(1, 1, new, True)
    pair.take_over(1000, 50)
    assert pair.served(0) is (new if mirrored else old)
    assert pair.served(1) is new
    assert pair.open_from_ns == 1050
