"""report.html: everything about one check on one page, that a client's engineer and a vendor's support can both use."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from verify.blocks.layout import is_power_of_two
from verify.drill.quantities import format_duration, format_size
from verify.judge.verdict import plural
from verify.report.damage import Damage, Extent
from verify.report.facts import Occurrence, ReportFacts, criteria_of
from verify.report.figures import Happenings, Moment, Stall, latency_distribution, timeline, volume_map
from verify.report.html import Figure, environment, flat, render_page, survey_table
from verify.report.words import (
    KIND_MEANS,
    VERDICT_SIGNS,
    headline,
    order_in_words,
    path_in_words,
    second_ledger_in_words,
    takeover_in_words,
    when_lost,
)

MAP_CELLS_MAX = 1024
EXTENTS_SHOWN = 24
MARKS_SHOWN = 100
OTHERS_SHOWN = 100
TAKEOVERS_SHOWN = 20
DISTRIBUTIONS_SHOWN = 6
TAKEOVERS_DRAWN = 100
OUTAGES_DRAWN = 1000
REASONS_SHOWN = 60
LEDGER_PARTS_SHOWN = 64
_OWN_KINDS = {
    "load_began": "load began", "stop": "load stopped", "clock_step": "clock step", "paused": "writer paused",
    "worker_lost": "worker lost", "note": "note made afterwards", "outage_began": "outage",
}  # fmt: skip


def report_html(facts: ReportFacts) -> str:
    """The whole page.

    Raises:
        KeyError, ValueError, TypeError: if the verdict is not as this program writes it.
    """
    verdict = facts.verdict
    extents = facts.damage.extents()
    marks, others = _sorted_occurrences(facts)
    return render_page(
        "report.html",
        title=f"{verdict['verdict']}: run {verdict['run']['id']}, check {facts.check}",
        sign=VERDICT_SIGNS[verdict["verdict"]],
        headline=headline(verdict),
        verdict=verdict,
        check=facts.check,
        reasons=verdict["reasons"][:REASONS_SHOWN],
        worse_checks=facts.worse_checks,
        reasons_left_out=max(len(verdict["reasons"]) - REASONS_SHOWN, 0),
        when_lost=when_lost(verdict["lost"]),
        criteria=criteria_of(verdict, facts.about),
        key_figures=_key_figures(facts),
        takeovers=[_takeover(facts, index) for index in range(min(len(verdict["takeovers"]), TAKEOVERS_SHOWN))],
        takeovers_left_out=max(len(verdict["takeovers"]) - TAKEOVERS_SHOWN, 0),
        timelines=_timelines(facts, marks, others),
        no_timeline=facts.no_timeline or ("" if facts.series else "no part of the ledger holds operations"),
        marks=[_row(f"M{number}", item, facts) for number, item in enumerate(marks[:MARKS_SHOWN], 1)],
        marks_left_out=max(len(marks) - MARKS_SHOWN, 0),
        others=[_row("", item, facts) for item in others[:OTHERS_SHOWN]],
        others_left_out=max(len(others) - OTHERS_SHOWN, 0),
        events_unread=facts.events_unread,
        map=_map(facts),
        damage=_damage(facts.damage, extents),
        kinds=KIND_MEANS,
        environment=[
            *environment(facts.about, facts.run),
            ("Ledger", _ledger(verdict.get("ledger", {}))),
            ("Second ledger", _second_ledger(verdict.get("second_ledger") or {})),
        ],
        survey=survey_table(facts.about.get("survey")),
        not_proved=verdict["not_proved"],
    )


def _ledger(parts: Mapping[str, Any]) -> list[tuple[str, str]]:
    out = []
    for name, part in list(parts.items())[:LEDGER_PARTS_SHOWN]:
        end = part["damaged"] or part["torn"] or ("closed" if part["closed"] else "not closed")
        out.append((f"{name}.ledger", f"{part['frames']:,} frames, {end}, head {part['head']}"))
    return out


def _second_ledger(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Where it was kept and how far it came, as the run said at its end, and what the check made of it."""
    kept = facts.get("kept") or {}
    out = [("kept at", flat(kept["address"]))] if "address" in kept else []
    if "confirmed_bytes" in kept:
        out.append(("confirmed", f"{kept['confirmed_bytes']:,} of {kept['written_bytes']:,} bytes at the run's end"))
        out.append(("longest behind", format_duration(kept["longest_behind_s"])))
        out += [(f"refused of {part}.ledger", flat(why)) for part, why in kept["refused"].items()]
        if kept["trouble"]:
            out.append(("trouble at the end", flat(kept["trouble"])))
    elif kept:
        out.append(("confirmed", "unknown: the run did not come to its end"))
    return out + second_ledger_in_words(facts)


def _key_figures(facts: ReportFacts) -> list[tuple[str, str]]:
    verdict = facts.verdict
    takeovers, lost, coverage, writes = (verdict[key] for key in ("takeovers", "lost", "coverage", "writes"))
    out = [
        ("acknowledged writes lost", f"{lost['acknowledged_writes']:,} of {writes['acknowledged']:,}"),
        ("read back", _read_back(coverage["slots_read"], coverage["slots"])),
        ("takeovers", f"{len(takeovers):,}"),
    ]
    stalls = [takeover["stall_s"] for takeover in takeovers if takeover["seen"] == "observed"]
    if stalls:
        out.append(("longest stall", format_duration(max(stalls))))
    if takeovers:
        out.append(("longest wait of a lane", format_duration(max(t["longest_wait_s"] for t in takeovers))))
    out.append(("errors seen by the guest", f"{writes['errors']:,}"))
    return out


def _read_back(read: int, slots: int) -> str:
    return f"all {slots:,} blocks" if read == slots else f"{read:,} of {slots:,} blocks"


def _takeover(facts: ReportFacts, index: int) -> dict[str, Any]:
    takeover = facts.verdict["takeovers"][index]
    number = f"T{index + 1}"
    figures: list[Figure] = []
    if facts.series is not None and index < DISTRIBUTIONS_SHOWN:
        before, after = facts.series.histograms[2 * index : 2 * index + 2]
        if before.writes or after.writes:
            title = f"Share of writes by latency before and after takeover {index + 1}"
            wide, narrow = (latency_distribution(before, after, f"l{index}", title, wide) for wide in (True, False))
            figures.append(Figure(wide, narrow, title))
    order = takeover["order"]
    return {
        "number": number,
        "seen": takeover_in_words(takeover),
        "facts": takeover,
        "path": path_in_words(takeover["path"]) if takeover.get("path") else "",
        "observed": takeover["seen"] == "observed",
        "windows": _windows(takeover),
        "figures": figures,
        "order": order_in_words(order) if order else [],
        "reordered": bool(order) and not order["one_moment"],
    }


def _windows(takeover: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Rate and latency before and after, as rows of (what, before, after)."""
    before, after = takeover["before"] or {}, takeover["after"] or {}
    if not before and not after:
        return []

    def moved(window: Mapping[str, Any]) -> str:
        value = window.get("bytes_per_second")
        return "none" if value is None else format_size(value)

    def number(window: Mapping[str, Any], key: str, form: str, unit: str) -> str:
        value = window.get(key)
        return "none" if value is None else f"{value:{form}}{unit}"

    rows = [("measured over", number(before, "seconds", ".1f", " s"), number(after, "seconds", ".1f", " s"))]
    rows.append(
        (
            "acknowledged writes a second",
            number(before, "writes_per_second", ",.0f", ""),
            number(after, "writes_per_second", ",.0f", ""),
        )
    )
    rows.append(("written a second", moved(before), moved(after)))
    for key, what in (("p50", "latency, half of writes"), ("p95", "latency, 95 %"), ("p99", "latency, 99 %"),
                      ("max", "latency, slowest")):  # fmt: skip
        name = f"latency_{key}_ms"
        rows.append((what, number(before, name, ",.3f", " ms"), number(after, name, ",.3f", " ms")))
    return rows


def _sorted_occurrences(facts: ReportFacts) -> tuple[list[Occurrence], list[Occurrence]]:
    """Marks, and everything else, in order of time; what has no time comes last."""
    known = [item for item in facts.occurrences if item.kind != "outage_ended"]
    known.sort(key=lambda item: (item.at_ns is None, item.at_ns or 0))
    marks = [item for item in known if item.kind in ("mark", "note")]
    return marks, [item for item in known if item.kind not in ("mark", "note")]


def _row(number: str, item: Occurrence, facts: ReportFacts) -> dict[str, Any]:
    kind = _OWN_KINDS.get(item.kind, item.kind.replace("_", " "))
    if item.kind == "mark":
        kind = "takeover mark" if item.takeover else "mark"
    at = "" if item.at_ns is None or facts.zero_ns < 0 else f"{(item.at_ns - facts.zero_ns) / 1e9:+.3f} s"
    rest = "; ".join(f"{flat(key)} {flat(value)}" for key, value in item.rest.items())
    return {"number": number, "at": at, "kind": kind, "text": "; ".join(filter(None, (item.text, rest)))}


def _happenings(facts: ReportFacts, marks: Sequence[Occurrence], others: Sequence[Occurrence]) -> Happenings:
    ends = sorted(item.at_ns for item in facts.occurrences if item.kind == "outage_ended" and item.at_ns is not None)
    last_ns = facts.series.overview.end_ns if facts.series is not None else 0
    outages = [
        (item.since_ns, ends[at] if (at := bisect_left(ends, item.at_ns)) < len(ends) else last_ns)
        for item in others
        if item.kind == "outage_began" and item.since_ns is not None and item.at_ns is not None
    ]
    return Happenings(
        takeovers=[
            Stall(f"T{number}", instant.start_ns, instant.end_ns)
            for number, instant in enumerate(facts.instants[:TAKEOVERS_DRAWN], 1)
        ],
        marks=[
            Moment(f"M{number}", item.at_ns)
            for number, item in enumerate(marks[:MARKS_SHOWN], 1)
            if item.at_ns is not None and item.kind == "mark"
        ],
        others=[
            Moment("", item.at_ns)
            for item in others[:2000]
            if item.at_ns is not None and item.kind not in ("outage_began", "load_began", "stop")
        ],
        outages=outages[:OUTAGES_DRAWN],
    )


def _timelines(facts: ReportFacts, marks: Sequence[Occurrence], others: Sequence[Occurrence]) -> list[Figure]:
    if facts.series is None:
        return []
    happenings = _happenings(facts, marks, others)
    out = []
    for index, binned in enumerate((facts.series.overview, *facts.series.details)):
        title = "The whole load" if not index else f"Close to takeover {_nearest(facts, index)}"
        title += f", in steps of {format_duration(binned.width_ns / 1e9)}"
        wide, narrow = (timeline(binned, happenings, facts.zero_ns, f"t{index}", title, wide) for wide in (True, False))
        out.append(Figure(wide, narrow, title))
    return out


def _nearest(facts: ReportFacts, index: int) -> int:
    """The number of the takeover that a close-up shows."""
    assert facts.series is not None
    binned = facts.series.details[index - 1]
    inside = [n for n, i in enumerate(facts.instants, 1) if binned.start_ns <= i.start_ns <= binned.stretch_end_ns]
    return inside[0] if inside else 0


def _map(facts: ReportFacts) -> dict[str, Any]:
    run = facts.run
    span_bytes = run.end_bytes - run.start_bytes
    block_bytes = max(stream.layout.block_bytes for stream in run.streams)
    cell_bytes = block_bytes
    while -(-span_bytes // cell_bytes) > MAP_CELLS_MAX:
        cell_bytes *= 2
    assert is_power_of_two(cell_bytes // block_bytes)
    counts = facts.damage.by_cell(run.start_bytes, cell_bytes, -(-span_bytes // cell_bytes))
    damaged = int(counts.sum())
    cells = int(np.count_nonzero(counts.sum(axis=0)))
    title = f"Map of the tested span: {plural(damaged, 'damaged block')} in {cells:,} of {counts.shape[1]:,} cells"
    wide, narrow = (
        volume_map(counts, run.start_bytes, cell_bytes, "m", title, wide) if damaged else "" for wide in (True, False)
    )
    return {"figure": Figure(wide, narrow, title), "cell": format_size(cell_bytes), "damaged": damaged, "cells": cells,
            "all_cells": counts.shape[1]}  # fmt: skip


def _damage(damage: Damage, extents: Sequence[Extent]) -> dict[str, Any]:
    largest = sorted(extents, key=lambda extent: (extent.start_bytes - extent.end_bytes, extent.start_bytes))
    shown = sorted(largest[:EXTENTS_SHOWN], key=lambda extent: (extent.start_bytes, extent.kind))
    return {
        "rows": damage.rows,
        "totals": damage.totals(extents),
        "extents": shown,
        "extents_left_out": len(extents) - len(shown),
        "examples": [row for rows in damage.examples.values() for row in rows],
    }
