"""The summary on the terminal: the verdict first, then what was lost, when and where, and what is not proved."""

from __future__ import annotations

import textwrap
from typing import Any

from verify.drill.quantities import format_duration, format_size
from verify.report.words import outcome, path_in_words, second_ledger_in_words

WIDTH = 100
_LABEL = 12
_TAKEOVERS_SHOWN = 4
_LIMITS_SHOWN = 6


def summary(verdict: dict[str, Any], record: str, losses: str) -> str:
    """The summary of a verdict, at most one screen.

    Args:
        verdict: contents of verdict.json.
        record: path of the record folder, as the user gave it.
        losses: path of losses.csv.
    """
    lines = [f"{verdict['verdict']}   {outcome(verdict)}", ""]
    for reason in verdict["reasons"]:
        lines += _wrapped("because", reason)
    lines += _lost(verdict, losses)
    lines += _takeovers(verdict)
    for criterion in verdict.get("criteria", []):
        lines += _wrapped("required", _criterion(criterion))
    coverage, writes = verdict["coverage"], verdict["writes"]
    read = f"{coverage['slots_read']:,} of {coverage['slots']:,} blocks ({format_size(coverage['bytes_read'])})"
    lines += _wrapped("read back", read)
    wrote = f"{writes['acknowledged']:,} acknowledged, {writes['in_flight']:,} in flight at the end"
    lines += _wrapped("writes", f"{wrote}, {writes['errors']:,} errors")
    lines += _wrapped("ledger", f"head {verdict['run']['ledger_head'][:32]}...")
    lines += _second_ledger(verdict)
    lines += _wrapped("record", record)
    lines.append("")
    lines.append("This verdict does not prove:")
    limits = verdict["not_proved"]
    for limit in limits[:_LIMITS_SHOWN]:
        lines += textwrap.wrap(_printable(limit), WIDTH, initial_indent="  - ", subsequent_indent="    ",
                               break_on_hyphens=False)  # fmt: skip
    if len(limits) > _LIMITS_SHOWN:
        lines.append(f"  - and {len(limits) - _LIMITS_SHOWN} more, in verdict.json")
    return "\n".join(lines)


def _wrapped(label: str, text: str) -> list[str]:
    indent = " " * (_LABEL + 2)
    lines = textwrap.wrap(_printable(text), WIDTH - len(indent), break_on_hyphens=False) or [""]
    return [f"  {label:<{_LABEL}}{lines[0]}"] + [indent + line for line in lines[1:]]


def _lost(verdict: dict[str, Any], losses: str) -> list[str]:
    lost = verdict["lost"]
    if not lost["acknowledged_writes"]:
        return []
    lines: list[str] = []
    before = lost["seconds_before_takeover"]
    if before is not None:
        when = f"the first was acknowledged {format_duration(abs(before))} "
        lines += _wrapped("when", when + ("before" if before >= 0 else "after") + " the takeover began")
    if lost["first_acknowledged"]:
        lines += _wrapped("", f"from {lost['first_acknowledged']} to {lost['last_acknowledged']}")
    lines += _wrapped("where", f"{format_size(lost['bytes'])} in all; every one in {losses}")
    return lines


def _second_ledger(verdict: dict[str, Any]) -> list[str]:
    told = second_ledger_in_words(verdict.get("second_ledger") or {})
    return [line for _, text in told for line in _wrapped("", text)]


def _criterion(criterion: dict[str, Any]) -> str:
    required = f"{criterion['name']}: {criterion['required']}"
    if criterion["met"] is None:
        return f"{required}; could not be measured"
    return f"{required}; measured {criterion['measured']}, {'met' if criterion['met'] else 'missed'}"


def _takeovers(verdict: dict[str, Any]) -> list[str]:
    lines: list[str] = []
    takeovers = verdict["takeovers"]
    for number, takeover in enumerate(takeovers[:_TAKEOVERS_SHOWN], 1):
        lines += _wrapped(f"takeover {number}", _takeover(takeover))
        if takeover.get("path") is not None:
            lines += _wrapped("", path_in_words(takeover["path"], _plain))
        order = takeover["order"]
        if order is not None:
            lines += _wrapped("", _order(order))
    if len(takeovers) > _TAKEOVERS_SHOWN:
        lines += _wrapped("", f"and {len(takeovers) - _TAKEOVERS_SHOWN} more, in verdict.json")
    return lines


def _takeover(takeover: dict[str, Any]) -> str:
    text = f"{takeover['seen']} at {takeover['start']}"
    if takeover["seen"] == "observed":
        text += f", stalled {format_duration(takeover['stall_s'])}"
        text += ", not ended" if takeover["end"] is None else ""
    text += _longest_wait(takeover["longest_wait_s"], takeover.get("time_out_s"))
    text += f"; {takeover['in_flight']} writes in flight, {takeover['errors']} errors"
    before, after = takeover["before"], takeover["after"]
    if before and after:
        text += f"; {before['writes_per_second']:,.0f} writes/s before, {after['writes_per_second']:,.0f} after"
    slots = takeover["slots"]
    text += f"; blocks: {slots['examined']:,} examined, {slots['left_to_check']:,} left to the check"
    text += f", {slots['unexamined']:,} overwritten unexamined" if slots["unexamined"] else ""
    moves = f"{takeover['path']['address']} moved from " if takeover.get("path") is not None else None
    marks = [mark for mark in takeover["marks"] if moves is None or not mark.startswith(moves)]
    return text + "".join(f'; mark "{_plain(mark)}"' for mark in marks[:2])


def _longest_wait(wait_s: float, time_out_s: float | None) -> str:
    if not wait_s:
        return ""
    text = f", longest wait {format_duration(wait_s)}"
    if time_out_s is None:
        return text
    how = "within" if wait_s < time_out_s else "beyond"
    return f"{text}, {how} the disk's time-out of {format_duration(time_out_s)}"


def _order(order: dict[str, Any]) -> str:
    if order["one_moment"]:
        early, late = order["recovery_point_s"]
        if early is None:
            return f"the volume went back to one moment, at most {format_duration(late)} before the takeover"
        first, last = format_duration(max(early, 0.0)), format_duration(max(late, 0.0))
        span = last if first == last else f"{first} to {last}"
        return f"the volume went back to one moment, {span} before the takeover"
    witness = order["witness"]
    return (
        f"reordered: the write acknowledged at {witness['lost']['acknowledged']} (offset {witness['lost']['offset']}) "
        f"is gone, while one issued {format_duration(witness['seconds_between'])} later (offset "
        f"{witness['surviving']['offset']}) is there; {order['overtaken']:,} lost writes overtaken"
    )


def _plain(text: str) -> str:
    """A mark or a name as shown on a terminal: printable characters only, cut to a line's length."""
    return _printable(text)[:60]


def _printable(text: str) -> str:
    """The text with what could do something to a terminal replaced: a ledger may have been made up."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)
