"""Checks that run out of memory, wherever that happens: a clear sentence and exit code 4, and nothing changes."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.commands.test_bad_input import here
from tests.drill.runs import check_here, environment, write_here
from verify.commands.main import cli, main
from verify.drill import readahead
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, write_to_volume

MIB = 1 << 20
SPAN_BYTES = 128 * MIB
"""Sparse: a quarter of a million slots, of which some bytes each are kept."""

MORE_MIB = (1, 2, 4, 8, 12, 16, 24, 4096)
"""Address space beyond what a check has when it begins; the last is enough for all."""

CHECK_WITH = """
import json, os, resource, sys
import concurrent.futures.thread
from verify.commands.main import main
import verify.commands.check, verify.drill.checking, verify.drill.observed, verify.report.text

PAGE = os.sysconf("SC_PAGE_SIZE")
for more in map(int, sys.stdin):
    out, told = os.pipe()
    child = os.fork()
    if not child:
        os.dup2(told, 1), os.dup2(told, 2)
        with open("/proc/self/statm") as file:
            now = int(file.read().split()[0]) * PAGE
        resource.setrlimit(resource.RLIMIT_AS, (now + more * 2**20,) * 2)
        try:
            main(["check", sys.argv[1]])
        except SystemExit as end:
            os._exit(end.code)
        os._exit(99)
    os.close(told)
    with os.fdopen(out, errors="replace") as file:
        said = file.read()
    print(json.dumps([more, os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), said]), flush=True)
"""


def state_of(record: Path) -> dict[str, bytes]:
    """Every file of a record folder, but for the raw blocks that a check had kept before it ended."""
    files = (path for path in sorted(record.rglob("*")) if path.is_file())
    return {str(path.relative_to(record)): path.read_bytes() for path in files if "check-002" not in path.name}


def checks_with(more_mib: Sequence[int], record: Path) -> Iterator[tuple[int, int, str]]:
    """Check with so much more memory, one after another: each with its exit code and what was said."""
    command = [sys.executable, "-c", CHECK_WITH, str(record)]
    with subprocess.Popen(
        command, env=environment(), stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for more in more_mib:
            process.stdin.write(f"{more}\n")
            process.stdin.flush()
            said, code, text = json.loads(process.stdout.readline())
            yield said, code, text


def test_a_check_without_memory_concludes_nothing(tmp_path: Path) -> None:
    """One process with everything imported, and a fork of it for each limit."""
    record, volume = tmp_path / "record", tmp_path / "volume"
    with open(volume, "wb") as file:
        file.truncate(SPAN_BYTES)
    stream = StreamRequest(512, 4, SPAN_BYTES)
    request = RunRequest((stream,), seed=1, operations=200, fill=False)
    options = LoadOptions(None, lambda snapshot: None, processes=False, handle_signals=False)
    write_to_volume(str(volume), str(record), request, options, erase=os.path.realpath(volume))
    with open(volume, "r+b") as file:
        at = os.lseek(file.fileno(), 0, os.SEEK_DATA)
        page = os.pread(file.fileno(), 4096, at)
        os.pwrite(file.fileno(), bytes(len(page)), at)
    assert any(page)
    assert check_here(record).verdict["verdict"] == "FAIL"
    before = state_of(record)
    codes: Counter[int] = Counter()
    for more, code, said in checks_with(MORE_MIB, record):
        codes[code] += 1
        assert "Traceback" not in said, (more, said)
        if code == 4:
            assert said.startswith("ackproof: out of memory; nothing was concluded."), (more, said)
            assert len(said.splitlines()) == 1, (more, said)
            assert state_of(record) == before, more
        else:
            assert (code, "FAIL" in said) == (1, True), (more, said)
            assert json.loads((record / "verdict.json").read_text())["verdict"] == "FAIL"
            before = state_of(record)
    assert codes[4] >= 4, codes
    assert codes[1] >= 1, codes
    assert sum(codes.values()) == len(MORE_MIB)


class TestWhereItIsOnlyJustMissing:
    """Two places that a limit seldom hits: each says so in a way of its own."""

    @pytest.fixture
    def record(self, tmp_path: Path) -> Path:
        write_here(tmp_path / "volume", tmp_path / "record", RunRequest((StreamRequest(512, 2, 8192),), operations=5))
        return tmp_path / "record"

    @pytest.mark.parametrize(
        ("where", "name", "error"),
        [
            (threading.Thread, "start", RuntimeError("can't start new thread")),
            (readahead, "aligned_buffer", OSError(errno.ENOMEM, os.strerror(errno.ENOMEM))),
        ],
        ids=["a thread", "a buffer"],
    )
    def test_it_is_told_as_want_of_memory(
        self, record: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], where: Any, name: str,
        error: Exception,
    ) -> None:  # fmt: skip
        def refuse(*arguments: Any) -> None:
            raise error

        before = state_of(record)
        monkeypatch.setattr(where, name, refuse)
        code, out, err = here(["check", record], capsys)
        assert (code, out) == (4, "")
        assert err.startswith("ackproof: out of memory; nothing was concluded.")
        assert state_of(record) == before


def test_more_blocks_than_this_machine_could_hold_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A record that nobody wrote: a run.json of any size, and no ledger that says otherwise."""
    record = tmp_path / "record"
    write_here(tmp_path / "volume", record, RunRequest((StreamRequest(512, 2, 8192),), operations=5))
    about = json.loads((record / "run.json").read_text())
    about["run"]["lane_workers"] = [1] * 4096
    about["run"]["streams"][0] |= {"lanes": 4096, "slots": 2**40}
    (record / "run.json").write_text(json.dumps(about))
    for part in (record / "ledger").iterdir():
        part.unlink()
    code, out, err = here(["check", record], capsys)
    assert (code, out) == (4, "")
    assert "tells of 1,099,511,627,776 blocks; to judge them takes 8.0 TiB of memory at least" in err


def test_a_fault_of_our_own_is_no_verdict(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The interpreter ends with 1 where nothing catches, and 1 says FAIL."""

    def fail(path: str) -> None:
        raise ZeroDivisionError("of our own")

    monkeypatch.setattr(RecordFolder, "open", fail)
    with pytest.raises(SystemExit) as ended:
        main(["check", str(tmp_path)])
    said = capsys.readouterr()
    assert (ended.value.code, said.out) == (4, "")
    assert "of our own" in said.err
    assert said.err.rstrip().endswith("says nothing of the volume; nothing was concluded")


def test_a_library_that_finds_no_room_is_told_as_want_of_memory(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In the words of the loader, which Python passes on as an ImportError."""

    def refuse(**arguments: Any) -> None:
        raise ImportError("libm.so.6: failed to map segment from shared object")

    monkeypatch.setattr(cli, "main", refuse)
    with pytest.raises(SystemExit) as ended:
        main([])
    assert ended.value.code == 4
    assert capsys.readouterr().err.startswith("ackproof: out of memory; nothing was concluded.")
