"""junit.xml: the verdict of a check as test cases, for whatever gathers test results.

Each kind of finding is a case, each acceptance criterion, the verdict itself, and each other check of the run that came
to a worse one, so that no verdict but PASS, of the check or of its run, ever leaves a file without a failure or an
error. A finding or a missed criterion is a failure; a verdict of INCONCLUSIVE is an error, since the test could not be
carried out.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

from verify.drill.quantities import wall_ns_of
from verify.judge.verdict import FAIL, PASS, plural
from verify.report.damage import KINDS
from verify.report.facts import ReportFacts, criteria_of
from verify.report.visible import visible
from verify.report.words import KIND_MEANS, headline

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""XML 1.0, section 2.2, production 2: the characters that may not occur."""


def junit_xml(facts: ReportFacts) -> bytes:
    """The file's contents, in UTF-8.

    Raises:
        KeyError, ValueError, TypeError: if the verdict is not as this program writes it.
    """
    verdict, about = facts.verdict, facts.about
    run = verdict["run"]
    cases: list[ElementTree.Element] = []
    findings = verdict["findings"]
    for kind in KINDS:
        case = _case(f"no {kind} blocks", "findings")
        number = int(findings[kind.replace(" ", "_")])
        if number:
            _add(case, "failure", kind, f"{plural(number, 'block')}: {KIND_MEANS[kind]}")
        cases.append(case)
    for criterion in criteria_of(verdict, about):
        case = _case(criterion.name, "criteria")
        said = f"required {criterion.required}, measured {criterion.measured}"
        if criterion.met is False:
            _add(case, "failure", "criterion missed", said)
        elif criterion.met is None:
            _add(case, "skipped", "not measured", said)
        cases.append(case)
    case = _case("the verdict is PASS", "verdict")
    if verdict["verdict"] != PASS:
        what = "failure" if verdict["verdict"] == FAIL else "error"
        _add(case, what, str(verdict["verdict"]), "; ".join(str(reason) for reason in verdict["reasons"]))
    cases.append(case)
    for check, other in facts.worse_checks:
        case = _case(f"check {check} of the run is no worse", "verdict")
        what = "failure" if other == FAIL else "error"
        _add(case, what, other, f"the run's verdict is that of its worst check, and check {check} is {other}")
        cases.append(case)

    host = about.get("host")
    name = f"ackproof run {run['id']} check {facts.check}"
    totals = {
        "tests": str(len(cases)),
        "failures": str(sum(case.find("failure") is not None for case in cases)),
        "errors": str(sum(case.find("error") is not None for case in cases)),
        "skipped": str(sum(case.find("skipped") is not None for case in cases)),
        "time": f"{_seconds(facts):.3f}",
    }
    suites = ElementTree.Element("testsuites", _clean({"name": name, **totals}))
    suite = ElementTree.SubElement(
        suites,
        "testsuite",
        _clean(
            {
                "name": name,
                **totals,
                "timestamp": str(run["started"]),
                "hostname": str(host.get("name", "")) if isinstance(host, dict) else "",
            }
        ),
    )
    properties = ElementTree.SubElement(suite, "properties")
    for key, value in (
        ("verdict", verdict["verdict"]),
        ("summary", headline(verdict)),
        ("promise", verdict["promise"]),
        ("volume", run["volume"]),
        ("seed", run["seed"]),
        ("checked", verdict.get("checked", "")),
        ("ledger head", run["ledger_head"]),
        ("acknowledged writes", verdict["writes"]["acknowledged"]),
        ("lost acknowledged writes", verdict["lost"]["acknowledged_writes"]),
    ):
        ElementTree.SubElement(properties, "property", _clean({"name": key, "value": str(value)}))
    suite.extend(cases)
    ElementTree.indent(suites)
    text = ElementTree.tostring(suites, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode()


def _case(name: str, group: str) -> ElementTree.Element:
    return ElementTree.Element("testcase", _clean({"name": name, "classname": f"ackproof.{group}", "time": "0"}))


def _add(case: ElementTree.Element, what: str, kind: str, message: str) -> None:
    ElementTree.SubElement(case, what, _clean({"type": kind, "message": message}))


def _clean(attributes: dict[str, str]) -> dict[str, str]:
    """The attributes with every character that XML cannot hold, or that does not show, as its number."""
    return {key: _NOT_XML.sub("\ufffd", visible(value)) for key, value in attributes.items()}


def _seconds(facts: ReportFacts) -> float:
    """From the run's start to its end; 0 where either is unknown."""
    run = facts.verdict["run"]
    try:
        return max(wall_ns_of(run["ended"]) - wall_ns_of(run["started"]), 0) / 1e9
    except (ValueError, TypeError):
        return 0.0
