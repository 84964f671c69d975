"""The faults that the simulated pair can have, each with its promise and the findings it must lead to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from verify.errors import UsageError
from verify.rehearsal import mishaps
from verify.rehearsal.truth import Kind, Promise

SecondStep = Literal["late-replay", "drop-read-cache", "end-both-active", "give-up"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One way for the pair to behave.

    Attributes:
        name: as on the command line.
        description: one line.
        promise: what an acknowledgement guarantees in the rehearsal of this fault.
        kinds: the findings that the truth may hold; empty if the pair keeps its promise.
        mishap: what happens at the takeover.
        mirrored: whether A's cache is copied to B.
        lagging: whether the copies are some writes behind.
        honours_flush: whether a flush or a write through reaches the medium.
        one_moment: whether the whole volume must show one moment of the past.
        cut_first: whether `cut_mirror` comes before the takeover.
        second_step: what the driver does some time after the takeover.
        answers_again: whether the address ever comes back.
    """

    name: str
    description: str
    mishap: mishaps.Mishap
    kinds: frozenset[Kind] = frozenset()
    promise: Promise = "completed"
    mirrored: bool = True
    lagging: bool = False
    honours_flush: bool = True
    one_moment: bool = False
    cut_first: bool = False
    second_step: SecondStep | None = None
    answers_again: bool = True


def _kinds(*kinds: Kind) -> frozenset[Kind]:
    return frozenset(kinds)


# A block that was never destaged before its newest write was dropped shows the untouched medium: "blank".
_DROPPED = _kinds("lost", "blank")

_ALL = (
    Fault("sound", "every acknowledged write survives the takeover", mishaps.clean_takeover),
    Fault(
        "cache-not-mirrored",
        "controller A's cache is lost with it: B never had a copy",
        mishaps.clean_takeover,
        _DROPPED,
        mirrored=False,
    ),
    Fault(
        "mirror-lagging",
        "B's copies are a little behind: the volume goes back to one moment before the takeover",
        mishaps.lagging_takeover,
        _DROPPED,
        lagging=True,
        one_moment=True,
    ),
    Fault(
        "destaged-out-of-order",
        "no mirror, and A destaged a random part of its cache in random order before it was lost",
        mishaps.partly_destaged,
        _DROPPED,
        mirrored=False,
    ),
    Fault(
        "torn-destage",
        "A was lost in the middle of destaging blocks whose copies are gone: some sectors new, some old",
        mishaps.torn_destage,
        _kinds("torn"),
    ),
    Fault(
        "late-replay",
        "A finishes writes in flight at the takeover a second time, over newer ones acknowledged by B",
        mishaps.hung_takeover,
        _kinds("lost"),
        second_step="late-replay",
    ),
    Fault(
        "misplaced-write",
        "on taking over, B writes some cached blocks to another block's place",
        mishaps.misplaced_write,
        _kinds("lost", "misplaced"),
    ),
    Fault(
        "stale-read-cache",
        "B's read cache serves old content of some blocks for a while; the medium is right",
        mishaps.stale_read_cache,
        _kinds("stale read"),
        second_step="drop-read-cache",
    ),
    Fault(
        "flush-ignored",
        "both caches are volatile and lose power; flushes were acknowledged but nothing was done",
        mishaps.clean_takeover,
        _DROPPED,
        promise="flushed",
        mirrored=False,
        honours_flush=False,
    ),
    Fault(
        "power-loss",
        "both caches are volatile and lose power; whatever was flushed is kept",
        mishaps.power_lost,
        promise="flushed",
        mirrored=False,
    ),
    Fault(
        "bit-damage",
        "single bits of some blocks are flipped at the takeover",
        mishaps.bit_damage,
        _kinds("damaged"),
    ),
    Fault(
        "blanked-extent",
        "a run of neighbouring blocks is zeroed at the takeover",
        mishaps.blanked_extent,
        _kinds("blank"),
    ),
    Fault(
        "both-active",
        "both controllers acknowledge writes for a while after the takeover, then A's are dropped",
        mishaps.split_in_two,
        _DROPPED,
        second_step="end-both-active",
    ),
    Fault(
        "mirror-cut-first",
        "the mirror link is cut, A goes on alone, then A is lost: B holds the moment of the cut",
        mishaps.cut_takeover,
        _DROPPED,
        one_moment=True,
        cut_first=True,
    ),
    Fault(
        "address-never-returns",
        "A is lost and the floating address never comes back",
        mishaps.clean_takeover,
        _kinds("unreadable"),
        second_step="give-up",
        answers_again=False,
    ),
)

FAULTS: dict[str, Fault] = {fault.name: fault for fault in _ALL}
"""Every fault by its name, the sound pair first."""


def fault_by_name(name: str) -> Fault:
    """The fault of this name; raises UsageError that lists them all."""
    fault = FAULTS.get(name)
    if fault is None:
        raise UsageError(f"there is no fault named {name!r}: give one of {', '.join(FAULTS)}")
    return fault
