"""One takeover under load: write in the guest, hurt the pair, check; and what an independent probe saw meanwhile."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from scripts.takeover_lab.layout import FLOATING_ADDRESS
from scripts.takeover_lab.pair import Lab
from scripts.takeover_lab.processes import in_namespace, wait_until
from verify.errors import CannotRun

_ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Load:
    """The load of one trial; the times are those around what is done to the pair."""

    lanes: int = 8
    read_share: float = 0.3
    run_in_s: float = 4.0
    run_out_s: float = 6.0
    more: Sequence[str] = field(default_factory=tuple)
    probe: bool = True


@dataclass(frozen=True)
class Wait:
    """A wait that the probe saw; wall-clock nanoseconds."""

    start_ns: int
    stall_ns: int
    failed: bool


@dataclass(frozen=True)
class Trial:
    """What one trial left; `round_s` is how long the probe took at most from write to write where it did not wait."""

    record: Path
    exit_code: int
    verdict: dict[str, Any]
    losses: list[dict[str, str]]
    events: list[dict[str, Any]]
    waits: list[Wait]
    round_s: float
    text: str


def environment() -> dict[str, str]:
    """An environment in which `python -m verify` is the package of this clone."""
    return os.environ | {"PYTHONPATH": str(_ROOT), "PYTHONDONTWRITEBYTECODE": "1", "NO_COLOR": "1"}


def run_trial(
    lab: Lab,
    record: Path,
    hurt: Callable[[], object],
    load: Load = Load(),
    before_check: Callable[[], object] = lambda: None,
) -> Trial:
    """Load the volume, do `hurt` in the middle, go on, and check.

    Args:
        lab: the pair.
        record: the record folder to make.
        hurt: what is done to the pair, and waited for.
        load: the load around it.
        before_check: what happens between the end of the load and the check.

    Raises:
        CannotRun: if the writer or the checker could not do their work.
    """
    layout = lab.layout
    guest = layout.namespace("guest")
    out = record.parent / f"{record.name}.probe.json"
    out.unlink(missing_ok=True)
    command = [sys.executable, "-m", "verify", "write", str(layout.volume), "--record", str(record)]
    command += ["--erase", str(layout.volume), "--span", str(layout.settings.volume_bytes)]
    command += ["--floating-address", FLOATING_ADDRESS]
    for controller in lab.controllers.values():
        command += ["--controller", f"{controller.own.name}={controller.own.hardware_address}"]
    command += ["--lanes", str(load.lanes), "--read-share", str(load.read_share), "--for", "1h", *load.more]
    writer = subprocess.Popen(
        in_namespace(guest, command), env=environment(), cwd=_ROOT, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        _wait_for_load(record, writer)
        with _probing(lab, out) if load.probe else nullcontext():
            time.sleep(load.run_in_s)
            hurt()
            time.sleep(load.run_out_s)
    finally:
        writer.send_signal(signal.SIGINT)
        try:
            said, complaints = writer.communicate(timeout=120)
        except subprocess.TimeoutExpired:
            writer.kill()
            said, complaints = writer.communicate()
    if writer.returncode:
        raise CannotRun(f"the writer ended with {writer.returncode}: {said} {complaints}")
    before_check()
    return _checked(record, out)


@contextmanager
def _probing(lab: Lab, out: Path) -> Iterator[None]:
    """Let the independent probe run beside the load; it leaves what it saw in `out`."""
    layout = lab.layout
    command = [sys.executable, "-m", "scripts.takeover_lab.probe", str(layout.volume)]
    command += [str(layout.settings.volume_bytes), str(out)]
    probe = subprocess.Popen(
        in_namespace(layout.namespace("guest"), command), env=environment(), cwd=_ROOT, stdin=subprocess.DEVNULL
    )
    try:
        yield
    finally:
        probe.send_signal(signal.SIGTERM)
        try:
            probe.wait(30)
        except subprocess.TimeoutExpired:
            probe.kill()
            raise


def _checked(record: Path, probe_out: Path) -> Trial:
    done = subprocess.run(
        [sys.executable, "-m", "verify", "check", str(record)], env=environment(), cwd=_ROOT,
        stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    verdict_path = record / "verdict.json"
    if not verdict_path.exists():
        raise CannotRun(f"the check ended with {done.returncode}: {done.stderr}")
    with open(record / "checks" / "001" / "losses.csv", newline="", encoding="utf-8") as file:
        losses = list(csv.DictReader(file))
    seen: dict[str, Any] = {"waits": [], "longest_round_ns": 0}
    if probe_out.exists():
        seen = json.loads(probe_out.read_text(encoding="ascii"))
    probe_out.unlink(missing_ok=True)
    return Trial(
        record=record,
        exit_code=done.returncode,
        verdict=json.loads(verdict_path.read_text(encoding="utf-8")),
        losses=losses,
        events=[json.loads(line) for line in (record / "events.jsonl").read_text(encoding="utf-8").splitlines()],
        waits=[Wait(wait["start_ns"], wait["stall_ns"], "error" in wait) for wait in seen["waits"]],
        round_s=seen["longest_round_ns"] / 1e9,
        text=done.stdout,
    )


def _wait_for_load(record: Path, writer: subprocess.Popen[str]) -> None:
    events = record / "events.jsonl"

    def began() -> bool:
        if writer.poll() is not None:
            raise CannotRun(f"the writer ended early: {writer.communicate()}")
        return events.exists() and '"load_began"' in events.read_text(encoding="utf-8")

    wait_until(began, "the load", 120)
