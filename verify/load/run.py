"""What one run is: its streams, seed, tag, promise and thresholds; the same at load time and at every check."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from blake3 import blake3

from verify.blocks.layout import StreamLayout
from verify.errors import UsageError
from verify.load.schedule import Flush, Pattern, Schedule, Stream

PROMISES = ("completed", "flushed")
OPERATIONS_MAX = 2**40
"""Operations of one lane: at a million a second, twelve days."""
STALL_NS_DEFAULT = 1_000_000_000
MERGE_NS_DEFAULT = 5_000_000_000
_NS_MAX = 10**15

T = TypeVar("T")
N = TypeVar("N", int, float)


@dataclass(frozen=True)
class Run:
    """The facts of a run that decide what its blocks hold and how they are judged.

    `stall_ns` is the stall threshold: a wait longer than this is an outage. Outages of all lanes closer together than
    `merge_ns` are one takeover. `atomic_bytes` is the unit the device writes whole or not at all. `lane_workers` gives
    for each lane of the run the part number (1...) of the ledger file that its worker keeps.
    """

    run_id: str
    seed: int
    tag: int
    streams: tuple[Stream, ...]
    promise: str
    stall_ns: int
    merge_ns: int
    atomic_bytes: int
    operations: int | None
    lane_workers: tuple[int, ...]

    @property
    def lanes(self) -> int:
        """Count of lanes over all streams."""
        return sum(stream.layout.lanes for stream in self.streams)

    @property
    def slots(self) -> int:
        """Count of slots over all streams."""
        return sum(stream.layout.slots for stream in self.streams)

    @property
    def ledger_parts(self) -> list[int]:
        """The parts of the ledger: the supervisor's, 0, and those of the workers."""
        return [0, *sorted(set(self.lane_workers))]

    @property
    def start_bytes(self) -> int:
        """Where the tested span begins on the volume."""
        return self.streams[0].layout.start_bytes

    @property
    def end_bytes(self) -> int:
        """Just past the tested span."""
        return self.streams[-1].layout.end_bytes

    def stream_of_lane(self, lane: int) -> Stream:
        """The stream that lane `lane` (counted within the run) belongs to."""
        for stream in self.streams:
            if lane < stream.layout.first_lane + stream.layout.lanes:
                return stream
        raise IndexError(f"lane {lane} of {self.lanes}")

    def schedule(self, lane: int) -> Schedule:
        """The schedule of lane `lane` (counted within the run)."""
        stream = self.stream_of_lane(lane)
        return Schedule(stream, lane - stream.layout.first_lane, self.seed)

    @property
    def digest(self) -> str:
        """BLAKE3 of the description; the ledger repeats it, so that a changed run.json convicts nobody."""
        text = json.dumps(self.to_json(), sort_keys=True, separators=(",", ":"))
        return blake3(text.encode()).hexdigest()

    def to_json(self) -> dict[str, Any]:
        """The description as it stands in run.json."""
        return {
            "id": self.run_id,
            "seed": self.seed,
            "tag": f"{self.tag:016x}",
            "promise": self.promise,
            "stall_threshold_ns": self.stall_ns,
            "merge_ns": self.merge_ns,
            "atomic_bytes": self.atomic_bytes,
            "operations": self.operations,
            "lane_workers": list(self.lane_workers),
            "streams": [_stream_to_json(stream) for stream in self.streams],
        }

    @classmethod
    def from_json(cls, value: Any, where: str) -> Run:
        """Read the description back.

        Args:
            value: what `to_json` gave, after a round trip through JSON.
            where: the file it came from, for messages.

        Raises:
            UsageError: if anything is missing, of the wrong type or out of range.
        """
        reader = _Reader(value, where)
        streams_json = reader.field("streams", list)
        streams: list[Stream] = []
        lane = slot = 0
        for index, item in enumerate(streams_json):
            stream = _stream_from_json(_Reader(item, f"{where}, stream {index}"), index, lane, slot)
            if streams and stream.layout.start_bytes < streams[-1].layout.end_bytes:
                raise UsageError(f"{where}: stream {index} begins inside stream {index - 1}")
            streams.append(stream)
            lane += stream.layout.lanes
            slot += stream.layout.slots
        if not streams:
            raise UsageError(f"{where}: there is no stream in it")
        workers = reader.field("lane_workers", list)
        if len(workers) != lane or not all(type(w) is int and 0 < w <= 4096 for w in workers):
            raise UsageError(f"{where}: lane_workers does not name a worker for each of {lane} lanes")
        operations = reader.value.get("operations")
        return cls(
            run_id=reader.field("id", str),
            seed=reader.integer("seed", 0, 2**64 - 1),
            tag=reader.convert("tag", lambda v: int(v, 16), 0, 2**64 - 1),
            streams=tuple(streams),
            promise=reader.choice("promise", PROMISES),
            stall_ns=reader.integer("stall_threshold_ns", 1, _NS_MAX),
            merge_ns=reader.integer("merge_ns", 0, _NS_MAX),
            atomic_bytes=reader.integer("atomic_bytes", 512, 1 << 30),
            operations=None if operations is None else reader.integer("operations", 0, OPERATIONS_MAX),
            lane_workers=tuple(workers),
        )


def _stream_to_json(stream: Stream) -> dict[str, Any]:
    layout = stream.layout
    return {
        "start_bytes": layout.start_bytes,
        "block_bytes": layout.block_bytes,
        "sector_bytes": layout.sector_bytes,
        "slots": layout.slots,
        "lanes": layout.lanes,
        "pattern": stream.pattern.name.lower(),
        "read_share": float(stream.read_share),
        "flush": stream.flush.name.lower(),
        "flush_every": stream.flush_every,
        "pace": float(stream.pace),
        "fill": stream.fill,
    }


def _stream_from_json(reader: _Reader, index: int, first_lane: int, first_slot: int) -> Stream:
    try:
        layout = StreamLayout(
            stream=index,
            start_bytes=reader.integer("start_bytes", 0, 2**62),
            block_bytes=reader.integer("block_bytes", 512, 1 << 22),
            sector_bytes=reader.integer("sector_bytes", 512, 4096),
            slots=reader.integer("slots", 1, 2**40),
            lanes=reader.integer("lanes", 1, 4096),
            first_lane=first_lane,
            first_slot=first_slot,
        )
    except ValueError as error:
        raise UsageError(f"{reader.where}: {error}") from None
    return Stream(
        layout=layout,
        pattern=Pattern[reader.choice("pattern", [p.name.lower() for p in Pattern]).upper()],
        read_share=reader.number("read_share", 0.0, 1.0),
        flush=Flush[reader.choice("flush", [f.name.lower() for f in Flush]).upper()],
        flush_every=reader.integer("flush_every", 0, 2**31),
        pace=reader.number("pace", 0.0, 1e9),
        fill=reader.field("fill", bool),
    )


class _Reader:
    """Takes typed fields out of a JSON object, and says what is wrong with one that does not fit."""

    def __init__(self, value: Any, where: str) -> None:
        if not isinstance(value, dict):
            raise UsageError(f"{where}: an object was expected here")
        self.value: dict[str, Any] = value
        self.where = where

    def field(self, name: str, kind: type[T]) -> T:
        if name not in self.value:
            raise UsageError(f"{self.where}: the field {name!r} is missing")
        value = self.value[name]
        if type(value) is not kind:
            raise UsageError(f"{self.where}: the field {name!r} is not of the right type")
        return value

    def integer(self, name: str, low: int, high: int) -> int:
        return self._ranged(name, self.field(name, int), low, high)

    def number(self, name: str, low: float, high: float) -> float:
        value = self.value.get(name)
        if not isinstance(value, (int, float)) or isinstance(value, bool):
            raise UsageError(f"{self.where}: the field {name!r} is missing or not a number")
        return float(self._ranged(name, value, low, high))

    def choice(self, name: str, allowed: list[str] | tuple[str, ...]) -> str:
        value = self.field(name, str)
        if value not in allowed:
            raise UsageError(f"{self.where}: the field {name!r} is none of {', '.join(allowed)}")
        return value

    def convert(self, name: str, by: Callable[[str], int], low: int, high: int) -> int:
        try:
            return self._ranged(name, by(self.field(name, str)), low, high)
        except ValueError:
            raise UsageError(f"{self.where}: the field {name!r} cannot be read") from None

    def _ranged(self, name: str, value: N, low: N, high: N) -> N:
        if not low <= value <= high:
            raise UsageError(f"{self.where}: the field {name!r} is {value}, outside {low} to {high}")
        return value
