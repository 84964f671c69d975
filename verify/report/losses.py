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

_SEEN_BY = {Source.EXAMINATION: "examination", Source.READ: "read", Source.CHECK: "check"}


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
        self._state = state
        self._details = observations.details
        self._time_text = time_text
        self._checked = checked
        self._writer.writerow(COLUMNS)

    def write(self, judged: Judged) -> None:
        """Write the convicting observations of one batch."""
        for i in np.flatnonzero(np.isin(judged.finding, CONVICTING)).tolist():
            self._writer.writerow(self._row(judged, i))

    def _row(self, judged: Judged, i: int) -> list[Any]:
        row = judged.rows[i]
        slot = int(row["slot"])
        lane = self._state.lane_of_slot(slot)
        layout = self._state.run.stream_of_lane(lane).layout
        detail = self._details[row["detail"]] if row["detail"] >= 0 else ""
        sectors = ""
        if detail.startswith("sectors "):
            sectors, _, detail = detail.removeprefix("sectors ").partition("; ")
        if judged.late_replay[i]:
            detail = "; ".join(filter(None, [detail, "consistent with late replay by the old controller"]))
        found = int(row["newest"]) if row["newest"] >= 0 else int(row["home_sequence"])
        if judged.finding[i] == Finding.MISPLACED:
            too = {1: "; it is there too", 0: "; it is not there"}.get(int(row["home_too"]), "")
            detail = f"belongs at offset {row['home']}{too}; {detail}".removesuffix("; ")
        return [
            LABELS[Finding(judged.finding[i])],
            layout.address(slot - layout.first_slot),
            layout.block_bytes,
            layout.stream,
            lane,
            int(judged.floor[i]) if judged.floor[i] >= 0 else "",
            found if found >= 0 else "",
            self._time(int(judged.floor_issued_ns[i])),
            self._time(int(judged.floor_done_ns[i])),
            int(judged.lost_writes[i]),
            _SEEN_BY[Source(row["source"])],
            self._checked if row["source"] == Source.CHECK else self._time(int(row["done_ns"])),
            sectors,
            detail,
        ]

    def _time(self, monotonic_ns: int) -> str:
        return "" if monotonic_ns in (UNKNOWN_NS, OPEN_NS) else str(self._time_text(monotonic_ns))
