"""Old, foreign and spoilt bytes put into the final image of a run: the verdict names those blocks and no others.

The tests know the size of a block and of a sector, and nothing of what is in a block.
"""

from __future__ import annotations

import random
import re
from collections import Counter
from collections.abc import Callable, Iterator

import pytest

from tests.drill.runs import FINDINGS, check_here, convicting, losses_of, no_false_finding
from tests.drill.stages import Place, Stages
from verify.drill.planning import RunRequest, StreamRequest

OPERATIONS = 10
ROUNDS = 6

SHAPES = {
    "512 B": (StreamRequest(512, 4, 16 * 1024),),
    "4 KiB": (StreamRequest(4096, 4, 128 * 1024),),
    "64 KiB": (StreamRequest(65536, 4, 2 * 1024 * 1024),),
    "4 KiB and 512 B": (StreamRequest(4096, 4, 96 * 1024), StreamRequest(512, 3, 12 * 1024)),
}


@pytest.fixture(scope="module", params=SHAPES)
def stages(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Stages:
    folder = tmp_path_factory.mktemp("stages")
    return Stages(folder, RunRequest(SHAPES[request.param], seed=20260711, tag=0x5EED_0F_7E57), OPERATIONS)


class Splicer:
    """Spoils an image of a run, never the same block twice."""

    def __init__(self, stages: Stages, seed: int) -> None:
        self.stages = stages
        self.random = random.Random(seed)
        self.image = bytearray(stages.final)
        self.left = list(stages.places)
        self.random.shuffle(self.left)

    def take(self, wanted: Callable[[Place], bool] = lambda place: True) -> Place:
        place = next((p for p in self.left if wanted(p)), None)
        if place is None:
            pytest.skip("no such block is left")
        self.left.remove(place)
        return place

    def put(self, offset: int, data: bytes) -> None:
        self.image[offset : offset + len(data)] = data

    def older_moments(self, place: Place) -> list[int]:
        return [k for k, version in enumerate(place.versions) if version != place.newest]

    def old_block(self) -> None:
        place = self.take(lambda p: bool(self.older_moments(p)))
        self.put(place.offset, place.versions[self.random.choice(self.older_moments(place))])

    def old_sectors(self) -> None:
        sector = self.stages.sector_bytes
        place = self.take(lambda p: bool(self.older_moments(p)) and p.length > sector)
        count = place.length // sector
        old = place.versions[self.random.choice(self.older_moments(place))]
        for index in self.random.sample(range(count), self.random.randint(1, count - 1)):
            self.put(place.offset + index * sector, old[index * sector : (index + 1) * sector])

    def old_extent(self) -> None:
        """An extent of an older image, from one sector to another, over several blocks, whole or cut."""
        sector, moment = self.stages.sector_bytes, self.random.randrange(OPERATIONS)
        first, length = self.extent()
        old = self.stages.images[moment]
        for at in range(first, first + length, sector):
            self.put(at, old[at : at + sector])

    def zeroed_extent(self) -> None:
        first, length = self.extent()
        self.put(first, bytes(length))

    def extent(self) -> tuple[int, int]:
        """First byte and length of a stretch of up to four untouched blocks, on sector boundaries."""
        sector = self.stages.sector_bytes
        place = self.take()
        end = place.offset + place.length
        for _ in range(self.random.randrange(4)):
            following = next((p for p in self.left if p.offset == end), None)
            if following is None:
                break
            self.left.remove(following)
            end = following.offset + following.length
        first = place.offset + self.random.randrange(0, place.length, sector)
        return first, self.random.randrange(sector, end - first + 1, sector)

    def swapped(self) -> None:
        one = self.take()
        other = self.take(lambda p: p.stream == one.stream)
        self.put(one.offset, other.newest)
        self.put(other.offset, one.newest)

    def copied(self) -> None:
        """A block that also stands where it belongs."""
        one = self.take()
        source = self.random.choice([p for p in self.left if p.stream == one.stream] or [one])
        self.put(one.offset, source.newest)

    def flipped_bits(self) -> None:
        place = self.take()
        for _ in range(self.random.choice((1, 1, 2))):
            self.image[self.random.randrange(place.offset, place.offset + place.length)] ^= 1 << self.random.randrange(
                8
            )

    def foreign_block(self) -> None:
        place = self.take()
        self.put(place.offset, self.stages.other_run[place.offset : place.offset + place.length])

    def repeated_value(self) -> None:
        place = self.take()
        self.put(place.offset, self.random.randbytes(8) * (place.length // 8))

    def everything(self) -> Iterator[Callable[[], None]]:
        yield from (
            self.old_block, self.old_block, self.old_sectors, self.old_extent, self.zeroed_extent, self.swapped,
            self.copied, self.flipped_bits, self.flipped_bits, self.foreign_block, self.repeated_value,
        )  # fmt: skip


def check_names_exactly(stages: Stages, image: bytes, read_twice: bool = False) -> None:
    """Check the run against a spoilt image, and hold verdict and losses.csv to what the bytes say."""
    stages.volume.write_bytes(image)
    expected = stages.judge(image)
    result = check_here(stages.record, read_twice=read_twice)
    verdict, rows = result.verdict, losses_of(result.folder)
    named = {int(row["offset"]): row["kind"] for row in rows}
    assert len(named) == len(rows), "a block is named twice"
    assert named == {offset: block.kind for offset, block in expected.items()}
    differing = {p.offset for p in stages.places if image[p.offset : p.offset + p.length] != p.newest}
    assert named.keys() == differing
    kinds = Counter(block.kind for block in expected.values())
    assert convicting(verdict) == dict(kinds)
    assert {int(row["offset"]): int(row["lost_writes"]) for row in rows} == {
        offset: block.lost_writes for offset, block in expected.items()
    }
    assert {int(row["length"]) for row in rows} <= {p.length for p in stages.places}
    assert {row["seen_by"] for row in rows} <= {"check"}
    lost = verdict["lost"]
    assert lost["blocks"] == len(expected)
    assert lost["bytes"] == sum(block.length for block in expected.values())
    assert lost["acknowledged_writes"] == sum(block.lost_writes for block in expected.values())
    assert verdict["coverage"]["slots_read"] == len(stages.places) - kinds["unreadable"]
    assert verdict["verdict"] == ("FAIL" if expected else "INCONCLUSIVE")
    for row in rows:
        assert all(detail in row["detail"] for detail in expected[int(row["offset"])].details), row
        if row["kind"] == "lost":
            assert int(row["found_sequence"]) < int(row["expected_sequence"])


def test_the_untouched_image_has_no_finding(stages: Stages) -> None:
    stages.volume.write_bytes(stages.final)
    result = check_here(stages.record)
    no_false_finding(result.verdict, losses_of(result.folder))
    assert result.verdict["coverage"]["slots_read"] == len(stages.places)
    assert result.verdict["coverage"]["bytes_read"] == sum(p.length for p in stages.places)


def test_each_moment_put_back_whole_is_lost_block_by_block(stages: Stages) -> None:
    for moment in (0, OPERATIONS // 2, OPERATIONS - 1):
        check_names_exactly(stages, stages.images[moment])


@pytest.mark.parametrize("seed", range(ROUNDS))
def test_a_mixture_of_splices_is_named_block_by_block(stages: Stages, seed: int) -> None:
    print(f"seed {seed}")
    splicer = Splicer(stages, seed)
    todo = list(splicer.everything())
    splicer.random.shuffle(todo)
    for splice in todo[: splicer.random.randint(3, len(todo))]:
        if splice != splicer.old_sectors or stages.places[0].length > stages.sector_bytes:
            splice()
    check_names_exactly(stages, bytes(splicer.image), read_twice=seed % 2 == 1)


@pytest.mark.parametrize("seed", range(2))
def test_a_file_cut_short_is_unreadable_from_the_cut_on(stages: Stages, seed: int) -> None:
    print(f"seed {seed}")
    splicer = Splicer(stages, 1000 + seed)
    splicer.old_block()
    cut = splicer.random.randrange(len(stages.final) // 4, len(stages.final))
    check_names_exactly(stages, bytes(splicer.image[:cut]), read_twice=seed == 1)


def test_an_image_of_another_run_is_foreign_throughout(stages: Stages) -> None:
    check_names_exactly(stages, stages.other_run)


def test_a_flip_in_any_byte_of_a_stamp_is_damage_of_one_bit(stages: Stages) -> None:
    """One flip to a block, wherever stamps or the checksum may be: at both ends of the block and of each sector."""
    sector = stages.sector_bytes
    places = sorted(stages.places, key=lambda p: p.stream)
    spots = [(p, k) for p in places[:: len(places) // 2] for k in edges_of_sectors(p.length, sector)]
    chosen = random.Random(7)
    while spots:
        image, named = bytearray(stages.final), {}
        for place, byte in spots:
            free = next((p for p in places if p.length == place.length and p.offset not in named), None)
            if free is not None:
                image[free.offset + byte] ^= 1 << chosen.randrange(8)
                named[free.offset] = byte
        stages.volume.write_bytes(image)
        rows = {int(row["offset"]): row for row in losses_of(check_here(stages.record).folder)}
        assert rows.keys() == named.keys()
        for offset, byte in named.items():
            row = rows[offset]
            assert row["kind"] == "damaged", f"byte {byte}: {row}"
            assert re.search(r"\b1 bits? differs? from write", row["detail"]), f"byte {byte}: {row}"
            assert f"{byte // sector} no known write" in row["sectors"], f"byte {byte}: {row}"
        spots = spots[len(named) :]


def edges_of_sectors(length: int, sector: int) -> list[int]:
    """Every byte of the first 48 and last 12 of the block, and some of its second and its last sector."""
    chosen = {*range(48), *range(length - 12, length)}
    for start in {sector, length - sector} - {0, length}:
        chosen |= {*range(start, start + 44, 5)}
    return sorted(chosen)


def test_the_findings_that_convict_are_all_named_in_the_verdict(stages: Stages) -> None:
    stages.volume.write_bytes(stages.final)
    assert set(FINDINGS) <= check_here(stages.record).verdict["findings"].keys()
