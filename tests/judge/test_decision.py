"""The decision table: every combination of facts hits exactly one row, and the rows say what the rules say."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from verify.judge import decision
from verify.judge.content import Content
from verify.judge.decision import CONVICTING, LABELS, TABLE, Age, Finding, Grain, Row, Source, decide, decide_all

BOOLEANS = (False, True)
LATER_LOOKS = (Source.EXAMINATION, Source.CHECK)


@dataclass(frozen=True)
class Facts:
    """One combination of facts, in the order in which the table's functions take them."""

    source: Source
    content: Content
    age: Age = Age.INSIDE
    grain: Grain = Grain.ALLOWED
    floor: bool = True
    issued: bool = True
    steady: bool = True

    def finding(self) -> Finding:
        return decide(
            self.source, self.content, self.age, self.grain, self.floor, self.issued, self.steady
        )


EVERY_COMBINATION = [
    Facts(*facts) for facts in itertools.product(Source, Content, Age, Grain, BOOLEANS, BOOLEANS, BOOLEANS)
]


class TestTheTableAsAWhole:
    def test_there_are_as_many_combinations_as_the_facts_allow(self) -> None:
        assert len(EVERY_COMBINATION) == len(set(EVERY_COMBINATION)) == 3 * 8 * 3 * 2 * 2 * 2 * 2

    def test_every_combination_of_facts_hits_exactly_one_row(self) -> None:
        for facts in EVERY_COMBINATION:
            hits = [
                row
                for row in TABLE
                if row.holds(
                    facts.source, facts.content, facts.age, facts.grain, facts.floor, facts.issued, facts.steady
                )
            ]
            assert len(hits) == 1, (facts, hits)
            assert facts.finding() is hits[0].finding

    def test_a_hole_would_be_told(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(decision, "TABLE", [row for row in TABLE if row.finding is not Finding.MISPLACED])
        with pytest.raises(AssertionError, match=r"^the decision table has a hole$"):
            Facts(Source.CHECK, Content.MISPLACED).finding()

    def test_every_row_is_hit_and_every_finding_comes_up(self) -> None:
        for row in TABLE:
            assert any(
                row.holds(f.source, f.content, f.age, f.grain, f.floor, f.issued, f.steady)
                for f in EVERY_COMBINATION
            ), row
        assert {facts.finding() for facts in EVERY_COMBINATION} == set(Finding)

    def test_the_compiled_table_is_the_table(self) -> None:
        columns = {
            name: np.array([getattr(facts, name) for facts in EVERY_COMBINATION])
            for name in ("source", "content", "age", "grain", "floor", "issued", "steady")
        }
        found = decide_all(**columns)
        assert found.tolist() == [int(facts.finding()) for facts in EVERY_COMBINATION]
        assert found.dtype == np.uint8  # millions of slots may have one each

    def test_an_empty_batch_gives_no_findings(self) -> None:
        none = np.zeros(0, dtype=np.uint8)
        assert decide_all(none, none, none, none, none, none, none).shape == (0,)

    def test_all_findings_but_three_convict(self) -> None:
        harmless = {Finding.INTACT, Finding.UNTOUCHED, Finding.TEAR_IN_FLIGHT}
        assert set(CONVICTING) == set(Finding) - harmless
        assert len(set(LABELS.values())) == len(Finding)


C, A, F = Content, Age, Finding


@pytest.mark.parametrize(("name", "value"), [
    ("source", (Source.READ,)), ("content", (C.MIX,)), ("age", (A.OLDER,)), ("grain", (Grain.FINER,)),
    ("floor", True), ("floor", False), ("issued", True), ("issued", False), ("steady", False),
])  # fmt: skip
def test_a_row_holds_for_the_fact_that_it_names_whatever_the_others_are(
    name: str, value: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """But for reads that agree, which every row means that does not say otherwise."""
    row = replace(Row(F.LOST, tuple(C)), **{name: value})
    monkeypatch.setattr(decision, "TABLE", (row, Row(F.INTACT, tuple(C), steady=None)))
    compiled = decision._compile()
    for f in EVERY_COMBINATION:
        named = getattr(f, name) in (value if isinstance(value, tuple) else (value,))
        assert f.finding() is (F.LOST if named and (f.steady or name == "steady") else F.INTACT)
        where = (f.source, f.content, f.age, f.grain, int(f.floor), int(f.issued), int(f.steady))
        assert compiled[where] == f.finding()


CASES = [
    # A whole write from floor to ceiling.
    ("the floor or a newer write", Facts(Source.CHECK, C.WHOLE), F.INTACT),
    ("a write where none had to be there", Facts(Source.CHECK, C.WHOLE, floor=False), F.INTACT),
    # Anything at all where the floor is none and no write was issued.
    ("zeros where nothing was written", Facts(Source.CHECK, C.BLANK, floor=False, issued=False), F.UNTOUCHED),
    ("old data where nothing was written", Facts(Source.CHECK, C.UNMATCHED, floor=False, issued=False), F.UNTOUCHED),
    ("another run where nothing was written", Facts(Source.CHECK, C.FOREIGN, floor=False, issued=False), F.UNTOUCHED),
    # The same where a write was issued that need not be there.
    ("old data under a write in flight", Facts(Source.CHECK, C.UNMATCHED, floor=False), F.UNTOUCHED),
    ("zeros under a write that no flush covered", Facts(Source.CHECK, C.BLANK, floor=False), F.UNTOUCHED),
    # Sectors of such writes mixed, no finer than the atomic unit; of the old content too, where the floor is none.
    ("a write in flight half there", Facts(Source.CHECK, C.MIX), F.TEAR_IN_FLIGHT),
    ("a first write half there", Facts(Source.CHECK, C.PARTIAL, floor=False), F.TEAR_IN_FLIGHT),
    ("a write in flight torn finer", Facts(Source.CHECK, C.MIX, grain=Grain.FINER), F.TORN),
    ("a first write torn finer", Facts(Source.CHECK, C.PARTIAL, grain=Grain.FINER, floor=False), F.TORN),
    # A whole older write of this slot.
    ("an older write in a check", Facts(Source.CHECK, C.WHOLE, A.OLDER), F.LOST),
    ("an older write in an examination", Facts(Source.EXAMINATION, C.WHOLE, A.OLDER), F.LOST),
    ("an older write under load", Facts(Source.READ, C.WHOLE, A.OLDER), F.STALE_READ),
    # Sectors of several writes otherwise.
    ("half of it older than the floor", Facts(Source.CHECK, C.MIX, A.OLDER), F.TORN),
    ("half of it of another slot", Facts(Source.CHECK, C.MIX, A.NEVER), F.TORN),
    ("half of it of another slot, half old data", Facts(Source.CHECK, C.PARTIAL, A.NEVER, floor=False), F.TORN),
    # The rest of the table.
    ("a block for another slot", Facts(Source.CHECK, C.MISPLACED), F.MISPLACED),
    ("zeros", Facts(Source.CHECK, C.BLANK), F.BLANK),
    ("a block of another run", Facts(Source.CHECK, C.FOREIGN), F.FOREIGN),
    ("a write above a closed ceiling", Facts(Source.CHECK, C.WHOLE, A.NEVER), F.UNISSUED),
    ("bytes that match nothing", Facts(Source.CHECK, C.UNMATCHED), F.DAMAGED),
    ("a write with some bits changed", Facts(Source.CHECK, C.PARTIAL), F.DAMAGED),
    ("an I/O error", Facts(Source.CHECK, C.UNREADABLE), F.UNREADABLE),
    ("an I/O error where nothing was written", Facts(Source.CHECK, C.UNREADABLE, floor=False), F.UNREADABLE),
    ("two reads that differ", Facts(Source.CHECK, C.WHOLE, steady=False), F.UNSTABLE),
]


@pytest.mark.parametrize(("facts", "finding"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_a_row_of_the_rules(facts: Facts, finding: Finding) -> None:
    assert facts.finding() is finding


class TestPrecedence:
    """Unreadable, then unstable, then what the content says."""

    def test_what_cannot_be_read_is_unreadable_whatever_else_is_so(self) -> None:
        for facts in EVERY_COMBINATION:
            assert (facts.finding() is Finding.UNREADABLE) == (facts.content is Content.UNREADABLE)

    def test_reads_that_disagree_are_unstable_whatever_was_read(self) -> None:
        for facts in EVERY_COMBINATION:
            if facts.content is not Content.UNREADABLE:
                assert (facts.finding() is Finding.UNSTABLE) == (not facts.steady)

    def test_only_an_older_whole_write_depends_on_who_looked(self) -> None:
        for facts in EVERY_COMBINATION:
            seen = {replace(facts, source=source).finding() for source in Source}
            older = facts.content is Content.WHOLE and facts.age is Age.OLDER and facts.steady
            assert seen == ({Finding.LOST, Finding.STALE_READ} if older else {facts.finding()})
            assert len({replace(facts, source=source).finding() for source in LATER_LOOKS}) == 1


    def test_age_means_nothing_without_sequence_numbers_and_grain_nothing_but_of_a_mix(self) -> None:
        """So whoever puts the facts together need not care what they are elsewhere."""
        for facts in EVERY_COMBINATION:
            if facts.content not in (Content.WHOLE, Content.MIX, Content.PARTIAL):
                assert len({replace(facts, age=age).finding() for age in Age}) == 1
            if facts.content not in (Content.MIX, Content.PARTIAL):
                assert len({replace(facts, grain=grain).finding() for grain in Grain}) == 1


class TestWhereNothingWasWritten:
    """A refinement of "anything at all where the floor is none and no write was issued: untouched".

    A whole block of this run stamped for another slot, or never issued here, found where nothing was written, is
    reported as misplaced or unissued: it carries the random tag of this run, so it cannot be old content. The same
    goes for sectors of this run among old content: they came here during the run, by no write of this slot.
    """

    NOTHING = Facts(Source.CHECK, Content.BLANK, floor=False, issued=False)

    def test_a_block_of_this_run_for_another_slot_is_misplaced(self) -> None:
        assert replace(self.NOTHING, content=Content.MISPLACED).finding() is Finding.MISPLACED

    def test_a_block_of_this_run_that_was_never_issued_here_is_unissued(self) -> None:
        assert replace(self.NOTHING, content=Content.WHOLE, age=Age.NEVER).finding() is Finding.UNISSUED

    def test_sectors_of_this_run_are_torn(self) -> None:
        for content in (Content.MIX, Content.PARTIAL):
            assert replace(self.NOTHING, content=content, age=Age.NEVER).finding() is Finding.TORN

    def test_content_without_a_trace_of_this_run_is_untouched(self) -> None:
        for content in (Content.BLANK, Content.FOREIGN, Content.UNMATCHED):
            assert replace(self.NOTHING, content=content).finding() is Finding.UNTOUCHED
