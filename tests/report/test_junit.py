"""junit.xml: read by an independent parser, and held to the schema that such files follow."""

from xml.etree import ElementTree

import junitparser
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from tests.report.facts_for_tests import HOSTILE, facts_with, verdict_with
from verify.report.damage import KINDS
from verify.report.junit import junit_xml

# The shape that pytest's junit-10.xsd describes, as far as its elements are used here; the types of `time` and the
# counts are stricter than there [from memory].
SCHEMA = etree.XMLSchema(
    etree.fromstring(b"""
<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema">
  <xs:attributeGroup name="counts">
    <xs:attribute name="name" type="xs:string" use="required"/>
    <xs:attribute name="tests" type="xs:nonNegativeInteger" use="required"/>
    <xs:attribute name="failures" type="xs:nonNegativeInteger" use="required"/>
    <xs:attribute name="errors" type="xs:nonNegativeInteger" use="required"/>
    <xs:attribute name="skipped" type="xs:nonNegativeInteger"/>
    <xs:attribute name="time" type="xs:decimal"/>
  </xs:attributeGroup>
  <xs:complexType name="outcome">
    <xs:simpleContent><xs:extension base="xs:string">
      <xs:attribute name="type" type="xs:string"/>
      <xs:attribute name="message" type="xs:string"/>
    </xs:extension></xs:simpleContent>
  </xs:complexType>
  <xs:element name="testsuites"><xs:complexType>
    <xs:sequence><xs:element ref="testsuite" minOccurs="0" maxOccurs="unbounded"/></xs:sequence>
    <xs:attributeGroup ref="counts"/>
  </xs:complexType></xs:element>
  <xs:element name="testsuite"><xs:complexType>
    <xs:sequence>
      <xs:element name="properties" minOccurs="0"><xs:complexType><xs:sequence>
        <xs:element name="property" maxOccurs="unbounded"><xs:complexType>
          <xs:attribute name="name" type="xs:string" use="required"/>
          <xs:attribute name="value" type="xs:string" use="required"/>
        </xs:complexType></xs:element>
      </xs:sequence></xs:complexType></xs:element>
      <xs:element name="testcase" minOccurs="0" maxOccurs="unbounded"><xs:complexType>
        <xs:choice minOccurs="0">
          <xs:element name="failure" type="outcome"/>
          <xs:element name="error" type="outcome"/>
          <xs:element name="skipped" type="outcome"/>
        </xs:choice>
        <xs:attribute name="name" type="xs:string" use="required"/>
        <xs:attribute name="classname" type="xs:string"/>
        <xs:attribute name="time" type="xs:decimal"/>
      </xs:complexType></xs:element>
    </xs:sequence>
    <xs:attributeGroup ref="counts"/>
    <xs:attribute name="timestamp" type="xs:dateTime"/>
    <xs:attribute name="hostname" type="xs:string"/>
  </xs:complexType></xs:element>
</xs:schema>""")
)


def held_to_the_schema(verdict, **about):
    content = junit_xml(facts_with(verdict, [], **about))
    SCHEMA.assertValid(etree.fromstring(content))
    return content


def suite_of(content):
    (suite,) = junitparser.JUnitXml.fromstring(content)
    return suite


def outcomes(suite):
    return {case.name: type(case.result[0]).__name__ for case in suite if case.result}


def test_a_sound_run_has_no_failures():
    suite = suite_of(held_to_the_schema(verdict_with(lost=0)))
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (len(KINDS) + 2, 0, 0, 0)
    assert outcomes(suite) == {}
    assert {p.name: p.value for p in suite.properties()}["verdict"] == "PASS"


@pytest.mark.parametrize(("worse", "outcome"), [("FAIL", "Failure"), ("INCONCLUSIVE", "Error")])
def test_a_sound_check_of_a_run_with_a_worse_one_does_not_pass(worse, outcome):
    facts = facts_with(verdict_with(lost=0), [])
    facts.worse_checks = [("002", worse)]
    content = junit_xml(facts)
    SCHEMA.assertValid(etree.fromstring(content))
    assert outcomes(suite_of(content)) == {"check 002 of the run is no worse": outcome}


def test_a_loss_fails_its_kind_and_the_criterion():
    suite = suite_of(held_to_the_schema(verdict_with(lost=3)))
    failed = ("no lost blocks", "lost acknowledged writes", "the verdict is PASS")
    assert outcomes(suite) == dict.fromkeys(failed, "Failure")
    assert suite.failures == 3
    message = next(case.result[0].message for case in suite if case.name == "lost acknowledged writes")
    assert message == "required 0, measured 6"


def test_a_failure_that_no_finding_and_no_criterion_explains_still_fails():
    suite = suite_of(held_to_the_schema(verdict_with(lost=0, verdict="FAIL", reasons=["a criterion was missed"])))
    assert outcomes(suite) == {"the verdict is PASS": "Failure"}


def test_inconclusive_is_an_error_with_the_reasons():
    verdict = verdict_with(lost=0, verdict="INCONCLUSIVE", reasons=["no takeover was observed", "2 blocks not read"])
    suite = suite_of(held_to_the_schema(verdict))
    assert outcomes(suite) == {"the verdict is PASS": "Error"}
    (case,) = [case for case in suite if case.result]
    assert case.result[0].message == "no takeover was observed; 2 blocks not read"


@pytest.mark.parametrize("where", ["verdict", "run"])
def test_criteria_of_the_plan_are_cases(where):
    criteria = [
        {"name": "stall", "required": "at most 5 s", "measured": "7.2 s", "met": False},
        {"name": "rate after", "required": "at least 90 %", "measured": None, "met": None},
        {"name": "lost writes", "required": 0, "measured": 0, "met": True},
    ]
    verdict = verdict_with(lost=0)
    if where == "verdict":
        verdict["criteria"] = criteria
    suite = suite_of(held_to_the_schema(verdict, criteria=criteria))
    assert outcomes(suite) == {"stall": "Failure", "rate after": "Skipped"}
    assert suite.skipped == 1


def test_totals_are_those_of_the_cases():
    root = ElementTree.fromstring(held_to_the_schema(verdict_with(lost=1)))
    cases = root.findall("./testsuite/testcase")
    assert root.get("tests") == str(len(cases))
    assert root.get("time") == "20.500"


@given(text=st.text(st.characters(codec=None)))
@settings(max_examples=50)
def test_any_text_makes_a_valid_file(text):
    verdict = verdict_with(lost=0, verdict="INCONCLUSIVE", reasons=[text, HOSTILE])
    verdict["run"]["volume"] = text
    held_to_the_schema(verdict, criteria=[{"name": text, "required": text, "measured": text, "met": False}])
