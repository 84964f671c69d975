"""The run description survives JSON, and anything that does not fit is told in one sentence."""

import contextlib
import json

import pytest

from tests.load.driving import make_run
from verify.drill.planning import RunRequest, StreamRequest, plan_run
from verify.errors import UsageError
from verify.load.run import Run
from verify.load.schedule import Flush, Pattern

PLANNED = plan_run(
    RunRequest(
        streams=(
            StreamRequest(lanes=3, span_bytes=1 << 20, pattern=Pattern.SKEWED, read_share=0.25, pace=10.5),
            StreamRequest(block_bytes=1 << 16, lanes=2, span_bytes=1 << 20, flush=Flush.EVERY, flush_every=9),
        ),
        start_bytes=8192,
        seed=2**64 - 1,
        promise="flushed",
        operations=12,
    ),
    1 << 24,
    512,
)


def as_json(run):
    return json.loads(json.dumps(run.to_json()))


def test_survives_json():
    assert Run.from_json(as_json(PLANNED), "x") == PLANNED


def test_streams_stand_one_after_the_other_and_lanes_and_slots_are_numbered_through():
    first, second = (stream.layout for stream in PLANNED.streams)
    assert (first.start_bytes, first.end_bytes, second.start_bytes) == (8192, 8192 + (1 << 20), 8192 + (1 << 20))
    assert (second.first_lane, second.first_slot, PLANNED.lanes, PLANNED.slots) == (3, 256, 5, 272)


@pytest.mark.parametrize("where", [(), ("streams", 0), ("streams", 1)])
def test_any_missing_or_wrong_field_is_told(where):
    whole = as_json(PLANNED)
    target = whole
    for step in where:
        target = target[step]
    for name in list(target):
        for value in (None, "x", -1, 2**70, 10**400, float("nan"), float("inf"), [], {}, 1.5, True):
            broken = json.loads(json.dumps(whole))
            inner = broken
            for step in where:
                inner = inner[step]
            inner[name] = value
            with contextlib.suppress(UsageError):
                Run.from_json(broken, "run.json")
        broken = json.loads(json.dumps(whole))
        inner = broken
        for step in where:
            inner = inner[step]
        del inner[name]
        if name != "operations":
            with pytest.raises(UsageError, match=name):
                Run.from_json(broken, "run.json")


@pytest.mark.parametrize("value", [None, [], "x", 3])
def test_something_else_than_an_object_is_told(value):
    with pytest.raises(UsageError, match="an object was expected"):
        Run.from_json(value, "run.json")


def test_streams_that_overlap_are_refused():
    broken = as_json(PLANNED)
    broken["streams"][1]["start_bytes"] = 0
    with pytest.raises(UsageError, match="begins inside"):
        Run.from_json(broken, "run.json")


class TestPlanning:
    def plan(self, size=1 << 20, sector=512, **stream):
        values = {"lanes": 4, **{k: v for k, v in stream.items() if k != "start"}}
        request = RunRequest(streams=(StreamRequest(**values),), start_bytes=stream.get("start", 0))
        request.check()
        return plan_run(request, size, sector)

    def test_takes_what_the_volume_has_by_default(self):
        assert self.plan(size=(1 << 20) + 100).slots == 256

    @pytest.mark.parametrize(
        ("values", "words"),
        [
            ({"block_bytes": 3000}, "power of two"),
            ({"block_bytes": 1 << 23}, "4 MiB"),
            ({"lanes": 0}, "at least 1"),
            ({"read_share": 1.5}, "from 0 to 1"),
            ({"pace": -1.0}, "--pace"),
            ({"span_bytes": 5000}, "whole number of blocks"),
            ({"span_bytes": 1 << 21}, "beyond the volume's end"),
            ({"span_bytes": 4096}, "too few"),
            ({"start": 100}, "multiple"),
            ({"flush": Flush.EVERY}, "at least 1"),
            ({"block_bytes": 512, "sector": 4096}, "smaller than the volume's sectors"),
            ({"lanes": 5000}, "at most 4096 lanes"),
        ],
    )
    def test_what_does_not_fit_is_told(self, values, words):
        with pytest.raises(UsageError, match=words):
            self.plan(**values)

    def test_runs_get_random_tags_whatever_the_seed(self):
        assert self.plan().tag != self.plan().tag


def test_a_lane_finds_its_stream():
    run = make_run(slots=9, lanes=3)
    assert run.stream_of_lane(2).layout.lane_slots(2) == 3
    with pytest.raises(IndexError):
        run.stream_of_lane(3)
