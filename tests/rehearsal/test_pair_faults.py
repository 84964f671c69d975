"""Every fault under a load of several threads: the truth must equal a byte comparison.

Each thread owns its blocks and keeps its own log of what was acknowledged. What the pair serves is compared
with the logs byte by byte, and the result with what the truth says.
"""

from __future__ import annotations

import random
import struct
import threading
from dataclasses import dataclass, field

import pytest

from tests.rehearsal.numbered import get, put
from verify.rehearsal.backing import MemoryBacking
from verify.rehearsal.faults import FAULTS
from verify.rehearsal.pair import SimulatedPair
from verify.rehearsal.scenario import Scenario
from verify.rehearsal.state import PairSettings
from verify.rehearsal.truth import Damage, digest_of
from verify.volume.protocol import Volume

LANES = 6
SMALL_BYTES, LARGE_BYTES = 4096, 16384
PLACES = [(index * SMALL_BYTES, SMALL_BYTES) for index in range(192)] + [
    (192 * SMALL_BYTES + index * LARGE_BYTES, LARGE_BYTES) for index in range(48)
]
SIZE_BYTES = 192 * SMALL_BYTES + 48 * LARGE_BYTES
REPLAYED_OR_SPLIT = {"late-replay", "both-active"}
READABLE = [name for name in FAULTS if name != "address-never-returns"]

Seen = tuple[str, int | None, int]
"""(kind, index of the whole version left from 1 or None, acknowledged writes lost)."""


def content(offset_bytes: int, length_bytes: int, number: int) -> bytes:
    """A block whose every sector says where it belongs and which write it came with."""
    return b"".join(
        (struct.pack("<QQQQ", offset_bytes, number, sector + 1, 0x5A5A5A5A) * 16)
        for sector in range(length_bytes // 512)
    )


def judge(offset_bytes: int, served: bytes, acknowledged: list[int]) -> Seen | None:
    """What a byte comparison says of one block, given the numbers of its acknowledged writes in order."""
    versions = [content(offset_bytes, len(served), number) for number in acknowledged[-200:]]
    older = len(acknowledged) - len(versions)
    if served == versions[-1]:
        return None
    if served in versions:
        index = older + versions.index(served) + 1
        return "lost", index, len(acknowledged) - index
    if not any(served):
        return "blank", None, 1
    if all(
        any(served[at : at + 512] == version[at : at + 512] for version in versions)
        for at in range(0, len(served), 512)
    ):
        return "torn", None, 1
    homes = {struct.unpack_from("<Q", served, at)[0] for at in range(0, len(served), 512)}
    if len(homes) == 1 and homes != {offset_bytes}:
        return "misplaced", None, 1
    return "damaged", None, 1


@dataclass
class Load:
    """Threads that write their own blocks at random, each keeping its own log."""

    pair: SimulatedPair
    seed: int
    through_share: float = 0.0
    examine: bool = False
    log: dict[int, list[int]] = field(default_factory=lambda: {offset: [] for offset, _ in PLACES})
    covered: dict[int, int] = field(default_factory=dict)
    seen: dict[int, Seen] = field(default_factory=dict)
    in_flight: set[int] = field(default_factory=set)
    counts: list[int] = field(default_factory=lambda: [0] * LANES)
    done: threading.Event = field(default_factory=threading.Event)
    failures: list[BaseException] = field(default_factory=list)

    @property
    def taken_over(self) -> bool:
        return any(moment.name == "takeover" for moment in self.pair.truth.moments)

    def fill(self) -> None:
        for offset, length in PLACES:
            self.write(offset, length, 1, False)

    def flush(self) -> None:
        """Only while no lane runs, so that what it covers is beyond doubt."""
        self.pair.flush()
        self.covered = {offset: len(numbers) for offset, numbers in self.log.items()}

    def write(self, offset: int, length: int, number: int, through: bool) -> None:
        put(self.pair, offset, content(offset, length, number), through)
        self.log[offset].append(number)
        if through:
            self.covered[offset] = len(self.log[offset])

    def start(self, writes: int | None = None) -> list[threading.Thread]:
        threads = [threading.Thread(target=self.lane, args=(lane, writes)) for lane in range(LANES)]
        for thread in threads:
            thread.start()
        return threads

    def lane(self, lane: int, writes: int | None) -> None:
        draw = random.Random(f"{self.seed} {lane}")
        own = PLACES[lane::LANES]
        unexamined = {offset for offset, _ in own}
        try:
            while not self.done.is_set() and self.counts[lane] != writes:
                offset, length = draw.choice(own[: len(own) // 2] if draw.random() < 0.8 else own)
                after = self.taken_over
                if after and self.examine and offset in unexamined:
                    unexamined.discard(offset)
                    finding = judge(offset, get(self.pair, offset, length), self.log[offset])
                    if finding:
                        self.seen[offset] = finding
                self.write(offset, length, self.log[offset][-1] + 1, draw.random() < self.through_share)
                if not after and self.taken_over:
                    unexamined.discard(offset)
                    self.in_flight.add(offset)
                self.counts[lane] += 1
        except OSError as failure:
            self.failures.append(failure)


def damaged(damages: list[Damage]) -> dict[int, Seen]:
    """The truth in the terms of the byte comparison."""
    assert len({damage.offset_bytes for damage in damages}) == len(damages)
    return {
        damage.offset_bytes: (
            "lost" if damage.kind == "stale read" else damage.kind,
            damage.surviving_ordinal,
            damage.lost_writes,
        )
        for damage in damages
    }


def compare_all(volume: Volume, load: Load) -> dict[int, Seen]:
    """The whole volume, read in large pieces, against the logs."""
    image = bytearray(SIZE_BYTES)
    piece_bytes = 1 << 18
    for at in range(0, SIZE_BYTES, piece_bytes):
        volume.read(at, memoryview(image)[at : at + piece_bytes])
    found = {
        offset: judge(offset, bytes(image[offset : offset + length]), load.log[offset])
        for offset, length in PLACES
    }
    return {offset: finding for offset, finding in found.items() if finding}


def make(fault: str, seed: int, **changed: object) -> SimulatedPair:
    values = {
        "cache_blocks": 64,
        "lag_writes": 40,
        "stall_s": 0.04,
        "seed": seed,
        "blocks_hit": 25,
        **changed,
    }
    return SimulatedPair(MemoryBacking(SIZE_BYTES), fault, PairSettings(**values))  # type: ignore[arg-type]


def go_on(load: Load, writes: int) -> None:
    """Wait until every lane has acknowledged so many writes from now on."""
    pause = threading.Event()
    target = [count + writes for count in load.counts]
    while any(map(int.__lt__, load.counts, target)) and not load.failures:
        pause.wait(0.001)


def rehearse(pair: SimulatedPair, load: Load) -> None:
    """Fill, load, takeover, second step; then the load ends, at once unless it is to examine."""
    load.fill()
    load.flush()
    threads = load.start()
    go_on(load, 60)
    if pair.fault.cut_first:
        pair.cut_mirror()
        go_on(load, 30)
    pair.takeover()
    if pair.fault.name == "late-replay":
        go_on(load, 40)
        while pair.late_replay() is None and not load.failures:
            go_on(load, 5)
    elif pair.fault.name == "both-active":
        go_on(load, 40)
        pair.end_both_active()
    if load.examine:
        go_on(load, 120)
    load.done.set()
    for thread in threads:
        thread.join()
    assert not load.failures


@pytest.mark.parametrize("fault", [name for name in READABLE if FAULTS[name].promise == "completed"])
def test_the_truth_equals_a_byte_comparison(fault: str) -> None:
    pair = make(fault, seed=11)
    load = Load(pair, seed=11)
    rehearse(pair, load)
    found = compare_all(pair.checker(), load)
    truth = pair.truth
    assert found == damaged(truth.standing())
    assert {damage.kind for damage in truth.damages()} <= FAULTS[fault].kinds
    assert bool(truth.damages()) == bool(FAULTS[fault].kinds)
    for offset, length in PLACES:
        assert truth.last_ordinal(offset) == len(load.log[offset])
        for version, number in zip(truth.versions(offset)[-3:], load.log[offset][-3:], strict=True):
            assert version.digest == digest_of(content(offset, length, number))
    assert all(damage.first_seen is None for damage in truth.standing())


@pytest.mark.parametrize(
    "fault", [n for n in READABLE if FAULTS[n].promise == "completed" and FAULTS[n].kinds]
)
def test_what_examinations_saw_is_what_the_truth_says_was_read_first(fault: str) -> None:
    pair = make(fault, seed=12)
    load = Load(pair, seed=12, examine=True)
    rehearse(pair, load)
    damages = [d for d in pair.truth.damages() if d.first_seen]
    assert load.seen == damaged([d for d in damages if d.first_seen == "read"])
    if fault not in REPLAYED_OR_SPLIT:
        assert load.seen
        assert {d.offset_bytes for d in damages if d.first_seen != "read"} <= load.in_flight
    assert compare_all(pair.checker(), load) == damaged(pair.truth.standing())


@pytest.mark.parametrize("fault", ["mirror-lagging", "mirror-cut-first"])
def test_the_volume_goes_back_to_the_moment_that_the_truth_records(fault: str) -> None:
    pair = make(fault, seed=13)
    load = Load(pair, seed=13)
    rehearse(pair, load)
    [moment] = [m for m in pair.truth.moments if m.name == "takeover"]
    assert moment.went_back_to_ns is not None
    kept_ns, dropped_ns = moment.went_back_to_ns
    assert kept_ns < dropped_ns <= moment.happened_ns
    changed = {change.offset_bytes: change for change in moment.changes}
    assert changed
    for offset, _ in PLACES:
        before = [v for v in pair.truth.versions(offset) if v.acknowledged_ns <= moment.happened_ns]
        shown = changed[offset].surviving_ordinal if offset in changed else len(before)
        assert shown == sum(v.acknowledged_ns <= kept_ns for v in before)
        assert shown == sum(v.acknowledged_ns < dropped_ns for v in before)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("fault", ["power-loss", "flush-ignored"])
def test_under_the_promise_flushed_only_covered_writes_are_owed(fault: str, seed: int) -> None:
    pair = make(fault, seed=seed, stall_s=0.0)
    load = Load(pair, seed=seed, through_share=0.1)
    load.fill()
    for thread in load.start(writes=60):
        thread.join()
    load.flush()
    for thread in load.start(writes=66):
        thread.join()
    pair.takeover()
    assert not load.failures
    served = compare_all(pair.checker(), load)
    assert served, "power was lost with unflushed writes in the caches"
    owed: dict[int, Seen] = {}
    for offset, (kind, index, _) in served.items():
        if (index or 0) < load.covered[offset]:
            owed[offset] = (kind, index, load.covered[offset] - index if index else 1)
    assert owed == damaged(pair.truth.standing())
    assert bool(owed) == (fault == "flush-ignored")
    assert served == damaged(pair.truth.damages(promise="completed"))
    assert not pair.truth.damages(covers=lambda _: False)


def test_power_loss_under_load_tears_nothing_but_writes_in_service() -> None:
    pair = make("power-loss", seed=5)
    load = Load(pair, seed=5, through_share=0.3)
    rehearse(pair, load)
    served = compare_all(pair.checker(), load)
    assert {kind for kind, _, _ in served.values()} <= {"lost"}
    assert all((index or 0) >= load.covered[offset] for offset, (_, index, _) in served.items())
    assert not pair.truth.damages()


def test_a_stale_read_cache_serves_old_content_until_it_is_dropped_or_the_block_is_written() -> None:
    pair = make("stale-read-cache", seed=4, stall_s=0.0, blocks_hit=9)
    load = Load(pair, seed=4)
    load.fill()
    load.flush()
    for offset, length in PLACES[:60]:
        load.write(offset, length, 2, False)
    pair.takeover()
    stale = sorted(compare_all(pair, load))
    assert len(stale) == 9
    pair.flush()
    assert sorted(compare_all(pair, load)) == stale
    length = dict(PLACES)[stale[0]]
    load.write(stale[0], length, 3, False)
    assert sorted(compare_all(pair, load)) == stale[1:]
    assert pair.drop_read_cache() == 8
    assert not compare_all(pair, load)
    assert [len(d.read_ns) for d in pair.truth.damages()] == [2, *[3] * 8]
    assert not pair.truth.standing()


@pytest.mark.parametrize("fault", FAULTS)
def test_a_scenario_takes_every_step_by_itself(fault: str) -> None:
    pair = make(fault, seed=6, stall_s=0.02)
    load = Load(pair, seed=6)
    load.fill()
    load.flush()
    scenario = Scenario(fault, takeover_after_s=0.05, second_step_after_s=0.06, cut_before_s=0.02)
    threads = load.start()
    scenario.start(pair).join()
    load.done.set()
    for thread in threads:
        thread.join()
    assert scenario.failure is None
    names = [name for name, _ in scenario.steps]
    second = FAULTS[fault].second_step
    cut = ["mirror link cut"] if FAULTS[fault].cut_first else []
    assert names[: len(cut) + 1] == [*cut, "takeover"]
    assert len(names) == len(cut) + 1 + (second is not None)
    if second == "give-up":
        assert len(load.failures) == LANES
        assert {d.offset_bytes for d in pair.truth.damages()} == {offset for offset, _ in PLACES}
        assert pair.truth.summary()["kinds"] == {"unreadable": len(PLACES)}
    else:
        assert not load.failures
        if FAULTS[fault].promise == "completed":
            assert compare_all(pair.checker(), load) == damaged(pair.truth.standing())


def test_a_stopped_scenario_takes_no_further_step() -> None:
    pair = make("sound", seed=1)
    scenario = Scenario("sound", takeover_after_s=60.0)
    thread = scenario.start(pair)
    scenario.stop()
    thread.join()
    assert (scenario.steps, scenario.failure, pair.truth.moments) == ([], None, [])
