"""The kernel's log and the states of the paths on the timeline of a run."""

from __future__ import annotations

import errno
from collections.abc import Iterator, Mapping
from typing import Any

import pytest

from tests.drill.runs import wait_until
from verify.drill.conduct import machine_watch
from verify.drill.conduct.machine_watch import MachineWatch
from verify.errors import CannotRun
from verify.volume.kernel_log import KernelLine, KernelLog


class Log(KernelLog):
    """A log with lines at hand."""

    def __init__(self, *lines: KernelLine) -> None:
        self.waiting = list(lines)

    def lines(self) -> Iterator[KernelLine]:
        while self.waiting:
            yield self.waiting.pop(0)

    def close(self) -> None:
        pass


@pytest.fixture(autouse=True)
def _often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machine_watch, "LOOK_S", 0.002)


def told(events: list[dict[str, Any]]) -> list[tuple[str, ...]]:
    return [(e["event"], e["path"], e["state"]) if e["event"] == "path" else (e["event"], e["text"]) for e in events]


def test_lines_and_changed_paths_are_told_once() -> None:
    states: list[Mapping[str, str]] = [{"sda": "running"}, {"sda": "running"}, {"sda": "blocked", "sdb": "running"}, {}]
    events: list[dict[str, Any]] = []
    log = Log(KernelLine(3, "link down"), KernelLine(7, "debug"))
    watch = MachineWatch(events.append, lambda: states.pop(0) if len(states) > 1 else states[0], lambda: log)
    watch.start()
    wait_until(lambda: len(events) >= 6, "all of it")
    log.waiting.append(KernelLine(6, "link up"))
    watch.end()
    assert told(events) == [
        ("kernel", "link down"), ("path", "sda", "running"), ("path", "sda", "blocked"), ("path", "sdb", "running"),
        ("path", "sda", "gone"), ("path", "sdb", "gone"), ("kernel", "link up"),
    ]  # fmt: skip
    assert all(isinstance(event["monotonic_ns"], int) for event in events)


def test_a_kernel_that_repeats_itself_fills_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machine_watch, "LINES_MAX", 3)
    events: list[dict[str, Any]] = []
    watch = MachineWatch(events.append, dict, lambda: Log(*[KernelLine(3, "again")] * 9))
    watch.start()
    watch.end()
    assert told(events) == [("kernel", "again")] * 3 + [("kernel", "(more lines of the kernel's log are not kept)")]


def test_what_cannot_be_looked_at_is_told_or_left_out() -> None:
    def refused() -> KernelLog:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    def hidden() -> Mapping[str, str]:
        raise CannotRun("no such disk")

    events: list[dict[str, Any]] = []
    watch = MachineWatch(events.append, hidden, refused)
    watch.start()
    watch.end()
    assert told(events) == [("kernel", "the kernel's log cannot be read: Operation not permitted")]
