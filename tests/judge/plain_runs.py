"""Runs with a plain schedule and lanes that did one operation after another, for tests that say each step."""

from __future__ import annotations

from typing import Any

from tests.judge.stories import Content, LaneLog, Mark, Op, Story, doer, make_run
from verify.ledger.frames import Records
from verify.load.run import Run
from verify.load.schedule import Pattern

OLD: Content = (("old",),)
CLOSE = 100


def whole(slot: int, n: int, sectors: int = 1) -> Content:
    return (("write", slot, n),) * sectors


def sweep(lanes: int = 1, slots: int = 2, sectors: int = 1, **options: Any) -> Run:
    """A run whose lanes write their slots in turn: operation n of a lane writes its slot n modulo their count."""
    return make_run([(lanes, slots, sectors)], pattern=Pattern.SWEEP, read_share=0.0, fill=False, **options)


def story_of(
    run: Run,
    logs: list[LaneLog],
    *checks: list[Content],
    open_parts: set[int] | None = None,
    marks: tuple[Mark, ...] = (),
) -> Story:
    beats = {part: list(range(CLOSE + 1)) for part in {0, *run.lane_workers}}
    looks = [[(content, content) for content in seen] for seen in checks]
    opened = open_parts or set()
    return Story(run, 0, logs, beats, list(marks), CLOSE - 1, CLOSE, opened, looks, False, doer(run))


def log_of(count: int, in_flight: bool = False, is_open: bool = False) -> LaneLog:
    """A lane that did operations 0 to `count - 1`, each in its own unit of time from 10 on."""
    ops = [Op("write", n, 10 + 2 * n, 11 + 2 * n) for n in range(count)]
    closing = Op("in flight" if in_flight else "end", count, 60 if in_flight else CLOSE, CLOSE)
    return LaneLog(ops, None if is_open else closing)


def one_record_each(items: list[tuple[int, Any]]) -> list[tuple[int, Any]]:
    """The items of a ledger with each record in a frame of its own."""
    out: list[tuple[int, Any]] = []
    for part, item in items:
        if isinstance(item, Records):
            out += [(part, item.take(slice(i, i + 1))) for i in range(len(item.kind))]
        else:
            out.append((part, item))
    return out
