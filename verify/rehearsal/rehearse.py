"""The whole job on the simulated pair: load, takeover, more load, check, and the comparison with the truth."""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from verify.drill.checking import CheckResult, check_record
from verify.drill.conduct.injection import THE_END
from verify.drill.opening import OpenedVolume
from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, run_load
from verify.load.run import Run
from verify.load.schedule import Flush
from verify.load.supervisor import Snapshot
from verify.rehearsal.backing import FileBacking
from verify.rehearsal.comparison import Comparison, compare, compare_moment, covers_by_ledger, read_losses
from verify.rehearsal.faults import Fault
from verify.rehearsal.pair import SimulatedPair
from verify.rehearsal.scenario import Scenario
from verify.rehearsal.state import PairSettings
from verify.volume.identity import identify

STALL_THRESHOLD_NS = 250_000_000
STALL_S = 0.6
TAKEOVER_AFTER_S = 0.8
SECOND_STEP_AFTER_S = 1.1
LOAD_S = 2.6
REPLAY_BEFORE_END_S = 0.1
"""A late replay comes so long before the load ends, which would else go over all that was replayed, and hide it."""
LONGER_S = 20.0
"""On a busy machine a late replay may find nothing newer to go over for a while; so much longer the load then lasts."""
BLOCK_BYTES = 4096
SLOTS = 2048
LANES = 12
PACE = 5000.0
PACE_FLUSHED = 1500.0
VOLATILE_CACHE_BLOCKS = 1024
"""Under the promise `flushed` the caches hold writes for long, so that what an ignored flush loses is old enough to be
told from what an outage may legally take."""


class KeptOpen:
    """The pair as a worker of the load gets it: closing it leaves the pair open for the check."""

    def __init__(self, pair: SimulatedPair) -> None:
        self.size_bytes = pair.size_bytes
        self.sector_bytes = pair.sector_bytes
        self.read = pair.read
        self.write = pair.write
        self.flush = pair.flush
        self.reopen = pair.reopen

    def close(self) -> None:
        """Leave the pair open."""


@dataclass(frozen=True)
class Rehearsed:
    """One rehearsal: what the verifier said, what the pair did, and whether they agree."""

    fault: Fault
    verdict: dict[str, Any]
    expected_verdict: str
    comparison: Comparison
    record: Path

    @property
    def agrees(self) -> bool:
        """Whether every block and every count agrees, and the verdict is the one that the truth calls for."""
        return not self.comparison.disagreements and self.verdict["verdict"] == self.expected_verdict


def rehearse_fault(
    fault: Fault,
    folder: Path,
    seed: int,
    on_tick: Callable[[Snapshot], None] = lambda snapshot: None,
    takeover_after_s: float = TAKEOVER_AFTER_S,
    load_s: float = LOAD_S,
) -> Rehearsed:
    """Rehearse one fault in a folder of its own.

    Args:
        fault: how the pair behaves.
        folder: an existing folder; the backing file and the record folder `record` are made in it.
        seed: of load and pair.
        on_tick: told how the load stands.
        takeover_after_s, load_s: from the beginning of the load, in seconds. The load goes on, up to `LONGER_S`, while
            a step of the scenario is still to come.

    Raises:
        CannotRun, OSError: if the folder does not take it.
    """
    backing_path = folder / "volume.img"
    settings = PairSettings(stall_s=STALL_S, seed=seed)
    if fault.promise == "flushed":
        settings = replace(settings, cache_blocks=VOLATILE_CACHE_BLOCKS)
    pair = SimulatedPair(FileBacking(backing_path, SLOTS * BLOCK_BYTES), fault, settings)
    run = plan_run(_request(fault, seed), pair.size_bytes, pair.sector_bytes)
    record = RecordFolder.create(str(folder / "record"))
    second_s = SECOND_STEP_AFTER_S
    if fault.second_step == "late-replay":
        second_s = max(load_s - takeover_after_s - REPLAY_BEFORE_END_S, second_s)
    scenario = Scenario(fault, takeover_after_s, second_step_after_s=second_s, retry_for_s=LONGER_S)
    driver: threading.Thread | None = None
    began_s = 0.0

    def on_event(event: dict[str, Any]) -> None:
        nonlocal driver, began_s
        if event["event"] == "load_began":
            driver, began_s = scenario.start(pair), time.monotonic()

    def over() -> str:
        took_s = time.monotonic() - began_s
        if driver is None or took_s < load_s or (driver.is_alive() and took_s < load_s + LONGER_S):
            return ""
        return THE_END

    facts = {
        "identity": identify(str(backing_path)).to_json(),
        "direct": True,
        "page_cache": "",
        "cache_mode": "",
    }
    said = f"rehearsed on the simulated pair ({fault.name}): proves nothing about any storage"
    about = {"scenario": {"name": f"rehearsal ({fault.name})", "deviations": [said]}}
    options = LoadOptions(None, on_tick, on_event, processes=False, handle_signals=False, over=over, about=about)
    try:
        run_load(record, run, lambda: KeptOpen(pair), facts, options)
    finally:
        scenario.stop()
        record.release()
    view = pair.checker()
    result = check_record(record, OpenedVolume(view, str(backing_path)))
    view.close()
    covers = covers_by_ledger(record, run) if fault.promise == "flushed" else None
    rows = read_losses(result.folder / "losses.csv")
    comparison = compare(pair.truth, covers, rows, result.verdict["lost"]["acknowledged_writes"])
    _compare_rest(pair, scenario, result, comparison)
    pair.close()
    expected = "FAIL" if comparison.real_blocks else "PASS"
    return Rehearsed(fault, result.verdict, expected, comparison, record.path)


def _request(fault: Fault, seed: int) -> RunRequest:
    flushed = fault.promise == "flushed"
    stream = StreamRequest(
        block_bytes=BLOCK_BYTES,
        lanes=LANES,
        span_bytes=SLOTS * BLOCK_BYTES,
        read_share=0.3,
        pace=PACE_FLUSHED if flushed else PACE,
        flush=Flush.EVERY if flushed else Flush.NEVER,
        flush_every=8 if flushed else 0,
    )
    return RunRequest(
        streams=(stream,),
        seed=seed,
        promise=fault.promise,
        stall_ns=STALL_THRESHOLD_NS,
        workers=1,
    )


def _compare_rest(
    pair: SimulatedPair, scenario: Scenario, result: CheckResult, comparison: Comparison
) -> None:
    if scenario.failure is not None:
        comparison.disagreements.append(f"the scenario did not run to its end: {scenario.failure}")
    if not result.verdict["takeovers"]:
        comparison.disagreements.append("the takeover was not observed")
    elif comparison.reported_writes:
        compare_moment(pair.truth.moments, result.orders[0], comparison.disagreements)
    if bool(pair.fault.kinds) != bool(comparison.real_blocks):
        comparison.disagreements.append(
            "the pair did not do what the fault is for; rehearse with another seed"
        )


def rehearse_all(
    faults: list[Fault], seed: int, keep: Path | None, told: Callable[[Rehearsed], None],
    on_tick: Callable[[Snapshot], None],
) -> list[Rehearsed]:  # fmt: skip
    """Rehearse faults one after the other, each in a folder of its own.

    Args:
        faults: which.
        seed: of load and pair.
        keep: a folder to keep the records in; None for a temporary one.
        told: called after each.
        on_tick: told how a load stands.
    """
    out = []
    for fault in faults:
        if keep is not None:
            folder = keep / fault.name
            folder.mkdir(parents=True)
            rehearsed = rehearse_fault(fault, folder, seed, on_tick)
        else:
            with tempfile.TemporaryDirectory(prefix="ackproof-rehearsal-") as temporary:
                rehearsed = rehearse_fault(fault, Path(temporary), seed, on_tick)
        out.append(rehearsed)
        told(rehearsed)
    return out


__all__ = ["Rehearsed", "Run", "rehearse_all", "rehearse_fault"]
