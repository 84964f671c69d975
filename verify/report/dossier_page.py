"""dossier.html: the acceptance record as a page to be read, printed and signed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verify.drill.quantities import format_duration
from verify.judge.verdict import plural
from verify.report.html import render_page
from verify.report.loss_bounds import BOUNDS
from verify.report.words import VERDICT_SIGNS, further_drills, percent

SIGNERS = ("Conducted by", "Witnessed for the supplier", "Accepted for the client")
CRITERIA_SHOWN = 400
SENTENCES_SHOWN = 200


def dossier_html(content: Mapping[str, Any]) -> str:
    """The page of a dossier.

    Args:
        content: what dossier.json holds.
    """
    sentences = ("deviations", "blocked", "observations", "open", "recommendations", "cautions", "not_proved")
    return render_page(
        "dossier.html",
        content=content,
        sign=VERDICT_SIGNS[content["verdict"]],
        runs=content["runs"],
        by_number={run["number"]: run for run in content["runs"]},
        bounds_asked=[f"{bound:g}" for bound in BOUNDS],
        lists={name: content[name][:SENTENCES_SHOWN] for name in sentences},
        left={name: max(len(content[name]) - SENTENCES_SHOWN, 0) for name in sentences},
        criteria=content["criteria"][:CRITERIA_SHOWN],
        criteria_left_out=max(len(content["criteria"]) - CRITERIA_SHOWN, 0),
        loss_words=_loss_words(content["measures"]["loss"]),
        year_words=_year_words(content["measures"]["unavailability"]),
        signers=SIGNERS,
    )


def _loss_words(loss: Mapping[str, Any]) -> list[str]:
    total = loss["total"]
    sure = percent(loss["confidence"])
    if not total["drills"]:
        return ["No run could have shown a loss, so nothing is bounded."]
    drills = plural(total["drills"], "drill")
    upper = percent(total["upper_bound"])
    bounded = f"the probability of a loss in one more such drill is at most {upper} at {sure}, one-sided"
    if not total["losses"]:
        out = [f"{drills} without loss: {bounded}."]
    else:
        low, high = (percent(side) for side in total["interval"])
        out = [f"{drills}, {total['losses']:,} of them with loss: {bounded}; two-sided, from {low} to {high}."]
    out.append(
        "The bounds are exact (Clopper and Pearson). They hold for drills that are alike and independent: pooling "
        "several scenarios tells of their mixture, and none tells of a fault that was not tried."
    )
    if total["not_counted"]:
        out.append(f"{plural(total['not_counted'], 'run')} could not have shown a loss and counted for nothing.")
    if loss["stated_bound"] is not None:
        more = total["more_for_stated_bound"]
        stated = f"To show at most {percent(loss['stated_bound'])} "
        if more == 0:
            out.append(f"{stated}no further drill is needed.")
        else:
            out.append(f"{stated}takes {further_drills(more)}.")
    return out


def _year_words(year: Mapping[str, Any] | None) -> list[str]:
    if year is None:
        return []
    result = (
        f"With {year['takeovers_a_year']:g} takeovers a year, each as long as the mean of the {year['takeovers']:,} "
        f"measured ({format_duration(year['mean_stall_s'])}), guests wait {format_duration(year['year_s'])} a year: "
        f"{_availability(year['availability'])} available. At the longest measured "
        f"({format_duration(year['longest_stall_s'])}) it is {format_duration(year['year_worst_s'])}: "
        f"{_availability(year['availability_worst'])}."
    )
    limits = (
        "A year has 365 days here. Of a takeover that only a mark attests, the longest wait of a lane is taken. Other "
        "causes of outages are not in it."
    )
    return [result, limits]


def _availability(share: float) -> str:
    """A share of a year with as many digits as its distance from 1 needs."""
    return f"{share * 100:.6f}".rstrip("0").rstrip(".") + "\u00a0%"
