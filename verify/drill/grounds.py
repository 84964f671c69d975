"""What a verdict rests on in run.json beside the run itself, held to the ledger, which was begun with its digest."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from blake3 import blake3

from verify.errors import UsageError
from verify.judge.timeline import Timeline


def grounds_digest(about: Mapping[str, Any]) -> str:
    """BLAKE3 of what run.json says of the volume's identity and page cache, of examinations, and of the criteria."""
    volume = about.get("volume")
    facts = volume if isinstance(volume, Mapping) else {}
    grounds = {name: facts.get(name) for name in ("identity", "page_cache")}
    grounds |= {name: about.get(name) for name in ("criteria", "examination_off")}
    return blake3(json.dumps(grounds, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def require_grounds(timeline: Timeline, about: Mapping[str, Any], path: Path) -> None:
    """Make sure that run.json still says what it said when the run began, as far as the ledger can still tell.

    Args:
        timeline: the finished first pass over the ledger.
        about: the contents of run.json.
        path: of run.json.

    Raises:
        UsageError: if it says something else.
    """
    if timeline.grounds not in ("", grounds_digest(about)):
        raise UsageError(
            f"{path} was changed after the run began: what it says of the volume, of the page cache or of the criteria "
            "is not what the ledger was begun with; put the original back"
        )
