"""The check step of a drill: read back, judge, and leave a verdict in the record folder."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from verify.arithmetic import require_right_arithmetic
from verify.drill.criteria import Criterion, Measured, kept_criteria, missed, unmeasured
from verify.drill.grounds import require_grounds
from verify.drill.journal import JOURNAL_NAME, Journal, Region, circumstances, interrupted
from verify.drill.memory_needed import require_memory
from verify.drill.observed import EarlyLook, spans_of
from verify.drill.opening import OpenedVolume
from verify.drill.quantities import rfc3339
from verify.drill.readahead import ReadAhead
from verify.drill.record import LedgerParts, RecordFolder, write_json
from verify.drill.scan import Scanner, ScanResult
from verify.drill.seal import RUN_VERDICT, SEAL_NAME, seal_check, seal_run
from verify.drill.seen import EarlierChecks, keep_seen, seen_in_earlier_checks
from verify.drill.standing import standing
from verify.drill.two_ledgers import TwoLedgers, compare, second_ledger_facts, second_place, untold
from verify.drill.verdicts import worst_check
from verify.errors import CannotRun, UsageError
from verify.interruption import held_back, let_through
from verify.judge.content import Content
from verify.judge.decision import Source
from verify.judge.judgement import Judgement
from verify.judge.observations import PACK_ROWS, blank_rows
from verify.judge.order import Order
from verify.judge.spans import Span
from verify.judge.takeovers import NEVER_NS, TooManyTakeovers, untold_stretches
from verify.judge.timeline import Timeline
from verify.judge.verdict import Evidence, conclude, plural
from verify.ledger.frames import Kind
from verify.load.run import Run
from verify.load.specimens import SpecimenFile
from verify.plain_file import create_plain
from verify.report.losses import LossWriter
from verify.report.verdict_json import VerdictFacts, verdict_json

SWITCH_INTERVAL_S = 0.0005
"""While several threads are at work: with Python's usual 5 ms, every read of the ledger would wait for so long."""
Reading = tuple[ReadAhead | None, EarlyLook | None]
"""What has begun to read the volume, and what looks at that, if anything has."""


@dataclass(frozen=True)
class CheckResult:
    """What a check left: the verdict file's contents, where they stand, and the order finding of each takeover."""

    verdict: dict[str, Any]
    folder: Path
    orders: list[Order | None]


def check_record(
    folder: RecordFolder,
    opened: OpenedVolume,
    read_twice: bool = False,
    progress: Callable[[int, int], None] = lambda done, total: None,
    resume: bool = False,
    second_ledger: str | None = None,
) -> CheckResult:
    """Judge one run by its ledger and its volume, and keep the check in the record folder.

    Args:
        folder: the record.
        opened: the volume.
        read_twice: read everything a second time and compare.
        progress: told of bytes read so far and in all.
        resume: go on with a check that was interrupted, from where it was (see `verify.drill.journal`).
        second_ledger: the folder of the run's second ledger, if that is to be held beside its own.

    Raises:
        CannotRun, UsageError: if nothing could be concluded.
        KeyboardInterrupt: at a place where that does no harm (`verify.interruption`).
    """
    require_right_arithmetic()
    if folder.running():
        raise CannotRun(f"a run is still writing to {folder.path}; stop it first, or wait for its end")
    if resume and read_twice:
        raise UsageError("a check that reads everything twice cannot go on half way; leave out --resume")
    about, run = folder.read_run()
    place = None if second_ledger is None else second_place(second_ledger, folder, run)
    with held_back(), folder.checking(resume):
        before = opened.before or standing(folder.path, opened.name)
        with _reading(run, opened, read_twice, resume) as reading:
            two = None if place is None else compare(folder, run, place)
            return _check(folder, about, run, opened, before, reading, read_twice, progress, resume, two)


@contextlib.contextmanager
def _reading(run: Run, opened: OpenedVolume, read_twice: bool, resume: bool) -> Iterator[Reading]:
    """Have the volume read, and what is read looked at, while the ledger is gone through.

    A check that is resumed finds out only then where it goes on.
    """
    if opened.volume is None or resume:
        yield None, None
        return
    ahead = opened.ahead
    if ahead is None or ahead.spans != spans_of(run):
        ahead = ReadAhead(opened.volume, spans_of(run))
    usual_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    try:
        with contextlib.closing(ahead):
            yield ahead, None if read_twice else EarlyLook(ahead, run)
    finally:
        sys.setswitchinterval(usual_s)


def _check(
    folder: RecordFolder,
    about: dict[str, Any],
    run: Run,
    opened: OpenedVolume,
    before: dict[str, Any],
    reading: Reading,
    read_twice: bool,
    progress: Callable[[int, int], None],
    resume: bool,
    two: TwoLedgers | None,
) -> CheckResult:
    criteria = kept_criteria(about)
    ledger = LedgerParts(folder, run, None if two is None else two.sources)
    ledger.require_description(run.digest)
    require_memory(run, folder.run_path)
    try:
        judgement = Judgement(run, ledger)
    except TooManyTakeovers as error:
        raise CannotRun(f"{folder.ledger_path}: {error}; nothing was concluded") from None
    require_grounds(judgement.timeline, about, folder.run_path)
    earlier = seen_in_earlier_checks(folder, run)
    name = folder.next_check()
    partial = folder.partial_check(name)
    facts = circumstances(folder, ledger, before)
    regions = interrupted(partial, facts, run) if resume else None
    journal = None
    try:
        if not resume:
            partial.mkdir()
        if not read_twice and opened.volume is not None:
            journal = Journal(partial, facts, regions)
        specimens = SpecimenFile(str(folder.specimens_path / f"check-{name}.bin"))
        judgement.recall(earlier.in_flight)
        scan = scan_volume(judgement, opened, specimens, read_twice, progress, journal, reading)
        doubts = [*earlier.doubts, *_interruption(regions), *untold(about, folder.path, two, ledger.states.values())]
        earlier = replace(earlier, doubts=doubts)
        second = second_ledger_facts(about, folder.path, two)
        result, orders = _conclude(judgement, ledger, about, criteria, opened, scan, earlier, partial, second)
        write_json(partial / "verdict.json", result)
        keep_seen(partial, scan)
        (partial / JOURNAL_NAME).unlink(missing_ok=True)
        if two is not None:
            two.keep(partial, run.tag)
        _seal(folder, run, name, partial, ledger, two)
        os.rename(partial, folder.checks_path / name)
    except OSError as error:
        shutil.rmtree(partial, ignore_errors=True)
        if error.errno == errno.ENOMEM:
            raise
        raise CannotRun(f"the check cannot be kept in {folder.checks_path}: {error.strerror}") from None
    except KeyboardInterrupt:
        raise  # What was read stays, so that the check can go on.
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    finally:
        if journal is not None:
            journal.close()
    _keep_worst(folder, result)
    return CheckResult(result, folder.checks_path / name, orders)


def _seal(
    folder: RecordFolder, run: Run, name: str, partial: Path, ledger: LedgerParts, two: TwoLedgers | None
) -> None:
    """Seal the check, and before it the run if it did not get so far itself; by the record's own ledger files."""
    heads = two.own_heads if two is not None else {part: state.head for part, state in ledger.states.items()}
    if not os.path.lexists(folder.path / SEAL_NAME):
        seal_run(folder, run.run_id, heads, late=True)
    seal_check(folder, name, partial, heads)


def scan_volume(
    judgement: Judgement,
    opened: OpenedVolume,
    specimens: SpecimenFile,
    read_twice: bool,
    progress: Callable[[int, int], None],
    journal: Journal | None,
    reading: Reading,
) -> ScanResult:
    """Read the volume and add what is odd there to the judgement's observations; arguments as for `check_record`."""
    run = judgement.run
    if opened.volume is None:
        for first in range(0, run.slots, PACK_ROWS):
            slots = np.arange(first, min(first + PACK_ROWS, run.slots), dtype=np.int64)
            rows = blank_rows(slots, Source.CHECK, Content.UNREADABLE)
            rows["issued_ns"] = rows["done_ns"] = time.monotonic_ns()
            judgement.observations.add_rows(rows)
        return ScanResult()
    total = sum(s.layout.slots * s.layout.block_bytes for s in run.streams) * (2 if read_twice else 1)
    done = 0

    def step(count: int) -> None:
        nonlocal done
        done += count
        progress(done, total)

    scanner = Scanner(judgement.state, opened.volume, judgement.observations, specimens, step)
    result = scanner.scan(read_twice, journal, *reading)
    specimens.close()
    if opened.other_identity and not result.is_of_the_run:
        judgement.observations.forget_check()
        return ScanResult()
    return result


def _conclude(
    judgement: Judgement,
    ledger: LedgerParts,
    about: dict[str, Any],
    criteria: Sequence[Criterion],
    opened: OpenedVolume,
    scan: ScanResult,
    earlier: EarlierChecks,
    partial: Path,
    second: dict[str, Any] | None,
) -> tuple[dict[str, Any], list[Order | None]]:
    timeline = judgement.timeline

    def time_text(monotonic_ns: int) -> str:
        return rfc3339(timeline.wall_ns(monotonic_ns))

    checked = rfc3339(time.time_ns())
    with io.TextIOWrapper(create_plain(partial / "losses.csv"), encoding="utf-8", newline="") as file:
        writer = LossWriter(file, judgement.state, judgement.observations, time_text, checked)
        for judged in judgement.judge(earlier.in_flight, scan.found_beyond):
            let_through()
            writer.write(judged)
        file.flush()
        os.fsync(file.fileno())
    evidence, told = evidence_of(judgement, ledger, about, criteria, opened, scan, earlier.doubts)
    orders = [judgement.order(index, scan.slots_read > 0) for index in range(len(judgement.takeovers))]
    facts = VerdictFacts(
        about, opened.name, conclude(evidence), judgement, orders, scan, ledger.states, time_text, checked, told, second
    )
    return verdict_json(facts), [None if order is None else order.order for order in orders]


def evidence_of(
    judgement: Judgement,
    ledger: LedgerParts,
    about: dict[str, Any],
    criteria: Sequence[Criterion],
    opened: OpenedVolume,
    scan: ScanResult,
    doubts: Sequence[str] = (),
) -> tuple[Evidence, list[dict[str, Any]]]:
    """What a verdict rests on, once everything was judged; and the acceptance criteria with what was measured.

    Args:
        judgement, ledger, scan: of this check.
        about: run.json.
        criteria: those agreed on before the load.
        opened: the volume.
        doubts: what cannot be said because of earlier checks or an interruption.
    """
    timeline = judgement.timeline

    def time_text(monotonic_ns: int) -> str:
        return rfc3339(timeline.wall_ns(monotonic_ns))

    run, totals = judgement.run, judgement.assessor.totals
    heads = about.get("ledger_heads")
    recorded = {str(k): str(v) for k, v in heads.items()} if isinstance(heads, dict) else {}
    damage = ledger.damage(timeline.heads | recorded)
    damage += [f"{part:03d}.ledger, {wrong}" for part, wrong in sorted(judgement.contradictions().items())]
    around, errors = judgement.state.around, timeline.count(Kind.ERROR)
    lost = bool(timeline.lost_ns or about.get("workers_lost"))
    told = Measured(around, errors, run.lanes, run.stall_ns / 1e9, timeline.pauses, lost, bool(damage)).told(criteria)
    evidence = Evidence(
        promise=run.promise,
        slots_by_finding=totals.slots_by_finding,
        slots=run.slots,
        slots_read=scan.slots_read,
        around=around,
        page_cache=opened.page_cache or "; ".join(sorted(timeline.reopening_doubts)),
        ledger_damage=damage,
        open_tail=_open_tail(judgement, ledger, time_text),
        other_volume=_other_volume(opened, scan),
        covered_writes=judgement.state.covered_writes,
        missed_criteria=missed(told),
        unmeasured_criteria=unmeasured(told),
        notes=[*_notes(judgement, opened, about, scan), *doubts],
        directions=judgement.directions,
    )
    return evidence, told


def _interruption(regions: list[Region] | None) -> list[str]:
    """What a check that went on after an interruption cannot say."""
    if not regions:
        return []
    began, ended = (rfc3339(at) for at in (regions[0].from_wall_ns, regions[-1].to_wall_ns))
    slots = sum(region.end_slot - region.first_slot for region in regions)
    doubt = (
        f"what {plural(slots, 'block')} hold since {ended}: this check was interrupted and resumed, and what it had "
        f"read since {began} was not read again"
    )
    return [doubt]


def _other_volume(opened: OpenedVolume, scan: ScanResult) -> str:
    if opened.other_identity and not scan.is_of_the_run and opened.volume is not None:
        return (
            f"{opened.name} is not the volume that was written (its identity is {opened.other_identity}) and holds "
            "no block of this run; nothing was checked"
        )
    return ""


def _open_tail(judgement: Judgement, ledger: LedgerParts, time_text: Callable[[int], str]) -> str:
    open_lanes = [lane for lane in range(judgement.run.lanes) if judgement.state.is_open(lane)]
    if not open_lanes:
        return ""
    ends: dict[int, int] = {}
    for lane in open_lanes:
        part = judgement.run.lane_workers[lane]
        ends[part] = max(judgement.timeline.tails[lane].last_done_ns, ends.get(part, -1))
    until_ns = min(ends.values())
    until = time_text(until_ns) if until_ns >= 0 else "its beginning"
    torn = [f"{Path(s.path).name}, {s.torn}" for s in ledger.states.values() if s.torn]
    text = f"anything acknowledged after {until}: the ledger was never closed and is complete only up to then"
    text += ", but for what later blocks on the volume prove"
    return text + (f" ({'; '.join(torn)})" if torn else "")


def _notes(judgement: Judgement, opened: OpenedVolume, about: dict[str, Any], scan: ScanResult) -> list[str]:
    timeline = judgement.timeline
    out = [f"which write stood where: {opened.why_not}"] if opened.why_not else []
    if opened.other_identity and scan.is_of_the_run:
        out.append(
            f"that {opened.name} is the same volume by its identity ({opened.other_identity}); "
            "it holds blocks of this run"
        )
    for step in timeline.clock_steps:
        seconds = step.step_ns / 1e9
        out.append(f"wall-clock times around a step of {seconds:+.1f} s; judged by the monotonic clock alone")
    for start, end in timeline.pauses:
        out.append(f"what happened in {(end - start) / 1e9:.1f} s in which the writer or the guest stood still")
    if timeline.lost_ns or about.get("workers_lost"):
        out.append("what lanes of a lost worker would have written")
    if judgement.run.promise == "flushed":
        out += [_unproved_flushes(span, timeline) for span in untold_stretches(timeline)]
    return out


def _unproved_flushes(span: Span, timeline: Timeline) -> str:
    """What a stretch of which a part of the ledger does not tell means for the promise `flushed`."""
    from_ns, to_ns = span
    from_text = "its beginning" if from_ns < 0 else rfc3339(timeline.wall_ns(from_ns))
    to_text = "on" if to_ns >= NEVER_NS else f"to {rfc3339(timeline.wall_ns(to_ns))}"
    return f"what flushes covered from {from_text} {to_text}: a part of the ledger does not tell what happened then"


def _keep_worst(folder: RecordFolder, result: dict[str, Any]) -> None:
    """The run's verdict at the root of the record folder is the worst of all checks."""
    worst = worst_check(folder)
    write_json(folder.path / RUN_VERDICT, result if worst is None else worst[1])
