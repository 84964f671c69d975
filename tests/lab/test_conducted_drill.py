"""A planned drill on the pair of real parts, without anybody: its commands cut a controller off and fail back."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from scripts.takeover_lab.trial import environment

ROOT = Path(__file__).parents[2]
PLAN = """
records = "{records}"
[volume]
path = "{folder}/guest/volume"
erase = "{folder}/guest/volume"
floating-address = "192.0.2.10"
controllers = {{ A = "02:00:00:00:00:aa", B = "02:00:00:00:00:bb" }}
[load]
set = "virtual machines"
span = "24MiB"
[criteria]
stall = "30s"
load-at-takeover = 1
[[scenario]]
name = "controller power pull"
direction = "A to B"
do = "controller A loses power"
command = [{lab}, "kill", "a", "--folder", "{folder}"]
hold-command = [{lab}, "status", "--folder", "{folder}"]
restore-command = [{lab}, "start", "a", "--folder", "{folder}"]
run-in = "1500ms"
run-out = "1500ms"
[[scenario]]
name = "failback"
direction = "B to A"
command = [{lab}, "failback", "--folder", "{folder}"]
hold-command = [{lab}, "status", "--folder", "{folder}"]
run-in = "1500ms"
run-out = "1500ms"
"""


def lab(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "scripts.takeover_lab", *map(str, arguments)], env=environment(), cwd=ROOT,
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=180, check=False,
    )  # fmt: skip


@pytest.mark.lab
def test_a_plan_is_carried_out_both_ways_and_every_step_is_on_the_timeline(tmp_path: Path) -> None:
    folder, records = tmp_path / "lab", tmp_path / "records"
    plan = tmp_path / "plan.toml"
    program = f'"{sys.executable}", "-m", "scripts.takeover_lab"'
    plan.write_text(PLAN.format(records=records, folder=folder, lab=program))
    try:
        up = lab("up", "--folder", folder, "--size", "32MiB", "--interval", "0.5s")
        assert up.returncode == 0, up.stderr
        done = lab("guest", "--folder", folder, "ackproof", "drill", plan, "--no-dossier")
    finally:
        down = lab("down", "--folder", folder)
    assert down.returncode == 0, down.stderr
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == f"PASS   all runs of {plan}"
    ways = []
    for run in ("01-controller-power-pull-a-to-b", "02-failback-b-to-a"):
        events = [json.loads(line) for line in (records / run / "events.jsonl").read_text().splitlines()]
        kinds = {event["event"] for event in events}
        assert kinds >= {"command", "mark", "neighbour"}
        verdict: dict[str, Any] = json.loads((records / run / "verdict.json").read_text())
        assert [criterion["met"] for criterion in verdict["criteria"]] == [True, True]
        paths = [takeover["path"] for takeover in verdict["takeovers"] if takeover["path"]["moved"]]
        ways += [(path["before"]["controller"], path["after"]["controller"]) for path in paths]
    assert ways == [("A", "B"), ("B", "A")]
