"""A sound pair of real parts: whatever is pulled, nothing is lost, and the stall is what an independent probe saw."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from scripts.takeover_lab.layout import Settings
from scripts.takeover_lab.pair import Lab
from scripts.takeover_lab.soak import hurt_active
from scripts.takeover_lab.trial import Load, Trial, run_trial
from tests.lab.evidence import wall_ns

pytestmark = pytest.mark.lab

AGREEMENT_S = 0.2
"""How well verdict and probe agree, beside what the machine takes for a single write at its busiest."""
QUICK = ("takeover", "failback")
"""Orderly: the guest waits for hardly more than half a second."""
MERGE = ("--merge-within", "2s")
LOAD = Load(lanes=8, read_share=0.3, run_in_s=1.5, run_out_s=3.0, more=("--stall-threshold", "1s", *MERGE))
QUICK_LOAD = replace(LOAD, more=("--stall-threshold", "0.5s", *MERGE))


@pytest.fixture(scope="module")
def lab(lab_folder: Path) -> Iterator[Lab]:
    built = Lab.up(lab_folder / "pair", Settings(volume_bytes=16 << 20))
    try:
        yield built
    finally:
        built.down()


def sound(trial: Trial) -> None:
    """Assert that a verdict is PASS and accuses nobody."""
    assert trial.verdict["verdict"] == "PASS", trial.text
    assert trial.exit_code == 0
    assert trial.losses == []
    assert not any(trial.verdict["findings"].values())
    assert trial.verdict["writes"]["acknowledged"] > 4096


def agrees_with_the_probe(trial: Trial) -> None:
    """Assert that the one takeover's start and stall are those of the probe's one long wait."""
    (takeover,) = trial.verdict["takeovers"]
    assert takeover["seen"] == "observed"
    assert all(event.get("watched") for event in trial.events if event["event"] == "mark")
    longest = max(trial.waits, key=lambda wait: wait.stall_ns)
    assert not longest.failed
    exact_s = AGREEMENT_S + trial.round_s
    assert abs(wall_ns(takeover["start"]) - longest.start_ns) / 1e9 <= exact_s, (takeover, trial.waits, trial.round_s)
    assert abs(takeover["stall_s"] - longest.stall_ns / 1e9) <= exact_s, (takeover, trial.waits, trial.round_s)


# Each row finds the controller active that the row before left so.
@pytest.mark.parametrize(
    ("hurt", "active"),
    [
        ("pull", "a"), ("pull", "b"), ("kill", "a"), ("kill", "b"), ("freeze", "a"), ("freeze", "b"),
        ("takeover", "a"), ("failback", "b"),
    ],
)  # fmt: skip
def test_nothing_is_lost_and_the_takeover_is_seen_as_it_was(lab: Lab, tmp_path: Path, hurt: str, active: str) -> None:
    if lab.active() != active:  # only where rows are run by themselves
        lab.take_over()
    standby = lab.layout.peer(active)

    def act() -> None:
        if hurt == "failback":
            lab.fail_back()
        else:
            hurt_active(lab, hurt)

    said: list[str] = []

    def act_and_let_it_come_back() -> None:
        act()
        if hurt == "freeze":
            time.sleep(1.0)
            said.append(lab.thaw(active))

    try:
        trial = run_trial(lab, tmp_path / "record", act_and_let_it_come_back, QUICK_LOAD if hurt in QUICK else LOAD)
    finally:
        lab.make_whole()
    sound(trial)
    agrees_with_the_probe(trial)
    assert said == ([f"controller {active} was fenced when the other took over; start it again"] if said else [])
    assert bool(said) == (hurt == "freeze")
    (takeover,) = trial.verdict["takeovers"]
    assert takeover["in_flight"] > 0
    path = takeover["path"]
    assert (path["before"]["controller"], path["after"]["controller"], path["moved"]) == (active, standby, True)
    before, after = (lab.layout.controller(name).hardware_address for name in (active, standby))
    assert (path["before"]["hardware_address"], path["after"]["hardware_address"]) == (before, after)
    seen = [event["hardware_address"] for event in trial.events if event["event"] == "neighbour"]
    assert [address for address in seen if address] == [before, after]


def test_a_split_brain_that_is_fenced_loses_nothing_and_is_told_by_the_address_alone(lab: Lab, tmp_path: Path) -> None:
    """The guest changes over within milliseconds: no stall is long enough to be seen, but the address moves."""
    active = lab.one_active().own.name
    trial = run_trial(lab, tmp_path / "record", lambda: hurt_active(lab, "cut-peers"), LOAD)
    lab.make_whole()
    sound(trial)
    takeovers = trial.verdict["takeovers"]
    assert [takeover["seen"] for takeover in takeovers] == ["attested"]
    assert takeovers[0]["path"]["before"]["controller"] == active
    assert takeovers[0]["path"]["after"]["controller"] == lab.layout.peer(active)


@pytest.mark.parametrize(("merge", "takeovers"), [("1s", 2), ("1min", 1)])
def test_two_takeovers_are_two_unless_they_are_closer_than_the_merge_rule(
    lab: Lab, tmp_path: Path, merge: str, takeovers: int
) -> None:
    def there_and_back() -> None:
        lab.take_over()
        time.sleep(4.0)
        lab.take_over()

    active = lab.one_active().own.name
    more = ("--stall-threshold", "0.5s", "--merge-within", merge)
    trial = run_trial(lab, tmp_path / "record", there_and_back, Load(run_in_s=1.5, run_out_s=3.0, more=more))
    sound(trial)
    seen = trial.verdict["takeovers"]
    assert len(seen) == takeovers, seen
    assert [takeover["seen"] for takeover in seen] == ["observed"] * takeovers
    served = [seen[0]["path"]["before"]["controller"], *(takeover["path"]["after"]["controller"] for takeover in seen)]
    peer = lab.layout.peer(active)
    assert served == ([active, peer, active] if takeovers == 2 else [active, active])
    assert [takeover["path"]["moves"] for takeover in seen] == ([1, 1] if takeovers == 2 else [2])


def test_a_controller_that_hangs_for_a_moment_stalls_the_guest_and_nothing_moves(lab: Lab, tmp_path: Path) -> None:
    active = lab.one_active()

    def hang() -> None:
        active.freeze()
        time.sleep(2.0)
        assert active.thaw()

    trial = run_trial(lab, tmp_path / "record", hang, LOAD)
    sound(trial)
    agrees_with_the_probe(trial)
    (takeover,) = trial.verdict["takeovers"]
    assert takeover["path"]["moved"] is False
    assert any("that a controller changed in takeover 1" in limit for limit in trial.verdict["not_proved"])
    assert lab.active() == active.own.name


def test_the_records_of_a_trial_hold_the_floating_address(lab: Lab, tmp_path: Path) -> None:
    trial = run_trial(lab, tmp_path / "record", lambda: None, Load(run_in_s=0.5, run_out_s=0.5))
    assert trial.verdict["verdict"] == "INCONCLUSIVE"
    assert trial.verdict["takeovers"] == []
    run = json.loads((trial.record / "run.json").read_text())
    assert run["floating_address"] == "192.0.2.10"
