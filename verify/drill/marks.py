"""Marks on their way into a running run: one small file each, in the inbox of the record folder."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import Any

from verify.judge.timeline import TIME_NS_MAX

MARK_TEXT_CHARACTERS_MAX = 2000
MARK_BYTES_MAX = 64 * 1024


def read_mark(path: Path) -> dict[str, Any] | None:
    """The mark in one file of the inbox, None if there is none in it; never waits for a file that is no file.

    Raises:
        OSError: if the file cannot be read.
    """
    file = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        if not stat.S_ISREG(os.fstat(file).st_mode):
            return None
        content = os.read(file, MARK_BYTES_MAX)
    finally:
        os.close(file)
    try:
        mark = json.loads(content)
        times = {name: int(mark[name]) for name in ("pressed_ns", "pressed_wall_ns")}
        if not all(0 <= value <= TIME_NS_MAX for value in times.values()):
            return None
        return {"text": valid_text(str(mark["text"])), "takeover": mark["takeover"] is True, **times}
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None


def valid_text(text: str) -> str:
    """The text, cut to `MARK_TEXT_CHARACTERS_MAX`, with what is not valid Unicode replaced by question marks."""
    return text[:MARK_TEXT_CHARACTERS_MAX].encode("utf-8", "replace").decode()
