"""Reading a ledger file back, frame by frame, in one fixed order of checks.

A torn tail, which is what a crash leaves, is cut at the last whole frame and told. Anything else that does
not fit is damage: reading ends before it, and what broke is named.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, BinaryIO

from blake3 import blake3
from xxhash import xxh3_64_intdigest

from verify.ledger.frames import (
    BODY_BYTES_MAX,
    HEADER,
    HEADER_BYTES,
    HEADER_CHECK,
    MAGIC,
    RECORD_BYTES,
    VERSION,
    FrameKind,
    Records,
    chain_start,
    decode_event,
    decode_records,
)
from verify.plain_file import read_plain

CHUNK_BYTES = 256 * 1024 * RECORD_BYTES
READ_BYTES = 1024 * 1024
"""Read at once: who reads waits each time for a thread that looks at the volume meanwhile."""
SECTOR_BYTES = 512
"""What a crash zero-fills begins at a multiple of this."""

ZERO_TAIL_BYTES_MIN = 16
"""Fewer zero bytes at the end of a file than this may just as well be the end of a record."""

_LOOK_BYTES = 1 << 20


@dataclass
class LedgerState:
    """How far a ledger file could be read, and why no further.

    `head` is the BLAKE3 of the last whole frame. `torn` tells of an end such as a crash leaves, `damaged` of
    anything else that does not fit; both are empty where the file ends with a whole frame.
    """

    path: str
    frames: int = 0
    good_bytes: int = 0
    size_bytes: int = 0
    head: str = ""
    closed: bool = False
    torn: str = ""
    damaged: str = ""
    opening: dict[str, Any] = field(default_factory=dict)
    closing: dict[str, Any] = field(default_factory=dict)

    def take(self, content: bytes | dict[str, Any], length: int, head: bytes) -> None:
        """Count one more whole frame, as `read_frame` gave it."""
        self.frames += 1
        self.good_bytes += length
        self.head = head.hex()
        if isinstance(content, dict) and content.get("event") == "open":
            self.opening = content
        elif isinstance(content, dict) and content.get("event") == "close":
            self.closed = True
            self.closing = content


class LedgerFile:
    """One ledger file, read from its beginning as often as needed.

    Args:
        path: the file.
        tag, part: the run's tag and the file's number, which the first frame's chain value must match.
        end_bytes: read no further than this, as found by an earlier pass; None for all.
    """

    def __init__(self, path: str, tag: int, part: int, end_bytes: int | None = None) -> None:
        self.path = path
        self.tag = tag
        self.part = part
        self.end_bytes = end_bytes
        self.state = LedgerState(path)

    def items(self) -> Iterator[Records | dict[str, Any]]:
        """Yield records in stretches and events one by one, in file order; `state` then tells how it ended.

        Raises:
            OSError: if the file cannot be opened or read, after all items before that place; or is no plain file.
        """
        pending: list[bytes] = []
        pending_bytes = 0
        frames = self._frames()
        failure: OSError | None = None
        while True:
            try:
                content = next(frames, None)
            except OSError as error:
                content, failure = None, error
            if isinstance(content, bytes):
                pending.append(content)
                pending_bytes += len(content)
                if pending_bytes < CHUNK_BYTES:
                    continue
            if pending:
                yield decode_records(b"".join(pending))
                pending, pending_bytes = [], 0
            if isinstance(content, dict):
                yield content
            if content is None:
                break
        if failure is not None:
            raise failure

    def heads(self) -> Iterator[str]:
        """The BLAKE3 of each whole frame in turn; `state` then counts it. Equal heads: equal up to there, to the byte.

        Raises:
            OSError: if the file cannot be opened or read.
        """
        for _ in self._frames():
            yield self.state.head

    def _frames(self) -> Iterator[bytes | dict[str, Any]]:
        """The content of each whole frame: a body of records, or an event."""
        self.state = state = LedgerState(self.path)
        before = chain_start(self.tag, self.part)
        with read_plain(self.path, READ_BYTES) as file:
            state.size_bytes = os.fstat(file.fileno()).st_size
            limit = state.size_bytes if self.end_bytes is None else min(self.end_bytes, state.size_bytes)
            while state.good_bytes < limit:
                frame = read_frame(file, state, before)
                if frame is None:
                    return
                content, _, before = frame
                state.take(*frame)
                yield content
        if not state.frames:
            state.torn = "the file is empty"


def read_frame(
    file: BinaryIO, state: LedgerState, before: bytes
) -> tuple[bytes | dict[str, Any], int, bytes] | None:
    """The next whole frame as (content, length in bytes, BLAKE3), or None with the reason put in `state`.

    Args:
        file: stands at the frame's beginning.
        state: how far the ledger file was read before.
        before: BLAKE3 of the frame before, or the start of the chain.
    """
    at = f"frame {state.frames} at byte {state.good_bytes}"
    if state.closed:
        state.damaged = f"{at} stands after the close"
        return None
    head = file.read(HEADER_BYTES)
    if len(head) < HEADER_BYTES:
        state.torn = f"{at} ends within its header"
        return None
    fields, check = head[: HEADER.size], HEADER_CHECK.unpack_from(head, HEADER.size)[0]
    if xxh3_64_intdigest(fields) != check:
        filled = _zero_filled(file, state, HEADER_BYTES)
        if filled:
            state.torn = f"{at} {filled}"
        else:
            state.damaged = f"{at}: the header does not match its checksum"
        return None
    magic, version, kind, reserved, body_bytes, records, number, chain, body_check = HEADER.unpack(fields)
    wrong = _wrong_header(magic, version, kind, reserved, body_bytes, records, number, state.frames)
    if wrong:
        state.damaged = f"{at}: {wrong}"
        return None
    if chain != before:
        state.damaged = f"{at}: it does not follow the frame before it"
        return None
    body = file.read(body_bytes)
    if len(body) < body_bytes:
        state.torn = f"{at} ends within its body"
        return None
    if xxh3_64_intdigest(body) != body_check:
        filled = _zero_filled(file, state, HEADER_BYTES + body_bytes)
        if filled:
            state.torn = f"{at} {filled}"
        else:
            state.damaged = f"{at}: the body does not match its checksum"
        return None
    content: bytes | dict[str, Any] = body
    if kind == FrameKind.EVENT:
        try:
            content = decode_event(body)
        except ValueError as error:
            state.damaged = f"{at}: {error}"
            return None
    return content, HEADER_BYTES + body_bytes, blake3(head).update(body).digest()


def _wrong_header(
    magic: bytes, version: int, kind: int, reserved: int, body_bytes: int, records: int, number: int, due: int
) -> str:
    if magic != MAGIC:
        return "this is no ledger frame"
    if version != VERSION:
        return f"version {version} of the format is not known"
    if kind not in (FrameKind.OPERATIONS, FrameKind.EVENT):
        return f"frame kind {kind} is not known"
    if reserved:
        return "its reserved bytes are not zero"
    if body_bytes > BODY_BYTES_MAX:
        return f"a body of {body_bytes} bytes is too long"
    if kind == FrameKind.OPERATIONS and (not records or records * RECORD_BYTES != body_bytes):
        return f"{records} records do not make {body_bytes} bytes"
    if kind == FrameKind.EVENT and records != 1:
        return f"it says {records} where one event stands"
    if number != due:
        return f"it is numbered {number}"
    return ""


def _zero_filled(file: BinaryIO, state: LedgerState, frame_bytes: int) -> str:
    """How a crash that grew the file before its content left the frame of so many bytes; "" for none such.

    After one, nothing but zero bytes stands from a sector boundary within the frame, or from before it, to
    the end of the file.
    """
    start, end = state.good_bytes, state.size_bytes
    while end > start:
        low = max(end - _LOOK_BYTES, start)
        file.seek(low)
        kept = len(file.read(end - low).rstrip(b"\0"))
        end = low + kept
        if kept:
            break
    if end == start:
        return "was never written"
    zeros_from = -(-end // SECTOR_BYTES) * SECTOR_BYTES
    if zeros_from < start + frame_bytes and state.size_bytes - zeros_from >= ZERO_TAIL_BYTES_MIN:
        return "was written in part"
    return ""
