"""The table of observations: what is packed comes back, row by row, and takes little room."""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.judge.plain_runs import log_of, story_of
from tests.judge.stories import Renderer, ledger_of, make_run
from verify.judge import assess
from verify.judge import observations as module
from verify.judge.assess import OrderFacts, bulk_intact
from verify.judge.content import Content, Seen
from verify.judge.decision import Source
from verify.judge.judgement import Judgement
from verify.judge.observations import ROW_DTYPE, Observations, PackedRows, Rows, blank_rows, note_homes, row_of
from verify.judge.order import OPEN_NS, judge_order
from verify.load.schedule import Pattern

SLOTS = 64
SHOWN = [name for name in ROW_DTYPE.names or () if name not in ("detail", "issued_ns", "done_ns")]


@pytest.fixture(autouse=True)
def packed_early() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "PACK_ROWS", 8)
        yield


def a_row(draw: random.Random, slot: int, at_ns: int) -> tuple[Rows, str]:
    """One row of the check, more often than not such as can be packed, with its text."""
    content = draw.choice(list(Content))
    sequence = draw.choice([-1, 0, 7, 2**47])
    row, text = blank_rows([slot], Source.CHECK, content), ""
    if draw.random() < 0.3:
        row = row_of(slot, Source.CHECK, Seen(content, 3, sequence, draw.random() < 0.5, 4, 512, 9, 77))
        text = draw.choice(["", f"text {slot}"])
    row["newest"] = row["oldest"] = sequence
    row["grain"] = draw.choice([0, 1, 8])
    row["steady"] = draw.random() < 0.9
    row["issued_ns"], row["done_ns"] = at_ns, at_ns + 1
    return row, text


def told(rows: Rows, details: list[str]) -> list[tuple[object, ...]]:
    """The rows with their texts, without what packing makes coarser."""
    texts = [details[index] if index >= 0 else "" for index in rows["detail"].tolist()]
    return [(*row, text) for row, text in zip(rows[SHOWN].tolist(), texts, strict=True)]


class Table:
    """Random rows, once in `Observations` and once in a plain list."""

    def __init__(self, seed: int) -> None:
        draw = random.Random(seed)
        self.found, self.plain = Observations(), list[tuple[Rows, str]]()
        for _ in range(draw.randrange(6)):
            row = blank_rows([draw.randrange(SLOTS)], Source.READ, Content.WHOLE)
            row["before"] = draw.randrange(100)
            self._add(row, "")
        for at_ns, slot in enumerate(draw.sample(range(SLOTS), draw.randrange(SLOTS))):
            self._add(*a_row(draw, slot, at_ns))

    def _add(self, row: Rows, text: str) -> None:
        self.plain.append((row.copy(), text))
        if text:
            self.found.add(row, text)
        else:
            self.found.add_rows(row)

    def expected(self, low: int = 0, high: int = SLOTS) -> list[tuple[object, ...]]:
        within = [(row, text) for row, text in self.plain if low <= row["slot"][0] <= high]
        chosen = sorted(within, key=lambda one: int(one[0]["slot"][0]))
        return [(*row[SHOWN].tolist()[0], text) for row, text in chosen]


@settings(max_examples=200)
@given(seed=st.integers(0, 2**32), low=st.integers(0, SLOTS), length=st.integers(0, SLOTS))
def test_rows_come_back_by_slot_and_in_order(seed: int, low: int, length: int) -> None:
    table = Table(seed)
    found = table.found.of_slots(low, low + length)
    assert told(found, table.found.details) == table.expected(low, low + length)
    assert sorted(told(table.found.rows(), table.found.details)) == sorted(table.expected())
    for row in found[found["source"] == Source.CHECK]:
        [plain] = [one for one, _ in table.plain if one["slot"] == row["slot"] and one["source"] == Source.CHECK]
        assert row["issued_ns"] <= plain["issued_ns"][0] < plain["done_ns"][0] <= row["done_ns"]


@settings(max_examples=200)
@given(seed=st.integers(0, 2**32))
def test_masks_and_forgetting(seed: int) -> None:
    table = Table(seed)
    draw = random.Random(seed + 1)
    slots = {int(row["slot"][0]) for row, _ in table.plain}
    checked = {int(row["slot"][0]) for row, _ in table.plain if row["source"] == Source.CHECK}
    assert set(np.flatnonzero(table.found.mask(SLOTS)).tolist()) == slots
    assert set(np.flatnonzero(table.found.mask(SLOTS, check_only=True)).tolist()) == checked
    some = np.array(sorted(draw.sample(range(SLOTS), 20)), dtype=np.int64)
    assert set(table.found.of_check(some)["slot"].tolist()) == checked & set(some.tolist())
    gone = np.zeros(SLOTS, dtype=np.bool_)
    gone[some] = True
    table.found.forget_check(gone)
    table.plain = [(r, t) for r, t in table.plain if r["source"] != Source.CHECK or not gone[r["slot"][0]]]
    assert told(table.found.of_slots(0, SLOTS), table.found.details) == table.expected()
    other = Table(seed + 2)
    other.found.forget_check(~gone)
    joined = Observations()
    joined.add_all(table.found)
    joined.add_all(other.found)
    both = [*told(table.found.rows(), table.found.details), *told(other.found.rows(), other.found.details)]
    assert sorted(told(joined.rows(), joined.details)) == sorted(both)
    table.found.forget_check()
    assert not (table.found.rows()["source"] == Source.CHECK).any()


@pytest.mark.parametrize(("name", "limit"), [
    ("DETAIL_CHARACTERS_MAX", 9), ("DETAIL_CHARACTERS_MAX", 16), ("DETAILS_MAX", 2),
])  # fmt: skip
def test_details_have_a_limit(monkeypatch: pytest.MonkeyPatch, name: str, limit: int) -> None:
    monkeypatch.setattr(module, name, limit)
    found = Observations()
    for slot, text in enumerate(["", *["12345678"] * 4]):
        found.add(blank_rows([slot], Source.CHECK, Content.BLANK), text)
    assert found.details == ["12345678"] * 2
    assert found.of_slots(0, 4)["detail"].tolist() == [-1, 0, 1, -1, -1]


def checked_rows(slots: range, content: Content = Content.BLANK) -> Rows:
    """Rows of the check that may be packed."""
    return blank_rows(slots, Source.CHECK, content)


def seen_under_load(*slots: int) -> Rows:
    return blank_rows(slots, Source.READ, Content.WHOLE)


def slots_of(rows: Rows) -> list[tuple[int, bool]]:
    """The slots in the order of the rows, and whether the check saw each."""
    return [(int(row["slot"]), bool(row["source"] == Source.CHECK)) for row in rows]


class TestStepByStep:
    """Slots 0 to 9 were seen by the check, 3 and 5 before that by lanes; those of the check are packed."""

    def table(self) -> Observations:
        found = Observations()
        found.add_rows(seen_under_load(5, 3))
        found.loose()
        found.add_rows(checked_rows(range(10)))
        return found

    def flags_of(self, *slots: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
        return np.isin(np.arange(10), slots)

    def test_what_a_row_says_that_nothing_is_said_of(self) -> None:
        (row,) = blank_rows([4], Source.EXAMINATION, Content.FOREIGN)
        assert {name: row[name].item() for name in ROW_DTYPE.names or ()} == {
            "slot": 4, "source": Source.EXAMINATION, "content": Content.FOREIGN, "strange": False, "steady": True,
            "grain": 0, "oldest": -1, "newest": -1, "home": -1, "home_sequence": -1, "home_too": -1, "bits": -1,
            "expected": -1, "before": 2**63 - 1, "issued_ns": 0, "done_ns": 0, "detail": -1,
        }  # fmt: skip

    def test_what_was_seen_closely_is_told_whole(self) -> None:
        seen = Seen(Content.MIX, 3, 9, True, 4, 512, 7, 77, "sectors of two")
        assert row_of(4, Source.READ, seen)[list(SHOWN)].tolist() == [
            (4, Source.READ, Content.MIX, True, True, 4, 3, 9, 512, 7, -1, 77, -1, 2**63 - 1)
        ]

    def test_forgetting_the_check(self) -> None:
        found = self.table()
        found.forget_check(self.flags_of(*range(2, 10)))
        assert slots_of(found.rows()) == [(5, False), (3, False), (0, True), (1, True)]
        found.forget_check(self.flags_of(5))  # which the check's remaining rows are not of
        assert slots_of(found.rows()) == [(5, False), (3, False), (0, True), (1, True)]
        found.forget_check()
        assert slots_of(found.rows()) == [(5, False), (3, False)]

    def test_forgetting_rows_of_the_check_that_are_not_packed(self) -> None:
        found = Observations()
        found.add_rows(seen_under_load(4, 1))
        found.add_rows(checked_rows(range(1, 3)))
        assert np.flatnonzero(found.mask(10)).tolist() == [1, 2, 4]
        assert np.flatnonzero(found.mask(10, check_only=True)).tolist() == [1, 2]
        assert slots_of(found.of_check(np.array([0, 2, 4]))) == [(2, True)]
        found.forget_check(self.flags_of(1))
        assert slots_of(found.rows()) == [(4, False), (1, False), (2, True)]
        found.forget_check()
        assert slots_of(found.rows()) == [(4, False), (1, False)]

    def test_forgetting_slots_that_a_lane_saw(self) -> None:
        found = self.table()
        found.forget_slots(self.flags_of(3))
        assert slots_of(found.loose()) == [(5, False)]
        assert np.flatnonzero(found.mask(10)).tolist() == list(range(10))
        assert np.flatnonzero(found.mask(10, check_only=True)).tolist() == list(range(10))

    def test_rows_of_slots_in_their_order_however_many(self) -> None:
        """Each of two slots was seen by turns twenty times, and then by the check."""
        found = Observations()
        for turn in range(40):
            row = seen_under_load(1 - turn % 2)
            row["before"] = turn
            found.add_rows(row)
        found.add_rows(checked_rows(range(2)))
        rows = found.of_slots(0, 1)
        assert rows["slot"].tolist() == [0] * 21 + [1] * 21
        assert rows["before"].tolist() == [*range(1, 40, 2), 2**63 - 1, *range(0, 40, 2), 2**63 - 1]

    def test_joining_two_tables_keeps_every_text_with_its_row(self) -> None:
        joined, other = Observations(), Observations()
        joined.add(seen_under_load(0), "of 0")
        for slot, text in ((1, "of 1"), (2, ""), (3, "of 3")):
            other.add(seen_under_load(slot), text)
        other.add_rows(checked_rows(range(4, 12)))
        before = other.rows().copy()
        joined.add_all(other)
        rows = joined.rows()
        assert sorted(rows["slot"].tolist()) == list(range(12))
        texts = {int(row["slot"]): joined.details[row["detail"]] for row in rows if row["detail"] >= 0}
        assert texts == {0: "of 0", 1: "of 1", 3: "of 3"}
        assert (other.rows() == before).all()

    def test_a_text_for_which_a_table_has_no_room_is_left_out(self, monkeypatch: pytest.MonkeyPatch) -> None:
        other = Observations()
        other.add(seen_under_load(1), "of 1")
        monkeypatch.setattr(module, "DETAILS_MAX", 0)
        joined = Observations()
        joined.add_all(other)
        assert joined.rows()["detail"].tolist() == [-1]


@pytest.mark.parametrize(("home", "sequence", "there_too"), [
    (0, 0, 1), (0, 1, 0), (512, 1, 0), (512, -1, 0),  # slot 1 is blank
    (1024, 0, 1), (1024, 1, 0), (1536, 5, 1), (1536, 1, 0),  # of the second stream; slot 3 shows write 5
    (256, 0, -1), (2560, 0, -1), (-1, -1, -1),  # no place of the run
])  # fmt: skip
@pytest.mark.parametrize("source", [Source.CHECK, Source.READ])
def test_a_misplaced_block_is_also_where_it_belongs_if_the_check_saw_it_there(
    home: int, sequence: int, there_too: int, source: Source
) -> None:
    """The streams have two and three slots of 512 bytes, each written once by its lane; the last slot holds it."""
    run = make_run([(1, 2, 1), (1, 3, 1)], pattern=Pattern.SWEEP, read_share=0.0, fill=False)
    story = story_of(run, [log_of(2), log_of(3)])
    items = ledger_of(story, Renderer(run), random.Random(0))
    state = Judgement(run, lambda: items).state
    found = Observations()
    found.add_rows(checked_rows(range(1, 2)))
    newer = checked_rows(range(3, 4), Content.WHOLE)
    newer["oldest"] = newer["newest"] = 5
    found.add_rows(newer)
    found.add_rows(row_of(4, source, Seen(Content.MISPLACED, home_address=home, home_sequence=sequence)))
    note_homes(found, state)
    assert found.rows()["home_too"].tolist() == [-1, -1, there_too]


def test_a_row_is_packed_only_if_it_says_nothing_that_is_not_kept() -> None:
    more = {
        "source": Source.READ, "steady": False, "strange": True, "oldest": 3, "newest": 3, "before": 7, "home": 512,
        "home_sequence": 0, "home_too": 0, "bits": 0, "expected": 0, "detail": 0,
    }  # fmt: skip
    rows = checked_rows(range(len(more) + 2), Content.MIX)
    for row, (name, value) in zip(rows[1:-1], more.items(), strict=True):
        row[name] = value
    rows[-1]["oldest"], rows[-1]["newest"], rows[-1]["grain"] = 3, 3, 8
    rows["issued_ns"], rows["done_ns"] = 5, 6
    assert PackedRows.fits(rows).tolist() == [True, *[False] * len(more), True]
    assert set(more) | {"slot", "content", "grain", "issued_ns", "done_ns"} == set(ROW_DTYPE.names or ())


@pytest.mark.parametrize(("newest", "grains", "bytes_a_slot"), [(-1, 1, 5), (-1, 2, 9), (0, 1, 13), (7, 2, 17)])
@pytest.mark.parametrize("first", [0, 2**33])
def test_a_packed_row_costs_as_few_bytes_as_it_can(newest: int, grains: int, bytes_a_slot: int, first: int) -> None:
    count = 1 << 14
    rows = checked_rows(range(first, first + count), Content.WHOLE)
    rows["oldest"] = rows["newest"] = newest
    rows["grain"] = np.arange(count) % grains
    tracemalloc.start()
    try:
        packed = PackedRows(rows)
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert (packed.rows()[SHOWN] == rows[SHOWN]).all()
    assert kept < count * (bytes_a_slot + 1)


def test_both_ends_of_what_is_asked_for_belong_to_it() -> None:
    found = Observations()
    found.add_rows(blank_rows(range(10, 18), Source.CHECK, Content.BLANK))
    asked = [(0, 9), (0, 10), (17, 30), (18, 30), (12, 12)]
    assert [found.of_slots(*ends)["slot"].tolist() for ends in asked] == [[], [10], [17], [], [12]]


def test_rows_may_be_added_after_some_were_asked_for() -> None:
    found = Observations()
    for slot in range(4):
        found.add(blank_rows([slot], Source.READ, Content.BLANK), "text")
        assert found.loose()["slot"].tolist() == list(range(slot + 1))


@pytest.mark.parametrize("high", [1, 2**32 - 1, 2**32, 2**33])
def test_packed_slots_may_be_as_far_apart_as_they_like(high: int) -> None:
    rows = blank_rows([5, 5 + high], Source.CHECK, Content.BLANK)
    packed = PackedRows(rows)
    assert packed.slots.tolist() == [5, 5 + high]
    assert packed.rows()["slot"].tolist() == [5, 5 + high]


def test_packed_rows_of_nothing_but_the_first_write_keep_its_number() -> None:
    rows = blank_rows(range(8), Source.CHECK, Content.WHOLE)
    rows["oldest"] = rows["newest"] = 0
    assert PackedRows(rows).rows()["newest"].tolist() == [0] * 8


def test_rows_are_packed_as_they_come() -> None:
    """One by one or many at once, no more than a few wait to be packed."""
    for at_once in (1, 3, 20):
        found = Observations()
        for first in range(0, 60, at_once):
            found.add_rows(blank_rows(range(first, first + at_once), Source.CHECK, Content.BLANK))
            assert sum(len(rows) for rows in found._fresh) < module.PACK_ROWS
        assert sum(len(piece.slots) for piece in found._packed) > 60 - module.PACK_ROWS


@pytest.mark.parametrize(("told", "kept"), [
    (-7, -1), (-1, -1), (0, 0), (5, 5), (2**63 - 1, 2**63 - 1), (2**80, 2**63 - 1),
])  # fmt: skip
def test_what_a_ledger_tells_of_a_home_fits_a_row(told: int, kept: int) -> None:
    row = row_of(3, Source.READ, Seen(Content.MISPLACED, home_address=told, home_sequence=told))
    assert (row["home"].tolist(), row["home_sequence"].tolist()) == ([kept], [kept])


@pytest.mark.parametrize(("older", "bytes_a_slot"), [(False, 6), (True, 14)])
def test_an_odd_slot_costs_a_few_bytes(monkeypatch: pytest.MonkeyPatch, older: bool, bytes_a_slot: int) -> None:
    monkeypatch.undo()
    count, piece = 1 << 20, 1024
    tracemalloc.start()
    try:
        found = Observations()
        for first in range(0, count, piece):
            rows = blank_rows(range(first, first + piece), Source.CHECK, Content.WHOLE if older else Content.BLANK)
            if older:
                rows["oldest"] = rows["newest"] = np.arange(first, first + piece)
            rows["issued_ns"] = rows["done_ns"] = first
            found.add_rows(rows)
        del rows
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    unpacked = module.PACK_ROWS * ROW_DTYPE.itemsize
    assert kept < count * bytes_a_slot + unpacked
    assert found.mask(count).sum() == count


@settings(max_examples=500)
@given(seed=st.integers(0, 2**32))
def test_intact_slots_that_are_only_counted_change_no_order(seed: int) -> None:
    draw = random.Random(seed)
    special = np.array([draw.random() < 0.4 for _ in range(SLOTS)])
    issued = np.array([draw.choice([-1, draw.randrange(40)]) for _ in range(SLOTS)], dtype=np.int64)
    numbers = np.arange(SLOTS, dtype=np.int64) + 100
    facts = OrderFacts(special)
    for slots in np.array_split(np.flatnonzero(special), draw.randrange(1, 3)):
        begins = np.array([draw.randrange(30) for _ in slots], dtype=np.int64)
        ends = np.array([draw.choice([OPEN_NS, b + draw.randrange(20)]) for b in begins.tolist()], dtype=np.int64)
        following = np.where(ends == OPEN_NS, -1, 500)
        facts.columns.append((slots, slots + 1, begins, following, ends))
        facts.lost_done_ns.append(ends[ends != OPEN_NS])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(assess, "WINDOW_SLOTS", draw.choice([7, 16, SLOTS]))
        columns, counted = bulk_intact(facts, issued, numbers)
    plain = np.flatnonzero(~special & (issued >= 0))
    none, never = np.full(len(plain), -1), np.full(len(plain), OPEN_NS)
    bulk = (plain, numbers[plain], issued[plain], none, never)
    whole = [np.concatenate(parts) for parts in zip(bulk, *facts.columns, strict=True)]
    wanted, found = judge_order(*whole, np.concatenate(facts.lost_done_ns)), judge_order(*columns)
    assert found.slots + counted == wanted.slots
    for name in ("one_moment", "moment_from_ns", "moment_to_ns", "witness", "overtaken", "set_aside"):
        assert getattr(found, name) == getattr(wanted, name)
