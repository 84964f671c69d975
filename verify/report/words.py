"""Findings, takeovers and the order of writes in sentences for the written report."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from verify.drill.quantities import format_duration, format_size
from verify.judge.verdict import plural

VERDICT_SIGNS = {"PASS": "✓", "FAIL": "✗", "INCONCLUSIVE": "?"}

KIND_MEANS = {
    "lost": "an older write stands where a newer one had been acknowledged",
    "stale read": "a read under load was given an older write than the one acknowledged",
    "torn": "sectors of several writes are mixed in one block, finer than the device promises",
    "misplaced": "the block was written for another place",
    "blank": "one repeated value stands where an acknowledged write belongs",
    "foreign": "a block of another run stands there",
    "unissued": "a write stands there that was never sent to this place",
    "damaged": "the bytes match no write that was made",
    "unreadable": "the place could not be read",
    "unstable": "two reads of one check gave different bytes",
    "tear in flight": "a write in flight at the takeover is there in part; that is allowed",
}


_REORDERED = "The writes did not survive in the order in which they were made: no single moment explains what is there"


def damaged_blocks(verdict: Mapping[str, Any]) -> int:
    """How many blocks convict, a block that shows several kinds of damage counted once for each."""
    return sum(number for kind, number in verdict["findings"].items() if kind != "tear_in_flight")


def outcome(verdict: Mapping[str, Any]) -> str:
    """What the verdict comes to, as a phrase."""
    lost = verdict["lost"]
    if lost["acknowledged_writes"]:
        writes, blocks = int(lost["acknowledged_writes"]), int(lost["blocks"])
        return f"{plural(writes, 'acknowledged write')} lost in {plural(blocks, 'block')}"
    if damaged_blocks(verdict):
        return "nothing acknowledged was lost for good, but the volume did not answer as it must"
    if verdict["verdict"] == "PASS":
        return "every acknowledged write is there"
    if verdict["verdict"] == "FAIL":
        return "an acceptance criterion was missed"
    return "no damage was found, and nothing was proved"


def headline(verdict: Mapping[str, Any]) -> str:
    """What the verdict comes to, in one sentence."""
    phrase = outcome(verdict)
    return f"{phrase[0].upper()}{phrase[1:]}."


def percent(share: float) -> str:
    """A share as people write it: "2.95 %"."""
    return f"{share * 100:.3g}\u00a0%"


def further_drills(more: int | None) -> str:
    """How many further drills a bound takes; None is beyond what can be done."""
    return "more drills than can be done" if more is None else f"{plural(more, 'further drill')} without loss"


def order_in_words(order: Mapping[str, Any]) -> list[str]:
    """What the order of the surviving writes shows, as paragraphs."""
    out = [_one_moment(order)] if order["one_moment"] else _reordered(order)
    if order["left_out"]:
        left = int(order["left_out"])
        out.append(
            f"{plural(left, 'block')} told nothing of order and {'was' if left == 1 else 'were'} left out: no write "
            "can be read there, or the newest was in flight when the takeover came."
        )
    if order.get("for_information_only"):
        out.append(
            "This is for information only: under the promise “flushed”, writes that no flush covered may be lost in "
            "any order."
        )
    return out


def _one_moment(order: Mapping[str, Any]) -> str:
    early, late = order.get("recovery_point_s") or (None, None)
    moment = order.get("moment") or (None, None)
    if late is None:
        span = "before the takeover"
    elif early is None:
        span = f"at most {format_duration(late)} before the takeover (no earlier than {moment[0]})"
    else:
        first, last = format_duration(max(early, 0.0)), format_duration(max(late, 0.0))
        span = f"{last} before the takeover" if first == last else f"{first} to {last} before the takeover"
        span += f" (between {moment[0]} and {moment[1]})"
    return (
        f"The volume went back to one moment, {span}. All {plural(int(order['slots']), 'block')} looked at agree on "
        "it: what was acknowledged before that moment is there, and what came after it is gone, in order. To an "
        "application it looks like a loss of power at that moment, except that it had been told of later writes."
    )


def _reordered(order: Mapping[str, Any]) -> list[str]:
    witness = order["witness"]
    lost, surviving = witness["lost"], witness["surviving"]
    between = format_duration(float(witness["seconds_between"]))
    pair = (
        f"The witness: write {lost['sequence']:,} at offset {lost['offset']:,} was acknowledged at "
        f"{lost['acknowledged']} and is gone. Write {surviving['sequence']:,} at offset {surviving['offset']:,} was "
        f"only issued at {surviving['issued']}, {between} after that acknowledgement, and is there. No copy of the "
        "volume from any one moment has the second without the first."
    )
    extent = (
        f"{plural(int(order['overtaken']), 'lost write')} had been overtaken by a later one in this way. Of "
        f"{plural(int(order['slots']), 'block')} looked at, {int(order['set_aside']):,} would have to be set aside for "
        "the rest to fit one moment. Journals and databases rely on this order: what they hold may be beyond their "
        "own recovery."
    )
    return [f"{_REORDERED}.", pair, extent]


def takeover_in_words(takeover: Mapping[str, Any]) -> str:
    """How a takeover was noticed, in a phrase."""
    if takeover["seen"] == "observed":
        ended = "" if takeover["end"] is not None else ", and it never ended"
        return f"observed: every lane waited{ended}"
    path = takeover.get("path")
    by = "a mark and by the move of the floating address" if path and path.get("moved") else "a mark alone"
    return f"attested by {by}: the load did not stall for longer than the threshold"


def path_in_words(path: Mapping[str, Any], plain: Callable[[str], str] = str) -> str:
    """Which way a takeover went, by what was behind the floating address.

    Args:
        path: of the takeover.
        plain: makes a name that others gave fit to be shown.
    """
    address, moves = plain(path["address"]), path["moves"]
    before, after = (_controller(path[end], plain) for end in ("before", "after"))
    if path["moved"] is None:
        return f"{address} was with {before} before and {after} after"
    if not path["moved"]:
        return f"{address} stayed with {after}"
    if moves == 1:
        return f"{address} moved from {before} to {after}"
    return f"{address} moved {moves:,} times: it was with {before} before and {after} after"


def _controller(end: Mapping[str, str] | None, plain: Callable[[str], str]) -> str:
    if end is None:
        return "an unknown controller"
    name, hardware_address = plain(end["controller"]), plain(end["hardware_address"])
    return f"{name} ({hardware_address})" if name else hardware_address


def when_lost(lost: Mapping[str, Any]) -> str:
    """When the lost writes had been acknowledged; "" where none was lost or no time is known."""
    if not lost["acknowledged_writes"] or not lost["first_acknowledged"]:
        return ""
    text = f"Acknowledged from {lost['first_acknowledged']} to {lost['last_acknowledged']}"
    before = lost["seconds_before_takeover"]
    if before is not None:
        side = "before" if before >= 0 else "after"
        text += f"; the first {format_duration(abs(before))} {side} the takeover began"
    return text + "."


def second_ledger_in_words(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Whether a check judged by a second ledger, and how much more that told: what of it, and a phrase on that.

    Args:
        facts: `second_ledger` of verdict.json.
    """
    received, used = facts.get("received"), facts.get("used")
    out = []
    if received is not None:
        text = f"this record is the second ledger that {received['receiver']} received"
        if not received["ended"]:
            text += "; the run's end did not reach it"
        out.append(("received", text + "".join(f"; {missing}" for missing in received["missing"][:2])))
    if used is not None:
        parts = used["parts"]
        longer = [part for part in parts.values() if part["taken"] == "second"]
        text = f"second copy in {used['folder']} "
        if longer:
            more_bytes = sum(part["second_bytes"] - part["own_bytes"] for part in longer)
            more_frames = sum(part["second_frames"] - part["own_frames"] for part in longer)
            text += f"judged for {len(longer)} of {len(parts)} files, where it tells {more_frames:,} frames"
            text += f" ({format_size(more_bytes)}) more than the record's own"
        else:
            text += "tells nothing more than the record's own"
        clashes = sum(bool(part["contradiction"]) for part in parts.values())
        out.append(("judged by", text + (f"; {clashes} of them contradict" if clashes else "")))
    return out
