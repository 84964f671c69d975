"""Totals, extents and the map out of the rows of losses.csv."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.report.facts_for_tests import losses
from verify.judge.decision import CONVICTING, LABELS
from verify.report.damage import EXAMPLES_OF_A_KIND, KINDS, Damage, Extent
from verify.report.words import KIND_MEANS


def row(kind, block, writes=1, by="check"):
    return {"kind": kind, "offset": str(4096 * block), "length": "4096", "lost_writes": str(writes), "seen_by": by}


def gathered(*rows):
    damage = Damage()
    damage.read(rows)
    return damage


def test_every_finding_that_convicts_is_known_and_explained():
    assert set(KINDS) == {LABELS[finding] for finding in CONVICTING}
    assert set(KINDS) <= set(KIND_MEANS)


def test_blocks_side_by_side_of_one_kind_are_one_extent():
    extents = gathered(row("lost", 2), row("lost", 1), row("torn", 3), row("lost", 5)).extents()
    assert extents == [
        Extent("lost", 4096, 3 * 4096, 2, 2), Extent("lost", 5 * 4096, 6 * 4096, 1, 1),
        Extent("torn", 3 * 4096, 4 * 4096, 1, 1),
    ]  # fmt: skip


def test_a_block_seen_twice_is_one_place_and_two_rows():
    damage = gathered(row("lost", 1, 3, "examination"), row("lost", 1, 4))
    (total,) = damage.totals(damage.extents())
    assert (total.places, total.rows, total.lost_writes) == (1, 2, 4)
    assert total.seen_by == {"check": 1, "examination": 1}


@given(st.lists(st.tuples(st.sampled_from(KINDS), st.integers(0, 40)), max_size=60))
def test_extents_hold_every_place_once(rows):
    damage = gathered(*(row(kind, block) for kind, block in rows))
    places = {
        (extent.kind, at) for extent in damage.extents() for at in range(extent.start_bytes, extent.end_bytes, 4096)
    }
    assert places == {(kind, 4096 * block) for kind, block in rows}
    assert sum(extent.blocks for extent in damage.extents()) == len(places)
    cells = damage.by_cell(0, 8192, 21)
    assert cells.sum() == len({block for _, block in rows})
    assert np.flatnonzero(cells.sum(axis=0)).tolist() == sorted({block // 2 for _, block in rows})


def test_a_block_of_several_kinds_counts_in_the_map_as_the_first():
    cells = gathered(row("stale read", 1), row("lost", 1)).by_cell(0, 4096, 4)
    assert cells[KINDS.index("lost"), 1] == 1
    assert cells.sum() == 1


def test_examples_are_few_however_many_rows_there_are():
    damage = Damage()
    damage.read(losses(1000))
    assert damage.rows == 1000
    assert len(damage.examples["lost"]) == EXAMPLES_OF_A_KIND


@pytest.mark.parametrize(
    "broken",
    [{"kind": "odd"}, {"offset": "x"}, {"offset": "-1"}, {"length": "0"}, {"offset": str(2**70)}, {"lost_writes": "?"}],
    ids=str,
)
def test_rows_that_nobody_writes_are_refused(broken):
    with pytest.raises((ValueError, OverflowError)):
        gathered({**row("lost", 1), **broken})


def test_a_row_without_a_column_is_refused():
    with pytest.raises(KeyError):
        gathered({"kind": "lost"})
