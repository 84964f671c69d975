"""Reading a ledger file back, frame by frame, in one fixed order of checks.

A torn tail (what a crash leaves) is cut at the last whole frame and told. Anything else that does not fit is damage:
reading ends before it, and what broke is named.
"""

from __future__ import annotations

import json
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
    decode_records,
)

CHUNK_BYTES = 256 * 1024 * RECORD_BYTES
_ZERO_TAIL_BYTES = 512


@dataclass
class LedgerState:
    """How far a ledger file could be read, and why no further."""

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
        """Yield records in stretches, and events one by one, in file order; `state` tells afterwards how it ended.

        Raises:
            OSError: if the file cannot be opened or read.
        """
        pending: list[bytes] = []
        pending_bytes = 0
        for kind, body in self._frames():
            if kind is FrameKind.OPERATIONS:
                pending.append(body)
                pending_bytes += len(body)
                if pending_bytes < CHUNK_BYTES:
                    continue
            if pending:
                yield decode_records(b"".join(pending))
                pending, pending_bytes = [], 0
            if kind is FrameKind.EVENT:
                yield json.loads(body)
        if pending:
            yield decode_records(b"".join(pending))

    def _frames(self) -> Iterator[tuple[FrameKind, bytes]]:
        self.state = state = LedgerState(self.path)
        before = chain_start(self.tag, self.part)
        with open(self.path, "rb") as file:
            state.size_bytes = os.fstat(file.fileno()).st_size
            limit = state.size_bytes if self.end_bytes is None else min(self.end_bytes, state.size_bytes)
            while state.good_bytes < limit:
                frame = _read_frame(file, state, before)
                if frame is None:
                    break
                kind, body, whole = frame
                before = blake3(whole).digest()
                state.frames += 1
                state.good_bytes += len(whole)
                state.head = before.hex()
                if kind is FrameKind.EVENT:
                    self._note(json.loads(body))
                yield kind, body
        if not state.frames and not state.damaged:
            state.torn = state.torn or "the file is empty"

    def _note(self, event: dict[str, Any]) -> None:
        if event.get("event") == "open":
            self.state.opening = event
        elif event.get("event") == "close":
            self.state.closed = True
            self.state.closing = event


def _read_frame(file: BinaryIO, state: LedgerState, before: bytes) -> tuple[FrameKind, bytes, bytes] | None:
    """The next whole frame as (kind, body, all its bytes), or None with the reason put in `state`."""
    at = f"frame {state.frames} at byte {state.good_bytes}"
    head = file.read(HEADER_BYTES)
    if len(head) < HEADER_BYTES:
        state.torn = f"{at} ends within its header"
        return None
    fields, check = head[: HEADER.size], HEADER_CHECK.unpack_from(head, HEADER.size)[0]
    if xxh3_64_intdigest(fields) != check:
        if _zero_to_end(file, head):
            state.torn = f"{at} was never written"
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
        if body_bytes >= _ZERO_TAIL_BYTES and not any(body[-_ZERO_TAIL_BYTES:]) and _zero_to_end(file, b""):
            state.torn = f"{at} was written in part"
        else:
            state.damaged = f"{at}: the body does not match its checksum"
        return None
    if state.closed:
        state.damaged = f"{at} stands after the close"
        return None
    if FrameKind(kind) is FrameKind.EVENT and not _is_event(body):
        state.damaged = f"{at}: the event is not a JSON object"
        return None
    return FrameKind(kind), body, head + body


def _wrong_header(
    magic: bytes, version: int, kind: int, reserved: int, body_bytes: int, records: int, number: int, expected: int
) -> str:
    if magic != MAGIC:
        return "this is no ledger frame"
    if version != VERSION:
        return f"version {version} of the format is not known"
    if kind not in (FrameKind.OPERATIONS, FrameKind.EVENT) or reserved:
        return f"frame kind {kind} is not known"
    if body_bytes > BODY_BYTES_MAX:
        return f"a body of {body_bytes} bytes is too long"
    if kind == FrameKind.OPERATIONS and records * RECORD_BYTES != body_bytes:
        return f"{records} records do not make {body_bytes} bytes"
    if number != expected:
        return f"it is numbered {number}"
    return ""


def _zero_to_end(file: BinaryIO, start: bytes) -> bool:
    """Whether nothing but zero bytes stands from here to the end, as after a crash that grew the file first."""
    if any(start):
        return False
    while chunk := file.read(1 << 20):
        if any(chunk):
            return False
    return True


def _is_event(body: bytes) -> bool:
    try:
        return isinstance(json.loads(body), dict)
    except (ValueError, RecursionError):
        return False
