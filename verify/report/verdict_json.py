"""verdict.json: everything that a check concluded, in one object of format `ackproof-verdict/1`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from blake3 import blake3

from verify.judge.decision import Finding
from verify.judge.history import OPEN_NS
from verify.judge.judgement import Judgement, TakeoverOrder
from verify.judge.path import Direction
from verify.judge.surroundings import AroundTakeover
from verify.judge.timeline import WRITE_KINDS, Neighbour
from verify.judge.verdict import KEYS, Verdict
from verify.ledger.frames import Kind

VERDICT_FORMAT = "ackproof-verdict/1"
_TIME_OUT_S_MAX = 2**32


class Coverage(Protocol):
    """What was read back."""

    slots_read: int
    bytes_read: int


class PartState(Protocol):
    """How far a ledger part could be read."""

    head: str
    frames: int
    closed: bool
    torn: str
    damaged: str


@dataclass(frozen=True)
class VerdictFacts:
    """All that goes into verdict.json.

    `time_text` turns monotonic nanoseconds into RFC 3339. `criteria` are the acceptance criteria, each with name,
    required, measured (None: it could not be) and met (likewise). `second_ledger` tells of the run's second ledger,
    None if there is none.
    """

    about: dict[str, Any]
    volume_name: str
    verdict: Verdict
    judgement: Judgement
    orders: Sequence[TakeoverOrder | None]
    scan: Coverage
    ledger_states: Mapping[int, PartState]
    time_text: Callable[[int], str]
    checked: str
    criteria: Sequence[Mapping[str, Any]]
    second_ledger: Mapping[str, Any] | None = None


def verdict_json(facts: VerdictFacts) -> dict[str, Any]:
    """The contents of verdict.json."""
    judgement, scan = facts.judgement, facts.scan
    run, timeline, totals = judgement.run, judgement.timeline, judgement.assessor.totals
    acknowledged = timeline.count(*WRITE_KINDS)
    in_flight = len(judgement.state.in_flight)
    last = facts.about.get("ended") or facts.time_text(timeline.last_ns)
    return {
        "format": VERDICT_FORMAT,
        "verdict": facts.verdict.verdict,
        "reasons": facts.verdict.reasons,
        "not_proved": facts.verdict.not_proved,
        "promise": run.promise,
        "checked": facts.checked,
        "criteria": [dict(criterion) for criterion in facts.criteria],
        "run": {
            "id": run.run_id,
            "seed": run.seed,
            "volume": facts.volume_name,
            "started": facts.about.get("started", ""),
            "ended": last,
            "ledger_head": ledger_head(facts.ledger_states),
            "completion_to_record": completion_to_record(facts.about),
        },
        "ledger": {
            f"{part:03d}": {
                "frames": state.frames, "head": state.head, "closed": state.closed, "torn": state.torn,
                "damaged": state.damaged,
            }
            for part, state in sorted(facts.ledger_states.items())
        },
        "second_ledger": facts.second_ledger,
        "coverage": {"slots": run.slots, "slots_read": scan.slots_read, "bytes_read": scan.bytes_read},
        "writes": {
            "issued": acknowledged + in_flight,
            "acknowledged": acknowledged,
            "in_flight": in_flight,
            "errors": timeline.count(Kind.ERROR),
        },
        "lost": {
            "blocks": totals.lost_slots,
            "acknowledged_writes": totals.lost_writes,
            "bytes": totals.lost_bytes,
            "first_acknowledged": _time(facts, totals.lost_first_done_ns),
            "last_acknowledged": _time(facts, totals.lost_last_done_ns),
            "seconds_before_takeover": seconds_before_takeover(judgement),
        },
        "findings": {
            KEYS[finding]: int(totals.slots_by_finding[finding])
            for finding in Finding
            if finding not in (Finding.INTACT, Finding.UNTOUCHED)
        },
        "takeovers": [
            _takeover(facts, around, order, way)
            for around, order, way in zip(judgement.state.around, facts.orders, judgement.directions, strict=True)
        ],
    }  # fmt: skip


def completion_to_record(about: dict[str, Any]) -> dict[str, int] | None:
    """How long completions had lain before they were recorded, as run.json has it; None where that was not counted."""
    result = about.get("result")
    delays = result.get("completion_to_record") if isinstance(result, dict) else None
    if not isinstance(delays, dict) or not all(type(value) is int for value in delays.values()):
        return None
    return {str(name): value for name, value in delays.items()}


def seconds_before_takeover(judgement: Judgement) -> float | None:
    """How long before the takeover that cost them the first of the lost writes had been acknowledged.

    Negative where it was acknowledged after the takeover had begun; None where nothing, or no takeover, is known.
    """
    first_ns = judgement.assessor.totals.lost_first_done_ns
    starts = [takeover.start_ns for takeover in judgement.takeovers]
    if first_ns < 0 or not starts:
        return None
    later = [start for start in starts if start >= first_ns]
    return float(round(((later[0] if later else starts[-1]) - first_ns) / 1e9, 6))


def ledger_head(states: Mapping[int, PartState]) -> str:
    """One value for the whole ledger: BLAKE3 over part number and chain head of each part in order."""
    return head_of_heads({part: state.head for part, state in states.items()})


def head_of_heads(heads: Mapping[int, str]) -> str:
    """The same from the chain heads alone, by part."""
    hasher = blake3()
    for part, head in sorted(heads.items()):
        hasher.update(f"{part:03d} {head}\n".encode())
    return hasher.hexdigest()


def _time(facts: VerdictFacts, monotonic_ns: int) -> str | None:
    return facts.time_text(monotonic_ns) if 0 <= monotonic_ns < OPEN_NS else None


def _takeover(
    facts: VerdictFacts, around: AroundTakeover, order: TakeoverOrder | None, way: Direction | None
) -> dict[str, Any]:
    takeover = around.takeover
    return {
        "start": facts.time_text(takeover.start_ns),
        "end": None if takeover.never_ended else facts.time_text(takeover.end_ns),
        "seen": "observed" if takeover.observed else "attested",
        "stall_s": round(takeover.stall_ns / 1e9, 3),
        "longest_wait_s": round(takeover.longest_wait_ns / 1e9, 3),
        "time_out_s": _time_out_s(facts.about),
        "in_flight": around.in_flight,
        "errors": around.errors,
        "marks": takeover.marks,
        "path": None if way is None else _path(facts, way),
        "before": around.before.summary(),
        "after": around.after.summary(),
        "slots": {
            "examined": around.examined,
            "left_to_check": around.left_to_check,
            "unexamined": around.unexamined,
        },
        "order": _order(facts, takeover.start_ns, order),
    }


def _path(facts: VerdictFacts, way: Direction) -> dict[str, Any]:
    def end(neighbour: Neighbour | None) -> dict[str, str] | None:
        if neighbour is None:
            return None
        since = facts.time_text(neighbour.since_ns)
        return {"controller": neighbour.name, "hardware_address": neighbour.hardware_address, "since": since}

    before, after = end(way.before), end(way.after)
    return {"address": way.address, "moved": way.moved, "moves": way.moves, "before": before, "after": after}


def _time_out_s(about: dict[str, Any]) -> float | None:
    """The shortest time-out of the volume's disks in seconds, as run.json tells them; None where it tells of none."""
    volume = about.get("volume")
    told = volume.get("time_outs_s") if isinstance(volume, dict) else None
    times = told.values() if isinstance(told, dict) else ()
    return min((time for time in times if type(time) in (int, float) and 0 < time < _TIME_OUT_S_MAX), default=None)


def _order(facts: VerdictFacts, start_ns: int, found: TakeoverOrder | None) -> dict[str, Any] | None:
    if found is None or not found.order.slots:
        return None
    order = found.order
    witness = None
    if order.witness is not None:
        w = order.witness
        witness = {
            "lost": {
                "offset": _offset(facts, w.lost_slot), "sequence": w.lost_sequence,
                "acknowledged": facts.time_text(w.lost_acknowledged_ns),
            },
            "surviving": {
                "offset": _offset(facts, w.surviving_slot), "sequence": w.surviving_sequence,
                "issued": facts.time_text(w.surviving_issued_ns),
            },
            "seconds_between": round((w.surviving_issued_ns - w.lost_acknowledged_ns) / 1e9, 6),
        }  # fmt: skip
    ends = (order.moment_from_ns, order.moment_to_ns)
    return {
        "one_moment": order.one_moment,
        "moment": [None if end is None else facts.time_text(end) for end in ends] if order.one_moment else None,
        "recovery_point_s": [None if end is None else round((start_ns - end) / 1e9, 6) for end in reversed(ends)]
        if order.one_moment
        else None,
        "witness": witness,
        "overtaken": order.overtaken,
        "set_aside": order.set_aside,
        "left_out": found.left_out,
        "slots": order.slots,
        "for_information_only": facts.judgement.run.promise == "flushed",
    }


def _offset(facts: VerdictFacts, slot: int) -> int:
    for stream in facts.judgement.run.streams:
        layout = stream.layout
        if slot < layout.first_slot + layout.slots:
            return layout.address(slot - layout.first_slot)
    raise IndexError(slot)
