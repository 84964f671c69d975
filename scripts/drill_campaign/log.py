"""The campaign's own log of a load: what every lane was asked, when, and what it got; never read from a ledger."""

from __future__ import annotations

from dataclasses import dataclass, field

from scripts.drill_campaign.contents import Content
from scripts.drill_campaign.ledger import PartBeingWritten
from verify.load.action import Action
from verify.load.lane import Lane


@dataclass(slots=True)
class Op:
    """One thing that a lane did.

    `what` is "write", "through", "read", "exam", "flush" or "error"; at the close "in flight", "preflight" or "end".
    `n` is the operation that it is or precedes, `slot` is counted within the run (-1 for none), `saw` what a look
    found (None: unreadable). `items` is how many items of its part tell of it and all before it, `first_item` how many
    do up to the first that tells of it (of a look that found something odd there are two).
    """

    what: str
    n: int
    slot: int
    issued: int
    done: int
    saw: Content | None
    items: int
    first_item: int = 0


@dataclass(slots=True)
class MarkMade:
    """A mark of a takeover: pressed, and taken into the run; `items` as for `Op`."""

    pressed: int
    accepted: int
    watched: bool
    items: int


@dataclass
class Outstanding:
    """What a lane waits for."""

    action: Action
    slot: int
    n: int
    first_issued: int
    attempt: int
    content: Content | None
    fails: int = 0
    landed: bool = False
    token: int = 0


@dataclass
class Driven:
    """A lane with its campaign-side log."""

    lane: Lane
    part: PartBeingWritten
    ops: list[Op] = field(default_factory=list)
    n: int = 0
    out: Outstanding | None = None
    dead: bool = False
    ended: bool = False
    closing: Op | None = None
    failures_in_row: int = 0
    token: int = 0
