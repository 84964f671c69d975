"""The report step of a drill: from a record folder to report.html and junit.xml beside a check's verdict."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from verify.drill.quantities import wall_ns_of
from verify.drill.record import LedgerParts, RecordFolder, write_bytes
from verify.drill.seal import REPORT_FILES, seal_report
from verify.drill.two_ledgers import kept_sources
from verify.drill.verdicts import read_verdict, worse_checks
from verify.errors import CannotRun, UsageError
from verify.judge.surroundings import WINDOW_NS
from verify.ledger.frames import Kind, Records
from verify.report.damage import Damage
from verify.report.facts import Instant, Occurrence, ReportFacts
from verify.report.junit import junit_xml
from verify.report.series import Binned, Histogram, Series

OVERVIEW_BINS_MAX = 300
DETAIL_BINS_MAX = 200
DETAILS_MAX = 6
AROUND_NS_MIN, AROUND_NS_MAX = 1_000_000_000, 30_000_000_000
EVENTS_BYTES_MAX = 64 * 1024 * 1024


@dataclass
class _LoadFacts:
    """What the supervisor's part of the ledger tells of the load's course; monotonic nanoseconds."""

    opened_ns: int = -1
    began_ns: int = -1
    stop_ns: int = -1
    last_ns: int = -1
    beats: list[npt.NDArray[np.int64]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)

    def take(self, item: Records | dict[str, Any]) -> None:
        if isinstance(item, Records):
            clock = item.kind == Kind.CLOCK
            if clock.any():
                self._beat(np.stack([item.issued_ns[clock], item.done_ns[clock]], axis=1))
            return
        at = item.get("monotonic_ns")
        if type(at) is int:
            self.last_ns = max(self.last_ns, at)
            if item.get("event") in ("open", "load_began", "close") and type(item.get("wall_ns")) is int:
                self._beat(np.array([[at, item["wall_ns"]]], dtype=np.int64))
            if item.get("event") == "open":
                self.opened_ns = at
            elif item.get("event") == "load_began":
                self.began_ns = at
            elif item.get("event") == "stop":
                self.stop_ns = at
        self.events.append(item)

    def _beat(self, pairs: npt.NDArray[np.int64]) -> None:
        self.beats.append(pairs)
        self.last_ns = max(self.last_ns, int(pairs[:, 0].max()))

    @property
    def zero_ns(self) -> int:
        """Where the timeline begins: with the load, or with the run if it never got so far."""
        return self.began_ns if self.began_ns >= 0 else self.opened_ns

    def monotonic_ns(self, wall_ns: int) -> int | None:
        """The monotonic time at which the wall clock showed something; None where it never did."""
        if not self.beats:
            return None
        if len(self.beats) > 1:
            joined = np.concatenate(self.beats)
            self.beats = [joined[np.argsort(joined[:, 0], kind="stable")]]
        beats = self.beats[0]
        at = beats[:, 0] + (wall_ns - beats[:, 1])
        until = np.r_[beats[1:, 0], np.iinfo(np.int64).max]
        fits = np.flatnonzero((at >= beats[:, 0]) & (at < until))
        if len(fits):
            return int(at[fits[0]])
        return int(at[0]) if at[0] < beats[0, 0] else None


def write_report(
    folder: RecordFolder,
    render: Callable[[ReportFacts], str],
    check: str | None = None,
    progress: Callable[[int], None] = lambda records: None,
) -> Path:
    """Write report.html and junit.xml into the folder of one check, and seal them.

    Args:
        folder: the record.
        render: makes the page; given by the caller, for it needs packages that the rest does not.
        check: its name, such as "002"; None for the latest.
        progress: told how many records of the ledger were read since the last call.

    Returns:
        Path of report.html.

    Raises:
        CannotRun, UsageError: if there is no such check, or what is there is damaged.
    """
    name = _check_name(folder, check)
    about, run = folder.read_run()
    place = folder.checks_path / name
    verdict = read_verdict(folder, name)
    damage = _read_losses(place / "losses.csv")
    facts = ReportFacts(about=about, run=run, check=name, verdict=verdict, damage=damage)
    try:
        facts.worse_checks = worse_checks(folder, verdict["verdict"])
        _read_ledger(LedgerParts(folder, run, kept_sources(folder, name, verdict, run)), facts, progress)
        facts.occurrences += _notes(folder.events_path, facts)
        page, cases = render(facts).encode("utf-8", "replace"), junit_xml(facts)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise UsageError(
            f"{place / 'verdict.json'} or run.json is damaged or was changed: no report can be made of it "
            f"({type(error).__name__}: {str(error)[:200]})"
        ) from error
    for file, content in zip(REPORT_FILES, (page, cases), strict=True):
        write_bytes(place / file, content)
    seal_report(folder, name)
    return place / "report.html"


def _check_name(folder: RecordFolder, check: str | None) -> str:
    names = folder.check_names()
    if not names:
        raise CannotRun(f"{folder.path} holds no check yet: run ackproof check first")
    if check is None:
        return names[-1]
    wanted = f"{int(check):03d}" if check.isdecimal() and len(check) < 9 else check
    if wanted not in names:
        raise UsageError(f"{folder.path} has no check {check!r}; it has {names[0]} to {names[-1]}")
    return wanted


def _read_losses(path: Path) -> Damage:
    damage = Damage()
    try:
        if path.is_symlink() or not path.is_file():
            raise CannotRun(f"{path} is missing: this is not the folder of a whole check")
        with open(path, encoding="utf-8", errors="backslashreplace", newline="") as file:
            damage.read(csv.DictReader(file))
    except (ValueError, KeyError, TypeError, OverflowError, csv.Error) as error:
        raise UsageError(f"{path}, row {damage.rows + 2}: {str(error)[:200]}; it is damaged or was changed") from None
    except OSError as error:
        raise CannotRun(f"{path} cannot be read: {error.strerror}") from None
    return damage


def _read_ledger(ledger: LedgerParts, facts: ReportFacts, progress: Callable[[int], None]) -> None:
    """Read the ledger once: the supervisor's part says how long it all took, the workers' parts are counted."""
    load = _LoadFacts()
    series: Series | None = None
    for part, item in ledger():
        if part == 0:
            load.take(item)
            continue
        if series is None:
            series = _series(load, facts)
            if series is None:
                break
        if isinstance(item, Records):
            series.feed(item)
            progress(len(item))
    facts.zero_ns = load.zero_ns
    facts.series = series
    facts.occurrences += [_occurrence(event) for event in load.events if event.get("event") not in _OF_THE_FILE]


def _series(load: _LoadFacts, facts: ReportFacts) -> Series | None:
    start = load.zero_ns
    end = max(load.last_ns, load.stop_ns)
    if start < 0 or end <= start:
        facts.no_timeline = "the supervisor's part of the ledger does not say when the load ran"
        return None
    for takeover in facts.verdict["takeovers"]:
        at = load.monotonic_ns(wall_ns_of(takeover["start"]))
        if at is None:
            facts.no_timeline = "the takeovers cannot be placed in time by the clock samples of the ledger"
            return None
        until = end if takeover["end"] is None else load.monotonic_ns(wall_ns_of(takeover["end"]))
        facts.instants.append(Instant(at, max(at if until is None else until, at)))
    overview = Binned(start, end, OVERVIEW_BINS_MAX)
    details, histograms = [], []
    for index, instant in enumerate(facts.instants):
        around = min(max(2 * (instant.end_ns - instant.start_ns), AROUND_NS_MIN), AROUND_NS_MAX)
        low, high = max(instant.start_ns - around, start), min(instant.end_ns + around, end)
        if index < DETAILS_MAX and (high - low) * 3 < end - start and high > low:
            details.append(Binned(low, high, DETAIL_BINS_MAX))
        before_ns = facts.instants[index - 1].end_ns if index else start
        after_ns = facts.instants[index + 1].start_ns if index + 1 < len(facts.instants) else max(load.stop_ns, -1)
        after_ns = end if after_ns < 0 else after_ns
        histograms.append(Histogram(max(instant.start_ns - WINDOW_NS, before_ns), instant.start_ns))
        histograms.append(Histogram(instant.end_ns, min(instant.end_ns + WINDOW_NS, after_ns)))
    return Series(overview, details, histograms)


_OF_THE_FILE = ("open", "grounds", "close")
_TIMES = ("accepted_ns", "monotonic_ns", "pressed_ns", "since_ns", "pressed_wall_ns", "wall_ns")


def _occurrence(event: dict[str, Any]) -> Occurrence:
    kind = event.get("event")
    at = event.get("pressed_ns") if kind == "mark" else event.get("monotonic_ns")
    text = event.get("text", event.get("reason", ""))
    rest = {k: v for k, v in event.items() if k not in (*_TIMES, "event", "text", "reason", "takeover")}
    return Occurrence(
        kind=str(kind),
        at_ns=at if type(at) is int else None,
        since_ns=event["since_ns"] if type(event.get("since_ns")) is int else None,
        text=str(text),
        takeover=event.get("takeover") is True,
        rest=rest,
    )


_FROM_LEDGER = frozenset(
    {"load_began", "stop", "mark", "clock_step", "paused", "outage_began", "outage_ended", "worker_lost"}
)


def _notes(path: Path, facts: ReportFacts) -> list[Occurrence]:
    """What events.jsonl tells beyond the ledger: notes made afterwards, and what was sampled beside the load."""
    if path.is_symlink() or not path.is_file():
        return []
    try:
        with open(path, "rb") as file:
            content = file.read(EVENTS_BYTES_MAX)
    except OSError as error:
        raise CannotRun(f"{path} cannot be read: {error.strerror}") from None
    return [_occurrence(event) for event in _lines(content, facts) if event.get("event") not in _FROM_LEDGER]


def _lines(content: bytes, facts: ReportFacts) -> Iterator[dict[str, Any]]:
    for line in content.splitlines():
        try:
            value = json.loads(line)
        except (ValueError, RecursionError):
            value = None
        if isinstance(value, dict):
            yield value
        else:
            facts.events_unread += 1
