"""The smallest loss there is: one write of one block, the first and only one of its history."""

from __future__ import annotations

from pathlib import Path

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import check_on, convicting, load_on, losses_of
from verify.drill.planning import RunRequest, StreamRequest

BLOCK = 512


def test_the_only_write_of_the_only_block_is_missed(tmp_path: Path) -> None:
    volume = MemoryVolume(BLOCK)
    load_on(volume, tmp_path / "record", RunRequest((StreamRequest(BLOCK, 1, BLOCK),), operations=0))
    volume.data[:] = bytes(BLOCK)
    result = check_on(volume, tmp_path / "record")
    found = result.verdict
    assert (found["verdict"], convicting(found)) == ("FAIL", {"blank": 1})
    assert found["lost"]["acknowledged_writes"] == 1
    assert [row["expected_sequence"] for row in losses_of(result.folder)] == ["0"]


def test_the_first_write_of_the_first_block_is_missed_beside_others(tmp_path: Path) -> None:
    volume = MemoryVolume(8 * BLOCK)
    load_on(volume, tmp_path / "record", RunRequest((StreamRequest(BLOCK, 2, 8 * BLOCK),), operations=4))
    for slot in (0, 7):
        volume.data[slot * BLOCK : (slot + 1) * BLOCK] = bytes(BLOCK)
    found = check_on(volume, tmp_path / "record").verdict
    assert (convicting(found), found["lost"]["acknowledged_writes"]) == ({"blank": 2}, 2)


class BlankFirstBlock(MemoryVolume):
    """A volume whose reads under load give zeros for the first block, which is there all the same."""

    blank = True

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        count = super().read(offset_bytes, buffer)
        if self.blank and offset_bytes == 0:
            buffer[:BLOCK] = bytes(BLOCK)
        return count


def test_a_read_under_load_that_misses_the_only_write_of_a_block_is_told(tmp_path: Path) -> None:
    volume = BlankFirstBlock(4 * BLOCK)
    request = RunRequest((StreamRequest(BLOCK, 1, 4 * BLOCK, read_share=1.0),), seed=3, operations=40)
    load_on(volume, tmp_path / "record", request)
    volume.blank = False
    result = check_on(volume, tmp_path / "record")
    assert convicting(result.verdict) == {"blank": 1}
    rows = losses_of(result.folder)
    assert {(row["offset"], row["seen_by"], row["expected_sequence"]) for row in rows} == {("0", "read", "0")}
