"""The operator of a drill at a terminal: prompts on standard error, keys from standard input."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import termios
import time
from collections.abc import Callable, Mapping, Sequence

import click

from verify.commands.live import LiveLine
from verify.commands.reading_bar import ReadingBar
from verify.drill.conduct.operator import Answer, NoAnswer, Pressed
from verify.load.supervisor import Snapshot
from verify.report.visible import visible

_LOOK_S = 0.1


class Terminal:
    """Somebody at a terminal. Keys are taken by the line, so nothing is done by a single key pressed by mistake.

    What was typed before a question answers nothing. A terminal that hangs up answers nothing any more, and whatever
    was asked for may have been done or not.
    """

    attended = True

    def __init__(self) -> None:
        self._live: LiveLine | None = None
        self._bar: ReadingBar | None = None
        self._pending = b""

    def say(self, text: str) -> None:
        """Print a line."""
        self._print(f"ackproof: {visible(text)}")

    def warn(self, cautions: Sequence[str]) -> None:
        """Print each of them."""
        for caution in cautions:
            self._print(f"  CAUTION  {visible(caution)}")

    def hold(self, title: str, points: Sequence[str]) -> Answer:
        """Ask for each point to be confirmed."""
        self._forget_keys()
        self._print(f"\nHold point before: {visible(title)}")
        for point in points:
            self._print(f"  [ ] {visible(point)}")
        self._print("Press Enter when all of it is so; s and Enter to leave this run out, q and Enter to stop.")
        answers = {"": Answer.GO, "s": Answer.SKIP, "q": Answer.STOP}
        return answers[self._one_of(tuple(answers), "Enter, s or q?")]

    def do_now(self, text: str, given_up: Callable[[], bool]) -> Pressed | None:
        """Ask for it, and wait for the key."""
        if not self._forget_keys():
            return None
        self._print(f"\n>>> DO IT NOW  {visible(text)}")
        self._print(">>> Press Enter the moment it is done; q and Enter if it was not done.")
        while (line := self._line(given_up)) is not None:
            pressed = Pressed(time.monotonic_ns(), time.time_ns())
            if line == "":
                self._print(">>> marked")
                return pressed
            if line == "q":
                return None
            self._print(">>> Enter, or q?")
        return None

    def done(self, text: str) -> bool:
        """Ask for it, and wait for the key."""
        self._forget_keys()
        self._print(f"\nPlease: {visible(text)}")
        self._print("Press Enter when it is done; q and Enter to stop the drill, if it was not done.")
        return self._one_of(("", "q"), "Enter, or q?") == ""

    def choose(self, question: str, choices: Mapping[str, str]) -> str:
        """Ask until one of the answers is given."""
        self._forget_keys()
        self._print(f"\n{visible(question)}")
        for key, meaning in choices.items():
            self._print(f"  {key}  {visible(meaning)}")
        careful = next(iter(choices))
        self._print(f"Type one of {', '.join(choices)} and press Enter. [{careful}]")
        return self._one_of(("", *choices), f"One of {', '.join(choices)}?") or careful

    def load_begins(self) -> None:
        """Start the live line."""
        self._live = LiveLine()
        self._live.start()

    def show(self, snapshot: Snapshot) -> None:
        """Hand it to the live line."""
        if self._live is not None:
            self._live.show(snapshot)

    def load_ended(self) -> None:
        """Stop the live line."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def progress(self, done: int, total: int) -> None:
        """Show it on a bar of its own, as long as there is something to read."""
        if self._bar is None:
            self._bar = ReadingBar()
        self._bar(done, total)
        if done == total:
            self._bar.close()
            self._bar = None

    def _one_of(self, answers: Sequence[str], again: str) -> str:
        while True:
            line = self._line(lambda: False)
            if line in answers:
                return line or ""
            self._print(again)

    def _line(self, given_up: Callable[[], bool]) -> str | None:
        """The next line that is typed, without blanks around it and in small letters; None if it was given up.

        Raises:
            NoAnswer: if the terminal hung up.
        """
        while b"\n" not in self._pending:
            if given_up():
                return None
            try:
                ready, _, _ = select.select([sys.stdin.fileno()], [], [], _LOOK_S)
                if not ready:
                    continue
                piece = os.read(sys.stdin.fileno(), 4096)
                if not piece:  # Ctrl-D, unless the terminal is gone: then this fails.
                    termios.tcgetattr(sys.stdin.fileno())
            except (OSError, termios.error):
                raise NoAnswer("the terminal hung up, and nobody can answer; go on by --resume") from None
            self._pending += piece or b"\x04\n"
        line, _, self._pending = self._pending.partition(b"\n")
        return line.decode("utf-8", "replace").strip().lower()

    def _forget_keys(self) -> bool:
        """Forget what was typed before the question, a line begun too: an Enter pressed too early answers nothing.

        Returns:
            Whether the terminal is there.
        """
        self._pending = b""
        try:
            termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
        except (OSError, termios.error):
            return False
        return True

    def _print(self, text: str) -> None:
        """Print a text on lines of its own, whatever the live line shows; a terminal that hung up is told nothing."""
        clear = "\r\x1b[2K" if self._live is not None else ""
        with contextlib.suppress(OSError):
            click.echo(clear + text, err=True)
