"""Plans: what they may hold, what is wrong with one told all at once, and the one that is written to begin with."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.drill.runs import PROJECT
from verify.drill.criteria import KINDS
from verify.drill.plan.load_sets import LOAD_SETS, load_set
from verify.drill.plan.plan import Plan, read_plan
from verify.drill.plan.scenarios import Scenario
from verify.drill.plan.usual import USUAL, starting_plan
from verify.drill.toml_file import KeyLines
from verify.errors import UsageError
from verify.load.schedule import Flush

PLAIN = """\
records = "/root/records"
[volume]
path = "/dev/sdb"
erase = "serial-1"
[load]
set = "virtual machines"
span = "1GiB"
[[scenario]]
name = "data cable pull"
direction = "A to B"
do = "pull it"
"""

KNOWN = (
    "further-checks, name, direction, by, first, first-command, first-wait, do, command, cautions, hold, hold-command, "
    "run-in, run-out, within, repeats, restore, restore-command, failback, failback-command, cold-start, "
    "cold-start-command, load-set, promise"
)
PARTS = "records, second-ledger, secret, load, stream, volume, criteria, acceptance, scenario"


def read(folder: Path, text: str) -> Plan:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return read_plan(str(path))


def wrong(folder: Path, text: str) -> list[str]:
    """What is said of a plan, without the path of the file."""
    with pytest.raises(UsageError) as error:
        read(folder, text)
    return [line.removeprefix(f"{folder / 'plan.toml'}, ") for line in str(error.value).splitlines()]


def test_a_plain_plan(tmp_path: Path) -> None:
    plan = read(tmp_path, PLAIN)
    assert (plan.records, plan.volume.path, plan.volume.erase) == ("/root/records", "/dev/sdb", "serial-1")
    assert [scenario.title for scenario in plan.scenarios] == ["data cable pull, A to B"]
    assert plan.request.promise == "completed"
    assert sum(stream.lanes for stream in plan.request.streams) == 48
    assert plan.particulars.planned == [{"scenario": "data cable pull", "direction": "A to B", "repeats": 1}]


def test_everything_that_is_wrong_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    text = PLAIN.replace('span = "1GiB"', 'span = "much"').replace("name =", "nme =") + (
        'run-in = "soon"\nrepeats = 0\ncommand = []\nfurther-checks = ["paths", "failback", "tomorrow"]\n'
        "[criteria]\nstall = 10\nspeed = 3\n[acceptance]\ntitle = 4\n[colours]\n"
    )
    assert wrong(tmp_path, text) == [
        'line 7: span in [load] must be a size, written as 4096, "4KiB" or "1GiB"',
        "line 8: [[scenario]] 1 lacks the key name",
        f"line 9: unknown key 'nme' in [[scenario]] 1; known are {KNOWN}",
        'line 12: run-in in [[scenario]] 1 must be a time from 0 s to 604800 s, written as "60s", "5min" or "1h"',
        "line 13: repeats in [[scenario]] 1 must be a whole number from 1 to 1,000",
        'line 14: command in [[scenario]] 1 must be a list of a program and its arguments, such as ["/root/pull", "A"]',
        "line 15: further-checks: 'tomorrow' is none of paths, failback, cold start",
        "line 15: further-checks: say what is done for the failback by the key failback",
        "line 15: further-checks: name the other paths to the volume by paths in [volume]",
        'line 17: stall must be a time such as "10s"',
        f"line 18: unknown criterion 'speed'; known are {', '.join(KINDS)}",
        "line 19: title must be a text",
        f"line 21: unknown key 'colours' in the plan; known are {PARTS}",
    ]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("[load]", "[[stream]]\nblock = '4KiB'\n[load]"), "give either a load set in [load], or [[stream]] tables"),
        (('set = "virtual machines"', ""), "say what the load is"),
        (('set = "virtual machines"', 'set = "games"'), "set in [load] must be one of virtual machines, databases"),
        (('span = "1GiB"', 'span = "1MiB"'), "too small for the load set 'virtual machines'"),
        (('erase = "serial-1"', 'controllers = {A = "02:00:00:00:00:0a"}'), "say which by floating-address"),
        (('erase = "serial-1"', 'controllers = {A = "no address"}'), "controllers 'A=no address' is not of the form"),
        (('erase = "serial-1"', "controllers = {A = [1, 2]}"), "controllers 'A=1' is not of the form"),
        (('erase = "serial-1"', "vrrp-priority = 100"), "give both or neither"),
        (('erase = "serial-1"', 'floating-address = "storage"'), "'storage' is no IP address"),
        (('do = "pull it"', ""), "say what is done by do, or give a command"),
        (('path = "/dev/sdb"', ""), "[volume] lacks the key path"),
        (('records = "/root/records"', 'records = ""'), "records must name a folder"),
        (('[volume]', 'second-ledger = "host:1"\n[volume]'), "second-ledger (where the receiver is) and secret"),
        (('[volume]', 'second-ledger = "host"\nsecret = "s"\n[volume]'), "second-ledger"),
        (('records = "/root/records"', "records = 3"), "records in the plan must be a text"),
        (("[load]", "load = 3\n[other]"), "unknown key 'load' in [volume]"),
        (('do = "pull it"', 'do = "x"\nload-set = "none"'), "load-set in [[scenario]] 1 must be one of"),
        (('do = "pull it"', 'do = "x"\npromise = "all"'), "promise in [[scenario]] 1 must be one of completed,"),
        (('do = "pull it"', 'do = "x"\ncautions = "one"'), "cautions in [[scenario]] 1 must be a list of texts"),
        (("[load]", "[acceptance]\n[[acceptance.planned]]\n[load]"), "[acceptance] has no planned"),
        (("[[scenario]]", "[scenario]"), "scenario in the plan must be written as [[scenario]] tables"),
    ],
)
def test_what_cannot_be_meant_is_told(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    told = wrong(tmp_path, PLAIN.replace(*change))
    assert any(said in line for line in told), told
    assert all(line.startswith("line ") for line in told)


def test_no_toml_at_all(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"is not TOML: .*line 1"):
        read(tmp_path, "records = = 3")
    with pytest.raises(UsageError, match="cannot be read: No such file"):
        read_plan(str(tmp_path / "none.toml"))


def test_streams_of_its_own(tmp_path: Path) -> None:
    own = PLAIN.replace('set = "virtual machines"\nspan = "1GiB"\n', "") + (
        '[[stream]]\nblock = "8KiB"\nlanes = 4\nspan = "1MiB"\nflush-every = "write"\n[[stream]]\nspan = "1MiB"\n'
    )
    first, second = read(tmp_path, own).request.streams
    assert (first.block_bytes, first.lanes, first.flush) == (8192, 4, Flush.WRITE)
    assert (second.block_bytes, second.lanes, second.flush) == (4096, 32, Flush.NEVER)
    assert wrong(tmp_path, own.replace("lanes = 4", "lanes = 0")) == ["line 10: lanes must be at least 1"]
    assert wrong(tmp_path, own.replace("lanes = 4", "depth = 4"))[0].startswith("line 12: unknown key 'depth'")
    unflushed = own.replace('flush-every = "write"\n', "")
    promised = unflushed.replace('do = "pull it"', 'do = "pull it"\npromise = "flushed"')
    assert "needs a stream that flushes" in wrong(tmp_path, promised)[0]


def test_a_scenario_may_have_another_load_and_promise(tmp_path: Path) -> None:
    plan = read(tmp_path, PLAIN + 'load-set = "databases"\npromise = "flushed"\n')
    request = plan.request_for(plan.scenarios[0], 7)
    assert (request.promise, request.seed) == ("flushed", 7)
    assert request.streams == load_set("databases", 1 << 30)
    assert plan.request.promise == "completed"


class TestTheOneToBeginWith:
    def test_it_is_a_plan(self, tmp_path: Path) -> None:
        plan = read(tmp_path, starting_plan())
        assert plan.load_set == "virtual machines"
        assert len(plan.criteria) == 6

    def test_every_usual_scenario_is_there_both_ways(self, tmp_path: Path) -> None:
        plan = read(tmp_path, starting_plan())
        ways: dict[str, set[str]] = {}
        for scenario in plan.scenarios:
            ways.setdefault(scenario.name, set()).add(scenario.direction)
        assert set(ways) == {usual.name for usual in USUAL}
        alone = ways.pop("both controllers lose power")
        assert alone == {""}
        assert all(directions == {"A to B", "B to A"} for directions in ways.values())

    def test_a_double_power_loss_promises_what_was_flushed_alone(self, tmp_path: Path) -> None:
        plan = read(tmp_path, starting_plan())
        promises = {scenario.name: scenario.promise for scenario in plan.scenarios if scenario.promise}
        assert promises == {"both controllers lose power": "flushed"}

    def test_whatever_touches_power_or_hardware_has_its_cautions(self, tmp_path: Path) -> None:
        for scenario in read(tmp_path, starting_plan()).scenarios:
            if any(word in f"{scenario.do.text} {scenario.first.text}" for word in ("Pull", "pull", "Switch off")):
                assert scenario.cautions, scenario.title

    def test_every_commented_key_is_known_and_every_known_key_is_commented(self, tmp_path: Path) -> None:
        text = starting_plan()
        head = text[: text.index("# The scenarios, in the order")]
        lines = [line.removeprefix("# ") for line in head.splitlines()]
        kept = [line for line in lines if "=" in line.split("#")[0] or line.startswith("[")]
        own = "\n".join(line for line in kept if line != "[[stream]]")
        own = own.replace('set = "virtual machines"', "").replace('span = "64GiB"', "", 1)
        own = own.replace('block = "4KiB"', '[[stream]]\nblock = "4KiB"')
        assert "unknown key" not in "\n".join(wrong(tmp_path, own))


def test_the_plan_shown_in_the_readme_is_one(tmp_path: Path) -> None:
    readme = (PROJECT / "README.md").read_text()
    block = 'records = "acceptance"' + readme.split('records = "acceptance"', 1)[1].split("```", 1)[0]
    plan = read(tmp_path, textwrap.dedent("   " + block))
    assert (plan.scenarios[0].repeats, plan.volume.controllers) == (
        3, {"02:00:00:00:00:aa": "A", "02:00:00:00:00:bb": "B"},
    )  # fmt: skip


class TestLoadSets:
    def test_virtual_machines_are_small_and_mixed(self) -> None:
        """9 KiB on average and 30 % reads, with every lane as fast as the others; common practice, no source."""
        streams = load_set("virtual machines", 64 << 30)
        lanes = sum(stream.lanes for stream in streams)
        assert sum(stream.lanes * stream.block_bytes for stream in streams) / lanes == 9 * 1024
        assert {stream.read_share for stream in streams} == {0.3}

    @pytest.mark.parametrize("name", LOAD_SETS)
    @pytest.mark.parametrize("span", [256 << 20, (256 << 20) + 512 * 7, 10_000_000_000, 1 << 40])
    def test_each_fills_its_span_and_stays_inside(self, name: str, span: int) -> None:
        streams = load_set(name, span)
        spans = [stream.span_bytes or 0 for stream in streams]
        assert all(one % stream.block_bytes == 0 for one, stream in zip(spans, streams, strict=True))
        assert 0 <= span - sum(spans) < max(stream.block_bytes for stream in streams)

    def test_each_has_something_that_a_loss_of_power_owes(self) -> None:
        for name in LOAD_SETS:
            assert any(stream.flush is not Flush.NEVER for stream in load_set(name, 1 << 30)), name


def test_lines_are_those_of_the_text() -> None:
    lines = KeyLines('a = 1\n[t]\nb = 2\n"c d" = 3\n[[x]]\nb = 4\n[x.y]\nb = 5\n[[x]]\nb = """\nb = 6\n"""\ne.f = 7\n')
    places: dict[tuple[Any, ...], int] = {
        ("a",): 1, ("t",): 2, ("t", "b"): 3, ("t", "c d"): 4, ("x", 0, "b"): 6, ("x", 0, "y", "b"): 8,
        ("x", 1, "b"): 10, ("x", 1, "e", "f"): 13, ("x", 1, "none"): 9, ("none",): 1,
    }  # fmt: skip
    assert {place: lines.of(*place) for place in places} == places


@pytest.mark.parametrize(
    ("name", "slug"),
    [("Daten/Kabel ../ weg", "daten-kabel-weg"), ("切り替え", "scenario"), ("..", "scenario"), ("a" * 99, "a" * 40)],
)
def test_a_folder_is_named_in_plain_letters(name: str, slug: str) -> None:
    assert Scenario(name).slug == slug


_texts = st.text(st.sampled_from('a1 "\\\n\x00\u202e\xe4='), max_size=8)
_values = st.recursive(
    st.one_of(st.integers(-2, 2**70), st.floats(), st.booleans(), _texts, st.sampled_from(["4KiB", "1s"])),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("abc", min_size=1), inner, max_size=2),
    max_leaves=4,
)
_KEYS = [
    *KNOWN.split(", "), "path", "erase", "floating-address", "controllers", "paths", "array-cache",
    "expected-stall", "vrrp-priority", "vrrp-interval", "set", "span", "start", "seed", "fill", "stall-threshold",
    "merge-within", "atomic-unit", "workers", "submit", "block", "lanes", "pattern", "read-share", "flush-every",
    "pace", "title", "participant", "bound", "stall", "errors",
]  # fmt: skip


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(
    tables=st.dictionaries(
        st.sampled_from(["volume", "load", "criteria", "acceptance", "scenario", "stream"]),
        st.dictionaries(st.sampled_from(_KEYS), _values, max_size=4) | _values,
        max_size=6,
    )
)
def test_whatever_a_plan_holds_it_is_a_plan_or_told(
    tmp_path_factory: pytest.TempPathFactory, tables: dict[str, Any]
) -> None:
    path = tmp_path_factory.getbasetemp() / "any-plan.toml"
    body = {"records": "/r", **tables}
    for key in ("scenario", "stream"):
        if isinstance(body.get(key), dict):
            body[key] = [body[key]]
    path.write_text("\n".join(f"{key} = {_toml(value)}" for key, value in body.items()), encoding="utf-8")
    said = "line "
    try:
        read_plan(str(path))
    except UsageError as error:
        said = str(error)
    assert "line " in said


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_text(key)} = {_toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _text(value)
    return repr(value)


def _text(value: str) -> str:
    plain = (letter if letter not in '"\\' and letter.isprintable() else f"\\U{ord(letter):08x}" for letter in value)
    return f'"{"".join(plain)}"'


class TestErasedSpan:
    OWN = '[[stream]]\nspan = "300MiB"\nlanes = 2\n[[stream]]\nspan = "4KiB"\nlanes = 1\n'

    def test_a_scenario_with_a_load_of_its_own_stays_within_the_plans_span(self, tmp_path: Path) -> None:
        """By default a set would cover 1 GiB, and the survey looked at less."""
        text = PLAIN.replace('set = "virtual machines"\nspan = "1GiB"\n', "") + self.OWN
        path = tmp_path / "own.toml"
        path.write_text(text + '[[scenario]]\nname = "b"\ndo = "c"\nload-set = "databases"\n')
        plan = read_plan(str(path))
        tested = sum(plan.request.spans(None))
        assert plan.volume.asked.span_bytes == plan.span_bytes == tested == (300 << 20) + 4096
        for scenario in plan.scenarios:
            assert sum(plan.request_for(scenario, 1).spans(None)) <= tested

    def test_a_span_beside_streams_is_told(self, tmp_path: Path) -> None:
        text = PLAIN.replace('set = "virtual machines"\n', "") + self.OWN
        path = tmp_path / "own.toml"
        path.write_text(text)
        with pytest.raises(UsageError, match=r"line \d+: span in \[load\] goes with a set"):
            read_plan(str(path))
