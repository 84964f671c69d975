"""The targets by name. What they try is imported only when one is made, so that it can be instrumented as it comes."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Protocol

TARGETS = {
    "blocks": "decoding and dissecting blocks of a volume",
    "ledger": "reading ledger files, and the judge's first pass over them",
    "lies": "whole ledgers with right checksums whose contents lie: no loss is hidden",
    "run-json": "run.json: no verdict gets better by it",
    "record": "events, verdicts, losses and seals of a record folder: confirm, report, check",
    "journal": "the journal of an interrupted check",
    "marks": "the inbox of marks",
    "seal": "seals",
    "toml": "the files of --criteria, --streams and --about",
}
_MADE_BY = {
    "blocks": ("byte_targets", "Blocks"), "ledger": ("byte_targets", "Ledger"), "marks": ("byte_targets", "Marks"),
    "seal": ("byte_targets", "Seals"), "toml": ("byte_targets", "Toml"), "lies": ("record_targets", "Lies"),
    "run-json": ("record_targets", "RunJson"), "record": ("record_targets", "Record"),
    "journal": ("record_targets", "Journals"),
}  # fmt: skip


class Target(Protocol):
    """Takes any bytes; an exception is a finding."""

    def seeds(self) -> list[bytes]:
        """Inputs to begin with, made from real runs."""
        ...

    def __call__(self, data: bytes) -> None:
        """Try one input."""
        ...


def make_target(name: str, folder: Path) -> Target:
    """Make a target, with real runs to begin from in `folder`."""
    module, kind = _MADE_BY[name]
    made: Target = getattr(importlib.import_module(f"scripts.fuzzing.{module}"), kind)(folder)
    return made
