"""What the simulated pair refuses, and that a seed replays everything it did."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from tests.rehearsal.numbered import BLOCK_BYTES, BLOCKS, bytes_of, make_pair, on_medium, put
from verify.errors import CannotRun, UsageError
from verify.rehearsal.backing import FileBacking
from verify.rehearsal.controller import Controller
from verify.rehearsal.faults import FAULTS
from verify.rehearsal.scenario import Scenario


class TestRefusals:
    @pytest.mark.parametrize(
        "changed",
        [
            {"cache_blocks": 0},
            {"destage_order": "newest"},
            {"stall_s": -1.0},
            {"blocks_hit": 0},
            {"lag_writes": 0},
            {"lag_writes": 17},
        ],
    )
    def test_settings_that_mean_nothing_are_refused_in_one_sentence(self, changed: dict[str, object]) -> None:
        with pytest.raises(UsageError) as refused:
            make_pair("mirror-lagging", **changed)
        assert "\n" not in str(refused.value)

    def test_an_unknown_fault_is_answered_with_the_known_ones(self) -> None:
        with pytest.raises(UsageError, match=r"'soundly'.*cache-not-mirrored"):
            make_pair("soundly")

    def test_steps_out_of_turn_are_refused(self) -> None:
        pair, _ = make_pair()
        for step in (
            pair.cut_mirror,
            pair.late_replay,
            pair.drop_read_cache,
            pair.end_both_active,
            pair.give_up,
        ):
            with pytest.raises(UsageError):
                step()
        pair.takeover()
        with pytest.raises(UsageError, match="no third controller"):
            pair.takeover()
        cut, _ = make_pair("mirror-cut-first")
        with pytest.raises(UsageError, match="cut_mirror"):
            cut.takeover()
        lost, _ = make_pair("address-never-returns")
        with pytest.raises(UsageError, match="take over first"):
            lost.give_up()
        with pytest.raises(UsageError, match="does not fit"):
            Scenario("late-replay", 0.1).run(pair)

    def test_files_that_cannot_serve_are_refused(self, tmp_path: Path) -> None:
        for size_bytes in (0, -512, 1000):
            with pytest.raises(UsageError, match="multiple of 512"):
                FileBacking(tmp_path / "medium", size_bytes)
        with pytest.raises(CannotRun, match="cannot be opened"):
            FileBacking(tmp_path, 512)
        with pytest.raises(CannotRun, match="cannot be opened"):
            FileBacking(tmp_path / "nowhere" / "medium", 512)

    def test_a_controller_alone_refuses_an_unknown_order(self) -> None:
        with pytest.raises(UsageError, match="oldest, address, random"):
            Controller("A", 1, "newest", random.Random(0))  # type: ignore[arg-type]


def replay(fault: str, seed: int) -> tuple[str, bytes]:
    """The whole truth and the final image of one scripted run."""
    pair, backing = make_pair(fault, seed=seed, blocks_hit=10, stall_s=0.1)
    draw = random.Random(7)
    for index in range(BLOCKS):
        put(pair, index * BLOCK_BYTES, bytes_of(index))
    pair.flush()
    number = BLOCKS
    for step in range(3):
        for _ in range(200):
            number += 1
            put(pair, draw.randrange(64) * BLOCK_BYTES, bytes_of(number))
        if step == 0:
            Scenario(fault, 0.2, 0.0, cut_before_s=0.0).run(
                pair
            ) if fault != "both-active" else pair.takeover()
            if fault == "address-never-returns":
                break
    if fault == "both-active":
        pair.end_both_active()
    rows = [damage.to_json() for damage in pair.truth.damages()]
    summary = pair.truth.summary()
    pair.close()
    return json.dumps([rows, summary]), on_medium(backing, 0, BLOCKS * BLOCK_BYTES)


class TestSeeds:
    @pytest.mark.parametrize("fault", FAULTS)
    def test_the_same_seed_replays_the_whole_truth(self, fault: str) -> None:
        assert replay(fault, 3) == replay(fault, 3)

    @pytest.mark.parametrize("fault", ["torn-destage", "misplaced-write", "bit-damage", "blanked-extent"])
    def test_another_seed_hits_other_blocks(self, fault: str) -> None:
        assert replay(fault, 3)[0] != replay(fault, 4)[0]
