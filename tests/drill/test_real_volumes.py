"""The whole job as a user does it, on a real file and on a block device, with direct I/O."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.drill.conftest import Attach
from tests.drill.runs import (
    ackproof,
    check_here,
    convicting,
    losses_of,
    no_false_finding,
    run_here,
    start,
    verdict_of,
    wait_for_load,
    write_here,
)
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder

SPAN_BYTES = 8 << 20
MAIN_JOB = ("--block", "4KiB", "--lanes", 16, "--span", "8MiB")


@pytest.fixture(params=["file", "loop"])
def target(request: pytest.FixtureRequest, tmp_path: Path) -> list[str]:
    """What names the volume on the command line of `write`: a file that is not there yet, or a device to be erased."""
    if request.param == "file":
        return [str(tmp_path / "volume")]
    device = request.getfixturevalue("attach")(backing_file(tmp_path / "backing", SPAN_BYTES))
    survey = ackproof("survey", device)
    identity = next(line.split("  ", 1)[1].strip() for line in survey.stdout.splitlines() if "--erase" in line)
    return [device, "--erase", identity]


def backing_file(path: Path, size_bytes: int) -> Path:
    with open(path, "wb") as file:
        os.posix_fallocate(file.fileno(), 0, size_bytes)
    return path


def take_over_and_end(writer: subprocess.Popen[str], record: Path, mark: str) -> None:
    """Mark a takeover under load, let the load go on for a while, and end it."""
    try:
        wait_for_load(record, writer)
        time.sleep(0.3)
        marked = ackproof("mark", record, "--takeover", mark)
        assert (marked.returncode, marked.stdout) == (0, "marked as a takeover\n")
        time.sleep(1.0)
    finally:
        os.killpg(writer.pid, signal.SIGINT)
        _, said = writer.communicate(timeout=60)
    assert writer.returncode == 0, said
    assert "Traceback" not in said


def run_json(record: Path) -> dict[str, Any]:
    value: dict[str, Any] = json.loads((record / "run.json").read_text())
    return value


class TestTheMainJob:
    def test_without_a_takeover_nothing_is_found_and_nothing_proved(self, target: list[str], tmp_path: Path) -> None:
        record = tmp_path / "record"
        written = ackproof("write", *target, "--record", record, "--for", "1s", *MAIN_JOB)
        assert written.returncode == 0, written.stderr
        assert "Traceback" not in written.stderr
        about = run_json(record)
        assert (about["volume"]["direct"], about["volume"]["page_cache"]) == (True, "")
        assert about["result"]["acknowledged_writes"] > 0
        checked = ackproof("check", record)
        assert checked.returncode == 3, checked.stdout
        assert checked.stdout.startswith("INCONCLUSIVE")
        verdict = verdict_of(record)
        no_false_finding(verdict, losses_of(record / "checks" / "001"))
        assert verdict["reasons"] == ["no takeover was observed, and none was attested by a mark made in time"]
        slots = SPAN_BYTES // 4096
        assert verdict["coverage"] == {"slots": slots, "slots_read": slots, "bytes_read": SPAN_BYTES}
        assert verdict["writes"]["acknowledged"] == about["result"]["acknowledged_writes"] + slots
        assert verdict["writes"]["errors"] == 0

    @pytest.mark.parametrize("load", [("--submit", "threads"), ("--flush-every", "write")], ids=["threads", "through"])
    def test_with_a_takeover_attested_under_load_it_passes(
        self, target: list[str], tmp_path: Path, load: tuple[str, ...]
    ) -> None:
        """Loads that leave a volume as fast as this machine's own hardly a moment without a write in flight."""
        record = tmp_path / "record"
        writer = start("write", *target, "--record", record, "--for", "5min", *MAIN_JOB, *load)
        take_over_and_end(writer, record, "cable of controller A pulled")
        checked = ackproof("check", record)
        assert checked.returncode == 0, checked.stdout
        assert checked.stdout.startswith("PASS")
        assert "attested" in checked.stdout
        verdict = verdict_of(record)
        no_false_finding(verdict, losses_of(record / "checks" / "001"))
        [takeover] = verdict["takeovers"]
        assert (takeover["seen"], takeover["marks"]) == ("attested", ["cable of controller A pulled"])
        assert takeover["in_flight"] > 0
        assert takeover["slots"]["unexamined"] == 0
        assert sum(takeover["slots"].values()) == SPAN_BYTES // 4096
        assert any("operator's mark alone" in limit for limit in verdict["not_proved"])


LOADS = {
    "threads": ("--submit", "threads", "--read-share", "0.3"),
    "sweep": ("--pattern", "sweep", "--read-share", "0.3"),
    "skewed": ("--pattern", "skewed", "--read-share", "0.5"),
    "without a fill": ("--no-fill", "--read-share", "0.5"),
    "512 B blocks": ("--block", "512", "--span", "256KiB"),
    "1 MiB blocks": ("--block", "1MiB", "--span", "8MiB", "--lanes", 4),
    "flushes": ("--flush-every", 3),
    "written through": ("--flush-every", "write"),
}


@pytest.mark.parametrize("load", LOADS)
def test_every_kind_of_load_is_checked_without_a_finding(tmp_path: Path, load: str) -> None:
    record = tmp_path / "record"
    arguments = ["--for", "0.5s", "--lanes", 8, "--span", "2MiB", *LOADS[load]]
    written = ackproof("write", tmp_path / "volume", "--record", record, *arguments)
    assert written.returncode == 0, written.stderr
    result = check_here(record, read_twice=True)
    no_false_finding(result.verdict, losses_of(result.folder))
    assert result.verdict["reasons"] == ["no takeover was observed, and none was attested by a mark made in time"]
    filled = 0 if "--no-fill" in arguments else result.verdict["coverage"]["slots"]
    assert result.verdict["writes"]["acknowledged"] == run_json(record)["result"]["acknowledged_writes"] + filled


def test_several_streams_from_a_file(tmp_path: Path) -> None:
    streams, record, volume = tmp_path / "streams.toml", tmp_path / "record", tmp_path / "volume"
    streams.write_text(
        '[[stream]]\nblock = "512"\nlanes = 3\nspan = "64KiB"\npattern = "sweep"\n'
        '[[stream]]\nblock = "64KiB"\nlanes = 2\nspan = "1MiB"\nread-share = 0.5\nflush-every = 4\n'
        '[[stream]]\nblock = "4KiB"\nlanes = 5\nspan = "512KiB"\npattern = "skewed"\npace = 500\n'
        'flush-every = "write"\n'
    )
    written = ackproof("write", volume, "--record", record, "--for", "0.5s", "--streams", streams, "--start", "8KiB")
    assert written.returncode == 0, written.stderr
    assert volume.stat().st_size == (8 + 64 + 1024 + 512) << 10
    result = check_here(record)
    no_false_finding(result.verdict, losses_of(result.folder))
    assert result.verdict["coverage"]["slots"] == result.verdict["coverage"]["slots_read"] == 128 + 16 + 128
    spoilt_offset = (8 + 64 + 3 * 64) << 10
    with open(volume, "r+b") as file:
        file.seek(spoilt_offset)
        file.write(bytes(65536))
    result = check_here(record)
    [row] = losses_of(result.folder)
    assert (row["kind"], row["stream"], int(row["offset"]), int(row["length"])) == ("blank", "1", spoilt_offset, 65536)


def test_a_paced_load_keeps_to_its_pace(tmp_path: Path) -> None:
    record = tmp_path / "record"
    lanes, pace = 4, 120
    arguments = ("--for", "1s", "--lanes", lanes, "--span", "256KiB", "--pace", pace)
    written = ackproof("write", tmp_path / "volume", "--record", record, *arguments)
    assert written.returncode == 0, written.stderr
    result = run_json(record)["result"]
    assert 0 < result["acknowledged_writes"] <= pace * result["seconds"] + lanes


def test_only_the_span_is_written_to(tmp_path: Path) -> None:
    volume, record = tmp_path / "volume", tmp_path / "record"
    before = os.urandom(1 << 20)
    volume.write_bytes(before)
    written = ackproof(
        "write", volume, "--erase", os.path.realpath(volume), "--record", record, "--operations", 50, "--lanes", 4,
        "--start", "256KiB", "--span", "512KiB", "--seed", 77,
    )  # fmt: skip
    assert written.returncode == 0, written.stderr
    after = volume.read_bytes()
    start_bytes, end_bytes = 256 << 10, 768 << 10
    assert len(after) == len(before)
    assert after[:start_bytes] == before[:start_bytes]
    assert after[end_bytes:] == before[end_bytes:]
    assert all(after[at : at + 4096] != before[at : at + 4096] for at in range(start_bytes, end_bytes, 4096))
    assert run_json(record)["run"]["seed"] == 77
    assert run_json(record)["result"]["acknowledged_writes"] == 4 * 50


class TestThePromiseFlushed:
    def write(self, tmp_path: Path, flush_every: str) -> Path:
        record = tmp_path / "record"
        arguments = ("--for", "5min", "--lanes", 16, "--span", "1MiB", "--promise", "flushed")
        more = ("--record", record, "--flush-every", flush_every)
        writer = start("write", tmp_path / "volume", *arguments, *more)
        take_over_and_end(writer, record, "power cut")
        return record

    @pytest.mark.parametrize("flush_every", ["write", "50"])
    def test_with_flushes_it_passes(self, tmp_path: Path, flush_every: str) -> None:
        record = self.write(tmp_path, flush_every)
        checked = ackproof("check", record)
        assert checked.returncode == 0, checked.stdout
        assert "no flushed or written-through write was lost" in checked.stdout

    def test_without_any_flush_under_load_only_the_fill_is_covered(self, tmp_path: Path) -> None:
        """The fill ends with a flush of every lane, so what it wrote is owed, and nothing written since."""
        record = self.write(tmp_path, "never")
        result = check_here(record)
        no_false_finding(result.verdict, losses_of(result.folder))
        with open(tmp_path / "volume", "r+b") as file:
            file.write(bytes(4096))
        result = check_here(record)
        assert convicting(result.verdict) == {"blank": 1}


class TestRepeatedChecks:
    @pytest.fixture
    def record(self, tmp_path: Path) -> Path:
        request = RunRequest((StreamRequest(4096, 4, 256 << 10),), operations=20)
        write_here(tmp_path / "volume", tmp_path / "record", request)
        return tmp_path / "record"

    def test_every_check_is_kept_and_the_worst_is_the_verdict_of_the_run(self, record: Path, tmp_path: Path) -> None:
        volume = tmp_path / "volume"
        sound = volume.read_bytes()
        assert run_here("check", record).returncode == 3
        spoilt = os.urandom(4096)
        volume.write_bytes(sound[:8192] + spoilt + sound[12288:])
        failed = run_here("check", record)
        assert failed.returncode == 1
        assert failed.stdout.startswith("FAIL")
        volume.write_bytes(sound)
        assert run_here("check", record, "--read-twice").returncode == 3
        verdicts = [
            json.loads((record / "checks" / name / "verdict.json").read_text()) for name in ("001", "002", "003")
        ]
        assert [v["verdict"] for v in verdicts] == ["INCONCLUSIVE", "FAIL", "INCONCLUSIVE"]
        assert verdict_of(record) == verdicts[1]
        assert [len(losses_of(record / "checks" / name)) for name in ("001", "002", "003")] == [0, 1, 0]
        [row] = losses_of(record / "checks" / "002")
        assert "bytes kept in specimens/check-002.bin at 0" in row["detail"]
        assert (record / "specimens" / "check-002.bin").read_bytes() == spoilt

    def test_the_worst_verdict_outlives_the_file_at_the_root(self, record: Path, tmp_path: Path) -> None:
        volume = tmp_path / "volume"
        sound = volume.read_bytes()
        volume.write_bytes(bytes(len(sound)))
        assert check_here(record).verdict["verdict"] == "FAIL"
        (record / "verdict.json").write_text("spoilt")
        volume.write_bytes(sound)
        assert check_here(record).verdict["verdict"] == "INCONCLUSIVE"
        assert verdict_of(record)["verdict"] == "FAIL"

    def test_what_a_killed_check_left_is_in_nobodys_way(self, record: Path) -> None:
        left = record / "checks" / ".001.partial"
        left.mkdir(parents=True)
        (left / "losses.csv").write_text("half a row")
        assert run_here("check", record).returncode == 3
        assert sorted(p.name for p in (record / "checks").iterdir()) == ["001"]

    def test_only_one_check_at_a_time(self, record: Path) -> None:
        with RecordFolder.open(str(record)).checking():
            second = ackproof("check", record)
        assert second.returncode == 4
        assert "another check" in second.stderr

    @pytest.mark.parametrize("how", [os.link, shutil.copy, os.symlink], ids=["hard link", "copy", "symbolic link"])
    def test_the_same_blocks_by_another_path(
        self, record: Path, tmp_path: Path, how: Callable[[Path, Path], Any]
    ) -> None:
        other = tmp_path / "other"
        how(tmp_path / "volume", other)
        checked = run_here("check", record, "--volume", other)
        assert checked.returncode == 3, checked.stdout
        verdict = verdict_of(record)
        no_false_finding(verdict, losses_of(record / "checks" / "001"))
        doubts = [limit for limit in verdict["not_proved"] if "same volume by its identity" in limit]
        assert len(doubts) == (how is not os.symlink)

    def test_a_file_seen_through_a_block_device(self, record: Path, tmp_path: Path, attach: Attach) -> None:
        checked = run_here("check", record, "--volume", attach(tmp_path / "volume"))
        assert checked.returncode == 3, checked.stdout
        no_false_finding(verdict_of(record), losses_of(record / "checks" / "001"))

    def test_a_copy_made_earlier_has_lost_what_came_after(self, tmp_path: Path) -> None:
        request = RunRequest((StreamRequest(4096, 4, 256 << 10),), seed=3, tag=4, operations=10)
        write_here(tmp_path / "early", tmp_path / "early record", request)
        later = RunRequest((StreamRequest(4096, 4, 256 << 10),), seed=3, tag=4, operations=30)
        write_here(tmp_path / "volume", tmp_path / "record", later)
        checked = run_here("check", tmp_path / "record", "--volume", tmp_path / "early")
        assert checked.returncode == 1, checked.stdout
        early, late = ((tmp_path / name).read_bytes() for name in ("early", "volume"))
        differing = {at for at in range(0, len(late), 4096) if early[at : at + 4096] != late[at : at + 4096]}
        rows = losses_of(tmp_path / "record" / "checks" / "001")
        assert {int(row["offset"]) for row in rows} == differing
        assert {row["kind"] for row in rows} == {"lost"}
