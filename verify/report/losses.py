"""losses.csv: one row for each damaged slot and observation, never capped."""

from __future__ import annotations

import csv
from collections.abc import Callable
from typing import Any, TextIO

import numpy as np

from verify.judge.assess import Judged
from verify.judge.decision import CONVICTING, LABELS, Finding, Source
from verify.judge.history import OPEN_NS, UNKNOWN_NS
from verify.judge.observations import Observations
from verify.judge.slots import SlotState

COLUMNS = (
    "kind", "offset", "length", "stream", "lane", "expected_sequence", "found_sequence", "issued", "acknowledged",
    "lost_writes", "seen_by", "seen_at", "sectors", "detail",
)  # fmt: skip

_SEEN_BY = {int(Source.EXAMINATION): "examination", int(Source.READ): "read", int(Source.CHECK): "check"}
_LABELS = {int(finding): label for finding, label in LABELS.items()}


class LossWriter:
    """Writes the rows of judged batches to an open file.

    Args:
        file: opened with newline="".
        state: for slots, lanes and times.
        observations: for the detail texts.
        time_text: monotonic nanoseconds of the load to text.
        checked: when the check was made, as text; its own clock may be that of another boot or machine.
    """

    def __init__(
        self,
        file: TextIO,
        state: SlotState,
        observations: Observations,
        time_text: Callable[[int], str],
        checked: str,
    ) -> None:
        self._writer = csv.writer(file, lineterminator="\n")
        self._layouts = [stream.layout for stream in state.run.streams]
        self._details = observations.details
        self._time_text = time_text
        self._checked = checked
        self._writer.writerow(COLUMNS)

    def write(self, judged: Judged) -> None:
        """Write the convicting observations of one batch."""
        which = np.flatnonzero(np.isin(judged.finding, CONVICTING))
        rows = judged.rows[which]
        columns = (
            judged.finding, judged.floor, judged.floor_issued_ns, judged.floor_done_ns, judged.lost_writes,
            judged.late_replay,
        )  # fmt: skip
        facts = zip(*(column[which].tolist() for column in columns), strict=True)
        names = ("slot", "newest", "home", "home_sequence", "home_too", "detail", "source", "done_ns")
        looks = zip(*(rows[name].tolist() for name in names), strict=True)
        self._writer.writerows(self._row(*look, *fact) for look, fact in zip(looks, facts, strict=True))

    def _row(
        self, slot: int, newest: int, home: int, home_sequence: int, home_too: int, text: int, source: int,
        done_ns: int, finding: int, floor: int, floor_issued_ns: int, floor_done_ns: int, lost_writes: int,
        late_replay: bool,
    ) -> tuple[Any, ...]:  # fmt: skip
        layout = next(stream for stream in self._layouts if slot < stream.first_slot + stream.slots)
        own_slot = slot - layout.first_slot
        detail = self._details[text] if text >= 0 else ""
        sectors = ""
        if detail.startswith("sectors "):
            sectors, _, detail = detail.removeprefix("sectors ").partition("; ")
        if late_replay:
            detail = "; ".join(filter(None, [detail, "consistent with late replay by the old controller"]))
        found = newest if newest >= 0 else home_sequence
        if finding == Finding.MISPLACED:
            too = {1: "; it is there too", 0: "; it is not there"}.get(home_too, "")
            detail = f"belongs at offset {home}{too}; {detail}".removesuffix("; ")
        return (
            _LABELS[finding],
            layout.address(own_slot),
            layout.block_bytes,
            layout.stream,
            layout.first_lane + own_slot % layout.lanes,
            floor if floor >= 0 else "",
            found if found >= 0 else "",
            self._time(floor_issued_ns),
            self._time(floor_done_ns),
            lost_writes,
            _SEEN_BY[source],
            self._checked if source == Source.CHECK else self._time(done_ns),
            sectors,
            detail,
        )

    def _time(self, monotonic_ns: int) -> str:
        return "" if monotonic_ns in (UNKNOWN_NS, OPEN_NS) else str(self._time_text(monotonic_ns))
