"""A small real run with two checks, sealed as every run is."""

from __future__ import annotations

from pathlib import Path

from tests.drill.runs import check_here, write_here
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.record import RecordFolder

SPAN_BYTES = 64 << 10
SMALL_RUN = RunRequest((StreamRequest(4096, 2, SPAN_BYTES, read_share=0.3),), operations=40)


def sealed_record(folder: Path, checks: int = 2, damaged: bool = False) -> Path:
    """A record folder in `folder`; with `damaged`, a block of the volume was overwritten before the checks."""
    volume, record = folder / "volume", folder / "record"
    write_here(volume, record, SMALL_RUN)
    if damaged:
        with open(volume, "r+b") as file:
            file.seek(4096)
            file.write(bytes(range(256)) * 16)
    for _ in range(checks):
        check_here(record)
    return record


def add_note(record: Path, text: str) -> None:
    """A note, as `ackproof mark` makes one once the run has ended."""
    assert RecordFolder.open(str(record)).drop_mark(text, False, 1, 1) == "note"


def files_of(folder: Path) -> list[Path]:
    """Every file below a folder."""
    return sorted(path for path in folder.rglob("*") if path.is_file())


def flip_bit(path: Path, bit: int) -> None:
    """Change one bit of a file, counted from its beginning."""
    content = bytearray(path.read_bytes())
    content[bit // 8] ^= 1 << bit % 8
    path.write_bytes(content)
