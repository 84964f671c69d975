"""The order of a loss, against a search that tries every moment, every pair and every set of slots."""

from __future__ import annotations

import doctest
import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import Phase, find, given, settings
from hypothesis import strategies as st

from verify.judge import order as order_module
from verify.judge.order import OPEN_NS, Order, SlotColumns, Witness, add_intact, judge_order

Int64Array = npt.NDArray[np.int64]

THOROUGH = settings(max_examples=800, database=None, print_blob=True)
FIRST_FOUND = settings(max_examples=20_000, phases=[Phase.generate], database=None)


@dataclass(frozen=True)
class Write:
    """One write of a lane; never acknowledged where `acknowledged_ns` is None."""

    slot: int
    sequence: int
    issued_ns: int
    acknowledged_ns: int | None


@dataclass(frozen=True)
class Survival:
    """What one slot shows (`shown`), and the writes issued on it afterwards, in order."""

    shown: Write
    later: tuple[Write, ...]

    def allows(self, moment_ns: Fraction) -> bool:
        if moment_ns < self.shown.issued_ns:
            return False
        bound_ns = self.later[0].acknowledged_ns if self.later else None
        return bound_ns is None or moment_ns <= bound_ns


def column(values: Sequence[int]) -> Int64Array:
    return np.array(values, dtype=np.int64)


def judge(survivals: Sequence[Survival]) -> Order:
    """Give the survivals to the function under test, as columns."""
    next_writes = [survival.later[0] if survival.later else None for survival in survivals]
    return judge_order(
        slot=column([survival.shown.slot for survival in survivals]),
        survivor=column([survival.shown.sequence for survival in survivals]),
        issued_ns=column([survival.shown.issued_ns for survival in survivals]),
        next_sequence=column([-1 if write is None else write.sequence for write in next_writes]),
        next_acknowledged_ns=column(
            [
                OPEN_NS if write is None or write.acknowledged_ns is None else write.acknowledged_ns
                for write in next_writes
            ]
        ),
        lost_acknowledged_ns=column(
            [
                write.acknowledged_ns
                for survival in survivals
                for write in survival.later
                if write.acknowledged_ns is not None
            ]
        ),
    )


def moments_to_try(survivals: Sequence[Survival]) -> list[Fraction]:
    """All endpoints, every midpoint between neighbours, and one moment before and one after them all."""
    endpoints = {survival.shown.issued_ns for survival in survivals}
    for survival in survivals:
        if survival.later and survival.later[0].acknowledged_ns is not None:
            endpoints.add(survival.later[0].acknowledged_ns)
    exact = sorted(Fraction(endpoint) for endpoint in endpoints)
    midpoints = [(first + second) / 2 for first, second in itertools.pairwise(exact)]
    return sorted([exact[0] - 1, *exact, *midpoints, exact[-1] + 1]) if exact else []


def true_witnesses(survivals: Sequence[Survival]) -> list[Witness]:
    """Every pair of a lost write and a surviving write issued strictly after its acknowledgement."""
    return [
        Witness(lost.slot, lost.sequence, lost.acknowledged_ns, shown.slot, shown.sequence, shown.issued_ns)
        for lost in (write for survival in survivals for write in survival.later)
        for shown in (survival.shown for survival in survivals)
        if lost.acknowledged_ns is not None and lost.acknowledged_ns < shown.issued_ns
    ]


def search(survivals: Sequence[Survival]) -> Order:
    """Find the order by exhaustion: no sorting of ends, no sweep, no shortcut."""
    if not survivals:
        return Order(True, None, None, None, 0, 0, 0)
    moments = moments_to_try(survivals)
    allowing = [
        frozenset(index for index, moment in enumerate(moments) if survival.allows(moment))
        for survival in survivals
    ]
    shared = frozenset.intersection(*allowing)

    def rest_shares_a_moment(aside: tuple[int, ...]) -> bool:
        rest = [allowed for index, allowed in enumerate(allowing) if index not in aside]
        return not rest or bool(frozenset.intersection(*rest))

    set_aside = next(
        count
        for count in range(len(survivals) + 1)
        if any(map(rest_shares_a_moment, itertools.combinations(range(len(survivals)), count)))
    )

    proofs = true_witnesses(survivals)
    overtaken = len({(proof.lost_slot, proof.lost_sequence) for proof in proofs})
    if shared:
        from_ns, to_ns = int(moments[min(shared)]), int(moments[max(shared)])
        unbounded = len(moments) - 1 in shared
        return Order(True, from_ns, None if unbounded else to_ns, None, overtaken, set_aside, len(survivals))
    widest_first = sorted(
        proofs,
        key=lambda proof: (
            proof.lost_acknowledged_ns - proof.surviving_issued_ns,
            proof.lost_slot,
            proof.surviving_slot,
        ),
    )
    return Order(False, None, None, widest_first[0], overtaken, set_aside, len(survivals))


@st.composite
def loads(draw: st.DrawFn) -> dict[int, list[Write]]:
    """Draw what one to four sequential lanes wrote: for each slot written, its writes in order.

    Slot i belongs to lane i mod lanes. A lane issues nothing before its previous acknowledgement; its last
    write may still be in flight.
    """
    lanes = draw(st.integers(1, 4))
    slots_count = draw(st.integers(lanes, 8))
    # Times close together make equal ends common, which is where an off-by-one would show.
    longest_ns = draw(st.sampled_from([2, 5, 20]))
    written: dict[int, list[Write]] = {}
    for lane in range(lanes):
        own_slots = range(lane, slots_count, lanes)
        now_ns = draw(st.integers(0, longest_ns))
        operations = draw(st.integers(0, 7))
        for sequence in range(operations):
            slot = draw(st.sampled_from(own_slots))
            issued_ns = now_ns + draw(st.integers(0, longest_ns))
            acknowledged_ns: int | None = issued_ns + draw(st.integers(1, longest_ns))
            if sequence == operations - 1 and draw(st.booleans()):
                acknowledged_ns = None
            written.setdefault(slot, []).append(Write(slot, sequence, issued_ns, acknowledged_ns))
            now_ns = acknowledged_ns if acknowledged_ns is not None else issued_ns
    return written


@st.composite
def arbitrary_survivals(draw: st.DrawFn) -> list[Survival]:
    """Draw a load, and for every slot written any one of its writes to survive."""
    survivals = []
    for writes in draw(loads()).values():
        index = draw(st.integers(0, len(writes) - 1))
        survivals.append(Survival(writes[index], tuple(writes[index + 1 :])))
    return draw(st.permutations(survivals))


@st.composite
def rollbacks(draw: st.DrawFn) -> tuple[int, list[Survival]]:
    """Draw a load and a moment, and let every slot show what it held then.

    Each write takes effect at some instant from its issue to its acknowledgement. Slots in which nothing had
    taken effect are left out.
    """
    written = draw(loads())
    ends = [write.acknowledged_ns or write.issued_ns for writes in written.values() for write in writes]
    moment_ns = draw(st.integers(0, max(ends, default=0) + 2))
    survivals = []
    for writes in written.values():
        in_effect = [
            index
            for index, write in enumerate(writes)
            if draw(st.integers(write.issued_ns, write.acknowledged_ns or write.issued_ns + 50)) <= moment_ns
        ]
        if in_effect:
            newest = max(in_effect)
            survivals.append(Survival(writes[newest], tuple(writes[newest + 1 :])))
    return moment_ns, survivals


@st.composite
def unsound_survivals(draw: st.DrawFn) -> list[Survival]:
    """Draw survivals that no sequential lane could leave: any interval, empty ones and negative times too."""
    times_ns = st.integers(-4, 8)
    survivals = []
    for slot in draw(st.lists(st.integers(0, 30), max_size=8, unique=True)):
        shown = Write(slot, 0, draw(times_ns), None)
        later: tuple[Write, ...] = ()
        if draw(st.booleans()):
            first_ns = draw(st.none() | times_ns)
            later = (Write(slot, 1, 0, first_ns),)
            if first_ns is not None:
                more = draw(st.integers(0, 3))
                later += tuple(Write(slot, 2 + index, 0, first_ns + 1 + index) for index in range(more))
        survivals.append(Survival(shown, later))
    return survivals


class TestAgainstExhaustiveSearch:
    @THOROUGH
    @given(arbitrary_survivals())
    def test_any_survivors_of_sequential_lanes_are_judged_as_the_search_judges_them(
        self, survivals: list[Survival]
    ) -> None:
        assert judge(survivals) == search(survivals)

    @THOROUGH
    @given(unsound_survivals())
    def test_intervals_that_no_lane_could_leave_are_judged_as_the_search_judges_them(
        self, survivals: list[Survival]
    ) -> None:
        assert judge(survivals) == search(survivals)

    @THOROUGH
    @given(rollbacks())
    def test_going_back_to_one_moment_is_called_one_moment_and_the_interval_holds_it(
        self, rollback: tuple[int, list[Survival]]
    ) -> None:
        moment_ns, survivals = rollback
        order = judge(survivals)
        assert order == search(survivals)
        assert (order.one_moment, order.witness, order.overtaken, order.set_aside) == (True, None, 0, 0)
        if survivals:
            assert order.moment_from_ns is not None
            assert order.moment_from_ns <= moment_ns
            assert order.moment_to_ns is None or moment_ns <= order.moment_to_ns

    def test_the_histories_tried_include_every_kind_of_answer(self) -> None:
        def reordered_with_much_to_tell(survivals: list[Survival]) -> bool:
            order = search(survivals)
            return not order.one_moment and order.overtaken > 2 and order.set_aside > 1

        def went_back_to_a_bounded_moment(rollback: tuple[int, list[Survival]]) -> bool:
            order = search(rollback[1])
            return order.slots > 2 and order.moment_to_ns is not None

        def went_back_to_an_instant(survivals: list[Survival]) -> bool:
            order = search(survivals)
            return order.slots > 2 and order.one_moment and order.moment_from_ns == order.moment_to_ns

        def nothing_can_stay(survivals: list[Survival]) -> bool:
            return len(survivals) > 1 and search(survivals).set_aside == len(survivals)

        find(arbitrary_survivals(), reordered_with_much_to_tell, settings=FIRST_FOUND)
        find(rollbacks(), went_back_to_a_bounded_moment, settings=FIRST_FOUND)
        find(arbitrary_survivals(), went_back_to_an_instant, settings=FIRST_FOUND)
        find(unsound_survivals(), nothing_can_stay, settings=FIRST_FOUND)


class TestManySlots:
    @pytest.mark.parametrize("seed", range(6))
    @pytest.mark.parametrize("open_share", [0.0, 0.5, 0.999])
    def test_set_aside_equals_a_count_at_every_endpoint(self, seed: int, open_share: float) -> None:
        random = np.random.default_rng(seed)
        count = 1500
        from_ns = random.integers(0, 2000, count)
        to_ns = from_ns + random.integers(-20, 400, count)
        to_ns[random.random(count) < open_share] = OPEN_NS
        to_ns[0], from_ns[1] = 100, 1900
        order = judge_order(
            np.arange(count), np.zeros_like(from_ns), from_ns, np.ones_like(from_ns), to_ns, column([])
        )
        sharing = [
            np.count_nonzero((from_ns <= moment) & (moment <= to_ns))
            for moment in {*from_ns.tolist(), *to_ns.tolist()}
        ]
        assert not order.one_moment
        assert order.set_aside == count - max(sharing)

    def test_intact_slots_added_in_bulk_are_judged_with_the_others(self) -> None:
        damaged = SlotColumns(*map(column, ([7, 3], [0, 1], [10, 20], [4, 5], [30, 40])))
        intact_slots = np.arange(100, 600)
        issued_ns = np.arange(500)
        columns = add_intact(damaged, intact_slots, intact_slots + 1000, issued_ns)
        order = judge_order(*columns, lost_acknowledged_ns=column([30, 40, 500]))
        assert order == Order(False, None, None, Witness(7, 4, 30, 599, 1599, 499), 2, 2, 502)
        assert columns.next_sequence.tolist() == [4, 5, *[-1] * 500]
        assert [array.size for array in damaged] == [2] * 5


class TestSmallAndTied:
    def test_the_example_of_the_documentation_holds(self) -> None:
        outcome = doctest.testmod(order_module)
        assert outcome.attempted >= 5
        assert outcome.failed == 0

    def test_no_slot_at_all_is_vacuously_one_moment_without_an_interval(self) -> None:
        none = column([])
        assert judge_order(none, none, none, none, none, none) == Order(True, None, None, None, 0, 0, 0)

    def test_one_slot_that_lost_nothing_allows_every_moment_from_its_issue_on(self) -> None:
        order = judge_order(*map(column, ([5], [2], [70], [-1], [OPEN_NS], [])))
        assert order == Order(True, 70, None, None, 0, 0, 1)

    def test_a_next_write_still_in_flight_does_not_bound_the_moment(self) -> None:
        order = judge_order(*map(column, ([5], [2], [70], [3], [OPEN_NS], [])))
        assert order == Order(True, 70, None, None, 0, 0, 1)

    def test_one_slot_with_a_loss_allows_the_moments_up_to_the_lost_acknowledgement(self) -> None:
        order = judge_order(*map(column, ([5], [2], [70], [3], [95], [95])))
        assert order == Order(True, 70, 95, None, 0, 0, 1)

    def test_a_survivor_issued_at_the_instant_of_a_lost_acknowledgement_is_one_moment(self) -> None:
        order = judge_order(*map(column, ([0, 1], [0, 0], [10, 45], [3, -1], [45, OPEN_NS], [45])))
        assert order == Order(True, 45, 45, None, 0, 0, 2)

    def test_one_nanosecond_later_it_is_reordered(self) -> None:
        order = judge_order(*map(column, ([0, 1], [0, 0], [10, 46], [3, -1], [45, OPEN_NS], [45])))
        assert order == Order(False, None, None, Witness(0, 3, 45, 1, 0, 46), 1, 1, 2)

    def test_one_slot_that_allows_no_moment_by_itself_is_set_aside(self) -> None:
        order = judge_order(*map(column, ([5], [2], [70], [3], [60], [60])))
        assert order == Order(False, None, None, Witness(5, 3, 60, 5, 2, 70), 1, 1, 1)

    def test_slots_that_allow_a_single_instant_may_share_it(self) -> None:
        columns = ([0, 1, 2], [0, 0, 0], [10, 10, 11], [1, 1, -1], [10, 10, OPEN_NS], [10, 10])
        order = judge_order(*map(column, columns))
        assert (order.one_moment, order.overtaken, order.set_aside) == (False, 2, 1)

    def test_a_lanes_very_first_operation_may_be_a_next_write(self) -> None:
        order = judge_order(*map(column, ([5], [-1], [0], [0], [95], [95])))
        assert order == Order(True, 0, 95, None, 0, 0, 1)

    def test_among_equal_gaps_the_lowest_slots_are_the_witness_in_any_order_of_rows(self) -> None:
        rows = [(4, 0, 1, 9, 20), (2, 0, 1, 8, 20), (9, 6, 50, -1, OPEN_NS), (6, 7, 50, -1, OPEN_NS)]
        for permuted in itertools.permutations(rows):
            columns = SlotColumns(*map(column, zip(*permuted, strict=True)))
            order = judge_order(*columns, lost_acknowledged_ns=column([20, 20]))
            assert order.witness == Witness(2, 8, 20, 6, 7, 50)

    def test_later_losses_of_a_slot_count_as_overtaken_though_they_bound_nothing(self) -> None:
        order = judge_order(
            *map(column, ([0, 1], [0, 9], [10, 100], [1, -1], [20, OPEN_NS], [20, 50, 99, 100, 120]))
        )
        assert (order.overtaken, order.set_aside) == (3, 1)

    def test_monotonic_times_near_the_end_of_the_range_do_not_wrap(self) -> None:
        lowest_ns = int(np.iinfo(np.int64).min)
        issued_ns, acknowledged_ns = [lowest_ns, OPEN_NS - 1], [lowest_ns, OPEN_NS]
        order = judge_order(*map(column, ([0, 1], [0, 0], issued_ns, [1, -1], acknowledged_ns, [lowest_ns])))
        assert order == Order(False, None, None, Witness(0, 1, lowest_ns, 1, 0, OPEN_NS - 1), 1, 1, 2)

    def test_the_answer_holds_plain_integers_that_any_writer_of_json_takes(self) -> None:
        order = judge_order(*map(column, ([0, 1], [0, 0], [10, 46], [3, -1], [45, OPEN_NS], [45])))
        assert order.witness is not None
        numbers = [*vars(order.witness).values(), order.overtaken, order.set_aside, order.slots]
        assert {type(number) for number in numbers} == {int}
        assert type(order.one_moment) is bool


class TestMisuse:
    GOOD = SlotColumns(*map(column, ([0, 1], [0, 0], [10, 20], [3, -1], [45, OPEN_NS])))

    @pytest.mark.parametrize("name", [*SlotColumns._fields, "lost_acknowledged_ns"])
    @pytest.mark.parametrize(
        ("wrong", "told"),
        [
            (np.zeros(2, dtype=np.int32), "int32 of shape (2,)"),
            (np.zeros(2), "float64 of shape (2,)"),
            (np.zeros((2, 1), dtype=np.int64), "int64 of shape (2, 1)"),
            ([0, 1], "list"),
        ],
    )
    def test_a_column_of_the_wrong_kind_is_named(self, name: str, wrong: Int64Array, told: str) -> None:
        arguments = {**self.GOOD._asdict(), "lost_acknowledged_ns": column([45]), name: wrong}
        sentence = f"{name} must be an int64 array of one dimension, not {told}"
        with pytest.raises(ValueError, match=f"^{re.escape(sentence)}$"):
            judge_order(**arguments)

    @pytest.mark.parametrize("name", SlotColumns._fields)
    def test_columns_of_different_lengths_are_refused_with_their_lengths(self, name: str) -> None:
        columns = self.GOOD._replace(**{name: column([1, 2, 3])})
        sizes = ", ".join(f"{one} has {3 if one == name else 2}" for one in SlotColumns._fields)
        with pytest.raises(ValueError, match=f"^the slots' columns must have one length, but {sizes}$"):
            judge_order(*columns, lost_acknowledged_ns=column([]))
        with pytest.raises(ValueError, match=f"one length, but .*{name} has 3"):
            add_intact(columns, column([2]), column([0]), column([30]))

    def test_intact_columns_of_different_lengths_are_refused(self) -> None:
        with pytest.raises(ValueError, match="slot has 1, survivor has 2, issued_ns has 1"):
            add_intact(self.GOOD, column([2]), column([0, 1]), column([30]))

    def test_an_acknowledgement_of_a_write_that_does_not_exist_is_refused(self) -> None:
        columns = self.GOOD._replace(next_acknowledged_ns=column([45, 46]))
        told = "slot 1 has no next write (sequence -1), so its acknowledgement must be OPEN_NS, not 46"
        with pytest.raises(ValueError, match=f"^{re.escape(told)}$"):
            judge_order(*columns, lost_acknowledged_ns=column([]))
