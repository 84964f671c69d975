"""A lane driven by hand on a virtual clock, with a volume of bytes in memory."""

from __future__ import annotations

import json
from typing import Any

from verify.blocks.layout import StreamLayout
from verify.ledger.frames import Kind, Records, decode_records
from verify.load.action import Action
from verify.load.lane import Lane
from verify.load.run import Run
from verify.load.schedule import Flush, Pattern, Stream
from verify.load.shared import LaneState, Phase, Shared

BLOCK = 512


def make_run(slots: int = 8, lanes: int = 1, operations: int | None = None, **stream: Any) -> Run:
    layout = StreamLayout(0, 0, BLOCK, 512, slots, lanes, 0, 0)
    values: dict[str, Any] = {"pattern": Pattern.UNIFORM, "flush": Flush.NEVER, **stream}
    return Run("run", 7, 99, (Stream(layout, **values),), "completed", 1_000_000_000, 5_000_000_000, 512, operations,
               (1,) * lanes)  # fmt: skip


class DrivenLane:
    """One lane, its memory volume, its ledger, and a clock that moves only when told."""

    def __init__(self, run: Run, lane: int = 0, examine: bool = True) -> None:
        self.run = run
        self.shared = Shared(run.lanes, 1)
        self.items: list[Any] = []
        self.specimens: list[bytes] = []
        self.volume = bytearray(run.end_bytes)
        self.now_ns = 1_000_000
        self.turns = 0
        *write, read = (memoryview(bytearray(BLOCK)) for _ in range(3))
        self.lane = Lane(run, lane, self.shared, 0, self.items.append, self._keep, write, read, examine)

    def _keep(self, block: memoryview) -> dict[str, Any]:
        self.specimens.append(bytes(block))
        return {"file": "x", "offset": 0, "length": len(block)}

    def start_load(self) -> None:
        """Run the fill to its end and let the load begin."""
        while self.shared.lane_state[self.lane.lane] == 0:
            self.step()
        self.shared.phase = Phase.LOAD

    def step(self, error: int = 0, takes_ns: int = 1000) -> Action:
        """One action: done on the memory volume, or failed with `error`."""
        self.now_ns += 10
        action = self.lane.next(self.now_ns)
        if action is Action.WAIT:
            self.now_ns = max(self.now_ns, self.lane.wait_until_ns)
            return action
        if action is Action.END:
            return action
        issued_ns = self.now_ns
        assert self.lane.issued(issued_ns)
        self.now_ns += takes_ns
        if error:
            self.lane.failed(issued_ns, self.now_ns, error)
            return action
        offset = self.lane.offset_bytes
        if action is Action.WRITE:
            self.volume[offset : offset + BLOCK] = self.lane.buffer
        elif action in (Action.READ, Action.EXAMINE):
            self.lane.buffer[:] = self.volume[offset : offset + BLOCK]
        self.lane.completed(self.now_ns)
        return action

    def turn_or_step(self, takes_ns: int = 1000, raised: bool = False) -> Action:
        """As `step`, for an operation that is outstanding and is completed now, the next one issued as a ring does it.

        With `raised`, an outage is raised between the decision and the submission.
        """
        lane, control = self.lane, self.shared.control
        self.now_ns += takes_ns
        done_ns, outages = self.now_ns, self.shared.outage_cells.tobytes()
        action, offset, buffer = lane.action, lane.offset_bytes, lane.buffer
        if action is Action.WRITE:
            self.volume[offset : offset + BLOCK] = buffer
        elif action in (Action.READ, Action.EXAMINE):
            buffer[:] = self.volume[offset : offset + BLOCK]
        turned = control[0] != Phase.STOP and lane.turn(done_ns, outages)
        self.turns += turned
        if not turned:
            lane.completed(done_ns)
        self.now_ns += 10
        if turned and not raised:
            lane.first_issued_ns = self.shared.outstanding_ns[lane.lane] = self.now_ns
            lane.prepare()
            return action
        if raised:
            self.shared.raise_outage(0)
        self.issue()
        return action

    def issue(self) -> None:
        """Have the lane decide and issue, waiting as long as it wants to, and prepare what comes after."""
        lane = self.lane
        while (action := lane.next(self.now_ns)) is Action.WAIT:
            if self.shared.lane_state[lane.lane] == LaneState.FILLED:
                self.shared.phase = Phase.LOAD
            self.now_ns = max(self.now_ns, lane.wait_until_ns)
        if action is not Action.END:
            assert lane.issued(self.now_ns)
            lane.prepare()

    def records(self) -> Records:
        return decode_records(b"".join(item for item in self.items if isinstance(item, bytes)))

    def kinds(self) -> list[Kind]:
        return [Kind(kind) for kind in self.records().kind.tolist()]

    def events(self) -> list[dict[str, Any]]:
        events = [item for item in self.items if isinstance(item, dict)]
        json.dumps(events)
        return events
