"""The failure classes of three papers on what storage does wrong, each produced and reported under its finding.

Sources:

- M. Zheng, J. Tucek, F. Qin, M. Lillibridge, "Understanding the robustness of SSDs under power fault", FAST 2013:
  bit corruption, flying writes, shorn writes, unserializable writes, metadata corruption, dead device [definitions of
  the classes from memory].
- A. Krioukov et al., "Parity lost and parity regained", FAST 2008: torn, lost and misdirected writes [from memory].
- L. N. Bairavasundaram et al., "An analysis of data corruption in the storage stack", FAST 2008: checksum mismatch,
  identity discrepancy, parity inconsistency.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from tests.judge.stories import LaneLog, Mark, NoSpecimens, Op, Renderer, Story, doer, ledger_of, make_run
from verify.blocks.layout import StreamLayout
from verify.drill.scan import Scanner
from verify.judge.decision import CONVICTING, Finding, Source
from verify.judge.judgement import Judgement
from verify.load.schedule import Pattern

SLOTS, SECTORS, SECTOR_BYTES = 16, 8, 512
BLOCK_BYTES = SECTORS * SECTOR_BYTES
LANES = 2
F = Finding

MAPPING: dict[tuple[str, str], set[Finding]] = {
    # Zheng et al., FAST 2013
    ("Zheng", "bit corruption"): {F.DAMAGED},
    ("Zheng", "flying write"): {F.MISPLACED, F.LOST},
    ("Zheng", "shorn write"): {F.TORN},
    ("Zheng", "shorn write within a sector"): {F.DAMAGED},
    ("Zheng", "unserializable write"): {F.LOST},  # and the order of the loss: reordered
    ("Zheng", "metadata corruption"): {F.BLANK},
    ("Zheng", "dead device"): {F.UNREADABLE},
    # Krioukov et al., FAST 2008
    ("Krioukov", "torn write"): {F.TORN},
    ("Krioukov", "lost write"): {F.LOST},
    ("Krioukov", "misdirected write"): {F.MISPLACED, F.LOST},
    # Bairavasundaram et al., FAST 2008
    ("Bairavasundaram", "checksum mismatch"): {F.DAMAGED},
    ("Bairavasundaram", "identity discrepancy"): {F.MISPLACED},
    ("Bairavasundaram", "parity inconsistency, two copies differ"): {F.UNSTABLE},
    ("Bairavasundaram", "parity inconsistency, rebuilt from stale parity"): {F.DAMAGED},
}


@dataclass
class Volume:
    """A volume of bytes that serves `image`, or from the second read of a place on `second`; or only errors."""

    image: bytearray
    second: bytearray | None = None
    dead: bool = False
    sector_bytes: int = SECTOR_BYTES
    reads: dict[int, int] = field(default_factory=dict)

    @property
    def size_bytes(self) -> int:
        return len(self.image)

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        if self.dead:
            raise OSError(5, "dead")
        count = self.reads[offset_bytes] = self.reads.get(offset_bytes, 0) + 1
        source = self.image if self.second is None or count == 1 else self.second
        buffer[:] = source[offset_bytes : offset_bytes + len(buffer)]
        return len(buffer)


class Device:
    """What two lanes wrote: every slot once (`old`), then every slot again (`new`), all of it acknowledged.

    Lane 0 owns the even slots and lane 1 the odd ones; write n of a lane goes to its slot n, then its slot n - 8. A
    takeover comes at the end.
    """

    def __init__(self) -> None:
        self.judged_rows: list[Any] = []
        """Every row that the last check judged."""
        self.run = make_run([(LANES, SLOTS, SECTORS)], pattern=Pattern.SWEEP, read_share=0.0, atomic_bytes=BLOCK_BYTES)
        self.renderer = Renderer(self.run)
        per_lane = SLOTS // LANES
        self.old = self._image(0)
        self.new = self._image(per_lane)
        logs = []
        for lane in range(LANES):
            ops = [Op("write", n, 10 + 4 * n + lane, 12 + 4 * n + lane) for n in range(2 * per_lane)]
            logs.append(LaneLog(ops, Op("end", 2 * per_lane, 150, 150)))
        beats = {part: list(range(151)) for part in (0, 1)}
        mark = Mark(100, 100, True, "controller pulled")
        story = Story(self.run, 0, logs, beats, [mark], 140, 150, set(), [], False, doer(self.run))
        self.items = ledger_of(story, self.renderer, random.Random(0))

    def _image(self, first: int) -> bytearray:
        contents = [((("write", slot, first + slot // LANES),) * SECTORS) for slot in range(SLOTS)]
        return bytearray(b"".join(self.renderer.bytes_of(slot, c) for slot, c in enumerate(contents)))

    def check(self, volume: Volume, twice: bool = False) -> tuple[dict[int, Finding], Judgement]:
        """The findings of a check of the volume, for slots that are not as they must be."""
        judgement = Judgement(self.run, lambda: self.items)
        specimens: Any = NoSpecimens()
        served: Any = volume
        scan = Scanner(judgement.state, served, judgement.observations, specimens, lambda count: None).scan(twice)
        found: dict[int, Finding] = {}
        self.judged_rows = []
        for judged in judgement.judge({}, scan.found_beyond):
            self.judged_rows += list(judged.rows.copy())
            for i, row in enumerate(judged.rows):
                assert row["source"] == Source.CHECK
                found[int(row["slot"])] = Finding(judged.finding[i])
        return found, judgement


def span(slot: int, first: int = 0, count: int = BLOCK_BYTES) -> slice:
    """Bytes of a slot."""
    return slice(slot * BLOCK_BYTES + first, slot * BLOCK_BYTES + first + count)


DEVICE = Device()


def damaged(change: Callable[[bytearray], None]) -> tuple[dict[int, Finding], Judgement]:
    """The findings after a change of the image that all was well with."""
    image = bytearray(DEVICE.new)
    change(image)
    return DEVICE.check(Volume(image))


def bit_corruption(image: bytearray) -> None:
    image[3 * BLOCK_BYTES + 1000] ^= 0x10


def flying_write(image: bytearray) -> None:
    """The second write of slot 5 went to slot 12 and left slot 5 as it was."""
    image[span(12)] = DEVICE.new[span(5)]
    image[span(5)] = DEVICE.old[span(5)]


def shorn_write(image: bytearray) -> None:
    """Only the first three eighths of the write reached the medium."""
    kept = BLOCK_BYTES * 3 // 8
    image[span(6, kept, BLOCK_BYTES - kept)] = DEVICE.old[span(6, kept, BLOCK_BYTES - kept)]


def shorn_within_a_sector(image: bytearray) -> None:
    kept = BLOCK_BYTES * 3 // 8 + 100
    image[span(6, kept, BLOCK_BYTES - kept)] = DEVICE.old[span(6, kept, BLOCK_BYTES - kept)]


def unserializable_write(image: bytearray) -> None:
    """Slot 2's last write is gone, though slot 9's, issued long after its acknowledgement, is there."""
    image[span(2)] = DEVICE.old[span(2)]


def metadata_corruption(image: bytearray) -> None:
    """The device forgot where an extent was: it reads as never written."""
    image[span(4).start : span(8).start] = bytes(4 * BLOCK_BYTES)


def torn_write(image: bytearray) -> None:
    image[span(7, 0, SECTOR_BYTES)] = DEVICE.old[span(7, 0, SECTOR_BYTES)]


def lost_write(image: bytearray) -> None:
    image[span(8)] = DEVICE.old[span(8)]


def checksum_mismatch(image: bytearray) -> None:
    image[span(10, 1024, 64)] = bytes(64)


def identity_discrepancy(image: bytearray) -> None:
    """A read of slot 11 returns the block that belongs to slot 13, which is there too."""
    image[span(11)] = DEVICE.new[span(13)]


def rebuilt_from_stale_parity(image: bytearray) -> None:
    """Slot 14 is rebuilt from slot 15 and a parity that still covers slot 15's older write."""
    other, stale = DEVICE.new[span(15)], DEVICE.old[span(15)]
    parity = bytes(a ^ b for a, b in zip(DEVICE.new[span(14)], stale, strict=True))
    image[span(14)] = bytes(a ^ b for a, b in zip(parity, other, strict=True))


SPLICES: list[tuple[str, str, Callable[[bytearray], None], dict[int, Finding]]] = [
    ("Zheng", "bit corruption", bit_corruption, {3: F.DAMAGED}),
    ("Zheng", "flying write", flying_write, {12: F.MISPLACED, 5: F.LOST}),
    ("Zheng", "shorn write", shorn_write, {6: F.TORN}),
    ("Zheng", "shorn write within a sector", shorn_within_a_sector, {6: F.DAMAGED}),
    ("Zheng", "unserializable write", unserializable_write, {2: F.LOST}),
    ("Zheng", "metadata corruption", metadata_corruption, dict.fromkeys(range(4, 8), F.BLANK)),
    ("Krioukov", "torn write", torn_write, {7: F.TORN}),
    ("Krioukov", "lost write", lost_write, {8: F.LOST}),
    ("Krioukov", "misdirected write", flying_write, {12: F.MISPLACED, 5: F.LOST}),
    ("Bairavasundaram", "checksum mismatch", checksum_mismatch, {10: F.DAMAGED}),
    ("Bairavasundaram", "identity discrepancy", identity_discrepancy, {11: F.MISPLACED}),
    ("Bairavasundaram", "parity inconsistency, rebuilt from stale parity", rebuilt_from_stale_parity,
     {14: F.DAMAGED}),
]  # fmt: skip
WITHOUT_SPLICE = {("Zheng", "dead device"), ("Bairavasundaram", "parity inconsistency, two copies differ")}


def test_the_sound_device_gets_no_finding() -> None:
    assert DEVICE.check(Volume(DEVICE.new))[0] == {}
    assert DEVICE.check(Volume(DEVICE.new), twice=True)[0] == {}


def test_every_class_is_mapped_to_findings_that_convict_and_is_produced() -> None:
    assert all(findings and findings <= set(CONVICTING) for findings in MAPPING.values())
    assert {(paper, name) for paper, name, _, _ in SPLICES} | WITHOUT_SPLICE == set(MAPPING)


@pytest.mark.parametrize(
    ("paper", "name", "change", "expected"), SPLICES, ids=[f"{paper}: {name}" for paper, name, _, _ in SPLICES]
)
def test_a_splice_is_reported_as_the_mapping_says_and_nothing_else_is(
    paper: str, name: str, change: Callable[[bytearray], None], expected: dict[int, Finding]
) -> None:
    found, _ = damaged(change)
    assert found == expected
    assert set(found.values()) == MAPPING[paper, name]


def test_a_dead_device_is_unreadable_everywhere() -> None:
    found, _ = DEVICE.check(Volume(DEVICE.new, dead=True))
    assert found == dict.fromkeys(range(SLOTS), F.UNREADABLE)
    assert set(found.values()) == MAPPING["Zheng", "dead device"]


def test_two_copies_that_differ_are_unstable_when_both_are_read() -> None:
    other = bytearray(DEVICE.new)
    other[span(1)] = DEVICE.old[span(1)]
    found, _ = DEVICE.check(Volume(DEVICE.new, second=other), twice=True)
    assert found == {1: F.UNSTABLE}
    assert set(found.values()) == MAPPING["Bairavasundaram", "parity inconsistency, two copies differ"]


def test_a_bit_corruption_is_told_to_the_bit() -> None:
    damaged(bit_corruption)
    (row,) = DEVICE.judged_rows
    assert row["bits"] == 1


def test_an_unserializable_write_is_told_as_reordered() -> None:
    _, judgement = damaged(unserializable_write)
    found = judgement.order(0)
    assert found is not None
    assert not found.order.one_moment
    assert found.order.witness is not None
    assert found.order.witness.lost_slot == 2
    assert found.order.witness.surviving_slot == 15
    assert (found.order.overtaken, found.order.set_aside) == (1, 1)


def test_one_misdirected_write_damages_two_addresses_and_is_told_where_it_belongs() -> None:
    layout: StreamLayout = DEVICE.run.streams[0].layout
    for change, is_home_too in ((flying_write, 0), (identity_discrepancy, 1)):
        damaged(change)
        (row,) = [row for row in DEVICE.judged_rows if row["home_sequence"] >= 0]
        assert row["home"] == layout.address(5 if change is flying_write else 13)
        assert row["home_too"] == is_home_too
