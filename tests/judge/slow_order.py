"""The order of one takeover's loss by brute force over every unit of time, for the slow judge."""

from __future__ import annotations

from dataclasses import dataclass

from tests.judge.slow_judge import CONVICTING, WRITES, Judged, SlowJudge, SlowTakeover, Write, whole_here
from tests.judge.stories import Content, lane_of
from verify.judge.decision import Finding


@dataclass
class SlowOrder:
    """What the order of one takeover's loss must be, times in units."""

    one_moment: bool
    moment: tuple[int | None, int | None] | None
    overtaken: int
    set_aside: int
    slots: int
    left_out: int


def slow_order(judge: SlowJudge, takeover: SlowTakeover, lost: set[tuple[int, int]]) -> SlowOrder | None:
    """The order over the first observation of every slot after the takeover; None where none of them convicts."""
    start = takeover.looks_from
    allowed: list[tuple[int, int | None]] = []
    lost_at: list[int] = []
    left_out, lossy = 0, False
    for slot in range(judge.story.run.slots):
        issued = {w.n: _issue(judge, slot, w) for w in judge.writes[slot]}
        before = [w for w in judge.writes[slot] if issued[w.n] <= start]
        if all(w.acknowledged is None for w in before):
            continue
        proven_after = any(w.proven and issued[w.n] > start for w in judge.writes[slot])
        survivor, judged = _first_look(judge, slot, start, proven_after)
        if judged is not None and judged.finding in CONVICTING:
            lossy = True
        if survivor == "overwritten":
            continue
        if survivor is None or (judged is not None and judged.finding in (Finding.UNISSUED, Finding.UNSTABLE)):
            left_out += 1
            continue
        assert isinstance(survivor, int)
        shown = next((w for w in judge.writes[slot] if w.n == survivor), None)
        left_out += shown is None
        if shown is None or shown not in before or shown.acknowledged is None or shown.acknowledged > start:
            continue  # never written, or only after the takeover or across it: it tells nothing of a moment
        later = sorted((w for w in before if w.n > survivor), key=lambda w: w.n)
        until = later[0].acknowledged if later and not later[0].proven else None
        allowed.append((issued[survivor], until))
        lost_at += [
            w.acknowledged
            for w in later
            if (slot, w.n) in lost and w.acknowledged is not None and not w.proven
        ]
    if not lossy:
        return None
    if not allowed:
        return SlowOrder(True, (None, None), 0, 0, 0, left_out)
    last = 1 + max(max(begin, until or 0) for begin, until in allowed)
    fits = [
        sum(begin <= moment and (until is None or moment <= until) for begin, until in allowed)
        for moment in range(last + 1)
    ]
    shared = [moment for moment, count in enumerate(fits) if count == len(allowed)]
    overtaken = sum(any(begin > at for begin, _ in allowed) for at in lost_at)
    moment = (shared[0], None if shared[-1] == last else shared[-1]) if shared else None
    return SlowOrder(bool(shared), moment, overtaken, len(allowed) - max(fits), len(allowed), left_out)


def _issue(judge: SlowJudge, slot: int, write: Write) -> int:
    """When a write was issued; where that is unknown, the lane's previous acknowledgement."""
    if write.issued is not None:
        return write.issued
    ops = judge.story.lanes[lane_of(judge.story.run, slot)].ops
    return max((op.done for op in ops if op.what != "error"), default=0)


def _first_look(
    judge: SlowJudge, slot: int, start: int, proven_after: bool
) -> tuple[int | str | None, Judged | None]:
    """The write that the slot's first observation after `start` shows, and what became of that observation."""
    lane = lane_of(judge.story.run, slot)
    touch = judge.first_touch(slot, start, start)
    if touch is None:
        if proven_after:
            return "overwritten", None
        first, second = judge.looks[slot]
        seen = second if judge.story.twice else first
        return _newest_in(slot, seen), judge.judge_check(slot)
    if touch.what in WRITES:
        return "overwritten", None
    if touch.saw is None:
        return max(w.n for w in judge.writes[slot] if w.n < touch.n), None
    if not touch.told:
        return None, None
    return _newest_in(slot, touch.saw), judge.judge_load(lane, touch)


def _newest_in(slot: int, seen: Content) -> int | None:
    """The write that a slot shows: a whole one, or the newest of a mix of this run's sectors."""
    if seen is None or any(s[0] != "write" for s in seen):
        return None
    if len(set(seen)) == 1:
        return whole_here(slot, seen)
    return max((s[2] for s in seen if s[1] == slot), default=None)
