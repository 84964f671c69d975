"""The bytes of a ledger file: frames, and the records in them.

`FORMAT.md` beside this file is the same in prose, with the reason for each field and what a crash leaves.
"""

from __future__ import annotations

import json
import math
import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
import numpy.typing as npt
from blake3 import blake3
from xxhash import xxh3_64_intdigest

MAGIC = b"aKlg"
VERSION = 1
HEADER = struct.Struct("<4sBBHIIQ32sQ")
"""Magic, version, frame kind, reserved, body bytes, records, frame number, BLAKE3 of the frame before,
XXH3-64 of the body."""
HEADER_CHECK = struct.Struct("<Q")
HEADER_BYTES = HEADER.size + HEADER_CHECK.size
BODY_BYTES_MAX = 16 * 1024 * 1024
EVENT_BYTES_MAX = 2 * 1024 * 1024
EVENT_DEPTH_MAX = 16
RECORD_BYTES = 24
RECORDS_MAX = BODY_BYTES_MAX // RECORD_BYTES
RECORD = struct.Struct("<QQQ")
SEQUENCE_MAX = 2**48 - 1
WAIT_NS_MAX = 2**48 - 1
CHAIN_CONTEXT = "ackproof 2026-11-24 ledger chain start v1"


class FrameKind(IntEnum):
    """What the body of a frame is."""

    OPERATIONS = 1
    """Records of 24 bytes each."""
    EVENT = 2
    """One JSON object in UTF-8."""


class Kind(IntEnum):
    """What a 24-byte record tells."""

    WRITE = 1
    """Operation `sequence` of the lane, a write, was acknowledged."""
    WRITE_THROUGH = 2
    """The same, written through to non-volatile storage."""
    READ = 3
    """Operation `sequence`, a read, found what was expected: anything at all, if nothing was ever written."""
    EXAMINED = 4
    """Before operation `sequence` overwrote its slot, the slot was read and held what was expected."""
    FLUSH = 5
    """A flush completed; the lane's next operation is `sequence`."""
    ERROR = 6
    """One attempt at operation `sequence` failed with errno `code`."""
    IN_FLIGHT = 7
    """At the close, operation `sequence` (read or write) was outstanding; it had waited until then."""
    LANE_END = 8
    """At the close, the lane had nothing in flight and would have gone on with operation `sequence`."""
    CLOCK = 9
    """A heartbeat: monotonic time, with the wall clock beside it (see `clock_record`)."""
    READ_ODD = 10
    """Operation `sequence`, a read, found something else: the observation event before it tells what."""
    EXAMINED_ODD = 11
    """An examination found something else: the observation event before it tells what."""
    PREFLIGHT = 12
    """At the close, an examination or flush that comes before operation `sequence` was outstanding."""


def operation_record(
    kind: int, lane: int, sequence: int, issued_ns: int, done_ns: int, code: int = 0
) -> bytes:
    """One record of 24 bytes; times are CLOCK_MONOTONIC nanoseconds, lane counted within the run."""
    wait_ns = done_ns - issued_ns
    if not 0 <= wait_ns <= WAIT_NS_MAX:
        wait_ns = 0 if wait_ns < 0 else WAIT_NS_MAX
    first = kind | code << 8 | lane << 16 | (sequence & 0xFFFFFFFF) << 32
    return RECORD.pack(first, sequence >> 32 | wait_ns << 16, issued_ns)


def clock_record(monotonic_ns: int, wall_ns: int) -> bytes:
    """A heartbeat record: its second word is the wall clock, in nanoseconds since 1970."""
    return RECORD.pack(Kind.CLOCK, wall_ns, monotonic_ns)


@dataclass(frozen=True)
class Records:
    """A stretch of records in columns, in the order they were made; every array has shape (count,)."""

    kind: npt.NDArray[np.uint8]
    code: npt.NDArray[np.uint8]
    lane: npt.NDArray[np.int64]
    sequence: npt.NDArray[np.int64]
    issued_ns: npt.NDArray[np.int64]
    done_ns: npt.NDArray[np.int64]
    """Acknowledgement or completion; for a CLOCK record the wall clock, and then `sequence` is 0."""

    def __len__(self) -> int:
        return len(self.kind)

    def take(self, which: npt.NDArray[Any] | slice) -> Records:
        """The records at the given positions (or where the mask is true), in order."""
        return Records(
            self.kind[which],
            self.code[which],
            self.lane[which],
            self.sequence[which],
            self.issued_ns[which],
            self.done_ns[which],
        )


def decode_records(body: bytes | memoryview) -> Records:
    """The records of one or more OPERATIONS bodies laid end to end."""
    words = np.frombuffer(body, dtype="<u8").reshape(-1, 3)
    first, second, third = words[:, 0], words[:, 1], words[:, 2]
    kind = (first & np.uint64(0xFF)).astype(np.uint8)
    issued = third.astype(np.int64)
    done = issued + (second >> np.uint64(16)).astype(np.int64)
    sequence = ((first >> np.uint64(32)) | ((second & np.uint64(0xFFFF)) << np.uint64(32))).astype(np.int64)
    clock = kind == Kind.CLOCK
    if clock.any():
        done[clock] = second[clock].astype(np.int64)
        sequence[clock] = 0
    return Records(
        kind=kind,
        code=((first >> np.uint64(8)) & np.uint64(0xFF)).astype(np.uint8),
        lane=((first >> np.uint64(16)) & np.uint64(0xFFFF)).astype(np.int64),
        sequence=sequence,
        issued_ns=issued,
        done_ns=done,
    )


def chain_start(tag: int, part: int) -> bytes:
    """What stands for "the frame before" in the first frame: BLAKE3 of the run's tag and the file's part."""
    return blake3(struct.pack("<QQ", tag, part), derive_key_context=CHAIN_CONTEXT).digest()


def encode_frame(kind: FrameKind, number: int, before: bytes, body: bytes, records: int) -> bytes:
    """One whole frame."""
    header = HEADER.pack(MAGIC, VERSION, kind, 0, len(body), records, number, before, xxh3_64_intdigest(body))
    return header + HEADER_CHECK.pack(xxh3_64_intdigest(header)) + body


def encode_event(event: dict[str, Any]) -> bytes:
    """The body of an EVENT frame: one spelling for each event.

    Halves of surrogate pairs, which UTF-8 cannot say, become question marks.

    Raises:
        ValueError: if the event holds anything but objects with text keys, lists, text, true, false, null,
            finite numbers and integers of signed 64 bits; or is nested deeper than `EVENT_DEPTH_MAX`, or
            longer than `EVENT_BYTES_MAX`.
    """
    _check_event_value(event, EVENT_DEPTH_MAX)
    text = json.dumps(event, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
    body = text.encode(errors="replace")
    if len(body) > EVENT_BYTES_MAX:
        raise ValueError(f"an event of {len(body)} bytes is too long")
    return body


def decode_event(body: bytes) -> dict[str, Any]:
    """The event in the body of an EVENT frame.

    Raises:
        ValueError: if the body is not exactly what `encode_event` makes of an event.
    """
    if len(body) > EVENT_BYTES_MAX:
        raise ValueError(f"an event of {len(body)} bytes is too long")
    try:
        event = json.loads(body.decode())
    except (ValueError, RecursionError):
        raise ValueError("the event is not JSON") from None
    if not isinstance(event, dict):
        raise ValueError("the event is not a JSON object")
    if encode_event(event) != body:
        raise ValueError("the event is not spelled as this format spells it")
    return event


def _sayable(text: str) -> bool:
    return text.isascii() or text == text.encode(errors="replace").decode()


def _check_event_value(value: Any, depth: int) -> None:
    if isinstance(value, dict | list | tuple):
        if not depth:
            raise ValueError(f"the event is nested deeper than {EVENT_DEPTH_MAX} levels")
        if isinstance(value, dict) and not all(isinstance(key, str) and _sayable(key) for key in value):
            raise ValueError("a key of the event is not text")
        for item in value.values() if isinstance(value, dict) else value:
            _check_event_value(item, depth - 1)
    elif isinstance(value, int):
        if not -(2**63) <= value < 2**63:
            raise ValueError("a number of the event needs more than 64 bits")
    elif isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError("a number of the event is not finite")
    elif value is not None and not isinstance(value, str):
        raise ValueError(f"the event holds a value of type {type(value).__name__}")
