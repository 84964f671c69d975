"""dossier.json: one acceptance record of many runs, in the order of a test completion report.

The parts follow the test completion report of ISO/IEC/IEEE 29119-3 (testing performed, deviations from the plan,
completion evaluation, factors that blocked progress, measures, residual risks, deliverables) and the after-action
report of NIST SP 800-84, section 6.5 (background, observations, recommendations, participants).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from verify.drill.particulars import Particulars
from verify.drill.plan.scenarios import HANDS_ON_CAUTIONS
from verify.judge.verdict import FAIL, INCONCLUSIVE, PASS, plural, worst
from verify.report.facts import criteria_of
from verify.report.loss_bounds import loss_bounds
from verify.report.statistics import unavailability
from verify.report.words import damaged_blocks, further_drills, headline, order_in_words, percent, takeover_in_words

DOSSIER_FORMAT = "ackproof-dossier/1"
EXPECTED_ENDS = frozenset({"the time is over", "all operations are done"})
UNNAMED = "not named"
_ADDED = "added:"
"""How the problem of a seal begins that takes nothing from what was sealed."""

_NAMES_OF_A_VOLUME = ("model", "identity", "path")
STANDING_CAUTIONS = (
    *HANDS_ON_CAUTIONS,
    "Before each injection both controllers must be up, their caches in sync, and alerts clear.",
    "The tested volumes were overwritten in their tested spans.",
)


@dataclass(frozen=True)
class BoundRun:
    """One run as it goes into a dossier.

    Attributes:
        folder: the record folder, as the user gave it.
        evidence: where its copies lie in the dossier, relative to it.
        checks: name and verdict of every check, in order.
        seals: path of each seal that held to its value.
        seal_problems: what confirming the record told.
        sealed_late: sealed at a check, because the run did not come to its own end.
    """

    folder: str
    evidence: str
    about: Mapping[str, Any]
    run_id: str
    promise: str
    checks: Sequence[tuple[str, Mapping[str, Any]]]
    seals: Mapping[str, str]
    seal_problems: Sequence[str] = ()
    sealed_late: bool = False
    scenario: Mapping[str, Any] = field(default_factory=dict)


def dossier_content(runs: Sequence[BoundRun], particulars: Particulars, made: str, signed_by: str) -> dict[str, Any]:
    """The contents of dossier.json.

    Raises:
        KeyError, TypeError, ValueError: if a verdict or run.json is not as this program writes it.
    """
    told = [_run(number, run) for number, run in enumerate(runs, 1)]
    scenarios = _scenarios(told, particulars)
    bounds = loss_bounds(told, particulars.bound)
    overall = worst([*(run["verdict"] for run in told), *([INCONCLUSIVE] if particulars.incomplete else ())])
    return {
        "format": DOSSIER_FORMAT,
        "title": particulars.title,
        "made": made,
        "signed_by": signed_by,
        "verdict": overall,
        "headline": _headline(told, overall),
        "background": {
            "system": particulars.system,
            "scope": particulars.scope,
            "objectives": particulars.texts("objectives"),
            "participants": particulars.participants,
        },
        "environment": _environment(runs),
        "scenarios": scenarios,
        "runs": told,
        "criteria": [criterion for run in told for criterion in run["criteria"]],
        "deviations": [
            *particulars.texts("deviations"),
            *(_from_plan(scenarios) if particulars.planned else ()),
            *_deviations(runs, told),
        ],
        "blocked": particulars.texts("blocked"),
        "observations": [*particulars.texts("observations"), *_observations(told)],
        "measures": {
            "loss": bounds,
            "unavailability": _unavailability(told, particulars.takeovers_a_year),
        },
        "open": [*particulars.texts("open"), *_open(told, scenarios, bounds)],
        "not_proved": list(dict.fromkeys(limit for run in told for limit in run["not_proved"])),
        "recommendations": particulars.texts("recommendations"),
        "cautions": list(dict.fromkeys([*STANDING_CAUTIONS, *particulars.texts("cautions"), *_plan_cautions(runs)])),
    }


def _headline(told: Sequence[Mapping[str, Any]], overall: str) -> str:
    numbers = {word: sum(run["verdict"] == word for run in told) for word in (PASS, FAIL, INCONCLUSIVE)}
    parts = ", ".join(f"{number} {word}" for word, number in numbers.items() if number)
    lost = sum(run["lost_writes"] for run in told)
    end = f"{plural(lost, 'acknowledged write')} lost in all." if lost else "No acknowledged write was found lost."
    if overall == INCONCLUSIVE and not lost:
        end += " Not everything was proved."
    return f"{plural(len(told), 'run')}: {parts}. {end}"


def _run(number: int, run: BoundRun) -> dict[str, Any]:
    verdicts = [verdict for _, verdict in run.checks]
    told = worst([verdict["verdict"] for verdict in verdicts]) if verdicts else INCONCLUSIVE
    broken = [problem for problem in run.seal_problems if not problem.startswith(_ADDED)]
    overall = INCONCLUSIVE if told == PASS and broken else told
    damaged = any(damaged_blocks(verdict) for verdict in verdicts)
    main = next((v for v in reversed(verdicts) if v["verdict"] == told), None)
    out: dict[str, Any] = {
        "number": number,
        "folder": run.folder,
        "evidence": run.evidence,
        "id": run.run_id,
        "scenario": str(run.scenario.get("scenario") or run.scenario.get("name") or UNNAMED),
        "direction": str(run.scenario.get("direction") or ""),
        "repeat": run.scenario.get("repeat") if type(run.scenario.get("repeat")) is int else None,
        "started": str(run.about.get("started", "")),
        "ended": str(run.about.get("ended", "")),
        "promise": run.promise,
        "verdict": overall,
        "headline": _run_headline(main, overall != told),
        "reasons": _reasons(main, broken if overall != told else []),
        "not_proved": [] if main is None else list(main["not_proved"]),
        "checks": [
            {"name": name, "verdict": v["verdict"], "checked": v.get("checked", ""), "headline": headline(v)}
            for name, v in run.checks
        ],
        "criteria": [],
        "takeovers": [],
        "damaged": damaged,
        "conclusive": damaged or (bool(verdicts) and not broken and all(_conclusive(verdict) for verdict in verdicts)),
        "lost_writes": max((v["lost"]["acknowledged_writes"] for v in verdicts), default=0),
        "findings": {} if main is None else {k: n for k, n in main["findings"].items() if n},
        "ledger_head": "" if main is None else main["run"]["ledger_head"],
        "seals": dict(run.seals),
        "seal_problems": list(run.seal_problems),
    }
    if main is not None:
        out["volume"] = main["run"]["volume"]
        out["criteria"] = [
            {"run": number, "name": c.name, "required": c.required, "measured": c.measured, "met": c.met}
            for c in criteria_of(main, run.about)
        ]
        out["takeovers"] = [_takeover(takeover) for takeover in main["takeovers"]]
    return out


def _run_headline(main: Mapping[str, Any] | None, is_broken: bool) -> str:
    if main is None:
        return "No check was made."
    if is_broken:
        return "The checks prove nothing: the record is not as it was sealed."
    return headline(main)


def _reasons(main: Mapping[str, Any] | None, broken: Sequence[str]) -> list[str]:
    if main is None:
        return ["no check was made"]
    return [f"the record is not as it was sealed: {problem}" for problem in broken] or list(main["reasons"])


def _takeover(takeover: Mapping[str, Any]) -> dict[str, Any]:
    before, after = takeover["before"] or {}, takeover["after"] or {}
    order = takeover["order"]
    return {
        "seen": takeover["seen"],
        "told": takeover_in_words(takeover),
        "start": takeover["start"],
        "stall_s": takeover["stall_s"] if takeover["seen"] == "observed" else None,
        "longest_wait_s": takeover["longest_wait_s"],
        "marks": list(takeover["marks"]),
        "writes_per_second": [before.get("writes_per_second"), after.get("writes_per_second")],
        "order": order_in_words(order) if order else [],
    }


def _conclusive(verdict: Mapping[str, Any]) -> bool:
    """Whether the check could have shown a loss: it found damage, passed, or failed by a criterion alone."""
    if verdict["verdict"] == PASS or damaged_blocks(verdict):
        return True
    takeovers, coverage = verdict["takeovers"], verdict["coverage"]
    whole = coverage["slots_read"] == coverage["slots"] and not any(
        part["damaged"] for part in verdict.get("ledger", {}).values()
    )
    seen = bool(takeovers) and all(t["in_flight"] and not t["slots"]["unexamined"] for t in takeovers)
    return bool(verdict["verdict"] == FAIL and whole and seen)


def _environment(runs: Sequence[BoundRun]) -> dict[str, list[str]]:
    """Every different volume, machine and set of software, with the numbers of the runs that had it."""
    out: dict[str, dict[str, list[int]]] = {"volumes": {}, "machines": {}, "software": {}}
    for number, run in enumerate(runs, 1):
        volume, host, software = (_mapping(run.about.get(key)) for key in ("volume", "host", "software"))
        identity = _mapping(volume.get("identity"))
        texts = {
            "volumes": " ".join(dict.fromkeys(str(identity[k]) for k in _NAMES_OF_A_VOLUME if identity.get(k))),
            "machines": ", ".join(f"{key} {value}" for key, value in host.items() if key != "boot_id"),
            "software": ", ".join(f"{key} {value}" for key, value in software.items()),
        }
        for key, text in texts.items():
            out[key].setdefault(text or "unknown", []).append(number)
    return {
        key: [f"{text} ({_numbers(numbers)})" for text, numbers in found.items()]
        for key, found in out.items()
    }


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _numbers(numbers: Sequence[int]) -> str:
    return f"run{'s' * (len(numbers) > 1)} " + ", ".join(str(number) for number in numbers)


def _scenarios(told: Sequence[Mapping[str, Any]], particulars: Particulars) -> list[dict[str, Any]]:
    """Each scenario and direction, planned or run, with its runs."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}

    def row(scenario: str, direction: str) -> dict[str, Any]:
        blank: dict[str, Any] = {"scenario": scenario, "direction": direction, "planned": None, "runs": []}
        return rows.setdefault((scenario, direction), blank)

    for plan in particulars.planned:
        planned = row(plan["scenario"], plan.get("direction", ""))
        planned["planned"] = (planned["planned"] or 0) + plan.get("repeats", 1)
    for run in told:
        row(run["scenario"], run["direction"])["runs"].append(run["number"])
    by_number = {run["number"]: run for run in told}
    for found in rows.values():
        own = [by_number[number] for number in found["runs"]]
        stalls = [t["stall_s"] for run in own for t in run["takeovers"] if t["stall_s"] is not None]
        found["verdicts"] = [run["verdict"] for run in own]
        found["longest_stall_s"] = max(stalls, default=None)
        found["lost_writes"] = sum(run["lost_writes"] for run in own)
    return list(rows.values())


def _name(item: Mapping[str, Any]) -> str:
    return f"{item['scenario']}, {item['direction']}" if item["direction"] else str(item["scenario"])


def _from_plan(scenarios: Sequence[Mapping[str, Any]]) -> list[str]:
    out = []
    for row in scenarios:
        done = len(row["runs"])
        if row["planned"] is None:
            out.append(f"{_name(row)}: done though it was not planned ({_numbers(row['runs'])})")
        elif done != row["planned"]:
            out.append(f"{_name(row)}: {row['planned']} planned, {done} done")
    return out


def _deviations(runs: Sequence[BoundRun], told: Sequence[Mapping[str, Any]]) -> list[str]:
    out = []
    for run, item in zip(runs, told, strict=True):
        start = f"run {item['number']}"
        about = run.about
        ended = about.get("ended_because")
        if ended not in EXPECTED_ENDS:
            out.append(f"{start} did not come to its planned end: {ended or 'it was cut off'}")
        if about.get("examination_off"):
            out.append(f"{start}: blocks were not examined before their first overwrite")
        if about.get("workers_lost"):
            out.append(f"{start}: {plural(len(about['workers_lost']), 'worker')} was lost under load")
        cache = _mapping(about.get("volume")).get("page_cache")
        if cache:
            out.append(f"{start}: {cache}")
        if item["takeovers"] and not any(takeover["marks"] for takeover in item["takeovers"]):
            out.append(f"{start}: no mark says what was done")
        if run.sealed_late:
            out.append(f"{start}: sealed at its first check, not at its end")
        out += [f"{start}, seal: {problem}" for problem in run.seal_problems]
        deviations = run.scenario.get("deviations")
        out += [f"{start}: {text}" for text in deviations] if isinstance(deviations, list) else []
    return out


def _observations(told: Sequence[Mapping[str, Any]]) -> list[str]:
    out = []
    for run in told:
        if run["verdict"] != PASS:
            out.append(f"Run {run['number']} ({_name(run)}), {run['verdict']}: {'; '.join(run['reasons'])}.")
        for takeover in run["takeovers"]:
            out += [f"Run {run['number']}, order: {' '.join(takeover['order'])}"] if takeover["order"] else []
    return out


def _open(
    told: Sequence[Mapping[str, Any]], scenarios: Sequence[Mapping[str, Any]], bounds: Mapping[str, Any]
) -> list[str]:
    out = []
    for run in told:
        if run["verdict"] == PASS:
            continue
        later = [
            other["number"] for other in told
            if (other["scenario"], other["direction"]) == (run["scenario"], run["direction"])
            and other["started"] > run["started"] and other["verdict"] == PASS
        ]  # fmt: skip
        text = f"Run {run['number']} ({_name(run)}) is {run['verdict']}"
        if later:
            text += f"; passed since in {_numbers(later)}, "
            text += "the cause is to be explained" if run["verdict"] == FAIL else "which may stand for it"
        else:
            text += " and was not passed since"
        out.append(text + ".")
    out += [
        f"{_name(row)}: {plural(row['planned'] - len(row['runs']), 'planned drill')} not done."
        for row in scenarios if row["planned"] and len(row["runs"]) < row["planned"]
    ]  # fmt: skip
    directions: dict[str, set[str]] = {}
    for row in scenarios:
        if row["runs"] and row["direction"]:
            directions.setdefault(row["scenario"], set()).add(row["direction"])
    out += [f"{name}: done in one direction only." for name, known in directions.items() if len(known) == 1]
    out += [
        f"Run {run['number']}: criterion “{criterion['name']}” was not measured."
        for run in told for criterion in run["criteria"] if criterion["met"] is None
    ]  # fmt: skip
    total = bounds["total"]
    if bounds["stated_bound"] is not None and total["more_for_stated_bound"] != 0:
        needed = further_drills(total["more_for_stated_bound"])
        out.append(f"The stated bound of {percent(bounds['stated_bound'])} on the loss probability needs {needed}.")
    return out


def _unavailability(told: Sequence[Mapping[str, Any]], takeovers_a_year: float | None) -> dict[str, Any] | None:
    """Of a year, from every takeover: its stall, or where only a mark attests it, the longest wait of a lane."""
    if takeovers_a_year is None:
        return None
    stalls = [
        t["longest_wait_s"] if t["stall_s"] is None else t["stall_s"] for run in told for t in run["takeovers"]
    ]
    found = unavailability(stalls, takeovers_a_year)
    if found is None:
        return None
    return {
        "takeovers": found.stalls,
        "takeovers_a_year": found.takeovers_a_year,
        "mean_stall_s": round(found.mean_stall_s, 6),
        "longest_stall_s": round(found.longest_stall_s, 6),
        "year_s": round(found.mean_s, 6),
        "year_worst_s": round(found.worst_s, 6),
        "availability": found.availability,
        "availability_worst": found.availability_worst,
    }


def _plan_cautions(runs: Sequence[BoundRun]) -> list[str]:
    out: list[str] = []
    for run in runs:
        cautions = run.scenario.get("cautions")
        out += [str(text) for text in cautions] if isinstance(cautions, list) else []
    return out
