"""Targets that take a whole record folder: run.json, ledgers that lie in whole frames, and what checks leave behind."""

from __future__ import annotations

import contextlib
import copy
import json
import shutil
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from blake3 import blake3
from xxhash import xxh3_64_intdigest

from scripts.fuzzing.edits import Bytes, edited, respelled
from scripts.fuzzing.honest import honest_run
from tests.drill.memory_volume import MemoryVolume
from verify.drill.checking import check_record
from verify.drill.confirm import confirm
from verify.drill.journal import COUNTS
from verify.drill.opening import OpenedVolume, open_recorded_volume
from verify.drill.record import RecordFolder
from verify.drill.reporting import write_report
from verify.errors import AckproofError
from verify.judge.content import Content
from verify.judge.decision import Source
from verify.judge.observations import blank_rows
from verify.ledger.frames import RECORD, FrameKind, Kind, Records, chain_start, encode_event, encode_frame
from verify.load.run import Run
from verify.report.verdict_json import VERDICT_FORMAT

Part = list[bytes | dict[str, Any]]
"""The content of one ledger file: bodies of records, and events."""

NUMBERS = (0, 1, 2, 7, 255, 4095, 4096, 65535, 2**32 - 1, 2**40, 2**48 - 1, 2**62, 2**62 + 1, 2**63, 2**64 - 1)


class RunJson:
    """run.json: no edit of it makes a PASS of a run that had none, or a FAIL where nothing was lost."""

    def __init__(self, folder: Path) -> None:
        self._honest = honest_run(folder, page_cache="the page cache of this machine was in the way: of old")
        self._whole = (self._honest.record / "run.json").read_bytes()

    def seeds(self) -> list[bytes]:
        """Plain edits of fields, and of bytes."""
        return [bytes([1, *at, 0, 3, *what]) for at in ((3, 0), (20, 0), (40, 0)) for what in ((0, 0), (14, 0))] + [
            b"\0\0\x30\0\0\0x", b"\0\5\x80\0\0\0",
        ]  # fmt: skip

    def __call__(self, data: bytes) -> None:
        """Check the sound volume by an edited run.json."""
        taken = Bytes(data)
        if taken.number() & 1:
            content = json.dumps(respelled(json.loads(self._whole), taken)).encode()
        else:
            content = edited(self._whole, taken)
        (self._honest.record / "run.json").write_bytes(content)
        folder = RecordFolder.open(str(self._honest.record))
        try:
            about, _ = folder.read_run()
            page_cache = open_recorded_volume(about, None).page_cache
            opened = OpenedVolume(self._honest.sound, "/memory", page_cache=page_cache)
            verdict = check_record(folder, opened).verdict["verdict"]
        except AckproofError:
            pass
        else:
            assert verdict == "INCONCLUSIVE", f"an edited run.json made it {verdict}"
        finally:
            self._honest.forget_checks()


class Lies:
    """Ledgers of whole frames, right checksums and chains, and contents that lie: none hides a write that was lost."""

    def __init__(self, folder: Path) -> None:
        self._honest = honest_run(folder)
        self._run_json = json.loads((self._honest.record / "run.json").read_bytes())
        self._parts = {part: _as_written(items) for part, items in self._honest.items.items()}

    def seeds(self) -> list[bytes]:
        """One edit of each kind, at several places."""
        return [bytes([part, how, at, 0, *more]) for part in range(3) for how in range(7) for at in (0, 2, 5)
                for more in ((1, 0, 2, 0, 3, 0), (9, 0, 4, 0, 11, 0))]  # fmt: skip

    def __call__(self, data: bytes) -> None:
        """Check a volume that lost a write by the ledger as edited."""
        taken = Bytes(data)
        parts = copy.deepcopy(self._parts)
        for _ in range(6):
            if not taken:
                break
            _lie(parts[taken.number() % len(parts)], taken)
        self._write(parts)
        try:
            verdict = self._honest.check(self._honest.lossy).verdict
        except AckproofError:
            pass
        else:
            assert verdict["verdict"] != "PASS", "a ledger that lies hid a loss"
        finally:
            self._honest.forget_checks()

    def _write(self, parts: dict[int, Part]) -> None:
        """The parts as files, the workers' first: the supervisor's tells their heads."""
        run, heads = self._honest.run, dict[str, str]()
        for part in sorted(parts, reverse=True):
            content, head = _framed(parts[part], run, part, heads)
            heads[str(part)] = head
            (self._honest.record / "ledger" / f"{part:03d}.ledger").write_bytes(content)
        self._run_json["ledger_heads"] = heads
        (self._honest.record / "run.json").write_text(json.dumps(self._run_json))


def _as_written(items: list[Records | dict[str, Any]]) -> Part:
    """The items as bodies again."""
    return [item if isinstance(item, dict) else _bodies(item) for item in items]


def _bodies(records: Records) -> bytes:
    clock = records.kind == Kind.CLOCK
    wait = np.where(clock, 0, records.done_ns - records.issued_ns)
    first = records.kind.astype(np.int64) | records.code.astype(np.int64) << 8 | records.lane << 16
    first |= (records.sequence & 0xFFFFFFFF) << 32
    second = np.where(clock, records.done_ns, records.sequence >> 32 | wait << 16)
    return np.stack([first, second, records.issued_ns], axis=1).astype("<i8").tobytes()


def _framed(items: Part, run: Run, part: int, heads: dict[str, str]) -> tuple[bytes, str]:
    before = chain_start(run.tag, part)
    out: list[bytes] = []
    for item in items:
        if isinstance(item, bytes):
            if not item:
                continue
            frame = encode_frame(FrameKind.OPERATIONS, len(out), before, item, len(item) // RECORD.size)
        else:
            told = {**item, "heads": heads} if item.get("event") == "close" and part == 0 else item
            try:
                body = encode_event(told)
            except (ValueError, TypeError):
                continue
            frame = encode_frame(FrameKind.EVENT, len(out), before, body, 1)
        out.append(frame)
        before = blake3(frame).digest()
    return b"".join(out), before.hex() if out else ""


def _lie(items: Part, taken: Bytes) -> None:
    """Change one thing in one part: a field of a record, a record, a field of an event, or an item as a whole."""
    if not items:
        return
    how, at = taken.number() % 7, taken.below(len(items))
    item = items[at]
    if how == 5:
        del items[at]
    elif how == 6:
        items.insert(at, items[taken.below(len(items))])
    elif isinstance(item, dict):
        items[at] = respelled(copy.deepcopy(item), taken, 1 + how % 3)
    else:
        items[at] = _records_lie(bytearray(item), how, taken)


def _records_lie(body: bytearray, how: int, taken: Bytes) -> bytes:
    if not body:
        return b""
    at = taken.below(len(body) // RECORD.size) * RECORD.size
    if how == 0:
        del body[at : at + RECORD.size]
    elif how == 1:
        body[at:at] = body[at : at + RECORD.size]
    elif how == 2:
        first = int.from_bytes(body[at : at + 8], "little")
        body[at : at + 8] = (first & ~0xFF | taken.number() % 16).to_bytes(8, "little")
    elif how == 3:
        field, size = taken.choice(((2, 2), (4, 4), (8, 2), (10, 6), (16, 8)))
        body[at + field : at + field + size] = (taken.choice(NUMBERS) % 2 ** (8 * size)).to_bytes(size, "little")
    else:
        other = taken.below(len(body) // RECORD.size) * RECORD.size
        body[at : at + RECORD.size] = body[other : other + RECORD.size]
    return bytes(body)


class Record:
    """The rest of a record folder: events, verdicts, losses, seals, the memory of earlier checks."""

    FILES = (
        "events.jsonl", "verdict.json", "seal.json", "checks/001/verdict.json", "checks/001/seen.json",
        "checks/001/losses.csv", "checks/001/seal.json", "run.json",
    )  # fmt: skip

    def __init__(self, folder: Path) -> None:
        self._honest = honest_run(folder)
        self._honest.check(self._honest.lossy)
        self._kept = {name: (self._honest.record / name).read_bytes() for name in self.FILES}
        self._checks = folder / "checks as they were"
        shutil.copytree(self._honest.record / "checks", self._checks)

    def seeds(self) -> list[bytes]:
        """An edit of each file, by its fields and by its bytes."""
        return [bytes([1, which, kind, 3, 0, 3, 9, 0]) for which in range(len(self.FILES)) for kind in (0, 1)]

    def __call__(self, data: bytes) -> None:
        """Confirm the folder, report on it, and check the lossy volume once more."""
        taken = Bytes(data)
        for _ in range(1 + taken.number() % 3):
            name = self.FILES[taken.number() % len(self.FILES)]
            (self._honest.record / name).write_bytes(self._spoilt(self._kept[name], taken))
        try:
            for step in (self._confirm, self._report, self._check):
                with contextlib.suppress(AckproofError):
                    step()
        finally:
            self._put_back()

    def _spoilt(self, content: bytes, taken: Bytes) -> bytes:
        if taken.number() & 1:
            with contextlib.suppress(ValueError):
                return json.dumps(respelled(json.loads(content), taken)).encode()
        return edited(content, taken)

    def _confirm(self) -> None:
        found = confirm(str(self._honest.record))
        same = all((self._honest.record / name).read_bytes() == kept for name, kept in self._kept.items())
        assert found.intact or not same
        growing = (self._honest.record / "events.jsonl").read_bytes().startswith(self._kept["events.jsonl"])
        assert same or growing or not found.intact, "a changed record is called intact"

    def _report(self) -> None:
        write_report(RecordFolder.open(str(self._honest.record)), lambda facts: repr(facts.occurrences))

    def _check(self) -> None:
        verdict = self._honest.check(self._honest.lossy).verdict
        assert verdict["format"] == VERDICT_FORMAT
        assert verdict["verdict"] == "FAIL", "what stands beside the ledger hid a loss"

    def _put_back(self) -> None:
        shutil.rmtree(self._honest.record / "checks")
        shutil.copytree(self._checks, self._honest.record / "checks")
        for name, content in self._kept.items():
            (self._honest.record / name).write_bytes(content)
        for left in self._honest.record.glob("specimens/check-00[2-9].bin"):
            left.unlink()


class _Stopping(MemoryVolume):
    """A volume whose check is stopped at its first read."""

    def read(self, offset_bytes: int, buffer: memoryview) -> int:  # noqa: ARG002  (a volume takes them)
        raise KeyboardInterrupt


class Journals:
    """The journal of an interrupted check, in whole frames with right checksums."""

    HEADER = struct.Struct("<4sIQQQ")

    def __init__(self, folder: Path) -> None:
        self._honest = honest_run(folder)
        volume = _Stopping(self._honest.lossy.size_bytes)
        with contextlib.suppress(KeyboardInterrupt):
            self._honest.check(volume)
        self._partial = self._honest.record / "checks" / ".001.partial"
        self._path = self._partial / "scan.journal"
        self._first = self._path.read_bytes()

    def seeds(self) -> list[bytes]:
        """A region as a check would have kept it, and edits of it."""
        return [b"", b"\1\0\3\0", b"\0\1\5\0\7", b"\0\0\0\0\1\1\x08\0\0\0\3abc"]

    def __call__(self, data: bytes) -> None:
        """Resume the check."""
        taken = Bytes(data)
        slots = self._honest.run.slots
        about = {
            "stream": 0, "first_slot": 0, "end_slot": slots, "from_wall_ns": 1, "to_wall_ns": 2,
            "counts": dict.fromkeys(COUNTS, slots), "in_flight": [], "beyond": [], "details": ["a text"],
        }  # fmt: skip
        rows = blank_rows(np.arange(taken.number() % 4), Source.CHECK, Content.BLANK)
        told = json.dumps(respelled(about, taken, taken.number() % 3)).encode()
        packed = zlib.compress(edited(rows.tobytes(), taken, 2))
        seen = taken.piece()
        frame = self.HEADER.pack(b"aKsj", len(told), len(packed), len(seen), xxh3_64_intdigest(told + packed + seen))
        self._partial.mkdir(exist_ok=True)
        self._path.write_bytes(self._first + frame + told + packed + seen)
        folder = RecordFolder.open(str(self._honest.record))
        try:
            check_record(folder, OpenedVolume(self._honest.lossy, "/memory"), resume=True)
        except AckproofError:
            pass
        finally:
            self._honest.forget_checks()
