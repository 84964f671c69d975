"""Reading the tested span back, big and sequential, and setting it against what the ledger demands."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt
from xxhash import xxh3_64_intdigest

from verify.blocks.decode import State, foreign_sectors, near_tags, own_sectors
from verify.blocks.dissect import Origin, dissect
from verify.blocks.encode import BlockMaker
from verify.drill.journal import COUNTS, REGION_BYTES, Journal, Region
from verify.drill.observed import EarlyLook, Observed, look_at, spans_of
from verify.drill.readahead import Piece, ReadAhead
from verify.interruption import let_through
from verify.judge.content import Content, Seen, look
from verify.judge.decision import Source
from verify.judge.observations import Observations, Rows, blank_rows, row_of
from verify.judge.slots import SlotState
from verify.load.specimens import SpecimenFile
from verify.volume.protocol import Volume

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

    @property
    def is_of_the_run(self) -> bool:
        """Whether what was read is the volume of this run, whatever its identity: it holds what only the run wrote."""
        return bool(self.own_blocks or self.found_beyond)


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
        self._layouts = [stream.layout for stream in run.streams]
        self._makers = [BlockMaker(stream.layout, run.seed, run.tag) for stream in run.streams]
        self._any_open = any(state.is_open(lane) for lane in range(run.lanes))
        self._seen = np.full(run.slots if self._any_open else 0, _SEEN_UNKNOWN, dtype=np.int64)
        self._hashes: npt.NDArray[np.uint64] | None = None

    def scan(
        self,
        twice: bool,
        journal: Journal | None = None,
        ahead: ReadAhead | None = None,
        early: EarlyLook | None = None,
    ) -> ScanResult:
        """Read everything, once or twice, and prove what blocks beyond an open ledger tail prove.

        Args:
            twice: read everything a second time and compare.
            journal: takes what was read, region by region, and gives what an interrupted scan had read.
            ahead: has begun to read everything, and is closed by whoever began it.
            early: has looked at the first of what that read.
        """
        if twice:
            self._hashes = np.zeros(self._state.run.slots, dtype=np.uint64)
        at = [0] * len(self._state.run.streams)
        for region in journal.earlier if journal else []:
            self._take_over(region)
            at[region.stream] = region.end_slot
        if ahead is not None:
            self._take_in(self._looked_at(ahead, early), journal)
        else:
            with closing(ReadAhead(self._volume, spans_of(self._state.run), at)) as ahead:
                self._take_in(self._looked_at(ahead, None), journal)
        if twice:
            self._scan_again()
        self._prove()
        return self.result

    def _looked_at(self, ahead: ReadAhead, early: EarlyLook | None) -> Iterator[Observed]:
        """Everything that is read, in order; the bytes are overwritten once the next is asked for."""
        looked_at = early.finish() if early else deque[Observed]()
        while observed := looked_at.popleft() if looked_at else self._look_at_next(ahead):
            yield observed
            self._progress(observed.piece.count * self._layouts[observed.piece.stream].block_bytes)
            if not len(observed.checksums):
                ahead.give_back(observed.piece)
            if not looked_at:
                ahead.settle()

    def _look_at_next(self, ahead: ReadAhead) -> Observed | None:
        piece = ahead.take()
        return None if piece is None else look_at(piece, self._layouts[piece.stream], self._state.run.tag)

    def _take_in(self, looked_at: Iterator[Observed], journal: Journal | None) -> None:
        """Set everything that is read against the ledger, region by region; a region is of one stream."""
        total, self._observations = self._observations, Observations()
        first, so_far, noted = None, replace(self.result), len(self.result.seen_in_flight)
        for observed in looked_at:
            let_through()
            piece = observed.piece
            layout = self._layouts[piece.stream]
            first = first or piece
            self._observe(observed)
            end = piece.first + piece.count
            if (end - first.first) * layout.block_bytes < REGION_BYTES and end < layout.slots:
                continue
            part, self._observations = self._observations, Observations()
            if journal is not None:
                low = layout.first_slot
                seen = self._seen[low + first.first : low + end]
                counts = {name: getattr(self.result, name) - getattr(so_far, name) for name in COUNTS}
                in_flight = dict(islice(self.result.seen_in_flight.items(), noted, None))
                times = (first.began_wall_ns, piece.done_wall_ns)
                beyond = dict(self.result.found_beyond)
                rows = part.rows()
                region = Region(
                    piece.stream, first.first, end, *times, counts, in_flight, beyond, rows, part.details, seen
                )
                journal.add(region)
            total.add_all(part)
            first, so_far, noted = None, replace(self.result), len(self.result.seen_in_flight)
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

    def _observe(self, observed: Observed) -> None:
        """Set a piece against what its slots must hold; what is otherwise becomes an observation."""
        piece, state = observed.piece, self._state
        layout, maker = self._layouts[piece.stream], self._makers[piece.stream]
        low = layout.first_slot + piece.first
        slots = np.arange(low, low + piece.count, dtype=np.int64)
        readable, own, at_home, sequence = observed.readable, observed.own, observed.at_home, observed.sequence
        self.result.slots_read += int(readable.sum())
        self.result.bytes_read += int(readable.sum()) * layout.block_bytes
        self.result.own_blocks += int(own.sum())
        if self._hashes is not None:
            self._hashes[slots] = _hash_each(piece.data, layout.block_bytes)
        newest = state.newest[slots]
        expected = at_home & (sequence == newest)
        nothing_due = (newest < 0) & readable & ~own
        if (nothing_due & (observed.state == State.BROKEN)).any():
            nothing_due &= ~own_sectors(piece.data, layout, state.run.tag)
        if self._any_open:
            self._seen[slots] = np.where(at_home, sequence, _SEEN_UNKNOWN)
            codes = np.array([_SEEN_FOREIGN, _SEEN_BLANK, _SEEN_UNMATCHED], dtype=np.int64)
            self._seen[slots[nothing_due]] = codes[observed.state[nothing_due]]
            broken = nothing_due & (observed.state == State.BROKEN)
            if broken.any():
                foreign = broken & foreign_sectors(piece.data, layout, state.run.tag)
                self._seen[slots[foreign]] = _SEEN_FOREIGN
                for index in np.flatnonzero(foreign & near_tags(piece.data, layout, state.run.tag)).tolist():
                    damaged = piece.data[index * layout.block_bytes : (index + 1) * layout.block_bytes]
                    if look(damaged, piece.first + index, maker, -1, self._makers).content is not Content.FOREIGN:
                        self._seen[slots[index]] = _SEEN_UNMATCHED
        odd = ~(expected | nothing_due)
        if not odd.any():
            return
        for index in np.flatnonzero(at_home & (sequence > newest)).tolist():
            self._note_in_flight(int(slots[index]), int(sequence[index]))
        self._add_bulk(slots[odd & ~readable], Content.UNREADABLE, piece.times)
        older = odd & at_home
        rows = blank_rows(slots[older], Source.CHECK, Content.WHOLE)
        rows["oldest"] = rows["newest"] = sequence[older]
        rows["grain"] = layout.sectors
        self._add(rows, piece.times)
        rest = odd & readable & ~at_home
        plain = rest & (observed.state != State.BROKEN) & ~own
        self._add_bulk(slots[plain & (observed.state == State.BLANK)], Content.BLANK, piece.times)
        self._add_bulk(slots[plain & (observed.state == State.WHOLE)], Content.FOREIGN, piece.times)
        for index in np.flatnonzero(odd & readable & ~(plain & (observed.state == State.BLANK))).tolist():
            looks_closer = rest[index] and not plain[index]
            if len(observed.checksums) and not self._specimens.has_room(layout.block_bytes):
                continue
            block = observed.block(index, maker)
            kept = None if block is None else self._specimens.keep(block)
            if looks_closer and block is not None:
                self._add_close_look(piece, int(slots[index]), block, kept)

    def _add_bulk(self, slots: npt.NDArray[np.int64], content: Content, times: tuple[int, int]) -> None:
        self._add(blank_rows(slots, Source.CHECK, content), times)

    def _add(self, rows: Rows, times: tuple[int, int]) -> None:
        rows["issued_ns"], rows["done_ns"] = times
        self._observations.add_rows(rows)

    def _add_close_look(self, piece: Piece, slot: int, block: memoryview, kept: dict[str, Any] | None) -> None:
        layout = self._layouts[piece.stream]
        in_flight = self._state.in_flight.get(slot, -1)
        expected = max(int(self._state.newest[slot]), in_flight)
        seen = look(block, slot - layout.first_slot, self._makers[piece.stream], expected, self._makers)
        self._note_what_it_proves(piece.stream, slot, block, seen)
        row = row_of(slot, Source.CHECK, seen)
        row["issued_ns"], row["done_ns"] = piece.times
        where = "" if kept is None else f"; bytes kept in specimens/{kept['file']} at {kept['offset']}"
        self._observations.add(row, seen.detail + where)

    def _note_what_it_proves(self, stream_index: int, slot: int, block: memoryview, seen: Seen) -> None:
        """Note the operations that a block is proof of, wherever it or a sector of it belongs."""
        if not self._any_open:
            return
        if seen.newest >= 0:
            self._note_beyond(slot, seen.newest)
        if seen.content is Content.MISPLACED:
            homes = [(layout, layout.slot_at(seen.home_address)) for layout in self._layouts]
            for layout, home in homes:
                if home is not None:
                    self._note_beyond(layout.first_slot + home, seen.home_sequence)
        elif seen.strange_sectors or seen.oldest != seen.newest:
            maker = self._makers[stream_index]
            for sector in dissect(block, slot - maker.layout.first_slot, maker, others=self._makers).sectors:
                if sector.origin in (Origin.HERE, Origin.ELSEWHERE):
                    layout = maker.layout if sector.stream < 0 else self._layouts[sector.stream]
                    self._note_beyond(layout.first_slot + sector.slot, sector.sequence)

    def _note_in_flight(self, slot: int, sequence: int) -> None:
        """Keep, for later checks, a write above the acknowledged ones that may rightly stand on the slot."""
        is_open = self._state.is_open(self._state.lane_of_slot(slot))
        if self._state.in_flight.get(slot) == sequence or (is_open and self._state.writes_slot(slot, sequence)):
            self.result.seen_in_flight[slot] = max(sequence, self.result.seen_in_flight.get(slot, -1))

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
        with closing(ReadAhead(self._volume, spans_of(self._state.run))) as ahead:
            ahead.settle()
            while (piece := ahead.take()) is not None:
                let_through()
                layout = self._layouts[piece.stream]
                low = layout.first_slot + piece.first
                readable = np.ones(piece.count, dtype=np.bool_)
                readable[piece.unreadable] = False
                hashes = _hash_each(piece.data, layout.block_bytes)
                differs = (hashes != self._hashes[low : low + len(hashes)]) & readable
                for index in np.flatnonzero(differs).tolist():
                    block = piece.data[index * layout.block_bytes : (index + 1) * layout.block_bytes]
                    self._specimens.keep(block)
                    second.add(*self._look_again(piece, low + index, block))
                again[low : low + len(hashes)] = differs | ~readable
                lost = blank_rows(np.flatnonzero(~readable) + low, Source.CHECK, Content.UNREADABLE)
                lost["issued_ns"], lost["done_ns"] = piece.times
                second.add_rows(lost)
                self._progress(len(piece.data))
                ahead.give_back(piece)
        self._observations.forget_check(again)
        self._observations.add_all(second)

    def _look_again(self, piece: Piece, slot: int, block: memoryview) -> tuple[Rows, str]:
        in_flight = self._state.in_flight.get(slot, -1)
        lane = self._state.lane_of_slot(slot)
        layout = self._layouts[piece.stream]
        expected = max(int(self._state.newest[slot]), in_flight)
        seen = look(block, slot - layout.first_slot, self._makers[piece.stream], expected, self._makers)
        row = row_of(slot, Source.CHECK, seen)
        row["issued_ns"], row["done_ns"] = piece.times
        self._note_what_it_proves(piece.stream, slot, block, seen)
        if seen.content is Content.WHOLE and seen.newest > self._state.newest[slot]:
            self._note_in_flight(slot, seen.newest)
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
            times = (time.monotonic_ns(),) * 2
            self._add(add, times)
            for code, content in _CONTENT_OF_SEEN.items():
                self._add_bulk(raised[seen == code], content, times)


def _hash_each(data: memoryview, block_bytes: int) -> npt.NDArray[np.uint64]:
    starts = range(0, len(data), block_bytes)
    return np.array([xxh3_64_intdigest(data[s : s + block_bytes]) for s in starts], dtype=np.uint64)
