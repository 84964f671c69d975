"""Acceptance criteria: read whole, kept with the run, and measured so that the verdict names required and measured."""

from __future__ import annotations

import errno
import json
import os
import shutil
import textwrap
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import PROJECT, ackproof, attest, check_here, check_on, load_on, put_back
from verify.drill import checking
from verify.drill.criteria import KINDS, Criterion, Measured, kept_criteria, missed, read_criteria, unmeasured
from verify.drill.planning import RunRequest, StreamRequest
from verify.errors import UsageError
from verify.judge.surroundings import AroundTakeover, Window
from verify.judge.takeovers import Takeover
from verify.rehearsal.faults import FAULTS
from verify.rehearsal.rehearse import rehearse_fault

SECOND_NS = 1_000_000_000
ALL = """# Agreed in the kick-off.
[criteria]
stall = "10s"
longest-wait = "0.5min"
errors = 0
rate-after = 0.8
latency-after = 3
load-at-takeover = 500
"""


def written(folder: Path, text: str) -> str:
    path = folder / "criteria.toml"
    path.write_text(text)
    return str(path)


class TestReading:
    def test_every_kind_is_read(self, tmp_path: Path) -> None:
        read = read_criteria(written(tmp_path, ALL))
        assert {criterion.key: criterion.limit for criterion in read} == {
            "stall": 10.0, "longest-wait": 30.0, "errors": 0.0, "rate-after": 0.8, "latency-after": 3.0,
            "load-at-takeover": 500.0,
        }  # fmt: skip
        assert set(KINDS) == {criterion.key for criterion in read}

    def test_everything_wrong_is_told_at_once_with_its_line(self, tmp_path: Path) -> None:
        text = "# agreed\n[criteria]\nstall = 10\nerrors = 0\nlongest-wait = 'soon'\n\nspeed = 3\nrate-after = -1\n"
        with pytest.raises(UsageError) as refused:
            read_criteria(written(tmp_path, text))
        lines = str(refused.value).splitlines()
        assert [line.split(": ", 1)[0].rsplit(", ", 1)[1] for line in lines] == ["line 3", "line 5", "line 7", "line 8"]
        assert "stall must be a time" in lines[0]
        assert "'soon' is not a duration" in lines[1]
        assert "unknown criterion 'speed'; known are stall," in lines[2]
        assert "rate-after must be from 0" in lines[3]

    @pytest.mark.parametrize(
        "line",
        ["errors = 1.5", "errors = true", "errors = '0'", "rate-after = nan", "rate-after = inf", "stall = ''",
         "load-at-takeover = []", "latency-after = {}", "stall = '9999999999999h'",
         "errors = 1" + "0" * 400, "rate-after = 1" + "0" * 400, f"stall = '{'9' * 400}s'"],
    )  # fmt: skip
    def test_a_limit_that_is_none_is_refused(self, tmp_path: Path, line: str) -> None:
        with pytest.raises(UsageError, match="line 2: " + line.partition(" ")[0]):
            read_criteria(written(tmp_path, f"[criteria]\n{line}\n"))

    @pytest.mark.parametrize("text", ["", "[criteria]\n", "[criteria]\nerrors = 0\n[plan]\n", "criteria = 3\n"])
    def test_a_file_with_anything_else_is_refused(self, tmp_path: Path, text: str) -> None:
        with pytest.raises(UsageError, match="must hold one table"):
            read_criteria(written(tmp_path, text))

    @pytest.mark.parametrize("text", ["criteria", "[criteria]\nerrors = 0\nerrors = 1\n", "\x00"])
    def test_what_is_no_toml_is_refused(self, tmp_path: Path, text: str) -> None:
        with pytest.raises(UsageError, match="is not TOML"):
            read_criteria(written(tmp_path, text))

    def test_a_file_that_is_not_there_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match="cannot be read"):
            read_criteria(str(tmp_path / "none.toml"))

    @pytest.mark.parametrize(
        "kept",
        [None, 3, "x", {}, ["x"], [{}], [{"key": "stall"}], [{"key": "speed", "limit": 1}], [{"key": [], "limit": 1}],
         [{"key": "stall", "limit": "1"}], [{"key": "stall", "limit": True}], [{"key": "stall", "limit": -1.0}],
         [{"key": "stall", "limit": 1e300}]],
    )  # fmt: skip
    def test_a_changed_run_json_is_refused(self, kept: Any) -> None:
        with pytest.raises(UsageError, match=r"run\.json is damaged"):
            kept_criteria({"criteria": kept})


def window(start_s: float, end_s: float, writes: int, latency_ms: float = 1.0) -> Window:
    latencies = np.full(writes, int(latency_ms * 1e6), dtype=np.int64)
    return Window(int(start_s * SECOND_NS), int(end_s * SECOND_NS), [latencies] if writes else [])


def around(
    stall_s: float = 4.0, wait_s: float = 5.0, before: Window | None = None, after: Window | None = None, **changed: Any
) -> AroundTakeover:
    takeover = Takeover(
        10 * SECOND_NS, 14 * SECOND_NS, True, stall_ns=int(stall_s * SECOND_NS),
        longest_wait_ns=int(wait_s * SECOND_NS), **changed,
    )  # fmt: skip
    return AroundTakeover(takeover, before or window(0, 10, 10_000), after or window(14, 24, 8_000, 2.0))


def met(key: str, limit: float, *takeovers: AroundTakeover, errors: int = 0, lanes: int = 8) -> bool | None:
    [told] = Measured(takeovers, errors, lanes, 1.0).told([Criterion(key, limit)])
    found = told["met"]
    assert (missed([told]) != [], unmeasured([told]) != []) == (found is False, found is None)
    assert (told["measured"] is None) == (found is None)
    assert found is None or isinstance(found, bool)
    return found


class TestMeasuring:
    """The limit itself is met; beyond it is not; of several takeovers the worst counts."""

    @pytest.mark.parametrize(
        ("key", "just", "beyond"),
        [
            ("stall", 4.0, 3.999), ("longest-wait", 5.0, 4.999), ("rate-after", 0.8, 0.801),
            ("latency-after", 2.0, 1.999), ("load-at-takeover", 1000.0, 1000.1),
        ],
    )  # fmt: skip
    def test_limits(self, key: str, just: float, beyond: float) -> None:
        worse = around(5.0, 6.0, window(0, 10, 9_000), window(14, 24, 5_000, 4.0))
        assert (met(key, just, around()), met(key, beyond, around())) == (True, False)
        assert (met(key, just, around(), worse), met(key, just, worse, around())) == (False, False)

    def test_errors(self) -> None:
        assert met("errors", 0) is True
        assert met("errors", 0, around(), errors=1) is False
        assert met("errors", 1, around(), errors=1) is True

    @pytest.mark.parametrize("key", [key for key in KINDS if key != "errors"])
    def test_without_a_takeover_nothing_is_measured(self, key: str) -> None:
        assert met(key, 0.0) is None

    def test_a_stall_that_never_ended_meets_nothing_but_may_miss(self) -> None:
        for key in ("stall", "longest-wait"):
            assert met(key, 10.0, around(never_ended=True)) is None
            assert met(key, 1.0, around(never_ended=True)) is False

    @pytest.mark.parametrize("key", KINDS)
    def test_while_the_guest_stood_still_only_errors_and_stall_are_measured(self, key: str) -> None:
        limit = Criterion(key, 4.0)
        for pause, disturbed in ((2, True), (23, True), (-1, False), (24, False)):
            spans = [(pause * SECOND_NS, (pause + 1) * SECOND_NS)]
            [told] = Measured([around()], 0, 8, 1.0, spans).told([limit])
            [calm] = Measured([around()], 0, 8, 1.0).told([limit])
            if disturbed and key not in ("errors", "stall"):
                assert told["met"] is None
            else:
                assert told == calm

    def test_an_attested_takeover_may_have_stalled_for_as_long_as_nobody_tells(self) -> None:
        attested = around(stall_s=0.0)
        attested.takeover.observed = False
        found = [met("stall", limit, attested) for limit in (0.0, 0.999, 1.0)]
        assert found == [None, None, True]
        assert met("stall", 0.5, attested, around()) is False
        assert met("stall", 0.5, around(stall_s=0.4)) is True

    @pytest.mark.parametrize("key", KINDS)
    def test_lost_workers_and_a_damaged_ledger_leave_it_open(self, key: str) -> None:
        limit = Criterion(key, 4.0)
        [calm] = Measured([around()], 0, 8, 1.0).told([limit])
        [lost] = Measured([around()], 0, 8, 1.0, workers_lost=True).told([limit])
        [damaged] = Measured([around()], 0, 8, 1.0, in_doubt=True).told([limit])
        assert lost["met"] is (calm["met"] if key in ("errors", "stall") else None)
        assert damaged["met"] is None

    def test_a_rate_that_only_looks_at_slots_held_down_is_not_missed(self) -> None:
        """After an outage lanes look at each slot before they first overwrite it."""
        after = window(14, 24, 5_000)
        after.examinations = 4_000
        found = [met("rate-after", limit, around(after=after)) for limit in (0.5, 0.8, 0.91)]
        assert found == [True, None, False]
        before = window(0, 10, 5_000)
        before.examinations = 5_000
        found = [met("load-at-takeover", limit, around(before=before)) for limit in (500.0, 900.0, 1000.1)]
        assert found == [True, None, False]
        found = [met("rate-after", limit, around(before=before)) for limit in (0.8, 1.0, 1.61)]
        assert found == [True, None, False]

    def test_too_little_load_on_a_side_is_not_measured(self) -> None:
        short, none = window(9.9, 10, 100), window(0, 10, 0)
        assert met("rate-after", 0.5, around(before=short)) is None
        assert met("rate-after", 0.5, around(before=none)) is None
        assert met("rate-after", 0.5, around(), around(before=none)) is None
        assert met("rate-after", 0.5, around(after=none)) is False
        assert met("latency-after", 9.0, around(after=none)) is None
        assert met("latency-after", 9.0, around(after=window(14, 24, 160))) is None
        assert met("load-at-takeover", 1.0, around(before=none)) is False
        assert met("load-at-takeover", 1.0, around(before=short)) is None

    def test_writes_that_waited_for_the_takeover_are_not_the_latency_after_it(self) -> None:
        after = window(14, 24, 1_000, 1.0)
        after.latencies.append(np.full(8, 4 * SECOND_NS, dtype=np.int64))
        assert met("latency-after", 1.0, around(before=window(0, 10, 1_000, 1.0), after=after)) is True

    def test_what_misses_by_a_hair_is_not_told_as_the_limit(self) -> None:
        [told] = Measured([around(stall_s=4.001)], 0, 8, 1.0).told([Criterion("stall", 4.0)])
        assert missed([told]) == ["longest stall: at most 4.00 s required, 4.001 s measured"]


@pytest.fixture(scope="module")
def drill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of a sound drill with one takeover on the simulated pair."""
    folder = tmp_path_factory.mktemp("criteria")
    rehearse_fault(FAULTS["sound"], folder, seed=11)
    [record] = folder.rglob("run.json")
    return record.parent


@pytest.fixture
def run_json(drill: Path) -> Iterator[Path]:
    yield from put_back(drill / "run.json")
    for check in (drill / "checks").iterdir():
        if check.name != "001":
            shutil.rmtree(check)


class TestDrills:
    @pytest.mark.parametrize(
        ("key", "passes", "misses"),
        [
            ("stall", 30.0, 0.05), ("longest-wait", 30.0, 0.05), ("rate-after", 0.001, 1000.0),
            ("latency-after", 1e6, 0.0), ("load-at-takeover", 1.0, 1e9),
        ],
    )  # fmt: skip
    def test_each_is_met_by_one_drill_and_missed_by_another(
        self, drill: Path, run_json: Path, key: str, passes: float, misses: float, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """One drill for all of them, as if each had been agreed on before it."""
        monkeypatch.setattr(checking, "require_grounds", lambda timeline, about, path: None)
        about = json.loads(run_json.read_text())
        for limit, verdict in ((passes, "PASS"), (misses, "FAIL")):
            run_json.write_text(json.dumps(about | {"criteria": [{"key": key, "limit": limit}]}))
            found = check_here(drill).verdict
            assert found["verdict"] == verdict, found["reasons"]
            told = {criterion["name"]: criterion for criterion in found["criteria"]}
            one = told[KINDS[key].name]
            assert one["met"] is (verdict == "PASS")
            named = f"{one['name']}: {one['required']} required, {one['measured']} measured"
            assert (found["reasons"] == [named]) == (verdict == "FAIL")

    @pytest.mark.parametrize(
        "spoilt",
        [
            {"criteria": [{"key": "stall", "limit": 30.0}]}, {"examination_off": True},
            {"volume": {"page_cache": "was in the way"}}, {"identity": {"model": "another"}},
        ],
    )  # fmt: skip
    def test_what_a_verdict_rests_on_cannot_be_changed_afterwards(
        self, drill: Path, run_json: Path, spoilt: dict[str, Any]
    ) -> None:
        about = json.loads(run_json.read_text())
        volume = about["volume"] | spoilt.pop("volume", {})
        volume["identity"] = volume["identity"] | spoilt.pop("identity", {})
        run_json.write_text(json.dumps(about | {"volume": volume} | spoilt))
        with pytest.raises(UsageError, match="was changed after the run began"):
            check_here(drill)

    def test_a_run_without_criteria_is_held_to_none(self, drill: Path, run_json: Path) -> None:
        found = check_here(drill).verdict
        assert (found["verdict"], found["criteria"]) == ("PASS", [])


class FailsOnce(MemoryVolume):
    """A volume one of whose writes fails, once the load has gone on for a while."""

    def __init__(self, size_bytes: int, after_writes: int) -> None:
        super().__init__(size_bytes)
        self.left = after_writes

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        self.left -= 1
        if self.left == 0:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().write(offset_bytes, buffer, through)


@pytest.mark.parametrize(
    ("limit", "verdict", "said"),
    [(1, "PASS", ""), (0, "FAIL", "errors seen by the guest: at most 0 required, 1 measured")],
)
def test_a_failed_write_meets_one_limit_of_errors_and_misses_another(
    tmp_path: Path, limit: int, verdict: str, said: str
) -> None:
    volume = FailsOnce(64 * 4096, after_writes=150)
    request = RunRequest((StreamRequest(lanes=2, span_bytes=64 * 4096, pace=300),), seed=4, operations=200)
    marking = threading.Thread(target=attest, args=(tmp_path / "record", volume))
    marking.start()
    load_on(volume, tmp_path / "record", request, criteria=(Criterion("errors", limit),))
    marking.join()
    found = check_on(volume, tmp_path / "record").verdict
    assert (found["verdict"], found["writes"]["errors"]) == (verdict, 1)
    assert found["reasons"] == [said] if said else said not in found["reasons"]


def test_the_command_keeps_them_and_the_check_tells_them(tmp_path: Path) -> None:
    criteria = written(tmp_path, '[criteria]\nerrors = 0\nstall = "10s"\n')
    record, volume = tmp_path / "record", tmp_path / "volume"
    small = ("--lanes", "2", "--span", "256KiB", "--operations", "50")
    done = ackproof("write", volume, "--record", record, *small, "--criteria", criteria)
    assert done.returncode == 0, done.stderr
    kept = json.loads((record / "run.json").read_text())["criteria"]
    assert [(criterion["key"], criterion["measured"]) for criterion in kept] == [("errors", None), ("stall", None)]
    checked = ackproof("check", record)
    assert checked.returncode == 3
    assert "errors seen by the guest: at most 0; measured 0, met" in checked.stdout
    assert "longest stall: at most 10.0 s; could not be measured" in " ".join(checked.stdout.split())
    wrong = ackproof("write", tmp_path / "other", "--record", tmp_path / "r", *small, "--criteria", tmp_path / "none")
    assert (wrong.returncode, "cannot be read" in wrong.stderr) == (2, True)
    assert not (tmp_path / "other").exists()


def test_the_criteria_shown_in_the_readme_can_be_read(tmp_path: Path) -> None:
    readme = (PROJECT / "README.md").read_text()
    block = "   [criteria]" + readme.split("```toml\n   [criteria]", 1)[1].split("```", 1)[0]
    assert {criterion.key for criterion in read_criteria(written(tmp_path, textwrap.dedent(block)))} == set(KINDS)
