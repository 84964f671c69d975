"""How the longest wait of a takeover stands against the disk's own time-out, from run.json to the summary."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import attest, check_on, load_on
from verify.drill.planning import RunRequest, StreamRequest
from verify.report.text import summary

WAIT_S = 0.02


@pytest.fixture(scope="module")
def attested(tmp_path_factory: pytest.TempPathFactory) -> tuple[MemoryVolume, Path]:
    """A run on a volume whose every write takes a while, with one attested takeover."""
    record = tmp_path_factory.mktemp("time-outs") / "record"
    volume = MemoryVolume(1 << 20, WAIT_S)
    marking = threading.Thread(target=attest, args=(record, volume))
    marking.start()
    load_on(volume, record, RunRequest((StreamRequest(span_bytes=256 << 10, lanes=4),)), seconds=1.0)
    marking.join()
    return volume, record


def takeover_told(attested: tuple[MemoryVolume, Path], time_outs_s: Any) -> tuple[dict[str, Any], str]:
    """The takeover of a check, and the summary, where run.json tells these time-outs."""
    volume, record = attested
    about = json.loads((record / "run.json").read_text())
    about["volume"]["time_outs_s"] = time_outs_s
    (record / "run.json").write_text(json.dumps(about))
    verdict = check_on(volume, record).verdict
    [takeover] = verdict["takeovers"]
    unwrapped = " ".join(summary(verdict, "record", "losses.csv").split()).replace("time- out", "time-out")
    return takeover, unwrapped


def test_the_shortest_of_several_counts(attested: tuple[MemoryVolume, Path]) -> None:
    takeover, text = takeover_told(attested, {"/dev/sda": 30, "/dev/sdb": 31.5})
    assert takeover["time_out_s"] == 30
    assert ", within the disk's time-out of 30.0 s; " in text


def test_a_longer_wait_is_told_to_be_beyond_it(attested: tuple[MemoryVolume, Path]) -> None:
    takeover, text = takeover_told(attested, {"/dev/sda": WAIT_S / 2})
    assert takeover["longest_wait_s"] > takeover["time_out_s"] == WAIT_S / 2
    assert ", beyond the disk's time-out of 10.0 ms; " in text


@pytest.mark.parametrize(
    "told", [{}, None, [30], 30, {"/dev/sda": "30"}, {"/dev/sda": True}, {"/dev/sda": 0}, {"/dev/sda": -1},
             {"/dev/sda": float("nan")}, {"/dev/sda": float("inf")}, {"/dev/sda": {}}],
    ids=repr,
)  # fmt: skip
def test_nothing_is_said_where_none_is_known(attested: tuple[MemoryVolume, Path], told: Any) -> None:
    takeover, text = takeover_told(attested, told)
    assert takeover["time_out_s"] is None
    assert "time-out" not in text
