"""Targets that take bytes alone: blocks, ledger files, marks, seals, and the TOML files that a user names."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from blake3 import blake3
from xxhash import xxh3_64_intdigest

from scripts.fuzzing.edits import Bytes, edited, respelled
from scripts.fuzzing.honest import honest_run
from verify.blocks.decode import State, decode_blocks, own_sectors
from verify.blocks.encode import BlockMaker
from verify.blocks.layout import CHECKSUM_BYTES, StreamLayout
from verify.drill.criteria import read_criteria
from verify.drill.marks import read_mark
from verify.drill.particulars import read_particulars
from verify.drill.planning import RunRequest, plan_run
from verify.drill.seal import BrokenSeal, read_seal, seal_bytes
from verify.drill.streams import read_streams
from verify.errors import UsageError
from verify.judge.content import look
from verify.judge.timeline import Timeline
from verify.ledger.frames import (
    RECORD_BYTES,
    FrameKind,
    Records,
    chain_start,
    decode_event,
    encode_event,
    encode_frame,
)
from verify.ledger.reader import LedgerFile

SIZES = ((512, 512), (4096, 512), (4096, 4096), (16384, 4096))
SEQUENCES = (0, 5, 2**48 - 1)


class Blocks:
    """Block decoding: garbage, and real blocks with pieces changed, with or without their checksum made right."""

    def __init__(self, folder: Path) -> None:  # noqa: ARG002  (the others need one)
        layouts = [StreamLayout(1, 8192, block, sector, 12, 3, 2, 5) for block, sector in SIZES]
        self._makers = [BlockMaker(layout, 11, 22) for layout in layouts]

    def seeds(self) -> list[bytes]:
        """One for each size of block: unchanged, with one byte changed, and garbage."""
        return [bytes([size, 1, 0, *more]) for size in range(len(SIZES)) for more in (b"", b"\0\x20\0\0\0\xff", b"\5")]

    def __call__(self, data: bytes) -> None:
        """Decode and dissect one block."""
        taken = Bytes(data)
        maker = taken.choice(self._makers)
        layout, repaired = maker.layout, bool(taken.number() & 1)
        slot, sequence = 4, taken.choice(SEQUENCES)
        honest = maker.block(slot, slot % layout.lanes, sequence)
        changed = bytearray(edited(honest, taken)[: layout.block_bytes].ljust(layout.block_bytes, b"\0"))
        if repaired:
            end = layout.block_bytes - CHECKSUM_BYTES
            changed[end:] = xxh3_64_intdigest(bytes(changed[:end])).to_bytes(CHECKSUM_BYTES, "little")
        block = memoryview(bytes(changed))
        decoded = decode_blocks(block, layout)
        if not repaired and bytes(block) != honest:
            assert decoded.state[0] != State.WHOLE, "a changed block passed for a whole one"
        own_sectors(block, layout, maker.tag)
        for expected in (-1, sequence):
            seen = look(block, slot, maker, expected, self._makers[:1])
            assert type(seen).from_json(json.loads(json.dumps(seen.to_json()))) == seen


class Ledger:
    """Ledger reading: garbage, and whole frames with right checksums and chains around whatever stands in them."""

    TAG, PART = 9, 1

    def __init__(self, folder: Path) -> None:
        self._path = folder / "001.ledger"
        self._honest = honest_run(folder / "ledger target")

    def seeds(self) -> list[bytes]:
        """The real ledger as it is, and its bodies to be framed anew."""
        raw = b"".join(path.read_bytes() for path in sorted((self._honest.record / "ledger").glob("*.ledger")))
        bodies = [bytes([2]) + encode_event(item)[:4000] for item in self._events()]
        return [b"\0" + raw[:6000], *(b"\1" + _prefixed([body]) for body in bodies), b"\1" + _prefixed(bodies[:6])]

    def _events(self) -> list[dict[str, Any]]:
        return [item for items in self._honest.items.values() for item in items if isinstance(item, dict)]

    def __call__(self, data: bytes) -> None:
        """Read one file, and feed it to the judge's first pass."""
        content = data[1:] if not data[:1] or not data[0] & 1 else _framed(data[1:], self.TAG, self.PART)
        self._path.write_bytes(content)
        file = LedgerFile(str(self._path), self.TAG, self.PART)
        timeline = Timeline(self._honest.run)
        records = 0
        for item in file.items():
            timeline.feed(self.PART, item)
            records += len(item) if isinstance(item, Records) else 0
        timeline.finish()
        timeline.wall_ns(timeline.last_ns)
        state = file.state
        assert state.good_bytes <= len(content)
        assert records * RECORD_BYTES <= state.good_bytes
        assert (state.good_bytes == len(content)) != bool(state.torn or state.damaged) or not content


def _prefixed(bodies: Sequence[bytes]) -> bytes:
    return b"".join(len(body).to_bytes(2, "little") + body for body in bodies)


def _framed(data: bytes, tag: int, part: int) -> bytes:
    """Bodies, each behind its length in two bytes and begun by its kind, as whole frames of a ledger file."""
    before, taken = chain_start(tag, part), Bytes(data)
    out: list[bytes] = []
    while taken:
        size = taken.number(2)
        body = bytes(taken.number() for _ in range(min(size, len(data))))
        kind, body = body[:1], body[1:]
        if kind == b"\2":
            frame = encode_frame(FrameKind.EVENT, len(out), before, body, 1)
        else:
            body = body[: len(body) // RECORD_BYTES * RECORD_BYTES]
            frame = encode_frame(FrameKind.OPERATIONS, len(out), before, body, len(body) // RECORD_BYTES)
        out.append(frame)
        before = blake3(frame).digest()
    return b"".join(out)


class Marks:
    """The inbox: whatever is taken for a mark must be one that the ledger can say and the judge takes."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "1.json"
        self._run = honest_run(folder / "marks target").run

    def seeds(self) -> list[bytes]:
        """Marks as `ackproof mark` leaves them."""
        marks: list[dict[str, Any]] = [
            {"text": "cable pulled", "takeover": True, "pressed_ns": 10**12, "pressed_wall_ns": 10**18},
            {"text": "a note", "takeover": False, "pressed_ns": 1, "pressed_wall_ns": 2**62},
        ]
        return [b"\0" + json.dumps(mark).encode() for mark in marks] + [b"\1\5\0\3\3\0", b"\1\7\0\3\xff\0\1\0\3\4\0"]

    def __call__(self, data: bytes) -> None:
        """Take one mark from the inbox into a run."""
        content = data[1:]
        if data[:1] and data[0] & 1:
            mark = {"text": "pulled", "takeover": True, "pressed_ns": 7, "pressed_wall_ns": 8}
            content = _json(respelled(mark, Bytes(data[1:])))
        self._path.write_bytes(content)
        taken = read_mark(self._path)
        if taken is None:
            return
        event = decode_event(encode_event({"event": "mark", **taken, "accepted_ns": 10**12}))
        timeline = Timeline(self._run)
        timeline.feed(0, event)
        assert timeline.contradictions == {}, "a mark from the inbox spoils the ledger"
        assert len(timeline.marks) == 1


def _json(value: Any) -> bytes:
    return json.dumps(value).encode()


class Seals:
    """Seals: garbage, and wrong content under a right value."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "seal.json"
        self._honest = honest_run(folder / "seals target")

    def seeds(self) -> list[bytes]:
        """A real seal, and a few edits of what stands in one."""
        raw = (self._honest.record / "seal.json").read_bytes()
        return [b"\0" + raw[:4000], b"\1\0\0\3\5\0", b"\1\7\0\0", b"\1\3\0\3\x11\0"]

    def __call__(self, data: bytes) -> None:
        """Read one seal."""
        content = data[1:]
        if data[:1] and data[0] & 1:
            value = json.loads((self._honest.record / "seal.json").read_bytes())
            del value["value"]
            try:
                content = seal_bytes(respelled(value, Bytes(data[1:])))
            except (TypeError, ValueError, UnicodeEncodeError):
                return
        self._path.write_bytes(content)
        try:
            seal = read_seal(self._path)
        except BrokenSeal:
            return
        for name in (*seal.files, *seal.growing):
            assert not name.startswith("/"), name
            assert ".." not in name.split("/"), name


class Toml:
    """The files of --criteria, --streams and --about."""

    HONEST = (
        b'[criteria]\nstall = "10s"\nlongest-wait = "20s"\nerrors = 0\nrate-after = 0.8\nlatency-after = 3\n',
        b'[[stream]]\nblock = "4KiB"\nlanes = 4\nspan = "1MiB"\npattern = "skewed"\nread-share = 0.5\npace = 100.0\n',
        b'title = "t"\nbound = 0.1\ntakeovers-a-year = 2\n[[planned]]\nscenario = "pull"\nrepeats = 3\n',
    )

    def __init__(self, folder: Path) -> None:
        self._path = folder / "file.toml"

    def seeds(self) -> list[bytes]:
        """Each of the three as it should be, whole and to be edited."""
        return [bytes([which, 0]) + text for which, text in enumerate(self.HONEST)] + [
            b"\0\0[criteria]\nerrors = 1" + b"0" * 400, b"\1\0[[stream]]\nlanes = inf", b"\2\0bound = nan", b"\0\1",
            b"\1\1", b"\2\1",
        ]  # fmt: skip

    def __call__(self, data: bytes) -> None:
        """Read one file."""
        taken = Bytes(data)
        which, to_edit = taken.number() % 3, taken.number() & 1
        self._path.write_bytes(edited(self.HONEST[which], taken) if to_edit else taken.rest())
        with contextlib.suppress(UsageError):
            if which == 0:
                for criterion in read_criteria(str(self._path)):
                    assert np.isfinite(criterion.limit)
                    json.dumps(criterion.told(None), allow_nan=False)
            elif which == 1:
                request = RunRequest(read_streams(str(self._path)))
                request.check()
                plan_run(request, 1 << 40, 512)
            else:
                read_particulars(str(self._path))


