"""The ledger format once more, from FORMAT.md alone: files built right and wrong, and what they must be read as."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blake3 import blake3
from xxhash import xxh3_64_intdigest

from verify.ledger.frames import Records
from verify.ledger.reader import LedgerFile, LedgerState

TAG = 0x0123456789ABCDEF
PART = 1
CHAIN_CONTEXT = "ackproof 2026-11-24 ledger chain start v1"
KINDS = {
    "WRITE": 1, "WRITE_THROUGH": 2, "READ": 3, "EXAMINED": 4, "FLUSH": 5, "ERROR": 6, "IN_FLIGHT": 7, "LANE_END": 8,
    "CLOCK": 9, "READ_ODD": 10, "EXAMINED_ODD": 11, "PREFLIGHT": 12,
}  # fmt: skip

Record = tuple[int, int, int, int, int, int]
"""Kind, code, lane, sequence, issued, done: as a reader gives it."""

Item = Record | dict[str, Any]


def number(value: int, size: int) -> bytes:
    return bytes(value >> 8 * i & 0xFF for i in range(size))


def slow_record(kind: int, lane: int, sequence: int, issued_ns: int, wait_ns: int, code: int = 0) -> bytes:
    body = number(kind, 1) + number(code, 1) + number(lane, 2) + number(sequence & 0xFFFFFFFF, 4)
    return body + number(sequence >> 32, 2) + number(wait_ns, 6) + number(issued_ns, 8)


def slow_clock(monotonic_ns: int, wall_ns: int) -> bytes:
    return number(KINDS["CLOCK"], 8) + number(wall_ns, 8) + number(monotonic_ns, 8)


def chain_start(tag: int = TAG, part: int = PART) -> bytes:
    return blake3(number(tag, 8) + number(part, 8), derive_key_context=CHAIN_CONTEXT).digest()


@dataclass(frozen=True)
class Frame:
    """One frame to be built; what is None follows from the rest."""

    body: bytes
    kind: int | None = None
    records: int | None = None
    body_bytes: int | None = None
    number: int | None = None
    before: bytes | None = None
    body_check: int | None = None
    magic: bytes = b"aKlg"
    version: int = 1
    reserved: int = 0

    def encode(self, index: int, before: bytes) -> bytes:
        is_event = self.body[:1] in (b"{", b"[", b'"')
        kind = (2 if is_event else 1) if self.kind is None else self.kind
        records = (1 if kind == 2 else len(self.body) // 24) if self.records is None else self.records
        length = len(self.body) if self.body_bytes is None else self.body_bytes
        check = xxh3_64_intdigest(self.body) if self.body_check is None else self.body_check
        header = self.magic + number(self.version, 1) + number(kind, 1) + number(self.reserved, 2)
        header += number(length, 4) + number(records, 4)
        header += number(index if self.number is None else self.number, 8)
        header += (before if self.before is None else self.before) + number(check, 8)
        return header + number(xxh3_64_intdigest(header), 8) + self.body


def build(frames: list[Frame], tag: int = TAG, part: int = PART) -> list[bytes]:
    """The frames as bytes, numbered and chained."""
    before, out = chain_start(tag, part), []
    for index, frame in enumerate(frames):
        out.append(frame.encode(index, before))
        before = blake3(out[-1]).digest()
    return out


OPEN = (
    b'{"boot_id":"unknown","event":"open","lanes":[0,1],"monotonic_ns":60000000000,"part":1,"process":4242,'
    b'"run":"demo","wall_ns":1792999968900000000}'
)
CLOSE = b'{"event":"close","monotonic_ns":92000000000,"wall_ns":1793000000900000000}'
MARK = '{"event":"mark","text":"Kabel gezogen, Regler A \u2013 \u3053\u3053"}'.encode()


def writes(lane: int, first: int, count: int) -> bytes:
    """Some records of one lane."""
    return b"".join(
        slow_record(1, lane, first + i, 61_000_000_000 + 1000 * (first + i), 900 + i) for i in range(count)
    )


def small_frames(closed: bool = True) -> list[Frame]:
    """A small ledger with records and events in turns."""
    bodies = [OPEN, writes(0, 0, 3), slow_clock(61_500_000_000, 1_793_000_000_000_000_000) + writes(1, 0, 2), MARK]
    bodies += [writes(0, 3, 1) + slow_record(6, 1, 2, 61_000_100_000, 30_000_000_000, 5), writes(1, 2, 5)]
    if closed:
        bodies += [slow_record(8, 0, 4, 92_000_000_000, 0) + slow_record(7, 1, 7, 61_000_100_000, 4), CLOSE]
    return [Frame(body) for body in bodies]


def read(path: Path, tag: int = TAG, part: int = PART) -> tuple[list[Item], LedgerState]:
    """All items of a file, record by record, and how its reading ended."""
    file = LedgerFile(str(path), tag, part)
    items: list[Item] = []
    for item in file.items():
        items += flat(item)
    return items, file.state


def flat(item: Records | dict[str, Any]) -> list[Item]:
    if isinstance(item, dict):
        return [item]
    columns = (item.kind, item.code, item.lane, item.sequence, item.issued_ns, item.done_ns)
    assert len({len(column) for column in columns} | {len(item)}) == 1
    return list(zip(*(column.tolist() for column in columns), strict=True))


def slow_items(body: bytes) -> list[Item]:
    """What a reader must give for the body of one frame of records."""
    out: list[Item] = []
    for at in range(0, len(body), 24):
        record = body[at : at + 24]
        kind, code = record[0], record[1]
        lane = int.from_bytes(record[2:4], "little")
        sequence = int.from_bytes(record[4:10], "little")
        issued_ns = int.from_bytes(record[16:24], "little")
        done_ns = issued_ns + int.from_bytes(record[10:16], "little")
        if kind == KINDS["CLOCK"]:
            out.append((kind, code, lane, 0, issued_ns, int.from_bytes(record[8:16], "little")))
        else:
            out.append((kind, code, lane, sequence, issued_ns, done_ns))
    return out


def items_of(frames: list[bytes]) -> list[Item]:
    """What a reader must give for these whole frames."""
    out: list[Item] = []
    for frame in frames:
        out += [json.loads(frame[72:])] if frame[5] == 2 else slow_items(frame[72:])
    return out
