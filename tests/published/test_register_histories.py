"""The register histories of the literature, and what the judge says to them.

Sources: L. Lamport, "On interprocess communication", Distributed Computing 1 (1986), for safe, regular and atomic
registers; M. P. Herlihy and J. M. Wing, "Linearizability: a correctness condition for concurrent objects", ACM TOPLAS
12(3) (1990).

A slot is a register with a single writer, the lane that owns it, and a lane's own reads never overlap its writes. So
only a check can overlap a write: one that was in flight when the ledger was closed. A check after another check is held
to what the first one saw: what was once visible is demanded. Therefore the judge accepts exactly what is linearizable,
which is more than a regular register owes (histories 2 and 9) and much more than a safe one (history 5): an
overlapped read may show the old write, the new one, or a tear of the two no finer than the device's atomic unit.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.judge.checking import check
from tests.judge.stories import Content, LaneLog, Op, Sector, Story, doer, make_run
from verify.judge.decision import CONVICTING, Finding, Source
from verify.load.run import Run
from verify.load.schedule import Pattern


@dataclass(frozen=True)
class Event:
    """A write of, or a read that returned, `value`, from `start` to `end`."""

    kind: str
    value: int
    start: int
    end: int

    def before(self, other: Event) -> bool:
        return self.end < other.start


def w(value: int, start: int, end: int) -> Event:
    return Event("w", value, start, end)


def r(value: int, start: int, end: int) -> Event:
    return Event("r", value, start, end)


Y, N, UNDEFINED = True, False, None

HISTORIES: list[tuple[int, list[Event], bool | None, bool | None, bool | None]] = [
    # number, history, linearizable, regular, safe; the last two are defined for writes that do not overlap
    (1, [w(1, 0, 10), r(1, 2, 4), r(1, 5, 7)], Y, Y, Y),
    (2, [w(1, 0, 10), r(1, 2, 4), r(0, 5, 7)], N, Y, Y),
    (3, [w(1, 0, 10), r(0, 2, 4), r(1, 5, 7)], Y, Y, Y),
    (4, [w(1, 0, 2), r(0, 3, 5)], N, N, N),
    (5, [w(1, 0, 10), r(7, 2, 4)], N, N, Y),
    (6, [w(1, 0, 4), w(2, 2, 6), r(1, 7, 8)], Y, UNDEFINED, UNDEFINED),
    (7, [w(1, 0, 4), w(2, 2, 6), r(2, 7, 8), r(1, 9, 10)], N, UNDEFINED, UNDEFINED),
    (8, [w(1, 0, 2), w(2, 3, 99), r(1, 6, 8), r(2, 9, 10)], Y, Y, Y),
    (9, [w(1, 0, 2), w(2, 3, 99), r(2, 6, 8), r(1, 9, 10)], N, Y, Y),
]
IDS = [f"history {number}" for number, *_ in HISTORIES]


def linearizable(history: list[Event]) -> bool:
    """Whether some order of all operations keeps real time and gives every read the latest write (brute force)."""
    for order in itertools.permutations(history):
        if any(later.before(earlier) for earlier, later in itertools.combinations(order, 2)):
            continue
        value, fits = 0, True
        for event in order:
            if event.kind == "w":
                value = event.value
            fits = fits and event.value == value
        if fits:
            return True
    return False


def values_allowed(history: list[Event], read: Event) -> tuple[set[int], bool]:
    """What a read of a regular register may return, and whether a write overlaps it (Lamport 1986)."""
    writes = [event for event in history if event.kind == "w"]
    done = [write for write in writes if write.before(read)]
    overlapping = {write.value for write in writes if not write.before(read) and not read.before(write)}
    last = max(done, key=lambda write: write.end).value if done else 0
    return {last} | overlapping, bool(overlapping)


def regular(history: list[Event]) -> bool:
    return all(e.value in values_allowed(history, e)[0] for e in history if e.kind == "r")


def safe(history: list[Event]) -> bool:
    """A read that overlaps a write may return anything; another one must return the last write."""
    reads = [(event, *values_allowed(history, event)) for event in history if event.kind == "r"]
    return all(overlapped or event.value in allowed for event, allowed, overlapped in reads)


def writes_overlap(history: list[Event]) -> bool:
    writes = [event for event in history if event.kind == "w"]
    return any(not a.before(b) and not b.before(a) for a, b in itertools.combinations(writes, 2))


@pytest.mark.parametrize(("number", "history", "is_linearizable", "is_regular", "is_safe"), HISTORIES, ids=IDS)
def test_the_published_table_holds(
    number: int, history: list[Event], is_linearizable: bool, is_regular: bool | None, is_safe: bool | None
) -> None:
    assert linearizable(history) == is_linearizable
    assert writes_overlap(history) == (is_regular is UNDEFINED) == (is_safe is UNDEFINED)
    if not writes_overlap(history):
        assert (regular(history), safe(history)) == (is_regular, is_safe)


CLOSE = 100
OLD: Sector = ("old",)


def register(fill: bool, promise: str = "completed", atomic_bytes: int = 512) -> Run:
    """A run of one lane over one slot of four sectors, which every operation writes.

    The initial value 0 is the write of the fill, or what stood on the volume before.
    """
    return make_run(
        [(1, 1, 4)], pattern=Pattern.SWEEP, read_share=0.0, fill=fill, promise=promise, atomic_bytes=atomic_bytes
    )


def sector_of(value: int, fill: bool) -> Sector:
    """The sectors of the write of a value."""
    return ("write", 0, value - (not fill)) if value or fill else OLD


def story_of(history: list[Event], fill: bool, run: Run, torn: dict[int, Content] | None = None) -> Story:
    """The history as a run with a check for every read, the ledger closed while the last write was in flight.

    `torn` gives what reads of a value that was never written saw.
    """
    assert not writes_overlap(history)
    writes = sorted((event for event in history if event.kind == "w"), key=lambda event: event.start)
    reads = sorted((event for event in history if event.kind == "r"), key=lambda event: event.start)
    shift = 20
    ops = [Op("write", 0, 2, 4)] if fill else []
    closing: Op | None = None
    for write in writes:
        n = len(ops)
        if any(read.start < write.end for read in reads):
            closing = Op("in flight", n, shift + write.start, CLOSE)
            break
        ops.append(Op("write", n, shift + write.start, shift + write.end))
    closing = closing or Op("end", len(ops), CLOSE, CLOSE)
    checks = []
    for read in reads:
        content: Content = (sector_of(read.value, fill),) * 4
        content = (torn or {}).get(read.value, content)
        checks.append([(content, content)])
    beats = {part: list(range(CLOSE + 1)) for part in (0, 1)}
    return Story(run, 0, [LaneLog(ops, closing)], beats, [], CLOSE - 1, CLOSE, set(), checks, False, doer(run))


def findings(story: Story) -> list[Finding]:
    """What each check finds of the slot, every check knowing what those before it saw."""
    seen_before: dict[int, int] = {}
    out = []
    for number in range(len(story.checks)):
        checked = check(story, number, seen_before)
        out.append(checked.finding_of_check(0))
        for slot, sequence in checked.scan.seen_in_flight.items():
            seen_before[slot] = max(sequence, seen_before.get(slot, -1))
    return out


def accepted(found: list[Finding]) -> bool:
    return not set(found) & set(CONVICTING)


WITHOUT_FILL = pytest.mark.parametrize("fill", [True, False], ids=["filled", "not filled"])


EXPECTED = {
    1: [Finding.INTACT, Finding.INTACT],
    2: [Finding.INTACT, Finding.LOST],
    3: [Finding.INTACT, Finding.INTACT],
    4: [Finding.LOST],
    8: [Finding.INTACT, Finding.INTACT],
    9: [Finding.INTACT, Finding.LOST],
}


class TestTheJudge:
    """What the judge says to each history: accept, or convict, and of what."""

    @WITHOUT_FILL
    @pytest.mark.parametrize("number", sorted(EXPECTED))
    def test_it_accepts_what_is_linearizable_and_convicts_the_rest(self, number: int, fill: bool) -> None:
        history = HISTORIES[number - 1][1]
        found = findings(story_of(history, fill, register(fill)))
        assert accepted(found) == HISTORIES[number - 1][2] == linearizable(history)
        expected = EXPECTED[number]
        if not fill:  # the initial value is no write of ours: not older, but unknown bytes
            expected = [
                f if event.value else Finding.DAMAGED if f is Finding.LOST else Finding.INTACT
                for f, event in zip(expected, [e for e in history if e.kind == "r"], strict=True)
            ]
        assert found == expected

    @WITHOUT_FILL
    @pytest.mark.parametrize(("cut", "atomic_bytes", "finding"), [
        (1, 512, Finding.TEAR_IN_FLIGHT), (3, 512, Finding.TEAR_IN_FLIGHT), (2, 1024, Finding.TEAR_IN_FLIGHT),
        (1, 1024, Finding.TORN), (3, 1024, Finding.TORN), (2, 2048, Finding.TORN),
    ])  # fmt: skip
    def test_history_5_is_accepted_as_a_tear_in_flight_no_finer_than_the_atomic_unit(
        self, fill: bool, cut: int, atomic_bytes: int, finding: Finding
    ) -> None:
        """A safe register may return anything; a device must return old or new for every atomic unit."""
        torn = {7: (sector_of(1, fill),) * cut + (sector_of(0, fill),) * (4 - cut)}
        run = register(fill, atomic_bytes=atomic_bytes)
        assert findings(story_of(HISTORIES[4][1], fill, run, torn)) == [finding]

    def test_history_5_with_bytes_of_neither_is_convicted(self) -> None:
        for torn in ((("junk", 1),) * 4, (sector_of(1, True),) * 3 + (("junk", 1),)):
            assert findings(story_of(HISTORIES[4][1], True, register(True), {7: torn})) == [Finding.DAMAGED]

    def test_histories_6_and_7_cannot_be_since_a_lane_owns_its_slots_and_has_one_operation_outstanding(self) -> None:
        run = make_run([(3, 7, 1), (2, 5, 1)])
        does = doer(run)
        owners: dict[int, set[int]] = {}
        for lane in range(run.lanes):
            for n in range(500):
                writes, slot = does(lane, n)
                if writes:
                    owners.setdefault(slot, set()).add(lane)
        assert all(len(lanes) == 1 for lanes in owners.values())
        assert len(owners) == run.slots

    def test_under_the_promise_flushed_a_lost_write_that_no_flush_covered_is_accepted(self) -> None:
        """History 4: a volatile cache may forget it."""
        story = story_of(HISTORIES[3][1], True, register(True, "flushed"))
        assert findings(story) == [Finding.INTACT]


class TestReadsUnderLoad:
    """A lane's own reads overlap no write of its slot: there atomic, regular and safe are the same."""

    @pytest.mark.parametrize(("value", "finding"), [(0, Finding.STALE_READ), (1, None)])
    def test_history_4(self, value: int, finding: Finding | None) -> None:
        run = make_run([(1, 1, 4)], read_share=0.5)
        does = doer(run)
        n = next(n for n in range(1, 50) if does(0, n)[0] and not does(0, n + 1)[0])
        ops = [Op("write" if does(0, i)[0] else "read", i, 2 * i, 2 * i + 1) for i in range(n + 1)]
        older = max(op.n for op in ops[:-1] if op.what == "write")
        saw = None if value else ((("write", 0, older),) * 4)
        ops.append(Op("read", n + 1, 2 * n + 2, 2 * n + 3, saw))
        last: Content = (("write", 0, n),) * 4
        beats = {part: list(range(201)) for part in (0, 1)}
        log = LaneLog(ops, Op("end", n + 2, 200, 200))
        checked = check(Story(run, 0, [log], beats, [], 190, 200, set(), [[(last, last)]], False, does))
        reads = [look.finding for look in checked.looks if look.source is Source.READ]
        assert reads == ([] if finding is None else [finding])


@st.composite
def histories(draw: st.DrawFn) -> list[Event]:
    """Up to three writes one after another, the last perhaps still in flight, and up to three reads after them."""
    count = draw(st.integers(0, 3))
    in_flight = bool(count) and draw(st.booleans())
    writes = [w(n + 1, 3 * n, 3 * n + 1) for n in range(count)]
    if in_flight:
        writes[-1] = w(count, 3 * count - 3, 99)
    values = draw(st.lists(st.integers(0, count), min_size=1, max_size=3))
    return writes + [r(value, 12 + 3 * i, 13 + 3 * i) for i, value in enumerate(values)]


@settings(max_examples=150, database=None)
@given(history=histories())
def test_on_any_history_of_a_slot_the_judge_accepts_exactly_what_is_linearizable(history: list[Event]) -> None:
    found = findings(story_of(history, True, register(True)))
    assert accepted(found) == linearizable(history)
