"""Reading the tested span back, big and sequential, and setting it against what the ledger demands."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt
from xxhash import xxh3_64_intdigest

from verify.blocks.decode import DecodedBlocks, State, decode_blocks, own_sectors
from verify.blocks.encode import BlockMaker
from verify.blocks.layout import StreamLayout
from verify.drill.journal import COUNTS, REGION_BYTES, Journal, Region
from verify.judge.content import Content, look
from verify.judge.decision import Source
from verify.judge.observations import Observations, Rows, blank_rows, row_of
from verify.judge.slots import SlotState
from verify.load.specimens import SpecimenFile
from verify.volume.memory import aligned_buffer
from verify.volume.protocol import Volume

CHUNK_BYTES = 2 * 1024 * 1024
READS_IN_FLIGHT = 4
"""Reads on their way or waiting to be judged; more gain nothing, and a device under one thread of them idles."""
_SEEN_UNKNOWN, _SEEN_BLANK, _SEEN_FOREIGN, _SEEN_UNMATCHED = -2, -3, -4, -5
"""What stands for slots of an open lane that hold no whole write of their own."""

_CONTENT_OF_SEEN = {
    _SEEN_BLANK: Content.BLANK,
    _SEEN_FOREIGN: Content.FOREIGN,
    _SEEN_UNMATCHED: Content.UNMATCHED,
}


@dataclass
class ScanResult:
    """What a scan covered, and what it found beyond the ledger's end.

    `found_beyond` gives, for each lane whose ledger has an open tail, the highest operation found on the volume;
    `own_blocks` counts whole blocks of this run.
    """

    slots_read: int = 0
    bytes_read: int = 0
    own_blocks: int = 0
    found_beyond: dict[int, int] = field(default_factory=dict)
    seen_in_flight: dict[int, int] = field(default_factory=dict)


class Scanner:
    """Scans the tested span of one volume once or twice.

    Args:
        state: what the slots must hold.
        volume: to read from.
        observations: takes every slot seen otherwise than expected.
        specimens: takes the raw bytes of slots that need a closer look.
        progress: told of bytes read.
    """

    def __init__(
        self,
        state: SlotState,
        volume: Volume,
        observations: Observations,
        specimens: SpecimenFile,
        progress: Callable[[int], None],
    ) -> None:
        self._state = state
        self._volume = volume
        self._observations = observations
        self._specimens = specimens
        self._progress = progress
        self.result = ScanResult()
        run = state.run
        self._makers = [BlockMaker(stream.layout, run.seed, run.tag) for stream in run.streams]
        self._any_open = any(state.is_open(lane) for lane in range(run.lanes))
        self._seen = np.full(run.slots if self._any_open else 0, _SEEN_UNKNOWN, dtype=np.int64)
        self._hashes: npt.NDArray[np.uint64] | None = None

    def scan(self, twice: bool, journal: Journal | None = None) -> ScanResult:
        """Read everything, once or twice, and prove what blocks beyond an open ledger tail prove.

        Args:
            twice: read everything a second time and compare.
            journal: takes what was read, region by region, and gives what an interrupted scan had read.
        """
        if twice:
            self._hashes = np.zeros(self._state.run.slots, dtype=np.uint64)
        at = [0] * len(self._state.run.streams)
        for region in journal.earlier if journal else []:
            self._take_over(region)
            at[region.stream] = region.end_slot
        for stream_index in range(len(at)):
            self._scan_stream(stream_index, at[stream_index], journal)
        if twice:
            self._scan_again()
        self._prove()
        return self.result

    def _scan_stream(self, stream_index: int, start: int, journal: Journal | None) -> None:
        """Read one stream from slot `start` on, region by region."""
        layout = self._state.run.streams[stream_index].layout
        total, so_far, began_ns, first_slot = self._observations, replace(self.result), time.time_ns(), start
        self._observations = Observations()
        noted = len(self.result.seen_in_flight)
        for first, data, readable in self._chunks(stream_index, start, layout.slots):
            self._take(stream_index, first, data, readable)
            end = first + len(readable)
            if (end - first_slot) * layout.block_bytes < REGION_BYTES and end < layout.slots:
                continue
            part, self._observations = self._observations, Observations()
            if journal is not None:
                low = layout.first_slot
                seen = self._seen[low + first_slot : low + end]
                counts = {name: getattr(self.result, name) - getattr(so_far, name) for name in COUNTS}
                in_flight = dict(islice(self.result.seen_in_flight.items(), noted, None))
                times = (began_ns, time.time_ns())
                beyond = dict(self.result.found_beyond)
                rows = part.rows()
                region = Region(
                    stream_index, first_slot, end, *times, counts, in_flight, beyond, rows, part.details, seen
                )
                journal.add(region)
            total.add_all(part)
            so_far, began_ns, first_slot = replace(self.result), time.time_ns(), end
            noted = len(self.result.seen_in_flight)
        self._observations = total

    def _take_over(self, region: Region) -> None:
        """Take what an interrupted scan had read as if it had been read now."""
        layout = self._state.run.streams[region.stream].layout
        for name in COUNTS:
            setattr(self.result, name, getattr(self.result, name) + region.counts[name])
        self.result.seen_in_flight |= region.in_flight
        self.result.found_beyond |= region.beyond
        if len(region.seen):
            self._seen[layout.first_slot + region.first_slot : layout.first_slot + region.end_slot] = region.seen
        part = Observations()
        part.add_rows(region.rows)
        part.details = region.details
        self._observations.add_all(part)
        self._progress((region.end_slot - region.first_slot) * layout.block_bytes)

    def _chunks(
        self, stream_index: int, first_slot: int, end_slot: int
    ) -> Iterator[tuple[int, memoryview, npt.NDArray[np.bool_]]]:
        """Chunks of a stretch of one stream in order, further reads on their way while one is judged.

        Yields:
            First slot (counted within the stream), its bytes, which slots could be read. The bytes are overwritten
            once the next chunk is asked for.
        """
        layout = self._state.run.streams[stream_index].layout
        per_chunk = max(CHUNK_BYTES // layout.block_bytes, 1)
        buffers = [aligned_buffer(per_chunk * layout.block_bytes) for _ in range(READS_IN_FLIGHT)]
        starts = iter(range(first_slot, end_slot, per_chunk))
        with ThreadPoolExecutor(READS_IN_FLIGHT, thread_name_prefix="read ahead") as pool:

            def ahead(buffer: memoryview) -> None:
                first = next(starts, None)
                if first is not None:
                    count = min(per_chunk, end_slot - first)
                    on_way.append((first, buffer, pool.submit(self._read, layout, first, count, buffer)))

            on_way: deque[tuple[int, memoryview, Future[tuple[memoryview, npt.NDArray[np.bool_]]]]] = deque()
            try:
                for buffer in buffers:
                    ahead(buffer)
                while on_way:
                    first, buffer, reading = on_way.popleft()
                    data, readable = reading.result()
                    yield first, data, readable
                    self._progress(len(data))
                    ahead(buffer)
            finally:
                pool.shutdown(wait=True, cancel_futures=True)

    def _read(
        self, layout: StreamLayout, first: int, count: int, buffer: memoryview
    ) -> tuple[memoryview, npt.NDArray[np.bool_]]:
        """Read `count` slots from `first`; where that fails, slot by slot, to know exactly which cannot be read."""
        size = layout.block_bytes
        data = buffer[: count * size]
        readable = np.ones(count, dtype=np.bool_)
        if self._read_whole(layout.address(first), data):
            return data, readable
        for index in range(count):
            one = data[index * size : (index + 1) * size]
            readable[index] = self._read_whole(layout.address(first + index), one)
        return data, readable

    def _read_whole(self, offset_bytes: int, buffer: memoryview) -> bool:
        try:
            return self._volume.read(offset_bytes, buffer) == len(buffer)
        except OSError:
            return False

    def _take(self, stream_index: int, first: int, data: memoryview, readable: npt.NDArray[np.bool_]) -> None:
        layout = self._state.run.streams[stream_index].layout
        slots = np.arange(layout.first_slot + first, layout.first_slot + first + len(readable), dtype=np.int64)
        decoded = decode_blocks(data, layout)
        self.result.slots_read += int(readable.sum())
        self.result.bytes_read += int(readable.sum()) * layout.block_bytes
        if self._hashes is not None:
            self._hashes[slots] = _hash_each(data, layout.block_bytes)
        self._observe(stream_index, slots, data, decoded, readable)

    def _observe(
        self, stream_index: int, slots: npt.NDArray[np.int64], data: memoryview, decoded: DecodedBlocks,
        readable: npt.NDArray[np.bool_],
    ) -> None:  # fmt: skip
        layout, state = self._state.run.streams[stream_index].layout, self._state
        whole = (decoded.state == State.WHOLE) & readable
        own = whole & (decoded.tag == np.uint64(state.run.tag))
        at_home = own & (decoded.address == (layout.start_bytes + (slots - layout.first_slot) * layout.block_bytes))
        at_home &= decoded.stream == layout.stream
        at_home &= decoded.lane == (slots - layout.first_slot) % layout.lanes
        sequence = np.where(at_home, decoded.sequence, 0).astype(np.int64)
        at_home &= sequence >= 0
        self.result.own_blocks += int(own.sum())
        newest = state.newest[slots]
        expected = at_home & (sequence == newest)
        nothing_due = (newest < 0) & readable & ~own
        if (nothing_due & (decoded.state == State.BROKEN)).any():
            nothing_due &= ~own_sectors(data, layout, state.run.tag)
        if self._any_open:
            self._seen[slots] = np.where(at_home, sequence, _SEEN_UNKNOWN)
            codes = np.array([_SEEN_FOREIGN, _SEEN_BLANK, _SEEN_UNMATCHED], dtype=np.int64)
            self._seen[slots[nothing_due]] = codes[decoded.state[nothing_due]]
        odd = ~(expected | nothing_due)
        if not odd.any():
            return
        for index in np.flatnonzero(at_home & (sequence > newest)).tolist():
            self._note_in_flight(int(slots[index]), int(sequence[index]))
        done_ns = time.monotonic_ns()
        self._add_bulk(slots[odd & ~readable], Content.UNREADABLE, done_ns)
        older = odd & at_home
        rows = blank_rows(slots[older], Source.CHECK, Content.WHOLE)
        rows["oldest"] = rows["newest"] = sequence[older]
        rows["grain"] = layout.sectors
        self._add(rows, done_ns)
        rest = odd & readable & ~at_home
        plain = rest & (decoded.state != State.BROKEN) & ~own
        self._add_bulk(slots[plain & (decoded.state == State.BLANK)], Content.BLANK, done_ns)
        self._add_bulk(slots[plain & (decoded.state == State.WHOLE)], Content.FOREIGN, done_ns)
        for index in np.flatnonzero(odd & readable & ~(plain & (decoded.state == State.BLANK))).tolist():
            block = data[index * layout.block_bytes : (index + 1) * layout.block_bytes]
            kept = self._specimens.keep(block)
            if rest[index] and not plain[index]:
                self._add_close_look(stream_index, int(slots[index]), block, done_ns, kept)

    def _add_bulk(self, slots: npt.NDArray[np.int64], content: Content, done_ns: int) -> None:
        self._add(blank_rows(slots, Source.CHECK, content), done_ns)

    def _add(self, rows: Rows, done_ns: int) -> None:
        rows["issued_ns"] = rows["done_ns"] = done_ns
        self._observations.add_rows(rows)

    def _add_close_look(
        self, stream_index: int, slot: int, block: memoryview, done_ns: int, kept: dict[str, Any] | None
    ) -> None:
        layout = self._state.run.streams[stream_index].layout
        in_flight = self._state.in_flight.get(slot, -1)
        expected = max(int(self._state.newest[slot]), in_flight)
        seen = look(block, slot - layout.first_slot, self._makers[stream_index], expected, self._makers)
        if seen.newest >= 0:
            self._note_beyond(slot, seen.newest)
        row = row_of(slot, Source.CHECK, seen)
        row["issued_ns"] = row["done_ns"] = done_ns
        where = "" if kept is None else f"; bytes kept in specimens/{kept['file']} at {kept['offset']}"
        self._observations.add(row, seen.detail + where)

    def _note_in_flight(self, slot: int, sequence: int) -> None:
        """Keep, for later checks, a write above the acknowledged ones that may rightly stand on the slot."""
        is_open = self._state.is_open(self._state.lane_of_slot(slot))
        if self._state.in_flight.get(slot) == sequence or (is_open and self._state.writes_slot(slot, sequence)):
            self.result.seen_in_flight[slot] = sequence

    def _note_beyond(self, slot: int, sequence: int) -> None:
        lane = self._state.lane_of_slot(slot)
        if not self._state.is_open(lane) or sequence < self._state.timeline.tails[lane].next_sequence:
            return
        if sequence > self.result.found_beyond.get(lane, -1) and self._state.writes_slot(slot, sequence):
            self.result.found_beyond[lane] = sequence

    def _scan_again(self) -> None:
        """The second pass: slots that differ from the first are judged by it, unstable unless still in flight."""
        assert self._hashes is not None
        again = np.zeros(self._state.run.slots, dtype=np.bool_)
        second = Observations()
        for stream_index, stream in enumerate(self._state.run.streams):
            layout = stream.layout
            for first, data, readable in self._chunks(stream_index, 0, layout.slots):
                low = layout.first_slot + first
                hashes = _hash_each(data, layout.block_bytes)
                differs = (hashes != self._hashes[low : low + len(hashes)]) & readable
                for index in np.flatnonzero(differs).tolist():
                    block = data[index * layout.block_bytes : (index + 1) * layout.block_bytes]
                    self._specimens.keep(block)
                    second.add(*self._look_again(stream_index, low + index, block))
                again[low : low + len(hashes)] = differs | ~readable
                lost = blank_rows(np.flatnonzero(~readable) + low, Source.CHECK, Content.UNREADABLE)
                lost["issued_ns"] = lost["done_ns"] = time.monotonic_ns()
                second.add_rows(lost)
        self._observations.forget_check(again)
        self._observations.add_all(second)

    def _look_again(self, stream_index: int, slot: int, block: memoryview) -> tuple[Rows, str]:
        in_flight = self._state.in_flight.get(slot, -1)
        lane = self._state.lane_of_slot(slot)
        layout = self._state.run.streams[stream_index].layout
        expected = max(int(self._state.newest[slot]), in_flight)
        seen = look(block, slot - layout.first_slot, self._makers[stream_index], expected, self._makers)
        row = row_of(slot, Source.CHECK, seen)
        row["issued_ns"] = row["done_ns"] = time.monotonic_ns()
        beyond = self._state.is_open(lane) and seen.newest >= self._state.timeline.tails[lane].next_sequence
        row["steady"] = in_flight >= 0 or beyond
        return row, f"two reads of this check differ; the second: {seen.detail or 'a whole write'}"

    def _prove(self) -> None:
        """Let blocks beyond an open tail prove what was acknowledged before them, and look again at what was seen."""
        state, found = self._state, self.result.found_beyond
        if not self._any_open:
            return
        for stream in state.run.streams:
            layout = stream.layout
            for own_lane in range(layout.lanes):
                lane = layout.first_lane + own_lane
                if not state.is_open(lane):
                    continue
                mine = self._seen[layout.first_slot + own_lane : layout.first_slot + layout.slots : layout.lanes]
                for own_slot in np.flatnonzero(mine >= state.timeline.tails[lane].next_sequence).tolist():
                    slot = layout.first_slot + own_slot * layout.lanes + own_lane
                    self._note_beyond(slot, int(mine[own_slot]))
        for lane, sequence in found.items():
            raised = state.prove(lane, sequence)
            raised = raised[~self._observations.mask(state.run.slots, check_only=True)[raised]]
            seen = self._seen[raised]
            older = (seen >= 0) & (seen < state.newest[raised])
            add = blank_rows(raised[older], Source.CHECK, Content.WHOLE)
            add["oldest"] = add["newest"] = seen[older]
            self._add(add, time.monotonic_ns())
            for code, content in _CONTENT_OF_SEEN.items():
                self._add_bulk(raised[seen == code], content, time.monotonic_ns())


def _hash_each(data: memoryview, block_bytes: int) -> npt.NDArray[np.uint64]:
    starts = range(0, len(data), block_bytes)
    return np.array([xxh3_64_intdigest(data[s : s + block_bytes]) for s in starts], dtype=np.uint64)
