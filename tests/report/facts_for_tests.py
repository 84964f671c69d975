"""Facts of a report made up for tests: a run with one takeover, and as many lost blocks as asked for."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np

from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.ledger.frames import Kind, Records
from verify.report.damage import Damage
from verify.report.facts import Instant, Occurrence, ReportFacts
from verify.report.series import Binned, Histogram, Series

SECOND_NS = 1_000_000_000
FINDINGS = (
    "tear_in_flight", "lost", "stale_read", "torn", "misplaced", "blank", "foreign", "unissued", "damaged",
    "unreadable", "unstable",
)  # fmt: skip
HOSTILE = (
    "</td><script>alert(1)</script><img src=x onerror=alert(2)>&amp;\u202eevil\u2066\u200b\x1b[31m\x00\n{{ 7 * 7 }}"
    + "y" * 2000
)

TAKEOVER: dict[str, Any] = {
    "start": "2026-11-24T10:00:05.000000Z", "end": "2026-11-24T10:00:09.900000Z", "seen": "observed", "stall_s": 4.9,
    "longest_wait_s": 4.95, "in_flight": 16, "errors": 0, "marks": ["cable pulled"],
    "before": {"seconds": 5.0, "writes_per_second": 1000.0, "bytes_per_second": 4096000.0, "latency_p50_ms": 0.5,
               "latency_p95_ms": 1.0, "latency_p99_ms": 2.0, "latency_max_ms": 9.0},
    "after": {"seconds": 10.0, "writes_per_second": 900.0, "bytes_per_second": 3686400.0, "latency_p50_ms": 0.6,
              "latency_p95_ms": None, "latency_p99_ms": None, "latency_max_ms": 4950.0},
    "slots": {"examined": 100, "left_to_check": 20, "unexamined": 0},
    "order": None,
}  # fmt: skip
ONE_MOMENT: dict[str, Any] = {
    "one_moment": True, "moment": ["2026-11-24T10:00:04.8Z", "2026-11-24T10:00:04.9Z"], "recovery_point_s": [0.1, 0.2],
    "witness": None, "overtaken": 0, "set_aside": 0, "left_out": 0, "slots": 120, "for_information_only": False,
}  # fmt: skip
REORDERED: dict[str, Any] = {
    "one_moment": False, "moment": None, "recovery_point_s": None, "overtaken": 118, "set_aside": 104, "left_out": 3,
    "slots": 2039, "for_information_only": False,
    "witness": {
        "lost": {"offset": 966656, "sequence": 474, "acknowledged": "2026-11-24T10:00:04.144722Z"},
        "surviving": {"offset": 7647232, "sequence": 504, "issued": "2026-11-24T10:00:04.212973Z"},
        "seconds_between": 0.06825,
    },
}  # fmt: skip


def verdict_with(lost: int = 3, takeovers: int = 1, **changes: Any) -> dict[str, Any]:
    """The contents of a verdict.json, FAIL if blocks were lost."""
    verdict: dict[str, Any] = {
        "format": "ackproof-verdict/1",
        "verdict": "FAIL" if lost else "PASS",
        "reasons": [f"lost: {lost} blocks held an older write"] if lost else ["no acknowledged write was lost"],
        "not_proved": ["anything outside the tested span"],
        "promise": "completed",
        "checked": "2026-11-24T10:01:00.000000Z",
        "run": {
            "id": "00e873444819d6b8", "seed": 7, "volume": "/dev/sdb", "started": "2026-11-24T10:00:00.000000Z",
            "ended": "2026-11-24T10:00:20.500000Z", "ledger_head": "ab" * 32,
        },
        "ledger": {"000": {"frames": 1033, "head": "cd" * 32, "closed": True, "torn": "", "damaged": ""}},
        "coverage": {"slots": 200_000, "slots_read": 200_000, "bytes_read": 200_000 * 4096},
        "writes": {"issued": 5002, "acknowledged": 5000, "in_flight": 2, "errors": 1},
        "lost": {
            "blocks": lost, "acknowledged_writes": 2 * lost, "bytes": 4096 * lost,
            "first_acknowledged": "2026-11-24T10:00:04.8Z" if lost else None,
            "last_acknowledged": "2026-11-24T10:00:04.9Z" if lost else None,
            "seconds_before_takeover": 0.2 if lost else None,
        },
        "findings": dict.fromkeys(FINDINGS, 0) | {"lost": lost},
        "takeovers": [copy.deepcopy(TAKEOVER) for _ in range(takeovers)],
    }  # fmt: skip
    return verdict | changes


def losses(count: int) -> list[dict[str, str]]:
    """Rows of a losses.csv: every other block lost, so that no two make one extent."""
    return [
        {
            "kind": "lost", "offset": str(8192 * number), "length": "4096", "stream": "0", "lane": str(number % 16),
            "expected_sequence": str(number), "found_sequence": "0", "issued": "2026-11-24T10:00:04.7Z",
            "acknowledged": "2026-11-24T10:00:04.8Z", "lost_writes": "2", "seen_by": "check",
            "seen_at": "2026-11-24T10:01:00Z", "sectors": "", "detail": "",
        }
        for number in range(count)
    ]  # fmt: skip


def writes_at(done_ns: Any, latency_ns: Any) -> Records:
    """Records of acknowledged writes."""
    done = np.asarray(done_ns, dtype=np.int64)
    zeros = np.zeros(len(done), dtype=np.int64)
    kinds = np.full(len(done), Kind.WRITE, dtype=np.uint8)
    issued = done - np.asarray(latency_ns, dtype=np.int64)
    return Records(kinds, zeros.astype(np.uint8), zeros, zeros, issued, done)


def facts_with(
    verdict: dict[str, Any], rows: list[dict[str, str]] | None = None, drawn: bool = True, **about: Any
) -> ReportFacts:
    """Facts with one mark and, if `drawn`, a timeline of 20 s, the first takeover in its fifth second."""
    request = RunRequest((StreamRequest(4096, 16, 200_000 * 4096, read_share=0.3),), operations=100)
    damage = Damage()
    damage.read(losses(verdict["lost"]["blocks"]) if rows is None else rows)
    facts = ReportFacts(
        about={"host": {"name": "guest"}, "software": {"python": "3.11"}, "started": "2026-11-24T10:00:00Z", **about},
        run=plan_run(request, 200_000 * 4096, 512),
        check="001",
        verdict=verdict,
        damage=damage,
    )
    facts.zero_ns = 100 * SECOND_NS
    moments = [facts.zero_ns + (5 + 2 * i) * SECOND_NS for i in range(len(verdict["takeovers"]))]
    facts.occurrences = [Occurrence("mark", facts.zero_ns, None, "cable pulled", True, {})]
    if not drawn:
        return facts
    facts.instants = [Instant(at, at + SECOND_NS) for at in moments]
    details = [Binned(at - SECOND_NS, at + 2 * SECOND_NS, 100) for at in moments[:2]]
    histograms = [Histogram(at + side, at + side + SECOND_NS) for at in moments for side in (-SECOND_NS, SECOND_NS)]
    facts.series = Series(Binned(facts.zero_ns, facts.zero_ns + 20 * SECOND_NS, 300), details, histograms)
    done = np.r_[np.arange(0, 5 * SECOND_NS, 10**6), np.arange(6 * SECOND_NS, 20 * SECOND_NS, 10**6)] + facts.zero_ns
    facts.series.feed(writes_at(done, 10**5 + done % 977 * 1000))
    return facts
