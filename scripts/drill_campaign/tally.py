"""Adding drills up, over one process or several."""

from __future__ import annotations

import gc
import signal
import traceback
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from multiprocessing import get_context

from scripts.drill_campaign.compare import WRONGS
from scripts.drill_campaign.drill import run_drill
from scripts.drill_campaign.judging import without_threads

BROKE = "broke"
"""A drill that ended with an error of the program is as bad as a wrong verdict."""

CHUNK_DRILLS = 20
ALLOWED_PREFIX = "allowed: "
"""Kinds of what is planted that the pair may do: they are no faults."""


@dataclass
class Tally:
    """The sum of drills. `shown` has a line for each disagreement, with the drill's name."""

    drills: int = 0
    sound: int = 0
    checks: int = 0
    circumstances: Counter[str] = field(default_factory=Counter)
    planted: Counter[str] = field(default_factory=Counter)
    called_for: Counter[str] = field(default_factory=Counter)
    wrongs: Counter[str] = field(default_factory=Counter)
    shown: list[str] = field(default_factory=list)

    @property
    def faults(self) -> int:
        """How many blocks faults were planted in."""
        return sum(count for kind, count in self.planted.items() if not kind.startswith(ALLOWED_PREFIX))

    def add(self, other: Tally) -> None:
        """Add the drills of another."""
        self.drills += other.drills
        self.sound += other.sound
        self.checks += other.checks
        self.circumstances.update(other.circumstances)
        self.planted.update(other.planted)
        self.called_for.update(other.called_for)
        self.wrongs.update(other.wrongs)
        self.shown += other.shown

    def summary(self, seconds: float) -> str:
        """The whole in one line."""
        wrongs = ", ".join(f"{wrong} {self.wrongs[wrong]:,}" for wrong in (*WRONGS, BROKE))
        return (
            f"{self.drills:,} drills ({self.sound:,} without a fault), {self.checks:,} checks, "
            f"{self.faults:,} faults planted: {wrongs}; {seconds:,.0f} s"
        )


def run_chunk(names: list[str]) -> Tally:
    """Run some drills in this process."""
    out = Tally()
    for name in names:
        out.drills += 1
        try:
            result = run_drill(name)
        except Exception:  # noqa: BLE001  (whatever it is, the drill that it befell must be named)
            out.wrongs[BROKE] += 1
            out.shown.append(f"drill {name}: {BROKE}: {traceback.format_exc()}")
            continue
        out.sound += result.is_sound
        out.checks += result.checks
        out.circumstances.update(result.circumstances)
        out.planted.update(result.planted)
        out.called_for.update(result.called_for)
        for found in result.disagreements:
            out.wrongs[found.wrong] += 1
            out.shown.append(f"drill {name}: {found.wrong}: {found.text}")
    return out


def run_all(names: Iterable[str], jobs: int) -> Iterator[Tally]:
    """Run drills in so many processes; yields the sum of every few, in order."""
    listed = list(names)
    chunks = [listed[at : at + CHUNK_DRILLS] for at in range(0, len(listed), CHUNK_DRILLS)]
    if jobs == 1:
        prepare()
        yield from map(run_chunk, chunks)
        return
    with get_context("fork").Pool(jobs, _begin_work) as pool:
        yield from pool.imap(run_chunk, chunks)


def _begin_work() -> None:
    """Make a process of the pool quick, and leave it to the one that made it to hear signals and to end it."""
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    prepare()


def prepare() -> None:
    """Make this process quick at drills: no threads, and what was imported is not searched for rubbish."""
    without_threads()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)
