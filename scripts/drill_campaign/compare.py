"""The verifier's answer beside the truth: block by block, write by write, and everything that disagrees."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from scripts.drill_campaign.judging import Reported
from scripts.drill_campaign.truth import TrueCheck
from scripts.drill_campaign.truth_content import ALLOWED, TEAR
from verify.judge.judgement import TakeoverOrder
from verify.judge.verdict import FAIL

MISSED, FALSE, WRONG_KIND, WRONG_COUNT = "missed", "false", "wrong kind", "wrong count"
WRONG_ORDER, WRONG_VERDICT = "wrong order", "wrong verdict"
WRONGS = (MISSED, FALSE, WRONG_KIND, WRONG_COUNT, WRONG_ORDER, WRONG_VERDICT)

DOUBTS = {
    "no takeover": "no takeover was observed", "nothing in flight": "no write was in flight when takeover",
    "unexamined": "before anyone looked at them", "another volume": "nothing was checked", "unread": "not read",
    "page cache": "page cache", "damaged ledger": "the ledger is damaged",
    "nothing covered": "no flush covered any write",
}  # fmt: skip
"""Words of the verdict by which it tells each cause to be inconclusive."""


@dataclass
class Disagreement:
    """One thing in which verifier and truth differ."""

    wrong: str
    text: str


@dataclass
class Compared:
    """One check: the findings that were called for, by kind, and what disagrees."""

    called_for: Counter[str] = field(default_factory=Counter)
    disagreements: list[Disagreement] = field(default_factory=list)

    def differ(self, wrong: str, text: str) -> None:
        """Note a disagreement."""
        self.disagreements.append(Disagreement(wrong, text))


def compare(true: TrueCheck, reported: Reported, sound: bool) -> Compared:
    """Set one check's report against the truth; of a `sound` pair no report may say FAIL."""
    out = Compared()
    _compare_looks(true, reported, out)
    if len(true.lost) != reported.lost_writes:
        out.differ(WRONG_COUNT, f"{len(true.lost)} writes were lost, {reported.lost_writes} were reported")
    _compare_takeovers(true, reported, out)
    _compare_orders(true, reported, out)
    verdict = reported.verdict.verdict
    if verdict != true.verdict:
        why = f"{true.verdict} ({sorted(true.doubts)}), reported {verdict}: {reported.verdict.reasons}"
        out.differ(WRONG_VERDICT, why)
    doubts = {doubt for doubt, words in DOUBTS.items() if any(words in reason for reason in reported.verdict.reasons)}
    if doubts != true.doubts:
        out.differ(WRONG_VERDICT, f"doubts {sorted(true.doubts)}, reported {reported.verdict.reasons}")
    if sound and FAIL in (verdict, true.verdict):
        out.differ(FALSE, f"the pair was sound, the verdict {verdict}, the truth {true.verdict}")
    for doubt in true.doubts:
        out.called_for[f"inconclusive: {doubt}"] += 1
    out.called_for[f"verdict: {true.verdict}"] += 1
    return out


def _compare_looks(true: TrueCheck, reported: Reported, out: Compared) -> None:
    looks = {(look.slot, look.by, look.at): look for look in reported.looks}
    if len(looks) != len(reported.looks):
        out.differ(WRONG_COUNT, "one look was reported twice")
    for key, expected in true.looks.items():
        look = looks.pop(key, None)
        told = expected.finding not in ALLOWED
        if told or expected.finding == TEAR:
            out.called_for[expected.finding] += 1
            out.called_for["late replay"] += expected.late_replay
        if look is None:
            if told or expected.finding == TEAR:
                out.differ(MISSED if told else WRONG_KIND, f"{key}: {expected}, and nothing was reported")
        elif not told and look.finding not in ALLOWED:
            out.differ(FALSE, f"{key}: {expected}, reported {look}")
        elif told and look.finding in ALLOWED:
            out.differ(MISSED, f"{key}: {expected}, reported {look}")
        elif look.finding != expected.finding or look.late_replay != expected.late_replay:
            out.differ(WRONG_KIND, f"{key}: {expected}, reported {look}")
        elif look.lost != len(expected.lost) or look.floor != expected.floor:
            out.differ(WRONG_COUNT, f"{key}: {expected}, reported {look}")
    for key, look in looks.items():
        out.differ(FALSE, f"{key}: nothing of the kind, reported {look}")


def _compare_takeovers(true: TrueCheck, reported: Reported, out: Compared) -> None:
    expected = [
        (t.start, t.end, t.observed, t.in_flight, t.examined, t.left, t.unexamined) for t in true.takeovers
    ]
    found = [
        (
            a.takeover.start_ns, a.takeover.end_ns, a.takeover.observed, a.in_flight, a.examined, a.left_to_check,
            a.unexamined,
        )
        for a in reported.judgement.state.around
    ]  # fmt: skip
    if expected != found:
        out.differ(WRONG_COUNT, f"takeovers {expected}, reported {found}")


def _compare_orders(true: TrueCheck, reported: Reported, out: Compared) -> None:
    for expected, order in zip(true.orders, reported.orders, strict=False):
        found = _facts(order)
        wanted = None
        if expected is not None:
            wanted = (expected.one_moment, expected.moment, expected.slots, expected.left_out)
            out.called_for["one moment" if expected.one_moment else "reordered"] += expected.slots > 0
        if wanted != found:
            out.differ(WRONG_ORDER, f"order (one moment, which, slots, left out) {wanted}, reported {found}")


def _facts(found: TakeoverOrder | None) -> tuple[bool, tuple[int | None, int | None] | None, int, int] | None:
    if found is None:
        return None
    order = found.order
    moment = (order.moment_from_ns, order.moment_to_ns) if order.one_moment else None
    return order.one_moment, moment, order.slots, found.left_out
