"""One run at many moments, told apart by bytes alone: nothing here knows the format of a block.

Runs of one seed and tag do the same operations, so a run that stops after k operations of each lane leaves what a
longer one held at that moment. Between two neighbouring moments a slot is written at most once, since its one lane
does one operation; hence the changes of its bytes from moment to moment count the writes.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from tests.drill.runs import write_here
from verify.drill.planning import RunRequest

OTHER_TAG_BIT = 1 << 40


@dataclass(frozen=True)
class Place:
    """One block's place on the volume, with what stood there from the first moment to the last."""

    offset: int
    length: int
    stream: int
    versions: tuple[bytes, ...]

    @property
    def newest(self) -> bytes:
        return self.versions[-1]

    def changes_after(self, moment: int) -> int:
        """How often the place was written after that moment."""
        later = self.versions[moment:]
        return sum(earlier != newer for earlier, newer in itertools.pairwise(later))


@dataclass(frozen=True)
class Expected:
    """What a verdict has to say of one block; every text in `details` among it."""

    kind: str
    length: int
    lost_writes: int
    details: tuple[str, ...] = ()


class Stages:
    """The images of one run after 0, 1, ... `operations` operations of each lane, and of one run of another tag.

    The record folder of the longest run is `record`, and its volume `volume`.
    """

    def __init__(self, folder: Path, request: RunRequest, operations: int) -> None:
        self.folder = folder
        self.record = folder / f"record {operations}"
        self.volume = folder / f"volume {operations}"
        with ThreadPoolExecutor(4) as pool:
            moments = range(operations + 1)
            self.images = list(pool.map(lambda k: self._image(replace(request, operations=k), str(k)), moments))
        assert request.tag is not None
        other = replace(request, operations=operations, tag=request.tag ^ OTHER_TAG_BIT)
        self.other_run = self._image(other, "other")
        streams = json.loads((self.record / "run.json").read_text())["run"]["streams"]
        self.sector_bytes = int(streams[0]["sector_bytes"])
        self.places = list(self._places(streams))
        blocks = [{p.versions[k] for k in range(operations + 1)} for p in self.places]
        self._home_of = {block: index for index, here in enumerate(blocks) for block in here}
        self._foreign = {self.other_run[p.offset : p.offset + p.length] for p in self.places}

    @property
    def final(self) -> bytes:
        return self.images[-1]

    def _image(self, request: RunRequest, name: str) -> bytes:
        volume = self.folder / f"volume {name}"
        write_here(volume, self.folder / f"record {name}", request)
        return volume.read_bytes()

    def _places(self, streams: list[dict[str, int]]) -> Iterator[Place]:
        for number, stream in enumerate(streams):
            for slot in range(stream["slots"]):
                length = stream["block_bytes"]
                offset = stream["start_bytes"] + slot * length
                versions = tuple(image[offset : offset + length] for image in self.images)
                yield Place(offset, length, number, versions)

    def judge(self, image: bytes) -> dict[int, Expected]:
        """What is wrong with an image: offset of each damaged block, and what a verdict has to say of it."""
        out = {}
        for index, place in enumerate(self.places):
            held = image[place.offset : place.offset + place.length]
            if held == place.newest:
                continue
            if held in place.versions:
                last = max(k for k, version in enumerate(place.versions) if version == held)
                out[place.offset] = Expected("lost", place.length, place.changes_after(last))
            elif held in self._home_of:
                home = self.places[self._home_of[held]]
                there = image[home.offset : home.offset + home.length] == held
                details = (f"belongs at offset {home.offset};", "it is there too" if there else "it is not there")
                out[place.offset] = Expected("misplaced", place.length, 1, details)
            else:
                out[place.offset] = Expected(self._kind(index, held), place.length, 1)
        return out

    def _kind(self, index: int, held: bytes) -> str:
        place = self.places[index]
        if len(held) < place.length:
            return "unreadable"
        if held in self._foreign:
            return "foreign"
        if held == held[:8] * (place.length // 8):
            return "blank"
        same_size = [p for p in self.places if p.stream == place.stream]
        for at in range(0, place.length, self.sector_bytes):
            sector = held[at : at + self.sector_bytes]
            if not any(sector == v[at : at + self.sector_bytes] for p in same_size for v in p.versions):
                return "damaged"
        return "torn"
