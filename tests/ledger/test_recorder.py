"""Writing a ledger while a load runs: nothing lost, nothing out of order, nothing after the close."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3

from tests.ledger.slow_ledger import KINDS, PART, TAG, Item, Record, read
from verify.ledger import recorder as recorder_module
from verify.ledger.frames import (
    BODY_BYTES_MAX,
    EVENT_BYTES_MAX,
    HEADER,
    HEADER_BYTES,
    RECORD_BYTES,
    RECORDS_MAX,
    Kind,
    encode_event,
    operation_record,
)
from verify.ledger.recorder import PENDING_RECORDS_MAX, Recorder

ROOT = Path(__file__).resolve().parents[2]
OPENING = {"event": "open", "part": PART}
CLOSING = {"event": "close", "monotonic_ns": 7}
PATIENCE_S = 30.0


def record_of(sequence: int, lane: int = 0) -> bytes:
    return operation_record(Kind.WRITE, lane, sequence, 1000 + sequence, 2000 + sequence)


def item_of(sequence: int, lane: int = 0) -> Item:
    return (int(Kind.WRITE), 0, lane, sequence, 1000 + sequence, 2000 + sequence)


def without_clock(items: list[Item]) -> list[Item]:
    return [item for item in items if isinstance(item, dict) or item[0] != KINDS["CLOCK"]]


def wait_for(what: Callable[[], bool]) -> bool:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if what():
            return True
        time.sleep(0.005)
    return False


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "001.ledger"


@pytest.fixture
def recorder(path: Path) -> Iterator[Recorder]:
    made = Recorder(str(path), TAG, PART, OPENING)
    yield made
    made.close(None)


class TestTheFile:
    def test_it_is_only_ever_added_to_and_no_other_program_inherits_it(self, recorder: Recorder) -> None:
        assert fcntl.fcntl(recorder._file, fcntl.F_GETFL) & os.O_APPEND
        assert not os.get_inheritable(recorder._file)
        assert not os.fstat(recorder._file).st_mode & 0o133, "a record is read by anybody, written by its owner"

    def test_nothing_is_wrong_with_it_before_anything_was_tried(self, recorder: Recorder) -> None:
        assert (recorder.full, recorder.failure, recorder.size_bytes, recorder.behind) == (False, None, 0, False)

    def test_a_disk_that_hangs_keeps_no_process_from_ending(self, recorder: Recorder) -> None:
        assert all(thread.daemon for thread in recorder._threads)

    def test_one_that_exists_is_left_alone(self, path: Path) -> None:
        path.write_bytes(b"another run's")
        with pytest.raises(FileExistsError):
            Recorder(str(path), TAG, PART, OPENING)
        assert path.read_bytes() == b"another run's"


class TestWriting:
    def test_records_and_events_stand_in_the_order_they_were_added(self, path: Path, recorder: Recorder) -> None:
        wanted: list[Item] = [OPENING]
        for sequence in range(100):
            recorder.append(record_of(sequence))
            wanted.append(item_of(sequence))
            if sequence % 7 == 0:
                recorder.append({"event": "mark", "sequence": sequence})
                wanted.append({"event": "mark", "sequence": sequence})
            if sequence % 11 == 0:
                recorder.flush()
        recorder.close(CLOSING)
        found, state = read(path)
        assert found == [*wanted, CLOSING]
        assert (state.torn, state.damaged, state.closed) == ("", "", True)
        assert (state.opening, state.closing) == (OPENING, CLOSING)

    def test_the_head_is_the_hash_of_the_last_frame(self, path: Path, recorder: Recorder) -> None:
        sizes = []
        for sequence in range(5):
            recorder.append(record_of(sequence))
            recorder.flush()
            data = path.read_bytes()
            assert len(data) == recorder.size_bytes
            sizes.append(len(data))
            assert recorder.head == blake3(data[sizes[-2] if sequence else len(data) - 96 :]).hexdigest()
            assert recorder.head == read(path)[1].head

    def test_a_flush_with_nothing_to_write_writes_nothing(self, path: Path, recorder: Recorder) -> None:
        recorder.flush()
        size = path.stat().st_size
        assert size == HEADER_BYTES + len(encode_event(OPENING))
        recorder.flush()
        assert path.stat().st_size == size == recorder.size_bytes

    def test_an_existing_file_is_refused_and_left_alone(self, path: Path) -> None:
        path.write_bytes(b"kept")
        with pytest.raises(FileExistsError):
            Recorder(str(path), TAG, PART, OPENING)
        assert path.read_bytes() == b"kept"

    def test_a_folder_that_is_not_there_is_an_os_error(self, tmp_path: Path) -> None:
        with pytest.raises(FileNotFoundError):
            Recorder(str(tmp_path / "none" / "001.ledger"), TAG, PART, OPENING)

    def test_an_event_that_the_format_cannot_say_is_told_in_its_place(self, path: Path, recorder: Recorder) -> None:
        bad: list[tuple[dict[Any, Any], str, str]] = [
            ({"event": "mark", "a": 2**70}, "mark", "a number of the event needs more than 64 bits"),
            ({"event": "stop", 3: 4}, "stop", "a key of the event is not text"),
            ({"a": b""}, "None", "the event holds a value of type bytes"),
            ({"event": "n", "x": float("inf")}, "n", "a number of the event is not finite"),
            ({"event": "k" * 101, "x": {1}}, "k" * 100, "the event holds a value of type set"),
            ({"event": "x" * EVENT_BYTES_MAX}, "x" * 100, f"an event of {EVENT_BYTES_MAX + 12} bytes is too long"),
        ]
        wanted: list[Item] = [OPENING]
        for number, (event, kind, why) in enumerate(bad):
            recorder.append(record_of(number))
            recorder.append(event)
            wanted += [item_of(number), {"event": "unwritable", "kind": kind, "why": why}]
        recorder.close(CLOSING)
        found, state = read(path)
        assert found == [*wanted, CLOSING]
        assert state.damaged == ""

    def test_text_that_is_no_unicode_stops_nothing(self, path: Path, recorder: Recorder) -> None:
        """As the shell gives it when an operator's terminal is not set to UTF-8."""
        recorder.append({"event": "mark", "text": os.fsdecode(b"Regler A \xe4 gezogen")})
        recorder.append(record_of(1))
        recorder.close(CLOSING)
        found, state = read(path)
        assert found == [OPENING, {"event": "mark", "text": "Regler A ? gezogen"}, item_of(1), CLOSING]
        assert state.damaged == ""

    @pytest.mark.parametrize(
        ("count", "frames"), [(0, []), (1, [1]), (3, [3]), (4, [4]), (5, [4, 1]), (8, [4, 4]), (9, [4, 4, 1])]
    )
    def test_more_than_fits_in_a_frame_is_cut_into_several(
        self, path: Path, recorder: Recorder, monkeypatch: pytest.MonkeyPatch, count: int, frames: list[int]
    ) -> None:
        """As after the ledger's own disk stood still for a while; here four records fill a frame."""
        assert RECORDS_MAX * RECORD_BYTES <= BODY_BYTES_MAX < (RECORDS_MAX + 1) * RECORD_BYTES
        assert RECORDS_MAX < PENDING_RECORDS_MAX
        monkeypatch.setattr(recorder_module, "RECORDS_MAX", 4)
        wanted: list[Item] = [OPENING]
        for part in range(2):
            for sequence in range(count):
                recorder.append(record_of(sequence, part))
            recorder.append({"event": "mark", "part": part})
            wanted += [*(item_of(sequence, part) for sequence in range(count)), {"event": "mark", "part": part}]
        for sequence in range(count):
            recorder.append(record_of(sequence))
        recorder.close(CLOSING)
        found, state = read(path)
        assert found == [*wanted, *(item_of(sequence) for sequence in range(count)), CLOSING]
        assert (state.damaged, state.torn, state.closed) == ("", "", True)
        data, sizes = path.read_bytes(), []
        while data:
            body_bytes, records = HEADER.unpack(data[: HEADER.size])[4:6]
            sizes.append(records)
            data = data[HEADER_BYTES + body_bytes :]
        assert sizes == [1, *frames, 1, *frames, 1, *frames, 1]

    @pytest.mark.parametrize(("records", "most_bytes"), [(250, 24.3), (1000, 24.1), (2500, 24.05)])
    def test_an_acknowledged_write_costs_hardly_more_than_its_record(
        self, path: Path, recorder: Recorder, records: int, most_bytes: float
    ) -> None:
        """At 5,000, 20,000 and 50,000 acknowledgements a second, and a frame every 50 ms."""
        recorder.flush()
        before = path.stat().st_size
        for frame in range(20):
            for sequence in range(records):
                recorder.append(record_of(frame * records + sequence))
            recorder.flush()
        cost = (path.stat().st_size - before) / (20 * records)
        assert RECORD_BYTES < cost <= most_bytes

    def test_lanes_must_hold_only_when_very_much_waits(self, recorder: Recorder) -> None:
        record = record_of(0)
        for _ in range(PENDING_RECORDS_MAX - 1):
            recorder.append(record)
        seen = [recorder.behind]
        recorder.append(record)
        seen.append(recorder.behind)
        recorder.flush()
        assert [*seen, recorder.behind] == [False, True, False]


class TestWhileItRuns:
    def test_a_record_reaches_the_kernel_without_being_asked_for(self, path: Path, recorder: Recorder) -> None:
        recorder.start()
        for sequence in range(5):
            recorder.append(record_of(sequence))
            wanted = item_of(sequence)
            assert wait_for(lambda wanted=wanted: wanted in read(path)[0])  # type: ignore[misc]
            assert read(path)[1].damaged == ""

    def test_the_clock_is_sampled_again_and_again(self, path: Path, recorder: Recorder) -> None:
        low = (time.monotonic_ns(), time.time_ns())
        recorder.start()

        def samples() -> list[Record]:
            return [item for item in read(path)[0] if isinstance(item, tuple) and item[0] == KINDS["CLOCK"]]

        assert wait_for(lambda: len(samples()) >= 4)
        high = (time.monotonic_ns(), time.time_ns())
        taken = [item[4:] for item in samples()]
        assert taken == sorted(taken)
        assert all(low[0] <= monotonic <= high[0] and low[1] <= wall <= high[1] for monotonic, wall in taken)

    def test_many_threads_lose_nothing_and_keep_their_order(self, path: Path, recorder: Recorder) -> None:
        lanes, count = 12, 4000

        def run(lane: int) -> None:
            for sequence in range(count):
                recorder.append(record_of(sequence, lane))
                if sequence % 500 == 0:
                    recorder.append({"event": "observation", "lane": lane, "sequence": sequence})
                    recorder.flush()

        recorder.start()
        threads = [threading.Thread(target=run, args=(lane,)) for lane in range(lanes)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        recorder.close(CLOSING)
        found, state = read(path)
        assert (state.torn, state.damaged, state.closed) == ("", "", True)
        assert len(without_clock(found)) == lanes * (count + count // 500) + 2
        for lane in range(lanes):
            mine = [i for i in found if (i.get("lane") if isinstance(i, dict) else i[2]) == lane]
            wanted: list[Item] = []
            for sequence in range(count):
                wanted.append(item_of(sequence, lane))
                if sequence % 500 == 0:
                    wanted.append({"event": "observation", "lane": lane, "sequence": sequence})
            assert without_clock(mine) == wanted

    def test_nothing_stands_after_the_close_whoever_goes_on_adding(self, tmp_path: Path) -> None:
        for attempt in range(8):
            path = tmp_path / f"{attempt}.ledger"
            recorder = Recorder(str(path), TAG, PART, OPENING)
            recorder.start()
            stop = threading.Event()

            def run(lane: int, recorder: Recorder = recorder, stop: threading.Event = stop) -> None:
                sequence = 0
                while not stop.is_set():
                    recorder.append(record_of(sequence, lane))
                    sequence += 1

            threads = [threading.Thread(target=run, args=(lane,)) for lane in range(2)]
            for thread in threads:
                thread.start()
            time.sleep(0.002)
            recorder.append({"event": "stop"})
            recorder.close(CLOSING)
            recorder.append(record_of(0, 99))
            recorder.flush()
            assert recorder.failure is None, "a file that was given back must not be written to"
            stop.set()
            for thread in threads:
                thread.join()
            found, state = read(path)
            assert (state.torn, state.damaged, state.closed) == ("", "", True)
            assert found[-1] == CLOSING
            assert {"event": "stop"} in found
            assert state.head == recorder.head
            for lane in range(2):
                mine = [item[3] for item in found if isinstance(item, tuple) and item[2] == lane and item[0] == 1]
                assert mine == list(range(len(mine)))

    def test_closing_twice_or_without_a_closing_event(self, path: Path, recorder: Recorder) -> None:
        recorder.append(record_of(1))
        recorder.close(None)
        recorder.close(CLOSING)
        found, state = read(path)
        assert found == [OPENING, item_of(1)]
        assert (state.closed, state.torn, state.damaged) == (False, "", "")

    def test_closing_gives_the_file_and_the_threads_back(self, tmp_path: Path) -> None:
        files, threads = len(os.listdir("/proc/self/fd")), threading.active_count()
        for number in range(5):
            recorder = Recorder(str(tmp_path / f"{number}.ledger"), TAG, PART, OPENING)
            recorder.start()
            recorder.close(CLOSING)
        assert len(os.listdir("/proc/self/fd")) == files
        assert threading.active_count() == threads


WRITER = """
import itertools, sys
from verify.ledger.frames import Kind, operation_record
from verify.ledger.recorder import Recorder
recorder = Recorder(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), {"event": "open", "part": 1})
recorder.start()
print("started", flush=True)
for sequence in itertools.count():
    recorder.append(operation_record(Kind.WRITE, 0, sequence, 1000 + sequence, 2000 + sequence))
    if sequence % 1000 == 0:
        recorder.append({"event": "mark", "sequence": sequence})
    while recorder.behind:
        pass
"""


class TestKilled:
    @pytest.mark.parametrize("attempt", range(6))
    def test_a_killed_writer_leaves_whole_frames_and_no_damage(self, path: Path, attempt: int) -> None:
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), str(TAG), str(PART)], cwd=ROOT, stdout=subprocess.PIPE
        )
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == b"started\n"
            assert wait_for(lambda: len(without_clock(read(path)[0])) > 12)
            time.sleep(0.031 * attempt)
            process.send_signal(signal.SIGKILL)
        finally:
            process.kill()
            process.communicate()
        found, state = read(path)
        assert (state.damaged, state.closed) == ("", False)
        assert found[0] == OPENING
        written = [item for item in without_clock(found) if isinstance(item, tuple)]
        assert written == [item_of(sequence) for sequence in range(len(written))]
        assert len(written) > 10
