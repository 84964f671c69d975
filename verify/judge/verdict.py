"""The verdict: what convicts, what is left unproved, and in what words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from verify.judge.arrays import Int64Array
from verify.judge.decision import CONVICTING, LABELS, Finding
from verify.judge.path import Direction, controller_of
from verify.judge.surroundings import AroundTakeover

PASS, FAIL, INCONCLUSIVE = "PASS", "FAIL", "INCONCLUSIVE"
SEVERITY = {PASS: 0, INCONCLUSIVE: 1, FAIL: 2}

KEYS = {finding: LABELS[finding].replace(" ", "_") for finding in Finding}
"""The name of each finding in verdict.json."""

_PLURAL_NOTES = {
    Finding.LOST: "held an older write than the one acknowledged",
    Finding.STALE_READ: "gave an older write to a read under load",
    Finding.TORN: "held sectors of several writes",
    Finding.MISPLACED: "held what was written for another place",
    Finding.BLANK: "held one repeated value",
    Finding.FOREIGN: "held what another run wrote",
    Finding.UNISSUED: "held a write that was never issued there",
    Finding.DAMAGED: "held bytes that match no write",
    Finding.UNREADABLE: "could not be read",
    Finding.UNSTABLE: "gave different bytes to two reads",
}

MARK_TAKEN_WITHIN_NS = 1_000_000_000
"""An operator's mark is taken into a run within a tenth of a second; the verdict says so where it took longer than this
(the supervisor stood still), for lanes went on untold."""

STANDING_LIMITS = (
    "anything outside the tested span, or anything that this run did not write",
    "that a later takeover, another load or another fault would end the same way",
    "where in the path (guest, network, controller, disk) a finding was caused",
)


@dataclass(frozen=True)
class Evidence:
    """Everything a verdict rests on, but for the counts that it merely repeats.

    `page_cache` says how the page cache was in the way. `ledger_damage` names damaged ledger parts; `open_tail` says
    up to when an unclosed ledger is complete, "" if it was closed. `other_volume` says that the volume checked is
    not the one written and holds nothing of this run. `missed_criteria` are acceptance criteria not met, each in
    words with required and measured, `unmeasured_criteria` those that could not be measured. `directions` tell which
    way each takeover went, where that was watched.
    """

    promise: str
    slots_by_finding: Int64Array
    slots: int
    slots_read: int
    around: Sequence[AroundTakeover]
    page_cache: str = ""
    ledger_damage: Sequence[str] = ()
    open_tail: str = ""
    other_volume: str = ""
    covered_writes: int = 0
    missed_criteria: Sequence[str] = ()
    unmeasured_criteria: Sequence[str] = ()
    notes: Sequence[str] = field(default=())
    directions: Sequence[Direction | None] = ()


@dataclass(frozen=True)
class Verdict:
    """PASS, FAIL or INCONCLUSIVE, the reasons, and what is not proved; all in words."""

    verdict: str
    reasons: list[str]
    not_proved: list[str]


def conclude(evidence: Evidence) -> Verdict:
    """The verdict from the evidence: FAIL beats INCONCLUSIVE beats PASS."""
    failures = _failures(evidence)
    doubts = _doubts(evidence)
    not_proved = _not_proved(evidence)
    if failures:
        return Verdict(FAIL, failures + doubts, not_proved)
    if doubts:
        return Verdict(INCONCLUSIVE, doubts, not_proved)
    return Verdict(PASS, [_pass_reason(evidence)], not_proved)


def worst(verdicts: Sequence[str]) -> str:
    """The worst of several verdicts."""
    return max(verdicts, key=lambda verdict: SEVERITY[verdict])


def plural(count: int, noun: str) -> str:
    """A count with its noun: "1 block", "2 blocks"."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def _failures(evidence: Evidence) -> list[str]:
    out = []
    for finding in CONVICTING:
        count = int(evidence.slots_by_finding[finding])
        if count:
            out.append(f"{LABELS[finding]}: {plural(count, 'block')} {_PLURAL_NOTES[finding]}")
    return out + list(evidence.missed_criteria)


def _doubts(evidence: Evidence) -> list[str]:
    out = []
    if not evidence.around:
        out.append("no takeover was observed, and none was attested by a mark made in time")
    for number, around in enumerate(evidence.around, 1):
        if not around.in_flight:
            out.append(f"no write was in flight when takeover {number} came")
        if around.unexamined:
            count = plural(around.unexamined, "block")
            out.append(f"{count} overwritten after takeover {number} before anyone looked at them")
    unread = evidence.slots - evidence.slots_read
    if unread and not int(evidence.slots_by_finding[Finding.UNREADABLE]):
        out.append(f"{plural(unread, 'block')} not read")
    if evidence.page_cache:
        out.append(evidence.page_cache)
    out += [f"the ledger is damaged: {damage}" for damage in evidence.ledger_damage]
    if evidence.promise == "flushed" and not evidence.covered_writes:
        out.append("the promise is `flushed`, but no flush covered any write")
    if evidence.other_volume:
        out.append(evidence.other_volume)
    return out + list(evidence.unmeasured_criteria)


def _pass_reason(evidence: Evidence) -> str:
    seen = sorted({"observed" if a.takeover.observed else "attested" for a in evidence.around}, reverse=True)
    owed = "acknowledged" if evidence.promise == "completed" else "flushed or written-through"
    takeovers = plural(len(evidence.around), "takeover")
    return f"no {owed} write was lost over {takeovers} {' and '.join(seen)} under load"


def _not_proved(evidence: Evidence) -> list[str]:
    out = []
    ways = evidence.directions or [None] * len(evidence.around)
    takeovers = [(around.takeover, way) for around, way in zip(evidence.around, ways, strict=True)]
    if any(not takeover.observed and not (way and way.moved) for takeover, way in takeovers):
        out.append("that a controller really changed: an attested takeover rests on an operator's mark alone")
    for number, (takeover, way) in enumerate(takeovers, 1):
        if takeover.observed:
            continue
        gap_ns = takeover.start_ns - takeover.looks_from_ns
        if way and way.moved:
            rests = f"what was seen behind {way.address} and on marks alone, for the load did not stand still"
            out.append(f"that a controller really changed in takeover {number}: attested, it rests on {rests}")
            before, allowed_ns = "the address was seen to have moved", 0
        else:
            before, allowed_ns = "the mark was taken into the run and lanes were told", MARK_TAKEN_WITHIN_NS
        if gap_ns > allowed_ns:
            within = f"the {gap_ns / 1e6:,.1f} ms before {before} in takeover {number}"
            out.append(f"that no lost write was overwritten unexamined in {within}")
    for number, way in enumerate(ways, 1):
        if way and way.after and way.moved is False:
            there = controller_of(way.after)
            out.append(f"that a controller changed in takeover {number}: {way.address} stayed with {there}")
    if evidence.promise == "flushed":
        out.append("anything of writes that no flush covered: under the promise `flushed` they may be lost")
    else:
        out.append("what a loss of power to both controllers would leave: the promise is `completed`")
    if evidence.open_tail:
        out.append(evidence.open_tail)
    out += evidence.notes
    out += STANDING_LIMITS
    return out
