"""What each fault does to the pair at the takeover: pure changes of the state, without waiting.

Every function leaves the state as the surviving controller holds it, and returns what it did on purpose.
Blocks being written just then (`in_service`) are kept apart, because the resubmitted write replaces them
whole.
"""

from __future__ import annotations

from collections.abc import Callable

from verify.rehearsal.backing import SECTOR_BYTES
from verify.rehearsal.controller import DAMAGED_ORDINAL
from verify.rehearsal.state import Mark, Outcome, PairState
from verify.rehearsal.truth import digest_of

Mishap = Callable[[PairState], Outcome]


def clean_takeover(state: PairState) -> Outcome:
    """B serves everything that its copies and the medium hold."""
    state.hand_over()
    return Outcome()


def lagging_takeover(state: PairState) -> Outcome:
    """What still waits on the link is lost; the medium never ran ahead of the copies."""
    waiting, carried = state.link.waiting, state.link.last_carried
    outcome = Outcome()
    if waiting:
        first_lost = state.truth.version(waiting[0][0], waiting[0][1].ordinal)
        last_kept_ns = state.last_through_ns
        if carried is not None:
            last_kept = state.truth.version(carried[0], carried[1].ordinal)
            last_kept_ns = max(last_kept_ns, last_kept.acknowledged_ns)
        outcome.went_back_to_ns = (last_kept_ns, first_lost.acknowledged_ns)
    state.hand_over()
    return outcome


def cut_takeover(state: PairState) -> Outcome:
    """B overlays its copies from when the link was cut; A destaged nothing since."""
    state.hand_over()
    cut_ns = state.cut_ns or 0
    return Outcome(went_back_to_ns=(cut_ns, cut_ns + 1))


def partly_destaged(state: PairState) -> Outcome:
    """A random part of A's cache reached the medium in random order before A was lost."""
    cached = list(state.a.dirty)
    for offset_bytes in state.rng.sample(cached, len(cached) // 2):
        state.destage(state.a, offset_bytes)
    state.hand_over()
    return Outcome()


def power_lost(state: PairState) -> Outcome:
    """Volatile caches: unflushed writes reach the medium or not, in any order; one in service may tear."""
    outcome = partly_destaged(state)
    for offset_bytes, data in sorted(state.in_service.items()):
        if state.truth.lengths.get(offset_bytes) == len(data) and state.rng.random() < 0.5:
            old = state.disk.content(offset_bytes, len(data))
            mixed, sectors = state.mix_sectors(old, data)
            if sectors:
                state.disk.put(offset_bytes, mixed, DAMAGED_ORDINAL)
                outcome.torn_in_service.add(offset_bytes)
    return outcome


def torn_destage(state: PairState) -> Outcome:
    """A was lost while it destaged some blocks: part of their sectors is new, and their copies are gone."""
    outcome = Outcome()
    candidates = [
        offset_bytes
        for offset_bytes in state.dirty_with_older_below(state.a)
        if state.truth.lengths[offset_bytes] > SECTOR_BYTES
    ]
    for offset_bytes in state.draw(candidates):
        write = state.a.dirty[offset_bytes]
        old_ordinal = state.disk.ordinal(offset_bytes)
        old = state.disk.content(offset_bytes, len(write.data))
        mixed, sectors = state.mix_sectors(old, write.data)
        if mixed in (old, write.data):
            continue
        state.b.partner_copy.pop(offset_bytes, None)
        state.disk.put(offset_bytes, mixed, DAMAGED_ORDINAL)
        outcome.marks[offset_bytes] = Mark(
            "torn", f"sectors {sectors} of write {write.ordinal}, the others of write {old_ordinal}"
        )
    state.hand_over()
    return outcome


def hung_takeover(state: PairState) -> Outcome:
    """A hangs with writes it has received and not answered; it will finish them late."""
    state.unanswered.update(state.in_service)
    state.hand_over()
    return Outcome()


def misplaced_write(state: PairState) -> Outcome:
    """B writes some cached blocks to another block's place: the home keeps its old content."""
    state.hand_over()
    outcome = Outcome()
    lengths = state.truth.lengths
    homes = state.draw(state.dirty_with_older_below(state.b))
    places: dict[int, list[int]] = {}
    for offset_bytes, length_bytes, _ in state.truth.blocks():
        if offset_bytes not in state.in_service:
            places.setdefault(length_bytes, []).append(offset_bytes)
    taken: set[int] = set()
    for home in homes[: max(1, state.settings.blocks_hit // 2)]:
        nearby = places[lengths[home]]
        drawn = state.rng.sample(nearby, min(8, len(nearby)))
        place = next((other for other in drawn if other != home and other not in taken), None)
        if home in taken or place is None:
            continue
        taken.update((home, place))
        write = state.b.dirty.pop(home)
        state.b.dirty.pop(place, None)
        state.disk.put(place, write.data, DAMAGED_ORDINAL)
        kept = state.disk.ordinal(home)
        outcome.marks[home] = Mark("lost", f"write {write.ordinal} went to byte {place}", kept)
        outcome.marks[place] = Mark("misplaced", f"holds write {write.ordinal} of the block at byte {home}")
    return outcome


def stale_read_cache(state: PairState) -> Outcome:
    """B's read cache still holds what the medium held before A's cached writes."""
    state.hand_over()
    outcome = Outcome()
    for offset_bytes in state.draw(state.dirty_with_older_below(state.b)):
        old_ordinal = state.disk.ordinal(offset_bytes)
        state.stale[offset_bytes] = state.disk.content(offset_bytes, state.truth.lengths[offset_bytes])
        outcome.marks[offset_bytes] = Mark(
            "stale read", f"write {old_ordinal} served from cache", old_ordinal
        )
    return outcome


def bit_damage(state: PairState) -> Outcome:
    """One bit of some blocks is flipped where B holds them."""
    state.hand_over()
    outcome = Outcome()
    for offset_bytes in state.draw([o for o, _, _ in state.truth.blocks() if o not in state.in_service]):
        data, ordinal = state.content(state.b, offset_bytes)
        bit_index = state.rng.randrange(len(data) * 8)
        flipped = bytearray(data)
        flipped[bit_index // 8] ^= 1 << bit_index % 8
        state.replace(state.b, offset_bytes, bytes(flipped), DAMAGED_ORDINAL)
        outcome.marks[offset_bytes] = Mark(
            "damaged", f"bit {bit_index % 8} of byte {bit_index // 8} of write {ordinal} flipped"
        )
    return outcome


def blanked_extent(state: PairState) -> Outcome:
    """A run of neighbouring blocks reads as zeros."""
    state.hand_over()
    outcome = Outcome()
    runs: list[list[int]] = [[]]
    next_bytes = -1
    for offset_bytes, length_bytes, _ in state.truth.blocks():
        if offset_bytes in state.in_service:
            continue
        if offset_bytes != next_bytes:
            runs.append([])
        runs[-1].append(offset_bytes)
        next_bytes = offset_bytes + length_bytes
    longest = max(runs, key=len)
    count = min(state.settings.blocks_hit, len(longest))
    first_index = state.rng.randint(0, len(longest) - count)
    for offset_bytes in longest[first_index : first_index + count]:
        data, ordinal = state.content(state.b, offset_bytes)
        if any(data):
            state.b.dirty.pop(offset_bytes, None)
            state.disk.put(offset_bytes, bytes(len(data)), DAMAGED_ORDINAL)
            outcome.marks[offset_bytes] = Mark("blank", f"write {ordinal} zeroed")
    return outcome


def split_in_two(state: PairState) -> Outcome:
    """B takes over with its copies, but A lives on and goes on answering from its own cache.

    B holds the medium, so A destages nothing any more.
    """
    state.link.up = False
    state.b.dirty.update(state.b.partner_copy)
    state.b.partner_copy.clear()
    state.a.may_destage = False
    return Outcome()


def replay_late(state: PairState) -> Outcome:
    """The old controller finishes writes it never answered, over newer ones that B has meanwhile destaged."""
    outcome = Outcome()
    newer: list[tuple[int, int]] = []
    for offset_bytes, data in sorted(state.unanswered.items()):
        if offset_bytes in state.in_service or offset_bytes not in state.truth.lengths:
            continue
        ordinal = state.truth.ordinal_of(offset_bytes, digest_of(data))
        if ordinal is not None and ordinal < state.truth.last_ordinal(offset_bytes):
            newer.append((offset_bytes, ordinal))
    if len(newer) > state.settings.blocks_hit:
        newer = state.rng.sample(newer, state.settings.blocks_hit)
    for offset_bytes, ordinal in newer:
        data = state.unanswered.pop(offset_bytes)
        state.b.dirty.pop(offset_bytes, None)
        state.disk.put(offset_bytes, data, ordinal)
        detail = f"write {ordinal}, in flight at the takeover, reached the medium again"
        outcome.marks[offset_bytes] = Mark("lost", detail, ordinal)
    return outcome
