"""Whole runs by a ring: the same bytes as by threads, kills, refusals, and the death of a worker."""

from __future__ import annotations

import errno
import itertools
import json
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from tests.drill.runs import (
    ackproof,
    check_here,
    losses_of,
    no_false_finding,
    run_here,
    start,
    verdict_of,
    wait_for_load,
    wait_until,
)
from verify.commands.write import write as write_command
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, write_to_volume
from verify.errors import CannotRun
from verify.ledger.frames import Records
from verify.load import ring as ring_module
from verify.load.ring import Ring, ring_refusal, why_refused
from verify.load.schedule import Flush, Pattern

REFUSED = ring_refusal()
needs_ring = pytest.mark.skipif(bool(REFUSED), reason=f"needs io_uring: {REFUSED}")


STREAM = StreamRequest(4096, 6, 1 << 20, read_share=0.2)


def write(
    path: Path, record: Path, request: RunRequest, submit: str, on_event: Callable[[dict[str, Any]], object] = len
) -> None:
    options = LoadOptions(
        None, lambda snapshot: None, cast(Any, on_event), processes=False, handle_signals=False, submit=submit
    )
    write_to_volume(str(path), str(record), request, options)


def submissions(record: Path) -> list[tuple[str, str]]:
    """What each worker's ledger says of how it submitted."""
    events = []
    for part in sorted((record / "ledger").glob("*.ledger")):
        text = part.read_bytes()
        for piece in text.split(b'{"event":"submission",')[1:]:
            event = json.loads(b"{" + piece.split(b"}")[0] + b"}")
            events.append((event["how"], event["why"]))
    return events


@needs_ring
class TestWholeRuns:
    @pytest.mark.parametrize(
        "stream",
        [
            {},
            {"read_share": 0.0},
            {"read_share": 0.0, "lanes": 1},
            {"read_share": 0.0, "lanes": 40, "block_bytes": 512},
            {"read_share": 0.0, "block_bytes": 65536},
            {"pattern": Pattern.SKEWED},
            {"flush": Flush.WRITE},
            {"flush": Flush.EVERY, "flush_every": 4},
        ],
    )
    @pytest.mark.parametrize("workers", [1, 3])
    def test_leave_the_same_bytes_as_threads(self, tmp_path: Path, stream: dict[str, Any], workers: int) -> None:
        request = RunRequest((replace(STREAM, **stream),), seed=8, tag=77, operations=60, workers=workers)
        for submit in ("ring", "threads"):
            write(tmp_path / submit, tmp_path / f"record {submit}", request, submit)
            assert {how for how, _ in submissions(tmp_path / f"record {submit}")} == {submit}
        assert (tmp_path / "ring").read_bytes() == (tmp_path / "threads").read_bytes()

    def test_auto_means_a_ring_on_a_real_volume(self, tmp_path: Path) -> None:
        request = RunRequest((STREAM,), operations=5, workers=3)
        write(tmp_path / "volume", tmp_path / "record", request, "auto")
        assert submissions(tmp_path / "record") == [("ring", "")] * 3

    def test_auto_means_threads_where_the_driver_takes_nothing_without_waiting(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def refusing(fd: int, buffers: Any, offset: int, flags: int = 0) -> int:
            if flags & os.RWF_NOWAIT:
                raise OSError(errno.EOPNOTSUPP, "Operation not supported")
            return preadv(fd, buffers, offset, flags)

        preadv = os.preadv
        monkeypatch.setattr(os, "preadv", refusing)
        for submit, how in (("auto", "threads"), ("ring", "ring")):
            request = RunRequest((STREAM,), operations=5, workers=2)
            write(tmp_path / submit, tmp_path / f"record {submit}", request, submit)
            (said,) = set(submissions(tmp_path / f"record {submit}"))
            assert said[0] == how
            assert ("without waiting" in said[1]) == (how == "threads")

    def test_do_without_registered_memory_where_the_kernel_refuses_it(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        rings: list[Ring] = []

        def register(self: Ring, buffers: memoryview) -> None:
            rings.append(self)
            known(self, buffers)

        known = Ring.register
        monkeypatch.setattr(Ring, "register", register)
        for most_bytes in (1 << 30, 0):
            monkeypatch.setattr(ring_module, "_BUFFER_BYTES_MAX", most_bytes)
            request = RunRequest((STREAM,), seed=8, tag=77, operations=30, workers=1)
            write(tmp_path / str(most_bytes), tmp_path / f"record {most_bytes}", request, "ring")
        assert [ring.has_buffers for ring in rings][1:] == [False]
        assert (tmp_path / "0").read_bytes() == (tmp_path / str(1 << 30)).read_bytes()

    def test_say_how_long_completions_lay(self, tmp_path: Path) -> None:
        for submit in ("ring", "threads"):
            record = tmp_path / f"record {submit}"
            write(tmp_path / submit, record, RunRequest((STREAM,), operations=50, workers=2), submit)
            delays = json.loads((record / "run.json").read_text())["result"]["completion_to_record"]
            verdict = check_here(record).verdict
            assert verdict["run"]["completion_to_record"] == delays
            if submit == "threads":
                assert delays is None
                continue
            assert 6 * (50 - 1) <= delays["operations"] <= 6 * 50, "the fill is left out, and what ends after the stop"
            assert 0 < delays["p50_ns"] <= delays["p99_ns"] <= delays["max_ns"]

    def test_write_and_check_find_nothing(self, tmp_path: Path) -> None:
        record = tmp_path / "record"
        arguments = ("--for", "1s", "--lanes", 16, "--span", "4MiB", "--read-share", "0.2", "--submit", "ring")
        written = ackproof("write", tmp_path / "volume", "--record", record, *arguments)
        assert written.returncode == 0, written.stderr
        assert {how for how, _ in submissions(record)} == {"ring"}
        assert ackproof("check", record).returncode == 3
        no_false_finding(verdict_of(record), losses_of(record / "checks" / "001"))

    def test_killed_in_the_middle_nothing_is_found(self, tmp_path: Path) -> None:
        record = tmp_path / "record"
        arguments = ("--for", "1h", "--lanes", 16, "--span", "4MiB", "--submit", "ring")
        writer = start("write", tmp_path / "volume", "--record", record, *arguments)
        wait_for_load(record, writer)
        time.sleep(0.3)
        os.killpg(writer.pid, signal.SIGKILL)
        writer.communicate()
        wait_until(lambda: run_here("check", record).returncode == 3, "the workers' end")
        no_false_finding(verdict_of(record), losses_of(record / "checks" / "001"))
        assert verdict_of(record)["writes"]["acknowledged"] > 1024

    def test_a_ring_that_stops_working_costs_its_worker_and_its_lanes_stay_open(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        turns = itertools.count()
        submit_and_wait = Ring.submit_and_wait

        def breaking(self: Ring, tail: int, timeout_ns: int) -> None:
            if next(turns) == 20:
                raise OSError(errno.EOPNOTSUPP, "broken")
            submit_and_wait(self, tail, timeout_ns)

        monkeypatch.setattr(Ring, "submit_and_wait", breaking)
        monkeypatch.setattr(threading, "excepthook", lambda arguments: None)
        request = RunRequest((STREAM,), workers=2, operations=300)
        write(tmp_path / "volume", tmp_path / "record", request, "ring")
        about = json.loads((tmp_path / "record" / "run.json").read_text())
        assert len(about["workers_lost"]) == 1
        result = check_here(tmp_path / "record")
        no_false_finding(result.verdict, losses_of(result.folder))


class TestWithoutARing:
    @pytest.fixture(autouse=True)
    def refuse(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def refused(self: Ring, operations: int) -> None:
            raise PermissionError(errno.EPERM, "Operation not permitted")

        monkeypatch.setattr(Ring, "__init__", refused)

    def test_auto_takes_threads_and_says_so(self, tmp_path: Path) -> None:
        told: list[dict[str, Any]] = []
        request = RunRequest((STREAM,), operations=5, workers=2)
        write(tmp_path / "volume", tmp_path / "record", request, "auto", told.append)
        (said,) = set(submissions(tmp_path / "record"))
        assert said[0] == "threads"
        assert "forbidden" in said[1]
        (once,) = [event for event in told if event["event"] == "submission"]
        assert (once["how"], once["why"]) == said
        events = [json.loads(line) for line in (tmp_path / "record" / "events.jsonl").read_text().splitlines()]
        assert events.count(once) == 1

    def test_the_command_says_why_threads_are_taken_and_nothing_where_they_were_asked_for(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        for submit in ("auto", "threads"):
            arguments = [str(tmp_path / submit), "--record", str(tmp_path / f"record {submit}"), "--operations", "5"]
            write_command.main([*arguments, "--span", "1MiB", "--submit", submit], standalone_mode=False)
            assert ("submitted by threads: io_uring is forbidden" in capsys.readouterr().err) == (submit == "auto")

    def test_a_ring_asked_for_is_refused_and_nothing_made(self, tmp_path: Path) -> None:
        with pytest.raises(CannotRun, match="--submit ring: io_uring is forbidden here"):
            write(tmp_path / "volume", tmp_path / "record", RunRequest((STREAM,), operations=5), "ring")
        assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("submit", ["ring", "threads"])
class TestDeathOfAWorker:
    def test_the_others_go_on_and_its_lanes_are_left_in_flight(self, tmp_path: Path, submit: str) -> None:
        if submit == "ring" and REFUSED:
            pytest.skip(f"needs io_uring: {REFUSED}")
        record = tmp_path / "record"
        arguments = ("--for", "1h", "--lanes", 6, "--workers", 3, "--span", "2MiB", "--submit", submit)
        writer = start("write", tmp_path / "volume", "--record", record, *arguments)
        wait_for_load(record, writer)
        children = Path(f"/proc/{writer.pid}/task/{writer.pid}/children").read_text().split()
        assert len(children) == 3
        time.sleep(0.3)
        os.kill(int(children[1]), signal.SIGKILL)
        events = record / "events.jsonl"
        wait_until(lambda: "worker_lost" in events.read_text(), "the loss of a worker", writer)
        lost_ns = time.monotonic_ns()
        time.sleep(0.5)
        writer.send_signal(signal.SIGINT)
        _, complaints = writer.communicate(timeout=60)
        assert writer.returncode == 4, complaints
        assert "did not end as planned" in complaints
        (lost,) = [e for e in map(json.loads, events.read_text().splitlines()) if e["event"] == "worker_lost"]
        about, run = RecordFolder.open(str(record)).read_run()
        assert about["workers_lost"] == [lost["worker"]]
        assert [lane for lane in range(6) if run.lane_workers[lane] == lost["worker"] + 1] == lost["lanes"]
        assert set(lost["in_flight"]) <= set(map(str, lost["lanes"]))
        assert lost["in_flight"] or submit == "threads", "a thread may be between two operations"
        for part in (1, 2, 3):
            items = RecordFolder.open(str(record)).ledger_file(part, run.tag).items()
            last_ns = max(int(item.issued_ns.max()) for item in items if isinstance(item, Records))
            assert (last_ns > lost_ns) == (part != lost["worker"] + 1)
        assert run_here("check", record).returncode == 3
        verdict = verdict_of(record)
        no_false_finding(verdict, losses_of(record / "checks" / "001"))
        assert any("lost worker" in limit for limit in verdict["not_proved"])
        assert any("never closed" in limit for limit in verdict["not_proved"])


@pytest.mark.parametrize(
    ("code", "words"), [(errno.ENOSYS, "too old"), (errno.EPERM, "forbidden"), (errno.ENOMEM, "Cannot allocate")]
)
def test_a_refusal_is_told_in_words(code: int, words: str) -> None:
    assert words in why_refused(OSError(code, os.strerror(code)))
