"""The data path of the pair: what is cached, mirrored, destaged and served. It never waits."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterable
from typing import NoReturn

from verify.errors import UsageError
from verify.rehearsal import mishaps
from verify.rehearsal.backing import SECTOR_BYTES, Backing
from verify.rehearsal.clock import NS_PER_S
from verify.rehearsal.controller import CachedWrite, Controller
from verify.rehearsal.faults import Fault
from verify.rehearsal.state import Outcome, PairSettings, PairState
from verify.rehearsal.truth import Change, Kind, Moment, Truth

NEVER_NS = 2**63 - 1

Writes = Iterable[tuple[int, bytes]]


def stays_with_a(offset_bytes: int) -> bool:
    """Which side a block falls on while both controllers are active: about half of them stay with A."""
    return bool((offset_bytes // SECTOR_BYTES * 0x9E3779B1 >> 20) & 1)


class PairCore:
    """Two controllers over one medium behind one address.

    Not thread-safe: the caller holds a lock, asks `closed_until_ns` first, and serves nothing while it is
    closed.

    Args:
        backing: the shared medium.
        fault: how the pair behaves.
        settings: how it is built.
        now_ns: a look at the clock, to stamp acknowledgements.

    Raises:
        UsageError: a lagging mirror that a cache this small could not keep apart.
    """

    def __init__(
        self, backing: Backing, fault: Fault, settings: PairSettings, now_ns: Callable[[], int]
    ) -> None:
        if fault.lagging and settings.lag_writes > settings.cache_blocks:
            raise UsageError(
                f"a mirror {settings.lag_writes} writes behind needs a cache of at least as many blocks, "
                f"not {settings.cache_blocks}"
            )
        self.fault = fault
        self.settings = settings
        self.truth = Truth(fault.promise)
        self.state = PairState(
            backing, settings, self.truth, fault.mirrored, settings.lag_writes if fault.lagging else 0
        )
        self.size_bytes = backing.size_bytes
        self.given_up = False
        self.all_open_ns = 0
        self._now_ns = now_ns
        self._serving = self.state.a
        self._split = False
        self._everyone_open_ns = 0

    @property
    def taken_over(self) -> bool:
        """Whether B has the address (or had it last)."""
        return self._serving is self.state.b

    # --- calls ---

    def closed_until_ns(self, offset_bytes: int, length_bytes: int, now_ns: int) -> int | None:
        """When the address answers for a range: None for now, NEVER_NS for never."""
        if now_ns >= self.all_open_ns:
            return None
        if now_ns < self._everyone_open_ns:
            return self._everyone_open_ns
        one_block = self.truth.lengths.get(offset_bytes) == length_bytes
        return None if one_block and not stays_with_a(offset_bytes) else self.all_open_ns

    def unanswered(self, offset_bytes: int, data: bytes) -> None:
        """A write reached the hung controller A, which does not answer."""
        if self.fault.second_step == "late-replay" and offset_bytes not in self.state.unanswered:
            self.state.unanswered[offset_bytes] = data

    def write(self, offset_bytes: int, data: bytes, digest: bytes, through: bool, issued_ns: int) -> None:
        """Take one block and acknowledge it; raises OSError, and then acknowledges nothing."""
        truth = self.truth
        if truth.lengths.get(offset_bytes) != len(data):
            self._learn(offset_bytes, len(data))
        state = self.state
        controller = self._route(offset_bytes)
        ordinal = truth.last_ordinal(offset_bytes) + 1
        if through and self.fault.honours_flush and controller.may_destage:
            state.link.catch_up()
            state.disk.put(offset_bytes, data, ordinal)
            controller.dirty.pop(offset_bytes, None)
            state.link.forget(offset_bytes)
            acknowledged_ns = state.last_through_ns = self._now_ns()
        else:
            if len(controller.dirty) >= controller.capacity_blocks and controller.may_destage:
                for due_bytes in controller.due():
                    state.destage(controller, due_bytes)
            write = CachedWrite(data, ordinal)
            controller.dirty[offset_bytes] = write
            if controller is state.a:
                state.link.carry(offset_bytes, write)
            acknowledged_ns = self._now_ns()
        if state.stale:
            state.stale.pop(offset_bytes, None)
        truth.acknowledge(offset_bytes, digest, issued_ns, acknowledged_ns, through)

    def read(self, offset_bytes: int, view: memoryview) -> None:
        """Fill `view` with what the pair serves; raises OSError."""
        write = self._route(offset_bytes).dirty.get(offset_bytes)
        length_bytes = len(view)
        if self.truth.lengths.get(offset_bytes) != length_bytes:
            self._assemble(offset_bytes, view)
        elif offset_bytes in self.state.stale:
            view[:] = self.state.stale[offset_bytes]
        elif write is not None:
            view[:] = write.data
        else:
            self.state.disk.read_into(offset_bytes, view)
        if self.truth.anything_standing:
            self.truth.served(offset_bytes, length_bytes, self._now_ns())

    def flush(self, issued_ns: int) -> None:
        """Acknowledge a flush, having done it or not; raises OSError."""
        if self.fault.honours_flush:
            self.state.link.catch_up()
            if self._serving.may_destage:
                self.state.destage_all(self._serving)
        self.truth.flushed(issued_ns)

    # --- events ---

    def cut_mirror(self) -> None:
        """The link between the controllers breaks; A keeps everything it takes from now on in its cache."""
        if not self.fault.cut_first or self.state.cut_ns is not None or self.taken_over:
            raise UsageError(f"the mirror link of the fault {self.fault.name} is not to be cut now")
        self.state.cut_ns = self._now_ns()
        self.state.link.up = False
        self.state.a.may_destage = False
        self.truth.happened(Moment("mirror link cut", self.state.cut_ns, self.state.cut_ns))

    def takeover(self, in_service: Writes) -> Moment:
        """A is lost; after the stall B answers for it.

        Args:
            in_service: the writes that callers have issued and that are not answered.

        Raises:
            UsageError: there was one already, or the fault needs the mirror link cut first.
        """
        if self.taken_over:
            raise UsageError("the simulated pair has taken over already, and has no third controller")
        if self.fault.cut_first and self.state.cut_ns is None:
            raise UsageError(f"the fault {self.fault.name} needs cut_mirror before the takeover")
        happened_ns = self._now_ns()
        self.state.in_service = dict(in_service)
        outcome = self.fault.mishap(self.state)
        self._serving = self.state.b
        self._split = self.fault.second_step == "end-both-active"
        if not self.fault.answers_again:
            self._everyone_open_ns = self.all_open_ns = NEVER_NS
            self.truth.unreachable_since_ns = happened_ns
            moment = Moment("takeover", happened_ns, NEVER_NS, tuple(sorted(self.state.in_service)))
            self.truth.happened(moment)
            return moment
        visible_ns = happened_ns + round(self.settings.stall_s * NS_PER_S)
        self._everyone_open_ns = self.all_open_ns = visible_ns
        return self._record("takeover", happened_ns, visible_ns, outcome, self.truth.blocks())

    def end_both_active(self, in_service: Writes) -> Moment:
        """A is lost at last with all it acknowledged alone; its callers wait, then find B."""
        if not self._split:
            raise UsageError("only one controller is active: there is nothing to end")
        happened_ns = self._now_ns()
        self._split = False
        self.state.a.dirty.clear()
        visible_ns = happened_ns + round(self.settings.stall_s * NS_PER_S)
        self.all_open_ns = max(self.all_open_ns, visible_ns)
        self.state.in_service = dict(in_service)
        return self._record("controller A dropped", happened_ns, visible_ns, Outcome(), self.truth.blocks())

    def late_replay(self, in_service: Writes) -> Moment | None:
        """The old controller finishes unanswered writes over newer ones; None while B has nothing newer."""
        if self.fault.second_step != "late-replay" or not self.taken_over:
            raise UsageError("there is no lost controller with unanswered writes to finish late")
        happened_ns = self._now_ns()
        self.state.in_service = dict(in_service)
        outcome = mishaps.replay_late(self.state)
        if not outcome.marks:
            return None
        lengths, truth = self.truth.lengths, self.truth
        hit = [(offset, lengths[offset], truth.last_ordinal(offset)) for offset in sorted(outcome.marks)]
        return self._record("late replay", happened_ns, happened_ns, outcome, hit)

    def drop_read_cache(self) -> int:
        """B's read cache is emptied, and reads are right again; returns how many blocks it still held."""
        if self.fault.second_step != "drop-read-cache" or not self.taken_over:
            raise UsageError("there is no stale read cache to drop")
        now_ns = self._now_ns()
        dropped = list(self.state.stale)
        self.state.stale.clear()
        for offset_bytes in dropped:
            self.truth.set_right(offset_bytes, now_ns)
        self.truth.happened(Moment("read cache dropped", now_ns, now_ns))
        return len(dropped)

    def give_up(self) -> None:
        """Whoever waits for an address that never comes back gets an error, and so does every later call."""
        if self.fault.answers_again:
            raise UsageError(f"the address of the fault {self.fault.name} comes back: nobody need give up")
        if not self.taken_over:
            raise UsageError("the address still answers: take over first")
        self.given_up = True

    def settle(self) -> None:
        """Destage everything, so that the medium alone holds what the surviving controller serves."""
        self.state.link.catch_up()
        self.state.destage_all(self._serving)
        if self._split:
            for offset_bytes in [offset for offset in self.state.a.dirty if stays_with_a(offset)]:
                self.state.destage(self.state.a, offset_bytes)

    # --- inside ---

    def _route(self, offset_bytes: int) -> Controller:
        if self._split and stays_with_a(offset_bytes):
            return self.state.a
        return self._serving

    def _learn(self, offset_bytes: int, length_bytes: int) -> None:
        if offset_bytes in self.truth.lengths or not self.truth.learn_block(offset_bytes, length_bytes):
            _refuse_shape(offset_bytes, length_bytes)

    def _assemble(self, offset_bytes: int, view: memoryview) -> None:
        self.state.disk.read_into(offset_bytes, view)
        for controller in (self._serving, self.state.a) if self._split else (self._serving,):
            for start_bytes, write in controller.dirty.items():
                if self._route(start_bytes) is controller:
                    _overlay(view, offset_bytes, write.data, start_bytes)
        for start_bytes, data in self.state.stale.items():
            _overlay(view, offset_bytes, data, start_bytes)

    def _record(
        self,
        name: str,
        happened_ns: int,
        visible_ns: int,
        outcome: Outcome,
        blocks: Iterable[tuple[int, int, int]],
    ) -> Moment:
        changes = []
        for offset_bytes, length_bytes, last in blocks:
            if offset_bytes in outcome.torn_in_service:
                continue
            mark = outcome.marks.get(offset_bytes)
            kind: Kind
            surviving: int | None
            if mark is not None:
                kind, surviving, detail = mark.kind, mark.surviving_ordinal, mark.detail
            else:
                write = self._route(offset_bytes).dirty.get(offset_bytes)
                surviving = write.ordinal if write else self.state.disk.ordinal(offset_bytes)
                if surviving == last:
                    continue
                kind = "lost" if surviving else self._original_kind(offset_bytes, length_bytes)
                detail = (
                    f"write {surviving} of {last}" if surviving else f"never on the medium, {last} writes"
                )
            changes.append(
                Change(offset_bytes, length_bytes, kind, last, surviving, happened_ns, visible_ns, detail)
            )
        in_service = tuple(sorted(self.state.in_service))
        moment = Moment(name, happened_ns, visible_ns, in_service, tuple(changes), outcome.went_back_to_ns)
        self.truth.happened(moment)
        return moment

    def _original_kind(self, offset_bytes: int, length_bytes: int) -> Kind:
        content = self.state.disk.content(offset_bytes, length_bytes)
        return "blank" if content == content[:1] * length_bytes else "damaged"


def _overlay(view: memoryview, view_start_bytes: int, data: bytes, data_start_bytes: int) -> None:
    first_bytes = max(view_start_bytes, data_start_bytes)
    end_bytes = min(view_start_bytes + len(view), data_start_bytes + len(data))
    if first_bytes < end_bytes:
        view[first_bytes - view_start_bytes : end_bytes - view_start_bytes] = data[
            first_bytes - data_start_bytes : end_bytes - data_start_bytes
        ]


def _refuse_shape(offset_bytes: int, length_bytes: int) -> NoReturn:
    raise OSError(
        errno.EINVAL,
        f"a write of {length_bytes} bytes at byte {offset_bytes} cuts across a block written otherwise",
    )
