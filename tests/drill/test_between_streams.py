"""What streams of different block sizes, or runs with others, do to one another; and up to when a ledger is whole."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import check_on, convicting, load_on, losses_of, verdict_of
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.quantities import rfc3339
from verify.drill.record import RecordFolder
from verify.judge.timeline import Timeline
from verify.ledger.frames import Kind, Records
from verify.load.run import Run

SMALL, LARGE = 4096, 8192
SPAN = 128 << 10
STREAMS = (StreamRequest(SMALL, 2, SPAN), StreamRequest(LARGE, 2, SPAN))


def offset_of_a_write(run: Run, stream: int) -> int:
    """Offset of the first write of a stream's first lane, in a run without a fill."""
    layout = run.streams[stream].layout
    return layout.address(int(run.schedule(layout.first_lane).operations(0, 1).slots[0]))


def unwritten(volume: MemoryVolume, start: int, size: int, count: int = 1) -> int:
    """Offset of the first stretch of so many blocks in a stream that is blank still."""
    places = range(start, start + SPAN - count * size, count * size)
    return next(at for at in places if not any(volume.data[at : at + count * size]))


class TestWritesMisdirectedBetweenStreams:
    @pytest.mark.parametrize("fill", [True, False])
    def test_a_larger_block_is_misplaced_in_every_slot_it_hit(self, tmp_path: Path, fill: bool) -> None:
        volume = MemoryVolume(2 * SPAN)
        run = load_on(volume, tmp_path / "record", RunRequest(STREAMS, seed=1, tag=2, operations=4, fill=fill))
        home = run.streams[1].layout.address(0) if fill else offset_of_a_write(run, 1)
        at = 0 if fill else unwritten(volume, 0, SMALL, 2)
        volume.data[at : at + LARGE] = volume.data[home : home + LARGE]
        result = check_on(volume, tmp_path / "record")
        assert convicting(result.verdict) == {"misplaced": 2}
        rows = losses_of(result.folder)
        assert [int(row["offset"]) for row in rows] == [at, at + SMALL]
        for row in rows:
            assert row["detail"].startswith(f"belongs at offset {home}; it is there too")
            assert "of stream 1" in row["sectors"]

    def test_a_smaller_block_is_seen_where_nothing_was_written(self, tmp_path: Path) -> None:
        volume = MemoryVolume(2 * SPAN)
        run = load_on(volume, tmp_path / "record", RunRequest(STREAMS, seed=1, tag=2, operations=4, fill=False))
        home, at = offset_of_a_write(run, 0), unwritten(volume, SPAN, LARGE)
        volume.data[at : at + SMALL] = volume.data[home : home + SMALL]
        result = check_on(volume, tmp_path / "record")
        assert convicting(result.verdict) == {"torn": 1}
        [row] = losses_of(result.folder)
        assert int(row["offset"]) == at
        assert row["sectors"].startswith("0-7 write ")
        assert "of stream 0" in row["sectors"]

    def test_a_damaged_one_is_damaged(self, tmp_path: Path) -> None:
        volume = MemoryVolume(2 * SPAN)
        load_on(volume, tmp_path / "record", RunRequest(STREAMS, seed=1, tag=2, operations=200))
        volume.data[0:LARGE] = volume.data[SPAN : SPAN + LARGE]
        volume.data[2000] ^= 1
        result = check_on(volume, tmp_path / "record")
        assert convicting(result.verdict) == {"misplaced": 1, "damaged": 1}


def test_blocks_of_another_run_with_another_size_are_foreign(tmp_path: Path) -> None:
    volume = MemoryVolume(2 * SPAN)
    load_on(volume, tmp_path / "other", RunRequest((StreamRequest(2 * LARGE, 2, 2 * SPAN),), seed=1, operations=20))
    before = bytes(volume.data)
    load_on(volume, tmp_path / "record", RunRequest(STREAMS, seed=2, operations=200))
    volume.data[:LARGE] = before[:LARGE]
    result = check_on(volume, tmp_path / "record")
    assert convicting(result.verdict) == {"foreign": 2}


def test_an_open_ledger_is_whole_up_to_the_earliest_end_of_an_open_part(tmp_path: Path) -> None:
    volume, record = MemoryVolume(2 * SPAN, write_delay_s=0.001), tmp_path / "record"
    load_on(volume, record, RunRequest(STREAMS, seed=1, operations=400, workers=2))
    folder = RecordFolder.open(str(record))
    _, run = folder.read_run()
    for part, share in ((1, 0.5), (2, 0.8)):
        path = folder.ledger_part(part)
        os.truncate(path, int(path.stat().st_size * share))
    ends = {}
    for part in (1, 2):
        items = [item for item in folder.ledger_file(part, run.tag).items() if isinstance(item, Records)]
        ends[part] = max(int(item.done_ns[item.kind != Kind.CLOCK].max()) for item in items)
    assert ends[1] < ends[2]
    check_on(volume, record)
    timeline = Timeline(run)
    for item in folder.ledger_file(0, run.tag).items():
        timeline.feed(0, item)
    [limit] = [limit for limit in verdict_of(record)["not_proved"] if "never closed" in limit]
    assert limit.startswith(f"anything acknowledged after {rfc3339(timeline.wall_ns(ends[1]))}:")
