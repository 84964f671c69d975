"""The drawings of a report. No text from outside is in them: marks and takeovers are numbered, and told in tables."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, cast

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

from verify.drill.quantities import format_size
from verify.report.damage import KINDS, Int64Array
from verify.report.series import BUCKETS, EDGES_NS, Binned, Histogram
from verify.report.svg import (
    BLUE,
    GREEN,
    INK,
    ORANGE,
    PURPLE,
    RULE,
    SKY,
    SOFT,
    VERMILLION,
    YELLOW,
    inline_svg,
)

WIDE_IN, NARROW_IN = 9.4, 4.6
_STYLE: dict[str, Any] = {
    "svg.fonttype": "none", "svg.hashsalt": "ackproof", "font.family": ["DejaVu Sans"], "font.size": 9.0,
    "text.color": INK, "axes.edgecolor": RULE, "axes.labelcolor": INK, "axes.facecolor": "none", "axes.titlesize": 9.0,
    "axes.titleweight": "bold", "axes.titlelocation": "left", "axes.linewidth": 0.8, "axes.spines.top": False,
    "axes.spines.right": False, "xtick.color": SOFT, "ytick.color": SOFT, "xtick.labelcolor": INK,
    "ytick.labelcolor": INK, "grid.color": RULE, "grid.linewidth": 0.6, "figure.facecolor": "none",
    "savefig.facecolor": "none", "hatch.color": SOFT, "hatch.linewidth": 0.6, "legend.frameon": False,
    "path.simplify": True,
}  # fmt: skip

SHAPES = {
    "lost": ("s", VERMILLION), "torn": ("^", ORANGE), "misplaced": ("D", PURPLE), "blank": ("o", SKY),
    "foreign": ("P", GREEN), "unissued": ("*", BLUE), "damaged": ("X", VERMILLION), "unreadable": ("v", INK),
    "unstable": ("h", YELLOW), "stale read": ("p", BLUE),
}  # fmt: skip
"""Each kind of damage by a shape of its own, and a colour beside it."""


@dataclass(frozen=True)
class Moment:
    """Something to be drawn at a time: its number on the page, and the monotonic time in nanoseconds."""

    number: str
    at_ns: int


@dataclass(frozen=True)
class Stall:
    """A takeover on a timeline; a moment where start and end are the same."""

    number: str
    start_ns: int
    end_ns: int


@dataclass(frozen=True)
class Happenings:
    """What is drawn beside rate and latency."""

    takeovers: Sequence[Stall] = ()
    marks: Sequence[Moment] = ()
    others: Sequence[Moment] = ()
    outages: Sequence[tuple[int, int]] = field(default=())


@contextmanager
def _style() -> Iterator[None]:
    with mpl.rc_context():
        for settings in (mpl.rcParamsDefault, _STYLE):
            mpl.rcParams.update(cast(Any, settings))
        yield


def timeline(binned: Binned, happenings: Happenings, zero_ns: int, name: str, title: str, wide: bool) -> str:
    """Rate and latency over time, with takeovers, stalls and marks."""
    with _style():
        figure = Figure(figsize=(WIDE_IN if wide else NARROW_IN, 4.6 if wide else 4.9), layout="constrained")
        rate, latency, strip = figure.subplots(3, 1, sharex=True, height_ratios=[5, 5, 2.2])
        at = binned.middles_s(zero_ns)
        _draw_rate(rate, binned, at)
        _draw_latency(latency, binned, at)
        _draw_strip(strip, happenings, zero_ns)
        for axes in (rate, latency, strip):
            _draw_takeovers(axes, happenings.takeovers, zero_ns, axes is rate)
        low, high = (binned.start_ns - zero_ns) / 1e9, (binned.stretch_end_ns - zero_ns) / 1e9
        strip.set_xlim(low, high)
        strip.set_xlabel("seconds since the load began")
        strip.xaxis.set_major_locator(MaxNLocator(10 if wide else 5))
        return inline_svg(figure, name + ("w" if wide else "n"), title)


def _draw_rate(axes: Axes, binned: Binned, at: np.ndarray) -> None:
    seconds = binned.seconds()
    axes.step(at, binned.writes / seconds, where="mid", color=BLUE, linewidth=1.4, label="writes")
    if binned.reads.any():
        axes.step(at, binned.reads / seconds, where="mid", color=GREEN, linewidth=1.1, linestyle=(0, (4, 2)),
                  label="reads")  # fmt: skip
    if binned.errors.any():
        wrong = np.flatnonzero(binned.errors)
        axes.plot(at[wrong], binned.errors[wrong] / seconds[wrong], "x", color=VERMILLION, label="errors")
    axes.set_title("completed a second")
    axes.set_ylim(bottom=0)
    axes.yaxis.set_major_formatter(FuncFormatter(_count))
    axes.grid(axis="y")
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=3, borderaxespad=0.0)


def _draw_latency(axes: Axes, binned: Binned, at: np.ndarray) -> None:
    for share, label, colour, line in ((0.5, "half", BLUE, "-"), (0.99, "99 %", PURPLE, (0, (4, 2)))):
        axes.plot(at, binned.quantile_ns(share) / 1e6, color=colour, linestyle=line, linewidth=1.3, label=label)
    some = np.flatnonzero(binned.longest_ns)
    axes.plot(at[some], binned.longest_ns[some] / 1e6, ".", markersize=3, color=VERMILLION, label="slowest")
    axes.set_title("latency of writes")
    if len(some):
        axes.set_yscale("log")
        _label_decades(axes.yaxis, _milliseconds)
    axes.grid(axis="y")
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=3, borderaxespad=0.0, columnspacing=1.0,
                handlelength=1.6)  # fmt: skip


def _draw_strip(axes: Axes, happenings: Happenings, zero_ns: int) -> None:
    axes.set_ylim(0, 3)
    axes.set_yticks([2.5, 1.5, 0.5], ["marks", "outages", "other"])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    if happenings.outages:
        starts, ends = (np.array(side, dtype=np.int64) for side in zip(*happenings.outages, strict=True))
        level = np.full(len(starts), 1.5)
        axes.hlines(level, (starts - zero_ns) / 1e9, (ends - zero_ns) / 1e9, color=ORANGE, linewidth=5)
    others = np.array([moment.at_ns for moment in happenings.others], dtype=np.int64)
    axes.plot((others - zero_ns) / 1e9, np.full(len(others), 0.5), "|", color=SOFT, markersize=9)
    for moment in happenings.marks:
        second = (moment.at_ns - zero_ns) / 1e9
        axes.plot([second], [2.5], "v", color=INK, markersize=5, clip_on=True)
        axes.annotate(moment.number, (second, 2.5), (5, 0), textcoords="offset points", va="center", fontsize=8.0,
                      annotation_clip=True)  # fmt: skip


def _draw_takeovers(axes: Axes, takeovers: Sequence[Stall], zero_ns: int, labelled: bool) -> None:
    for takeover in takeovers:
        start, end = (takeover.start_ns - zero_ns) / 1e9, (takeover.end_ns - zero_ns) / 1e9
        if end > start:
            axes.axvspan(start, end, facecolor="none", edgecolor=SOFT, hatch="////", linewidth=0.8, zorder=0)
        else:
            axes.axvline(start, color=SOFT, linewidth=1.2, linestyle=(0, (2, 2)), zorder=0)
        if labelled:
            axes.annotate(takeover.number, (start, 1.0), (-3, -2), xycoords=("data", "axes fraction"),
                          textcoords="offset points", ha="right", va="top", fontweight="bold",
                          annotation_clip=True)  # fmt: skip


def latency_distribution(before: Histogram, after: Histogram, name: str, title: str, wide: bool) -> str:
    """The share of writes that took longer than a time, before and after a takeover."""
    with _style():
        figure = Figure(figsize=(WIDE_IN if wide else NARROW_IN, 2.9 if wide else 3.1), layout="constrained")
        axes = figure.subplots()
        lowest = 1.0
        for histogram, label, colour, line, marker in (
            (before, "before", BLUE, "-", "o"),
            (after, "after", VERMILLION, (0, (5, 2)), "s"),
        ):
            if not histogram.writes:
                continue
            slower = 1.0 - np.cumsum(histogram.counts) / histogram.writes
            last = int(np.flatnonzero(histogram.counts)[-1])
            first = int(np.flatnonzero(histogram.counts)[0])
            use = slice(first, max(last, first + 1))
            at, share = EDGES_NS[1 : BUCKETS + 1][use] / 1e6, np.maximum(slower[use], 0.5 / histogram.writes)
            axes.plot(at, share, color=colour, linestyle=line, linewidth=1.5, marker=marker, markersize=3.5,
                      markevery=6, label=f"{label} ({histogram.writes:,} writes)")  # fmt: skip
            lowest = min(lowest, 0.5 / histogram.writes)
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_ylim(min(lowest, 0.05), 1.2)
        _label_decades(axes.xaxis, _milliseconds)
        _label_decades(axes.yaxis, _share)
        axes.set_xlabel("a write took longer than")
        axes.set_title("share of writes that took longer")
        axes.grid()
        axes.legend(loc="best")
        return inline_svg(figure, name + ("w" if wide else "n"), title)


def volume_map(counts: Int64Array, start_bytes: int, cell_bytes: int, name: str, title: str, wide: bool) -> str:
    """Where on the volume the damage lies.

    Args:
        counts: damaged blocks by kind and cell; shape (len(KINDS), cells).
        start_bytes, cell_bytes: where the first cell begins, and how long each is.
    """
    cells = counts.shape[1]
    columns = min(64 if wide else 32, cells)
    rows = -(-cells // columns)
    width_in = WIDE_IN if wide else NARROW_IN
    side_in = (width_in - 1.1) / 64 if wide else (width_in - 1.0) / 32
    with _style():
        figure = Figure(figsize=(width_in, rows * side_in + 0.75), layout="constrained")
        axes = figure.subplots()
        place = np.arange(cells)
        axes.plot(place % columns, place // columns, linestyle="none", marker="s", markersize=1.6, color=RULE, zorder=1)
        most = max(int(counts.sum(axis=0).max()), 1)
        side_points = side_in * 72
        worst = counts.argmax(axis=0)
        present = counts.sum(axis=0)
        for number, kind in enumerate(KINDS):
            here = np.flatnonzero((present > 0) & (worst == number))
            if not len(here):
                continue
            shape, colour = SHAPES[kind]
            grown = (0.45 + 0.5 * np.sqrt(present[here] / most)) * side_points
            axes.scatter(here % columns, here // columns, s=grown**2, marker=shape, color=colour, edgecolors=INK,
                         linewidths=0.3, zorder=2, label=kind)  # fmt: skip
        axes.set_xlim(-0.8, columns - 0.2)
        axes.set_ylim(rows - 0.2, -0.8)
        axes.set_aspect("equal")
        axes.set_xticks([])
        step = max(1, -(-rows // 8))
        ticks = list(range(0, rows, step))
        axes.set_yticks(ticks, [format_size(start_bytes + row * columns * cell_bytes) for row in ticks])
        axes.tick_params(axis="y", length=0)
        for spine in axes.spines.values():
            spine.set_visible(False)
        if counts.any():
            axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=5 if wide else 3, borderaxespad=0.2,
                        handletextpad=0.3, columnspacing=1.2)  # fmt: skip
            for handle in axes.get_legend().legend_handles if axes.get_legend() else ():  # type: ignore[union-attr]
                handle.set_sizes([36.0])  # type: ignore[union-attr]
        return inline_svg(figure, name + ("w" if wide else "n"), title)


def _label_decades(axis: Axis, words: Callable[[float, int | None], str]) -> None:
    """Label each power of ten of a logarithmic axis; multiples of it too where it spans few of them."""
    low, high = axis.get_view_interval()
    decades = np.log10(high / low) if low > 0 else np.inf
    multiples = list(range(1, 10)) if decades < 0.7 else [1, 2, 5] if decades < 1.7 else [1]
    axis.set_major_locator(LogLocator(subs=multiples))
    axis.set_major_formatter(FuncFormatter(words))
    axis.set_minor_formatter(NullFormatter())


def _count(value: float, _position: int | None = None) -> str:
    return f"{value:,.0f}" if value >= 10 or value == int(value) else f"{value:g}"


def _milliseconds(value: float, _position: int | None = None) -> str:
    """A number of milliseconds in the unit that suits it."""
    if value <= 0:
        return "0"
    if value < 1:
        return f"{value * 1000:g} µs"
    return f"{value:g} ms" if value < 1000 else f"{value / 1000:g} s"


def _share(value: float, _position: int | None = None) -> str:
    return f"{value * 100:g} %" if value >= 0.001 else f"1 in {1 / value:,.0f}"
