"""Pairs of real parts that lose data: what the verdict says is what the images, compared byte by byte, say."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from scripts.takeover_lab.controller import Controller
from scripts.takeover_lab.layout import Kind, Settings
from scripts.takeover_lab.pair import Lab
from scripts.takeover_lab.trial import Load, Trial, run_trial
from scripts.takeover_lab.truth import copy_image, differing_blocks
from tests.lab.evidence import (
    BLOCK_BYTES,
    NOTICED_WITHIN_NS,
    ROUNDING_NS,
    kill_and_compare,
    lost_offsets,
    offsets_examined,
    offsets_in_flight,
    sequence_at,
    wall_ns,
    wall_offset_ns,
)

pytestmark = pytest.mark.lab

VOLUME_BYTES = 16 << 20
LOAD = Load(lanes=8, read_share=0.3, run_in_s=3.0, run_out_s=4.0, more=("--stall-threshold", "0.5s"))


@contextmanager
def lab_of(folder: Path, kind: Kind) -> Iterator[Lab]:
    built = Lab.up(folder, Settings(kind, volume_bytes=VOLUME_BYTES, destage_every_s=1.5))
    try:
        yield built
    finally:
        built.down()


def lost_is_the_truth(trial: Trial, truth: set[int]) -> None:
    """Assert that exactly the blocks that differ are told as lost, but for those of operations in flight."""
    assert trial.verdict["verdict"] == "FAIL"
    assert trial.exit_code == 1
    exempt = offsets_in_flight(trial.record, trial.verdict["takeovers"][0])
    told = lost_offsets(trial.losses)
    assert len(truth) > 100
    assert told - exempt == truth - exempt
    assert trial.verdict["lost"]["blocks"] == len(told)


def unread_bytes(controller: Controller) -> int:
    """What a controller's target was sent and has not read, by the kernel's table of connections (proc_pid_net(5))."""
    rows = Path(f"/proc/{controller.target.pid}/net/tcp").read_text(encoding="ascii").splitlines()[1:]
    established = [row.split() for row in rows if row.split()[3] == "01"]
    return max((int(row[4].partition(":")[2], 16) for row in established), default=0)


def test_a_cache_destaged_whole_goes_back_to_one_moment_which_is_that_of_the_last_destage(tmp_path: Path) -> None:
    truth: set[int] = set()
    with lab_of(tmp_path / "pair", Kind.LAGGING) as lab:
        trial = run_trial(lab, tmp_path / "record", lambda: truth.update(kill_and_compare(lab, tmp_path)), LOAD)
        before_last, last = lab.controllers["a"].destage_records()[-2:]
    lost_is_the_truth(trial, truth)
    (takeover,) = trial.verdict["takeovers"]
    order = takeover["order"]
    assert order["one_moment"] is True, order
    offset_ns = wall_offset_ns()
    low, high = (wall_ns(end) for end in order["moment"])
    assert before_last["resumed_ns"] + offset_ns < low + ROUNDING_NS
    assert low - ROUNDING_NS <= last["frozen_ns"] + offset_ns
    assert last["resumed_ns"] + offset_ns <= high + ROUNDING_NS
    assert (takeover["path"]["before"]["controller"], takeover["path"]["after"]["controller"]) == ("a", "b")


def test_a_cache_destaged_in_another_order_is_called_reordered_with_a_true_witness(tmp_path: Path) -> None:
    truth: set[int] = set()
    with lab_of(tmp_path / "pair", Kind.SHUFFLED) as lab:
        trial = run_trial(lab, tmp_path / "record", lambda: truth.update(kill_and_compare(lab, tmp_path)), LOAD)
    lost_is_the_truth(trial, truth)
    order = trial.verdict["takeovers"][0]["order"]
    assert order["one_moment"] is False, order
    lost, surviving = order["witness"]["lost"], order["witness"]["surviving"]
    assert wall_ns(lost["acknowledged"]) < wall_ns(surviving["issued"])
    assert lost["offset"] in truth
    destaged = (tmp_path / "destaged.img").read_bytes()
    assert sequence_at(destaged, lost["offset"]) < lost["sequence"]
    assert sequence_at(destaged, surviving["offset"]) == surviving["sequence"]
    assert 0 < order["set_aside"] <= len(truth)
    assert order["overtaken"] > 0


def test_two_active_controllers_with_caches_of_their_own_lose_what_came_after_the_takeover(tmp_path: Path) -> None:
    """B takes over, then A again; what B had acknowledged in between is not there."""
    images: dict[str, set[int]] = {}

    def split_and_join(lab: Lab) -> None:
        b_image = lab.controllers["b"].own.image
        lab.cut_peers()
        copy_image(b_image, tmp_path / "b-before.img")
        lab.controllers["b"].wait_active()
        time.sleep(2.0)
        copy_image(lab.controllers["a"].own.image, tmp_path / "a-left.img")
        images["a alone wrote"] = differing_blocks(
            tmp_path / "b-before.img", tmp_path / "a-left.img", BLOCK_BYTES, VOLUME_BYTES
        )
        lab.join_peers()
        time.sleep(4.0)
        copy_image(b_image, tmp_path / "b-after.img")
        b_wrote = differing_blocks(tmp_path / "b-before.img", tmp_path / "b-after.img", BLOCK_BYTES, VOLUME_BYTES)
        a_lacks = differing_blocks(tmp_path / "a-left.img", tmp_path / "b-after.img", BLOCK_BYTES, VOLUME_BYTES)
        images["b alone wrote"] = b_wrote & a_lacks

    with lab_of(tmp_path / "pair", Kind.SPLIT) as lab:
        load = replace(LOAD, more=("--stall-threshold", "0.5s", "--merge-within", "1s"))
        trial = run_trial(lab, tmp_path / "record", lambda: split_and_join(lab), load)
        active = lab.active()
    assert active == "a", trial.text
    assert trial.verdict["verdict"] == "FAIL"
    takeovers = trial.verdict["takeovers"]
    assert [t["path"]["before"]["controller"] + t["path"]["after"]["controller"] for t in takeovers] == ["ab", "ba"]
    first_ns, second_ns = (wall_ns(takeover["start"]) for takeover in takeovers)
    seen_first = [
        row for row in trial.losses if wall_ns(row["seen_at"]) < second_ns and int(row["lost_writes"] or 0)
    ]
    told_first = {int(row["offset"]) for row in seen_first}
    assert told_first <= images["a alone wrote"]
    assert len(told_first) > 100
    looked_at = offsets_examined(trial.record, first_ns, second_ns - ROUNDING_NS)
    at_first = offsets_in_flight(trial.record, takeovers[0])
    assert (images["a alone wrote"] & looked_at) - at_first <= told_first
    exempt = offsets_in_flight(trial.record, takeovers[1])
    seen_after = [
        row
        for row in trial.losses
        if wall_ns(row["seen_at"]) > second_ns and int(row["lost_writes"] or 0) and int(row["offset"]) not in exempt
    ]
    assert len(images["b alone wrote"]) > 100
    assert {int(row["offset"]) for row in seen_after} == images["b alone wrote"] - exempt
    moved_ns = first_ns - NOTICED_WITHIN_NS
    assert all(moved_ns < wall_ns(row["acknowledged"]) < second_ns for row in seen_after)
    assert wall_ns(trial.verdict["lost"]["last_acknowledged"]) > first_ns


def test_a_hung_controller_that_was_not_fenced_writes_old_data_over_new_when_it_comes_back(tmp_path: Path) -> None:
    """The load has ended when it comes back, so what it changes is exactly what is lost."""
    slots_bytes = 64 * BLOCK_BYTES
    with lab_of(tmp_path / "pair", Kind.UNFENCED) as lab:

        def hang() -> None:
            """Freeze A at a moment when it has been sent a write that it has not read yet."""
            for _ in range(200):
                lab.freeze("a")
                time.sleep(0.02)
                if unread_bytes(lab.controllers["a"]) > BLOCK_BYTES:
                    lab.controllers["b"].wait_active()
                    return
                assert lab.controllers["a"].thaw()
                time.sleep(0.05)
            raise AssertionError("A was never found with a write that it had not read")

        def come_back() -> None:
            copy_image(lab.layout.disk, tmp_path / "before.img")
            assert lab.controllers["a"].thaw()
            time.sleep(2.0)
            copy_image(lab.layout.disk, tmp_path / "after.img")

        load = Load(lanes=32, read_share=0.0, run_in_s=3.0, run_out_s=4.0, probe=False,
                    more=("--stall-threshold", "0.5s", "--span", str(slots_bytes)))  # fmt: skip
        trial = run_trial(lab, tmp_path / "record", hang, load, come_back)
    truth = differing_blocks(tmp_path / "before.img", tmp_path / "after.img", BLOCK_BYTES, slots_bytes)
    assert truth
    assert trial.verdict["verdict"] == "FAIL", trial.text
    assert lost_offsets(trial.losses) == truth
    assert all("late replay" in row["detail"] for row in trial.losses if row["kind"] == "lost")
