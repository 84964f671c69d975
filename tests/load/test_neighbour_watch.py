"""The watch over a floating address: what it calls a change, what it calls a move, and what a run makes of it."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import check_on, no_false_finding, verdict_of
from verify.drill import writing
from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.drill.record import LedgerParts, RecordFolder
from verify.drill.writing import LoadOptions, run_load
from verify.load.neighbour_watch import NeighbourChange, NeighbourWatch
from verify.load.supervisor import Snapshot, Supervisor

A, B, C = "02:00:00:00:00:aa", "02:00:00:00:00:bb", "02:00:00:00:00:cc"
NAMES = {A: "left", B: "right"}


@dataclass
class FakeTable:
    """Answers what it is told to."""

    answer: str = ""
    address: str = "192.0.2.9"
    looks: int = 0
    closed: bool = False

    def hardware_address(self) -> str:
        self.looks += 1
        return self.answer

    def wait(self, seconds: float) -> None:
        time.sleep(min(seconds, 0.01))

    def close(self) -> None:
        self.closed = True


def changes(answers: Sequence[str], names: dict[str, str] | None = None) -> list[NeighbourChange | None]:
    """What a watch tells of each of its looks; look i is at i seconds, by the wall clock a hundred later."""
    table = FakeTable()
    watch = NeighbourWatch(table, NAMES if names is None else names)
    out = []
    for second, table.answer in enumerate(answers):
        out.append(watch.look(second * 10**9, (second + 100) * 10**9))
    return out


def moves(answers: Sequence[str], names: dict[str, str] | None = None) -> list[tuple[int, str]]:
    """At which look a move was told, and in what words."""
    told = enumerate(changes(answers, names))
    return [(look, change.moved["text"]) for look, change in told if change is not None and change.moved is not None]


class TestChanges:
    def test_the_first_look_is_one_even_if_nothing_is_known(self) -> None:
        assert changes(["", ""]) == [NeighbourChange("192.0.2.9", "", "", None), None]
        assert changes([A, A]) == [NeighbourChange("192.0.2.9", A, "left", None), None]

    def test_only_a_difference_from_the_last_look_is_one(self) -> None:
        told = changes([A, A, "", "", A, B, B, C])
        assert [None if change is None else (change.hardware_address, change.name) for change in told] == [
            (A, "left"), None, ("", ""), None, (A, "left"), (B, "right"), None, (C, ""),
        ]  # fmt: skip


class TestMoves:
    def test_another_controller_is_one_at_once(self) -> None:
        assert moves([A, A, B, B]) == [(2, f"192.0.2.9 moved from left ({A}) to right ({B})")]

    def test_a_controller_without_a_name_is_called_by_its_hardware_address(self) -> None:
        assert moves([B, C]) == [(1, f"192.0.2.9 moved from right ({B}) to {C}")]
        assert moves([A, B], {}) == [(1, f"192.0.2.9 moved from {A} to {B}")]

    @pytest.mark.parametrize("answers", [[A], ["", A], [A, "", A], [A, "", "", A, A], ["", "", ""]])
    def test_silence_and_the_same_controller_again_are_none(self, answers: list[str]) -> None:
        assert moves(answers) == []

    def test_one_across_a_silence_is_told_when_the_other_is_seen(self) -> None:
        assert [look for look, _ in moves([A, "", "", B])] == [3]

    def test_there_and_back_are_two(self) -> None:
        assert [look for look, _ in moves([A, B, A, A])] == [1, 2]

    def test_another_port_of_the_same_controller_is_a_change_and_no_move(self) -> None:
        names = {A: "left", C: "left", B: "right"}
        told = changes([A, C], names)
        assert told[1] == NeighbourChange("192.0.2.9", C, "left", None)
        assert moves([A, C, B], names) == [(2, f"192.0.2.9 moved from left ({C}) to right ({B})")]

    @pytest.mark.parametrize(("answers", "looked"), [([A, A, B], 1), ([A, "", "", "", B], 3)])
    def test_the_mark_is_one_of_a_takeover_dated_to_the_look_before(self, answers: list[str], looked: int) -> None:
        change = changes(answers)[-1]
        assert change is not None
        assert change.moved is not None
        assert {name: change.moved[name] for name in change.moved if name != "text"} == {
            "takeover": True, "watched": True,
            "pressed_ns": looked * 10**9, "pressed_wall_ns": (looked + 100) * 10**9,
        }  # fmt: skip

    def test_closing_it_closes_the_table(self) -> None:
        table = FakeTable()
        NeighbourWatch(table, {}).close()
        assert table.closed


@dataclass
class Drill:
    """A run on a volume in memory whose floating address does as `answers` say, one a look once the load has begun."""

    record: Path
    answers: list[str]
    table: FakeTable = field(default_factory=lambda: FakeTable(A))
    volume: MemoryVolume = field(default_factory=lambda: MemoryVolume(SPAN_BYTES, write_delay_s=0.0005))
    raised: list[int] = field(default_factory=list)
    told: list[dict[str, Any]] = field(default_factory=list)
    supervisor: Supervisor | None = None
    _loading: bool = False
    _writes_then: int | None = None

    def run(self, monkeypatch: pytest.MonkeyPatch) -> None:
        drill = self

        class Kept(Supervisor):
            def __init__(self, *arguments: Any) -> None:
                super().__init__(*arguments)
                drill.supervisor = self

        monkeypatch.setattr(writing, "Supervisor", Kept)
        request = RunRequest((StreamRequest(4096, LANES, SPAN_BYTES),), seed=3)
        folder = RecordFolder.create(str(self.record))
        run = plan_run(request, self.volume.size_bytes, self.volume.sector_bytes)
        options = LoadOptions(None, self.tick, self.event, processes=False, handle_signals=False)
        try:
            watch = NeighbourWatch(self.table, NAMES)
            run_load(folder, run, lambda: self.volume, self.volume.facts(), options, neighbour=watch)
        finally:
            folder.release()

    def event(self, event: dict[str, Any]) -> None:
        assert self.supervisor is not None
        self.told.append(event)
        self.raised.append(self.supervisor.shared.outage_cells[0])
        self._loading = self._loading or event["event"] == "load_began"

    def tick(self, snapshot: Snapshot) -> None:
        """Turn to the next answer for the next look; when none is left go on until much was written, then stop."""
        assert self.supervisor is not None
        if self._loading and self.answers:
            self.table.answer = self.answers.pop(0)
        elif self._loading and self._writes_then is None:
            self._writes_then = snapshot.writes
        elif self._writes_then is not None and snapshot.writes > self._writes_then + SLOTS:
            self.supervisor.stop("the test has seen enough")

    def events(self, kind: str) -> list[dict[str, Any]]:
        """The events of a kind in the ledger."""
        folder = RecordFolder.open(str(self.record))
        _, run = folder.read_run()
        items = [item for part, item in LedgerParts(folder, run)() if part == 0 and isinstance(item, dict)]
        return [item for item in items if item["event"] == kind]

    def lines(self, kind: str) -> list[dict[str, Any]]:
        """The lines of a kind in events.jsonl."""
        lines = map(json.loads, (self.record / "events.jsonl").read_text().splitlines())
        return [line for line in lines if line["event"] == kind]


SPAN_BYTES, LANES = 256 << 10, 4
SLOTS = SPAN_BYTES // 4096


@pytest.fixture
def drill(tmp_path: Path) -> Drill:
    return Drill(tmp_path / "record", [])


class TestInARun:
    def test_a_move_is_told_to_the_lanes_and_kept_in_the_ledger_and_the_events(
        self, drill: Drill, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        drill.answers = [A, "", B]
        drill.run(monkeypatch)
        seen = drill.events("neighbour")
        assert [(event["hardware_address"], event["name"]) for event in seen] == [(A, "left"), ("", ""), (B, "right")]
        assert {event["address"] for event in seen} == {"192.0.2.9"}
        (mark,) = drill.events("mark")
        assert (mark["takeover"], mark["watched"]) == (True, True)
        assert mark["text"] == f"192.0.2.9 moved from left ({A}) to right ({B})"
        assert seen[1]["monotonic_ns"] <= mark["pressed_ns"] < seen[2]["monotonic_ns"] < mark["accepted_ns"]
        assert drill.lines("neighbour") == seen
        assert drill.lines("mark") == [mark]

    def test_the_outage_counter_is_raised_before_anything_of_it_is_written_down(
        self, drill: Drill, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        drill.answers = [A, B]
        drill.run(monkeypatch)
        kinds = [event["event"] for event in drill.told]
        first = drill.told.index(next(e for e in drill.told if e.get("hardware_address") == B))
        assert kinds[first - 1] == "mark"
        before, at_mark = drill.raised[first - 2], drill.raised[first - 1]
        assert at_mark > before

    def test_what_is_no_move_raises_nothing(self, drill: Drill, monkeypatch: pytest.MonkeyPatch) -> None:
        drill.answers = ["", A, "", "", A]
        drill.run(monkeypatch)
        assert len(drill.events("neighbour")) == 5
        assert drill.events("mark") == []

    def test_lanes_examine_after_it_and_the_verdict_tells_the_way_it_went(
        self, drill: Drill, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        drill.answers = [A, B]
        drill.run(monkeypatch)
        checked = check_on(drill.volume, drill.record)
        verdict = verdict_of(drill.record)
        no_false_finding(verdict, [])
        (takeover,) = verdict["takeovers"]
        assert takeover["seen"] == "attested"
        assert takeover["slots"]["examined"] > SLOTS // 4
        assert takeover["slots"]["unexamined"] == 0
        path = takeover["path"]
        assert (path["address"], path["moved"], path["moves"]) == ("192.0.2.9", True, 1)
        assert [path[end]["controller"] for end in ("before", "after")] == ["left", "right"]
        assert verdict["verdict"] == "PASS", verdict["reasons"]
        limits = checked.verdict["not_proved"]
        assert not any("operator's mark alone" in limit for limit in limits)
        assert sum("ms before the address was seen to have moved" in limit for limit in limits) == 1

    def test_an_address_that_moves_on_and_on_is_one_takeover(
        self, drill: Drill, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Both controllers answer, say: twenty moves a second must not become twenty takeovers a second."""
        drill.answers = [A, B] * 6
        drill.run(monkeypatch)
        assert len(drill.events("mark")) == 11
        check_on(drill.volume, drill.record)
        (takeover,) = verdict_of(drill.record)["takeovers"]
        assert takeover["path"]["moves"] == 11
        assert len(takeover["marks"]) == 4

    def test_the_run_says_what_it_watches(self, drill: Drill, monkeypatch: pytest.MonkeyPatch) -> None:
        drill.run(monkeypatch)
        about = json.loads((drill.record / "run.json").read_text())
        assert about["floating_address"] == "192.0.2.9"
