"""The whole judgement of one run, as a sequence of passes over its ledger; the ledger and the volume are handed in."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from verify.judge.assess import Assessor, Judged, bulk_intact
from verify.judge.content import Seen
from verify.judge.decision import Source
from verify.judge.flushes import FlushCover
from verify.judge.history import History
from verify.judge.observations import Observations, note_homes, row_of
from verify.judge.order import Order, judge_order
from verify.judge.orderpass import NewestBefore
from verify.judge.path import Direction, directions
from verify.judge.slots import SlotState
from verify.judge.takeovers import Takeover, find_takeovers, outages
from verify.judge.timeline import Timeline, time_in
from verify.ledger.frames import Records
from verify.load.run import Run

Ledger = Callable[[], Iterable[tuple[int, "Records | dict[str, Any]"]]]
"""Gives all items of all parts of the ledger, (part, item), in the order of each part; as often as it is called."""


@dataclass(frozen=True)
class TakeoverOrder:
    """The order finding of one takeover, with the slots left out because no write could be read there."""

    order: Order
    left_out: int


class Judgement:
    """Judges one run.

    Args:
        run: the run.
        ledger: see `Ledger`.

    Raises:
        TooManyTakeovers: if the ledger tells of more than can be judged.

    After construction `timeline`, `takeovers` and `state` hold what the ledger says, and `observations` what lanes saw
    under load otherwise than expected. The checker adds what it saw to `observations`, then calls `judge`.
    """

    def __init__(self, run: Run, ledger: Ledger) -> None:
        self.run = run
        self._ledger = ledger
        self.observations = Observations()
        self.timeline = Timeline(run)
        self.bad_observations: dict[int, str] = {}
        for part, item in ledger():
            self.timeline.feed(part, item)
            if isinstance(item, dict) and item.get("event") == "observation":
                self._take_observation(part, item)
        self.timeline.finish()
        self.takeovers: list[Takeover] = find_takeovers(self.timeline)
        self.directions: list[Direction | None] = directions(
            self.takeovers, self.timeline.neighbours, run.merge_ns, self.timeline.watched_until_ns
        )
        self.cover: FlushCover | None = None
        if run.promise == "flushed":
            self.cover = FlushCover(*self.timeline.flushes, outages(self.timeline, self.takeovers))
        self.state = SlotState(self.timeline, self.takeovers, self.cover)
        for part, item in ledger():
            self.state.feed(part, item)
        self.state.finish()
        if self.state.mismatches:
            self.observations.forget_slots(self.state.distrusted_slots())

    def contradictions(self) -> dict[int, str]:
        """For each part of the ledger that contradicts itself or the run: what is wrong."""
        return self.state.mismatches | self.bad_observations | self.timeline.contradictions

    def recall(self, seen_before: Mapping[int, int]) -> None:
        """Demand what earlier checks saw; to be called before the checker looks.

        Args:
            seen_before: slot to the newest sequence number that an earlier check saw there.
        """
        self.state.recall(seen_before)

    def judge(self, seen_before: Mapping[int, int], found_beyond: Mapping[int, int]) -> Iterator[Judged]:
        """Judge all observations, batch by batch; `totals` and the order facts are complete when it ends.

        To be called once: what the check saw is given up at the end, to make room for what the order needs.

        Args:
            seen_before: slot to the newest sequence number that an earlier check saw there.
            found_beyond: lane to the highest operation found on the volume beyond the ledger's end.
        """
        self.recall(seen_before)
        for lane, found in found_beyond.items():
            self.state.prove(lane, found)
        note_homes(self.observations, self.state)
        self.assessor = Assessor(self.state, self.takeovers)
        for batch in self.assessor.batches(self.observations):
            history = History(self.state, batch.slots, batch.lowest, self.takeovers, self.cover)
            for part, item in self._ledger():
                history.feed(part, item)
            history.finish()
            for low, high in batch.windows():
                yield self.assessor.judge(self.observations.of_slots(low, high), history)
        self.observations.forget_check()

    def order(self, index: int, checked: bool = True) -> TakeoverOrder | None:
        """The order finding of takeover `index`, None if nothing was lost there; after `judge` has ended.

        Args:
            index: which takeover.
            checked: whether the check read the volume; otherwise a slot that no lane looked at tells nothing.
        """
        facts = self.assessor.order[index]
        if not facts.lossy:
            return None
        newest = NewestBefore(self.state, self.takeovers[index])
        for part, item in self._ledger():
            newest.feed(part, item)
        newest.finish()
        odd = newest.odd_slots()
        left_out = facts.left_out + int((~facts.special[odd]).sum())
        newest.leave_out_untold(checked)
        columns, counted = bulk_intact(facts, newest.issued_ns, newest.sequence)
        order = judge_order(*columns)
        return TakeoverOrder(replace(order, slots=order.slots + counted), left_out)

    def _take_observation(self, part: int, event: dict[str, Any]) -> None:
        """Add one observation event to the table, if its lane and slot exist and belong to the part."""
        if part in self.timeline.contradictions or part in self.bad_observations:
            return
        try:
            lane, slot = int(event["lane"]), int(event["slot"])
            if not 0 <= lane < self.run.lanes or self.run.lane_workers[lane] != part:
                raise ValueError(f"lane {lane} does not write to this file")
            layout = self.run.stream_of_lane(lane).layout
            if not 0 <= slot < layout.slots or slot % layout.lanes != lane - layout.first_lane:
                raise ValueError(f"slot {slot} does not belong to lane {lane}")
            seen = Seen.from_json(event["seen"])
            sources = {"examination": Source.EXAMINATION, "read": Source.READ}
            row = row_of(layout.first_slot + slot, sources[event["source"]], seen)
            row["expected"], row["before"] = int(event["expected"]), int(event["sequence"])
            row["issued_ns"], row["done_ns"] = time_in(event, "issued_ns"), time_in(event, "done_ns")
            if not -1 <= int(row["expected"][0]) < int(row["before"][0]) == self.timeline.tails[lane].next_sequence:
                raise ValueError("it does not belong to the lane's next operation")
        except (KeyError, TypeError, ValueError, OverflowError, AttributeError) as error:
            self.bad_observations[part] = f"an observation cannot be used: {str(error)[:200]}"
            return
        self.observations.add(np.asarray(row), seen.detail)
