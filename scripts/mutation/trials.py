"""Trying mutants in one warm process of pytest: each in a fork of it, by the tests that enter the changed function.

Started by `scripts.mutation` as a program of its own inside the copy of the tree, whose modules hold all mutants
beside the unchanged functions; an environment variable says which one is called. First every test is run once on the
unchanged code, to learn what it enters and what it costs.
"""

from __future__ import annotations

import gc
import json
import os
import resource
import selectors
import signal
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from _pytest.runner import runtestprotocol
from mutmut.mutation.trampoline import set_mutant_under_test
from mutmut.state import state

HANG_FACTOR, HANG_SECONDS = 10.0, 3.0
"""A test that takes so many times the processor time it takes on the unchanged code, and so much more, hangs."""

WAIT_SECONDS = 300.0
"""A mutant that is not done after so long waits for something that never comes."""


@dataclass
class Trial:
    """One mutant being tried by a process of its own."""

    mutant: str
    started: float
    said: bytes = b""


@dataclass
class Trials:
    """A plugin of pytest that does the trials in place of the tests.

    Args:
        order: mutants to try, what to do and for how long: the file that `scripts.mutation` wrote.
        results: where a line of JSON is added for each mutant tried.
    """

    order: dict[str, Any]
    results: Path
    cost: dict[str, float] = field(default_factory=dict)
    enters: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    killers: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    failed: list[str] = field(default_factory=list)
    until: float = 0.0

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Learn, then try."""
        if session.testsfailed:
            raise session.Interrupted("tests that cannot be loaded notice nothing")
        items = {item.nodeid: item for item in session.items}
        self.until = time.time() + self.order["seconds"]
        self._learn(items)
        if len(self.cost) < len(items):
            print(f"{len(self.cost)} of {len(items)} tests were tried on the unchanged code; run again to go on")
            return True
        if self.failed:
            print("these tests fail on the unchanged code, so they say nothing of mutants:", *self.failed, sep="\n  ")
        for name in self.failed:
            items.pop(name, None)
        self._try_all(items)
        return True

    def _learn(self, items: dict[str, pytest.Item]) -> None:
        """Run each test once on the unchanged code, but for those of which this is known."""
        known = Path(self.order["learned"])
        if known.exists():
            kept = json.loads(known.read_text())
            self.cost, self.failed = kept["cost"], kept["failed"]
            self.enters.update(kept["enters"])
        for name, item in items.items():
            if name in self.cost:
                continue
            if time.time() > self.until:
                break
            set_mutant_under_test("stats")
            state()._stats.clear()
            before = time.process_time()
            good = _passes(item)
            self.cost[name] = time.process_time() - before
            if not good:
                self.failed.append(name)
                continue
            for function in state()._stats:
                self.enters[function].append(name)
        set_mutant_under_test("")
        known.write_text(json.dumps({"cost": self.cost, "enters": self.enters, "failed": self.failed}))

    def _try_all(self, items: dict[str, pytest.Item]) -> None:
        self._recall()
        gc.collect()
        gc.freeze()  # Or the first collection of each fork would touch, and so copy, all of it.
        waiting = list(reversed(self.order["mutants"]))
        selector = selectors.DefaultSelector()
        running: dict[int, Trial] = {}
        while (waiting and time.time() < self.until) or running:
            while waiting and len(running) < self.order["workers"] and time.time() < self.until:
                mutant = waiting.pop()
                tests = self._tests(mutant, items)
                if not tests:
                    self._note(mutant, "untested", "")
                    continue
                reading, writing = os.pipe()
                pid = os.fork()
                if pid == 0:
                    os.close(reading)
                    self._try(mutant, tests, writing)
                os.close(writing)
                running[pid] = Trial(mutant, time.monotonic())
                selector.register(reading, selectors.EVENT_READ, pid)
            for key, _ in selector.select(timeout=1.0):
                trial = running[key.data]
                said = os.read(key.fd, 4096)
                trial.said += said
                if said:
                    continue
                selector.unregister(key.fd)
                os.close(key.fd)
                _, status = os.waitpid(key.data, 0)
                del running[key.data]
                self._judge(trial, os.waitstatus_to_exitcode(status))
            for pid, trial in running.items():
                if time.monotonic() - trial.started > WAIT_SECONDS:
                    os.kill(pid, signal.SIGKILL)

    def _recall(self) -> None:
        """Learn from the trials of former runs which tests notice."""
        for line in self.results.read_text().splitlines() if self.results.exists() else []:
            entry = json.loads(line)
            if entry["by"] in self.cost:
                self.killers[entry["mutant"].partition("__mutmut_")[0]][entry["by"]] += 1

    def _tests(self, mutant: str, items: dict[str, pytest.Item]) -> list[pytest.Item]:
        """The tests that enter the mutant's function: those that noticed most others of it first, then the quickest."""
        function = mutant.partition("__mutmut_")[0]
        kills = self.killers[function]
        names = [name for name in self.enters.get(function, []) if name in items]
        out: list[pytest.Item] = []
        cost = 0.0
        for name in sorted(names, key=lambda name: (-kills[name], self.cost[name])):
            if out and cost + self.cost[name] > self.order["effort"]:
                continue  # a dear one hides none that comes after it
            cost += self.cost[name]
            out.append(items[name])
        return out

    def _try(self, mutant: str, tests: Sequence[pytest.Item], tell: int) -> None:
        """In a process of its own: run tests until one fails. Never returns."""
        nowhere = os.open(os.devnull, os.O_RDWR)
        for number in (0, 1, 2):
            os.dup2(nowhere, number)
        set_mutant_under_test(mutant)
        for item in tests:
            used = resource.getrusage(resource.RUSAGE_SELF)
            limit = used.ru_utime + used.ru_stime + HANG_SECONDS + HANG_FACTOR * self.cost[item.nodeid]
            resource.setrlimit(resource.RLIMIT_CPU, (int(limit) + 1, resource.RLIM_INFINITY))
            good = False
            try:
                good = _passes(item)
            finally:
                if not good:
                    os.write(tell, item.nodeid.encode())
                    os._exit(1)
        os._exit(0)

    def _judge(self, trial: Trial, code: int) -> None:
        if code == 0:
            self._note(trial.mutant, "survived", "")
        elif code == 1:
            by = trial.said.decode()
            self.killers[trial.mutant.partition("__mutmut_")[0]][by] += 1
            self._note(trial.mutant, "killed", by)
        else:
            self._note(trial.mutant, "timed out", f"ended with {code}")

    def _note(self, mutant: str, status: str, by: str) -> None:
        with self.results.open("a") as file:
            entry = {"mutant": mutant, "of": self.order["of"].get(mutant, ""), "status": status, "by": by}
            file.write(json.dumps(entry) + "\n")


def _passes(item: pytest.Item) -> bool:
    reports = runtestprotocol(item, log=False, nextitem=None)
    return not any(report.failed for report in reports)


def main() -> int:
    """Start from the command line: the order's file, the results' file, then arguments of pytest."""
    plugin = Trials(json.loads(Path(sys.argv[1]).read_text()), Path(sys.argv[2]))
    return int(pytest.main(sys.argv[3:], plugins=[plugin]))


if __name__ == "__main__":
    sys.exit(main())
