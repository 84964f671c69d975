"""Ctrl-C during a check: never lost, never met by a lock that stays taken, and never in vain on a volume that hangs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from tests.drill.memory_volume import MemoryVolume
from tests.drill.runs import check_on, environment, load_on
from verify import interruption
from verify.drill import two_ledgers
from verify.drill.planning import RunRequest, StreamRequest
from verify.drill.scan import Scanner
from verify.interruption import held_back, let_through, too_late
from verify.judge.assess import Assessor
from verify.judge.timeline import Timeline
from verify.ledger.reader import LedgerFile
from verify.report.losses import LossWriter

SPAN_BYTES = 64 << 10


@pytest.fixture(autouse=True)
def usual_handlers() -> Iterator[None]:
    """Those of a process that nobody has changed; what a test leaves behind must be none of the next one's."""
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    for number, handler in before.items():
        signal.signal(number, handler)
    assert interruption._pressed_s == []


def press(number: signal.Signals = signal.SIGINT) -> None:
    signal.raise_signal(number)


class TestHeldBack:
    def test_it_comes_at_the_next_safe_place_and_once(self) -> None:
        reached = []
        with held_back():
            press()
            reached.append("beyond")
            with pytest.raises(KeyboardInterrupt):
                let_through()
            let_through()
        assert reached == ["beyond"]

    def test_without_any_it_comes_at_the_end(self) -> None:
        with pytest.raises(KeyboardInterrupt), held_back():
            press()

    def test_it_comes_at_the_end_even_of_a_failure(self) -> None:
        def fail() -> None:
            press()
            raise ValueError("something else")

        with pytest.raises(KeyboardInterrupt), held_back():
            fail()

    def test_a_safe_place_alone_does_nothing(self) -> None:
        let_through()
        with held_back():
            let_through()

    def test_what_is_done_is_not_undone(self) -> None:
        with held_back():
            press()
            too_late()
            let_through()

    def test_the_outermost_has_the_end(self) -> None:
        reached = []

        def press_further_in() -> None:
            with held_back():
                press()
            reached.append("beyond")

        with pytest.raises(KeyboardInterrupt), held_back():
            press_further_in()
        assert reached == ["beyond"]

    def test_afterwards_it_comes_at_once_again(self) -> None:
        with held_back():
            pass
        with pytest.raises(KeyboardInterrupt):
            press()

    @pytest.mark.parametrize("handler", [signal.SIG_IGN, lambda _number, _frame: None])
    def test_whoever_has_a_handler_of_his_own_keeps_it(self, handler: Any) -> None:
        signal.signal(signal.SIGINT, handler)
        with held_back():
            assert signal.getsignal(signal.SIGINT) is handler
            press()
            let_through()
        assert signal.getsignal(signal.SIGINT) is handler

    def test_the_other_signal_too_where_it_means_the_same(self) -> None:
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        with held_back():
            press(signal.SIGTERM)
            with pytest.raises(KeyboardInterrupt):
                let_through()
        assert signal.getsignal(signal.SIGTERM) is signal.default_int_handler

    def test_other_threads_neither_hold_back_nor_are_interrupted(self) -> None:
        handlers = []

        def elsewhere() -> None:
            let_through()
            with held_back():
                handlers.append(signal.getsignal(signal.SIGINT))

        def in_a_thread() -> None:
            thread = threading.Thread(target=elsewhere)
            thread.start()
            thread.join()

        in_a_thread()
        assert handlers == [signal.default_int_handler]
        with held_back():
            press()
            in_a_thread()
            with pytest.raises(KeyboardInterrupt):
                let_through()
        assert len(handlers) == 2

    @pytest.mark.parametrize(("after_s", "code", "said"), [(0.0, 0, ""), (0.3, 4, "\nackproof: stopped at once\n")])
    def test_a_second_one_after_a_while_does_not_wait(self, after_s: float, code: int, said: str) -> None:
        script = (
            "import signal, time; from verify import interruption as i\n"
            "i.IMPATIENT_S = 0.2\n"
            "with i.held_back():\n"
            f"    signal.raise_signal(signal.SIGINT); time.sleep({after_s}); signal.raise_signal(signal.SIGINT)\n"
            "    i.too_late()\n"
        )
        command = [sys.executable, "-c", script]
        done = subprocess.run(command, env=environment(), capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (code, said)


class HangingVolume(MemoryVolume):
    """Once `hangs` is set its reads do not return, until `let_go` is."""

    def __init__(self, size_bytes: int) -> None:
        super().__init__(size_bytes)
        self.hangs = self.came_back = False
        self.reading, self.let_go = threading.Event(), threading.Event()

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        if self.hangs:
            self.reading.set()
            self.came_back = self.came_back or not self.let_go.wait(20)
        return super().read(offset_bytes, buffer)


def kept_for_going_on(record: Path) -> None:
    assert [path.name for path in (record / "checks").iterdir()] == [".001.partial"]
    assert not (record / "verdict.json").exists()


class TestDuringACheck:
    @pytest.mark.parametrize("read_twice", [False, True])
    def test_a_volume_that_hangs_is_not_waited_for(self, tmp_path: Path, read_twice: bool) -> None:
        volume, record = HangingVolume(SPAN_BYTES), tmp_path / "record"
        load_on(volume, record, RunRequest((StreamRequest(4096, 2, SPAN_BYTES),), seed=1, operations=20))
        volume.hangs = True

        def press_later() -> None:
            volume.reading.wait(60)
            time.sleep(0.3)
            os.kill(os.getpid(), signal.SIGINT)

        presser = threading.Thread(target=press_later)
        presser.start()
        try:
            with pytest.raises(KeyboardInterrupt):
                check_on(volume, record, read_twice)
            assert not volume.came_back
        finally:
            volume.let_go.set()
            presser.join()
        kept_for_going_on(record)

    def test_one_that_comes_where_exceptions_are_dropped_is_not_lost(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """As in numpy's look-up of an enumeration's attributes, which drops whatever is raised there."""
        volume, record = MemoryVolume(8 << 20), tmp_path / "record"
        load_on(volume, record, RunRequest((StreamRequest(4096, 2, 8 << 20),), seed=1, operations=20))
        observe: Callable[..., None] = Scanner._observe
        dropped = []

        def dropping(self: Scanner, observed: Any) -> None:
            try:
                press()
            except KeyboardInterrupt:
                dropped.append(observed)
            observe(self, observed)

        monkeypatch.setattr(Scanner, "_observe", dropping)
        with pytest.raises(KeyboardInterrupt):
            check_on(volume, record)
        assert not dropped
        kept_for_going_on(record)

    def test_one_that_comes_while_the_ledger_is_gone_through_is_not_kept_until_the_volume_is_read(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        volume, record = MemoryVolume(SPAN_BYTES), tmp_path / "record"
        load_on(volume, record, RunRequest((StreamRequest(4096, 2, SPAN_BYTES),), seed=1, operations=20))
        feed: Callable[..., None] = Timeline.feed

        def pressing(*arguments: Any) -> None:
            press()
            feed(*arguments)

        monkeypatch.setattr(Timeline, "feed", pressing)
        with pytest.raises(KeyboardInterrupt):
            check_on(volume, record)
        assert list((record / "checks").iterdir()) == []

    def test_one_that_comes_while_two_ledgers_are_compared_ends_that(self) -> None:
        file = SimpleNamespace(heads=lambda: iter(["the first", "the second"]))
        with held_back():
            heads = two_ledgers._heads(cast(LedgerFile, file))
            assert next(heads) == "the first"
            press()
            with pytest.raises(KeyboardInterrupt):
                next(heads)

    @pytest.mark.parametrize("at", ["judge", "write"])
    def test_one_that_comes_while_losses_are_judged_is_in_time(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: str
    ) -> None:
        volume, record = MemoryVolume(SPAN_BYTES), tmp_path / "record"
        load_on(volume, record, RunRequest((StreamRequest(4096, 2, SPAN_BYTES),), seed=1, operations=20))
        volume.data[:4096] = bytes(4096)
        where, name = (Assessor, "judge") if at == "judge" else (LossWriter, "write")
        usual: Callable[..., Any] = getattr(where, name)

        def pressing(*arguments: Any) -> Any:
            press()
            return usual(*arguments)

        monkeypatch.setattr(where, name, pressing)
        with pytest.raises(KeyboardInterrupt):
            check_on(volume, record)
        if at == "judge":
            kept_for_going_on(record)
        else:  # The last safe place is passed: the check is kept whole, and whoever asked for it stops then.
            assert [path.name for path in (record / "checks").iterdir()] == ["001"]
            assert (record / "verdict.json").exists()
