"""Driving the lanes of a drill under a virtual clock against the pair, and keeping a log of all that was done.

One event after another: a lane issues, the operation takes effect at the pair, the lane is told. The supervisor's part
(phases, marks, heartbeats, the outage counter) and kills are events too. The log is the campaign's own: it is taken
from what the pair was asked and when, and never read back from a ledger.
"""

from __future__ import annotations

import errno
import random
from collections.abc import Callable
from heapq import heapify, heappop, heappush
from typing import Any

from scripts.drill_campaign.contents import Content, Place, written
from scripts.drill_campaign.ledger import PartBeingWritten
from scripts.drill_campaign.log import Driven, MarkMade, Op, Outstanding
from scripts.drill_campaign.pair import NS_PER_S, Pair
from scripts.drill_campaign.plan import MS, Plan
from verify.ledger.frames import clock_record
from verify.load.action import Action
from verify.load.lane import SHORT_TRANSFER, Lane
from verify.load.shared import LaneState, Phase, Shared

BEGIN_NS = 1_000 * NS_PER_S
WALL_NS = 1_700_000_000 * NS_PER_S
TICK_NS, BEAT_NS, FRAME_NS = 50 * MS, 100 * MS, 100 * MS
GRACE_NS = 2 * NS_PER_S
ATTEMPTS_FAILING_MAX = 3


class Drive:
    """The load of one drill.

    Args:
        plan: the drill.
        pair, places: what it is driven against.
        struck: called at a takeover with its number, and at every tick with -1, for faults to be done.

    After `run`: `lanes`, `marks`, `beats` and `losses` (a lost worker's part: when that was seen, after how many items)
    are the log, `parts` the ledger as it was written, `starts` when each takeover came, `cache_lost` how many dirty
    blocks a loss of power took.
    """

    def __init__(
        self, plan: Plan, pair: Pair, places: list[Place], struck: Callable[[int, int], None]
    ) -> None:
        self.plan, self.pair, self.places, self.run_description = plan, pair, places, plan.run
        self._struck = struck
        self._rng = random.Random(f"load of drill {plan.name}")
        self._at = {place.address: place for place in places}
        run = plan.run
        self.parts = [PartBeingWritten(run.tag, part) for part in run.ledger_parts]
        self._shared = Shared(run.lanes, len(self.parts) - 1)
        self.lanes = [self._make_lane(lane) for lane in range(run.lanes)]
        self.marks: list[MarkMade] = []
        self.beats: list[list[tuple[int, int]]] = [[] for _ in self.parts]
        self.starts: list[int] = []
        self.load_began = self.stopped = -1
        self.stop_items = -1
        self.cache_lost = 0
        self.heads: dict[str, str] = {}
        self._now = BEGIN_NS
        self._heap: list[tuple[int, int, Callable[..., None], tuple[Any, ...]]] = []
        self._count = 0
        self._alarmed = self._supervisor_dead = self._over = False
        self._marks_due: list[tuple[int, bool]] = []
        self._losses_due: list[int] = []
        self.losses: dict[int, tuple[int, int]] = {}
        self._watch_ns = BEGIN_NS

    def run(self) -> None:
        """From the opening of the ledgers to their close."""
        self._open()
        for driven in self.lanes:
            self._later(self._rng.randrange(1, MS), self._step, driven)
        while self._heap and not self._over:
            self._now, _, act, about = heappop(self._heap)
            act(*about)
        self._close()

    @property
    def now(self) -> int:
        """The virtual present, in monotonic nanoseconds."""
        return self._now

    # Time

    def _later(self, after_ns: int, act: Callable[..., None], *about: Any) -> None:
        self._count += 1
        heappush(self._heap, (self._now + (after_ns if after_ns > 0 else 1), self._count, act, about))

    def _some(self, low: int, high: int) -> int:
        """A time between two others."""
        return low + int(self._rng.random() * (high - low))

    def _pause(self) -> None:
        """Everything of the writer stands still; the heart does not beat."""
        assert self.plan.pause is not None
        self._heap = [(when + self.plan.pause[1], count, act, about) for when, count, act, about in self._heap]
        heapify(self._heap)

    # The supervisor

    def _open(self) -> None:
        for part in self.parts:
            event = {"event": "open", "run": self.plan.run.run_id, "part": part.part, "boot_id": "b",
                     "monotonic_ns": self._now, "wall_ns": WALL_NS}  # fmt: skip
            part.append(event)
            part.flush()
            self.beats[part.part].append((self._now, len(part.items)))
            offset = self._rng.randrange(BEAT_NS // 2)
            self._later(BEAT_NS - offset, self._beat, part)
            self._later(FRAME_NS - offset // 2, self._frame, part)
        self._later(TICK_NS, self._tick)

    def _beat(self, part: PartBeingWritten) -> None:
        if not part.lost:
            part.append(clock_record(self._now, WALL_NS + self._now))
            self.beats[part.part].append((self._now, len(part.items)))
            self._later(BEAT_NS, self._beat, part)

    def _frame(self, part: PartBeingWritten) -> None:
        part.flush()
        if not part.lost:
            self._later(FRAME_NS, self._frame, part)

    def _tick(self) -> None:
        if self._supervisor_dead:
            return
        for pressed, watched in self._marks_due:
            self._accept_mark(pressed, watched)
        self._marks_due.clear()
        while self._losses_due:
            self._tell_loss(self._losses_due.pop())
        self._watch_ns = self._now
        shared = self._shared
        since = [started for started in shared.outstanding_ns if started]
        alarm = bool(since) and self._now - min(since) > self.plan.run.stall_ns // 2
        if alarm and not self._alarmed:
            shared.raise_outage(0)
        self._alarmed = alarm
        states = [shared.lane_state[d.lane.lane] for d in self.lanes if not d.dead]
        if all(state == LaneState.ENDED for state in states):
            self._stop()
            return
        if shared.phase == Phase.FILL and all(s in (LaneState.FILLED, LaneState.ENDED) for s in states):
            self._begin_load()
        elif self.load_began >= 0 and self._now - self.load_began >= self.plan.load_ns:
            self._stop()
            return
        self._struck(-1, self._now)
        self._later(TICK_NS, self._tick)

    def _begin_load(self) -> None:
        plan = self.plan
        self.load_began = self._now
        self.parts[0].append({"event": "load_began", "monotonic_ns": self._now, "wall_ns": WALL_NS + self._now})
        self._shared.phase = Phase.LOAD
        for index, takeover in enumerate(plan.takeovers):
            self._later(takeover.after_ns, self._take_over, index)
        for fault in plan.faults:
            if fault.after_ns is not None:
                self._later(fault.after_ns, self._strike)
        for _ in range(plan.idle_marks):
            self._later(self._rng.randrange(plan.load_ns), self._press)
        if plan.pause is not None:
            self._later(plan.pause[0], self._pause)
        if plan.killed_after_ns is not None:
            self._later(plan.killed_after_ns, self._kill)

    def _tell_loss(self, part: int) -> None:
        """As the supervisor does when the process of a worker is gone."""
        lanes = [lane for lane, own in enumerate(self.plan.run.lane_workers) if own == part]
        self.parts[0].append({"event": "worker_lost", "monotonic_ns": self._now, "worker": part - 1, "lanes": lanes})
        self.losses[part] = (self._now, len(self.parts[0].items))

    def _strike(self) -> None:
        self._struck(-1, self._now)

    def _press(self) -> None:
        self._marks_due.append((self._now, False))

    def _accept_mark(self, pressed: int, watched: bool) -> None:
        self._shared.raise_outage(0)
        part = self.parts[0]
        event = {"event": "mark", "text": "watched" if watched else "mark", "takeover": True, "pressed_ns": pressed,
                 "pressed_wall_ns": WALL_NS + pressed, "accepted_ns": self._now,
                 **({"watched": True} if watched else {})}  # fmt: skip
        part.append(event)
        self.marks.append(MarkMade(pressed, self._now, watched, len(part.items)))

    def _stop(self) -> None:
        self._shared.phase = Phase.STOP
        self.stopped = self._now
        part = self.parts[0]
        part.append({"event": "stop", "monotonic_ns": self._now, "reason": "over"})
        self.stop_items = len(part.items)
        self._later(GRACE_NS, self._end)
        self._wait_for_lanes()

    def _wait_for_lanes(self) -> None:
        if all(d.dead or d.ended for d in self.lanes):
            self._end()
        else:
            self._later(TICK_NS // 2, self._wait_for_lanes)

    def _end(self) -> None:
        self._over = True

    def _kill(self) -> None:
        killed = self.plan.killed_parts
        for part in self.parts:
            if part.part in killed:
                if self._rng.random() < 0.5:
                    part.flush()
                part.lost = True
        for driven in self.lanes:
            driven.dead = driven.dead or driven.part.part in killed
            if driven.dead:
                self._shared.outstanding_ns[driven.lane.lane] = 0
        self._losses_due = list(killed - {0})
        if 0 in killed:
            self._supervisor_dead = True
            self._shared.phase = Phase.STOP
            self._later(GRACE_NS, self._end)
            self._wait_for_lanes()

    def _close(self) -> None:
        now = self._now
        for part in self.parts[1:]:
            if part.lost:
                continue
            for driven in self.lanes:
                if driven.part is part:
                    driven.closing = self._closing(driven, now)
                    driven.lane.close(now)
                    driven.closing.items = len(part.items)
            part.close({"event": "close", "monotonic_ns": now, "wall_ns": WALL_NS + now})
            self.heads[str(part.part)] = part.head
        if not self.parts[0].lost:
            event = {"event": "close", "monotonic_ns": now, "wall_ns": WALL_NS + now, "heads": dict(self.heads)}
            self.parts[0].close(event)
            self.heads["0"] = self.parts[0].head

    @staticmethod
    def _closing(driven: Driven, now: int) -> Op:
        out = driven.out
        if out is None:
            return Op("end", driven.n, -1, now, now, None, 0)
        what = "in flight" if out.action in (Action.WRITE, Action.READ) else "preflight"
        return Op(what, driven.n, out.slot, out.first_issued, now, None, 0)

    # Takeovers

    def _take_over(self, index: int) -> None:
        if self._over or self.stopped >= 0:
            return
        takeover, pair, now = self.plan.takeovers[index], self.pair, self._now
        self.starts.append(now)
        for driven in self.lanes:
            out = driven.out
            if out is not None and out.action is Action.WRITE and out.content is not None:
                pair.unanswered[out.slot] = out.content
        if not pair.mirrored:
            self.cache_lost += pair.lose_power()
        pair.take_over(now, takeover.stall_ns)
        self._struck(index, now)
        if self._supervisor_dead or not takeover.mark:
            return
        if takeover.mark == "operator":
            self._marks_due.append((now, False))
        else:
            self._accept_mark(self._watch_ns, True)

    # Lanes

    def _make_lane(self, index: int) -> Driven:
        run = self.plan.run
        part = self.parts[run.ledger_parts.index(run.lane_workers[index])]
        block = run.stream_of_lane(index).layout.block_bytes
        buffers = [memoryview(bytearray(block)) for _ in range(3)]
        worker = part.part - 1
        lane = Lane(run, index, self._shared, worker, part.append, lambda block: None,
                    buffers[:2], buffers[2], self.plan.examines)  # fmt: skip
        return Driven(lane, part)

    def _step(self, driven: Driven) -> None:
        """Ask the lane what it wants, and issue it."""
        if driven.dead or self._over:
            return
        lane, now = driven.lane, self._now
        action = lane.next(now)
        if action is Action.END:
            driven.ended = True
            self._shared.lane_state[lane.lane] = LaneState.ENDED
            return
        if action is Action.WAIT:
            self._later(lane.wait_until_ns - now, self._step, driven)
            return
        if not lane.issued(now):
            return
        if self.plan.by_ring:
            self._submit(driven, action)
            lane.prepare()
        else:
            self._submit(driven, action)

    def _submit(self, driven: Driven, action: Action) -> None:
        lane, now = driven.lane, self._now
        content: Content | None = None
        slot = -1
        if action is not Action.FLUSH:
            place = self._at[lane.offset_bytes]
            slot = place.slot
            if action is Action.WRITE:
                content = written(bytes(lane.buffer), place, driven.n)
        driven.token += 1
        out = driven.out
        if out is None:
            out = driven.out = Outstanding(action, slot, driven.n, now, now, content)
        out.attempt, out.landed, out.token = now, False, driven.token
        self._travel(driven, out, out.token)

    def _travel(self, driven: Driven, out: Outstanding, token: int) -> None:
        low, high = self.plan.latency_ns
        self._later(self._some(low, high), self._effect, driven, out, token)

    def _effect(self, driven: Driven, out: Outstanding, token: int) -> None:
        """The operation reaches the pair: at once, or when the address answers again."""
        if token != out.token or self._over or (driven.dead and self._rng.random() < 0.5):
            return
        pair, rng = self.pair, self._rng
        if self._now < pair.open_from_ns:
            if out.action is Action.WRITE and out.content is not None:
                pair.unanswered.setdefault(out.slot, out.content)
            wait = pair.open_from_ns - self._now
            self._later(wait + self._some(1, 2 * MS), self._effect, driven, out, token)
            return
        fails = out.fails < ATTEMPTS_FAILING_MAX and rng.random() < self.plan.error_share
        if not fails or rng.random() < 0.5:
            self._do(driven, out)
            if out.action in (Action.READ, Action.EXAMINE) and out.slot in pair.unreadable:
                fails = True
        took_over = len(self.starts)
        back = self._some(*self.plan.latency_ns)
        self._later(back, self._answer, driven, out, token, fails, took_over)

    def _do(self, driven: Driven, out: Outstanding) -> None:
        pair = self.pair
        if out.action is Action.WRITE:
            assert out.content is not None
            if not out.landed:
                pair.accept(out.slot, out.n, out.content, driven.lane.through)
                out.landed = True
        elif out.action is Action.FLUSH:
            pair.flush()
        else:
            out.content = pair.served(out.slot)
            if out.content is not None:
                driven.lane.buffer[:] = out.content.data

    def _answer(self, driven: Driven, out: Outstanding, token: int, fails: bool, took_over: int) -> None:
        if driven.dead or self._over or token != out.token:
            return
        if took_over != len(self.starts):  # the answer was lost with the controller: asked again of the other
            out.landed = False
            self._later(1, self._effect, driven, out, token)
            return
        lane, now, part = driven.lane, self._now, driven.part
        if fails:
            out.fails += 1
            code = self._rng.choice((errno.EIO, errno.ETIMEDOUT, SHORT_TRANSFER))
            lane.failed(out.attempt, now, code)
            driven.ops.append(Op("error", driven.n, out.slot, out.attempt, now, None, len(part.items)))
            self._step(driven)
            return
        if self.plan.by_ring and self._shared.phase != Phase.STOP:
            outages = self._shared.outage_cells.tobytes()
            if lane.turn(now, outages):
                self._log(driven, out, len(part.items))
                lane.first_issued_ns = self._shared.outstanding_ns[lane.lane] = now
                self._submit(driven, Action.WRITE)
                lane.prepare()
                return
        first_item = len(part.items) + 1
        lane.completed(now)
        self._log(driven, out, first_item)
        self._later(self._some(1, 20_000), self._step, driven)

    def _log(self, driven: Driven, out: Outstanding, first_item: int) -> None:
        """Note an answered operation in the campaign's own log."""
        driven.out = None
        what = {
            Action.WRITE: "through" if driven.lane.through else "write", Action.READ: "read", Action.EXAMINE: "exam",
            Action.FLUSH: "flush",
        }[out.action]  # fmt: skip
        saw = out.content if out.action in (Action.READ, Action.EXAMINE) else None
        op = Op(what, driven.n, out.slot, out.first_issued, self._now, saw, len(driven.part.items), first_item)
        driven.ops.append(op)
        if out.action in (Action.WRITE, Action.READ):
            driven.n += 1

