"""From what the user asked for to a run that fits the volume."""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass

from verify.blocks.layout import BLOCK_BYTES_MAX, BLOCK_BYTES_MIN, LANES_MAX, StreamLayout, is_power_of_two
from verify.drill.quantities import format_size
from verify.errors import UsageError
from verify.load.run import MERGE_NS_DEFAULT, STALL_NS_DEFAULT, Run
from verify.load.schedule import Flush, Pattern, Stream

VOLUME_BYTES_MAX = 2**60
PACE_MAX = 1e9
SPAN_BYTES_DEFAULT = 1 << 30
BLOCK_BYTES_DEFAULT = 4096
LANES_DEFAULT = 32
LANES_PER_WORKER = 4
"""Threads of one process share one interpreter lock; a few of them leave it free often enough."""
WORKERS_MAX = 8
LANES_PER_RING = 4
"""One thread drives a ring, and one is enough for a few lanes; more rings than processors are of no use."""


@dataclass(frozen=True)
class StreamRequest:
    """One stream as the user asks for it; `span_bytes` None takes the default, or what the volume has."""

    block_bytes: int = BLOCK_BYTES_DEFAULT
    lanes: int = LANES_DEFAULT
    span_bytes: int | None = None
    pattern: Pattern = Pattern.UNIFORM
    read_share: float = 0.0
    flush: Flush = Flush.NEVER
    flush_every: int = 0
    pace: float = 0.0


@dataclass(frozen=True)
class RunRequest:
    """A whole run as the user asks for it. `atomic_bytes` None means the volume's sector."""

    streams: tuple[StreamRequest, ...]
    start_bytes: int = 0
    seed: int = 0
    tag: int | None = None
    promise: str = "completed"
    stall_ns: int = STALL_NS_DEFAULT
    merge_ns: int = MERGE_NS_DEFAULT
    atomic_bytes: int | None = None
    operations: int | None = None
    fill: bool = True
    workers: int | None = None

    def spans(self, size_bytes: int | None) -> list[int]:
        """The span of each stream in bytes, given the size of the volume (None: it will be made to fit)."""
        out = []
        at = self.start_bytes
        for stream in self.streams:
            span = stream.span_bytes
            if span is None:
                room = SPAN_BYTES_DEFAULT if size_bytes is None else max(size_bytes - at, 0)
                span = min(SPAN_BYTES_DEFAULT, room) // stream.block_bytes * stream.block_bytes
            out.append(span)
            at += span
        return out

    def check(self, prefix: str = "--") -> None:
        """Say what cannot be meant, before any volume is looked at.

        Args:
            prefix: put before the name of what is wrong: "--" for options.

        Raises:
            UsageError: with the first thing that is wrong.
        """
        if not self.streams:
            raise UsageError("a run needs at least one stream")
        if not 0 <= self.start_bytes <= VOLUME_BYTES_MAX:
            raise UsageError(f"{prefix}start {self.start_bytes} must be from 0 to {VOLUME_BYTES_MAX} bytes")
        if not 0 <= self.seed < 2**64:
            raise UsageError(f"{prefix}seed {self.seed} must be from 0 to 2**64 - 1")
        if sum(stream.lanes for stream in self.streams) > LANES_MAX:
            raise UsageError(f"at most {LANES_MAX} lanes fit in a run")
        for stream in self.streams:
            _check_stream(stream, prefix)


def _check_stream(stream: StreamRequest, prefix: str) -> None:
    block = stream.block_bytes
    if not is_power_of_two(block) or not BLOCK_BYTES_MIN <= block <= BLOCK_BYTES_MAX:
        raise UsageError(f"{prefix}block {block}: a block must be a power of two from 512 B to 4 MiB, such as 4KiB")
    if stream.lanes < 1:
        raise UsageError(f"{prefix}lanes must be at least 1")
    if not 0.0 <= stream.read_share <= 1.0:
        raise UsageError(f"{prefix}read-share {stream.read_share:g} must be from 0 to 1")
    if not 0 <= stream.pace <= PACE_MAX:
        raise UsageError(f"{prefix}pace {stream.pace:g} must be from 0 to {PACE_MAX:g} operations a second")
    if stream.flush is Flush.EVERY and stream.flush_every < 1:
        raise UsageError(f"{prefix}flush-every needs a count of at least 1, or `write`, or `never`")
    if stream.span_bytes is not None and not 0 < stream.span_bytes <= VOLUME_BYTES_MAX:
        raise UsageError(f"{prefix}span {stream.span_bytes} must be more than 0 and at most {VOLUME_BYTES_MAX} bytes")
    if stream.span_bytes is not None and stream.span_bytes < block:
        raise UsageError(f"{prefix}span {stream.span_bytes} is not even one block of {block} bytes")
    if stream.span_bytes is not None and stream.span_bytes % block:
        raise UsageError(f"{prefix}span {stream.span_bytes} is not a whole number of blocks of {block} bytes")


def _default_workers(lanes: int, by_ring: bool) -> int:
    if by_ring:
        return max(min(lanes // LANES_PER_RING, WORKERS_MAX, len(os.sched_getaffinity(0))), 1)
    return min(max(lanes // LANES_PER_WORKER, 2), WORKERS_MAX)


def plan_run(request: RunRequest, size_bytes: int, sector_bytes: int, by_ring: bool = False) -> Run:
    """Lay the request out on a volume.

    Args:
        request: checked already.
        size_bytes, sector_bytes: of the volume.
        by_ring: whether workers will submit by a ring, which decides how many there are unless the request says.

    Raises:
        UsageError: if it does not fit.
    """
    if request.start_bytes % sector_bytes:
        raise UsageError(f"--start {request.start_bytes} is not a multiple of the volume's {sector_bytes}-byte sectors")
    streams: list[Stream] = []
    at, lane, slot = request.start_bytes, 0, 0
    for index, (wanted, span) in enumerate(zip(request.streams, request.spans(size_bytes), strict=True)):
        if wanted.block_bytes < sector_bytes:
            raise UsageError(
                f"--block {wanted.block_bytes} is smaller than the volume's sectors of {sector_bytes} bytes; "
                f"use at least --block {sector_bytes}"
            )
        if at + span > size_bytes:
            raise UsageError(
                f"the span ends at {format_size(at + span)}, beyond the volume's end at {format_size(size_bytes)}; "
                "give a smaller --span or --start"
            )
        slots = span // wanted.block_bytes
        if slots < wanted.lanes:
            raise UsageError(
                f"the span of {format_size(span)} has {slots} blocks of {format_size(wanted.block_bytes)}, too few for "
                f"{wanted.lanes} lanes; the volume or the --span is too small"
            )
        try:
            layout = StreamLayout(index, at, wanted.block_bytes, sector_bytes, slots, wanted.lanes, lane, slot)
        except ValueError as error:
            raise UsageError(str(error)) from None
        streams.append(
            Stream(
                layout, wanted.pattern, wanted.read_share, wanted.flush, wanted.flush_every, wanted.pace, request.fill
            )
        )
        at, lane, slot = layout.end_bytes, lane + wanted.lanes, slot + slots
    workers = min(request.workers or _default_workers(lane, by_ring), lane)
    return Run(
        run_id=secrets.token_hex(8),
        seed=request.seed,
        tag=secrets.randbits(64) if request.tag is None else request.tag,
        streams=tuple(streams),
        promise=request.promise,
        stall_ns=request.stall_ns,
        merge_ns=request.merge_ns,
        atomic_bytes=request.atomic_bytes or sector_bytes,
        operations=request.operations,
        lane_workers=tuple(1 + index % workers for index in range(lane)),
    )
