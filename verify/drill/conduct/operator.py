"""Who is asked and told during a drill: an operator at a terminal, or nobody."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from verify.errors import CannotRun
from verify.load.supervisor import Snapshot


class Answer(Enum):
    """What an operator wants at a hold point."""

    GO = "go"
    SKIP = "skip"
    STOP = "stop"


@dataclass(frozen=True)
class Pressed:
    """When a key was pressed, in nanoseconds of the monotonic and of the wall clock."""

    monotonic_ns: int
    wall_ns: int


class NoAnswer(CannotRun):
    """Whoever was asked cannot answer any more: the terminal hung up. What was asked for may have been done."""


class Operator(Protocol):
    """Somebody to talk to. Whatever is shown never holds up the load."""

    @property
    def attended(self) -> bool:
        """Whether there is somebody who can answer."""

    def say(self, text: str) -> None:
        """Tell how the drill goes on."""

    def warn(self, cautions: Sequence[str]) -> None:
        """Say what to be careful of, before something is done."""

    def hold(self, title: str, points: Sequence[str]) -> Answer:
        """Ask whether everything is as it must be before a scenario begins."""

    def do_now(self, text: str, given_up: Callable[[], bool]) -> Pressed | None:
        """Ask for something to be done during the load, and wait for the key that says it is.

        Args:
            text: what to do.
            given_up: asked several times a second; true when there is no more use in waiting.

        Returns:
            When the key was pressed; None if he says that it was not done, if he could not be asked, or if there is no
            more use in waiting.

        Raises:
            NoAnswer: if nobody can answer any more.
        """

    def done(self, text: str) -> bool:
        """Ask for something to be done without load, and wait for the key; false if he says that it was not done.

        Raises:
            NoAnswer: if nobody can answer any more.
        """

    def choose(self, question: str, choices: Mapping[str, str]) -> str:
        """Ask a question; `choices` gives each answer with its meaning, the first is the careful one.

        Returns:
            One of the answers.

        Raises:
            NoAnswer: if nobody can answer any more.
        """

    def load_begins(self) -> None:
        """Make ready to show a load."""

    def show(self, snapshot: Snapshot) -> None:
        """Take how the load stands; never blocks."""

    def load_ended(self) -> None:
        """Stop showing it."""

    def progress(self, done: int, total: int) -> None:
        """Take how far a check has read, in bytes."""


class Nobody:
    """A drill without anybody: what goes on is handed to `told`, questions get the careful answer."""

    attended = False

    def __init__(self, told: Callable[[str], None]) -> None:
        self._told = told

    def say(self, text: str) -> None:
        """Hand it on."""
        self._told(text)

    def warn(self, cautions: Sequence[str]) -> None:
        """Hand them on: whoever reads the log shall know."""
        for caution in cautions:
            self._told(f"caution: {caution}")

    def hold(self, title: str, points: Sequence[str]) -> Answer:  # noqa: ARG002  (nobody confirms them)
        """Go on; the conductor writes down that nobody confirmed it."""
        return Answer.GO

    def do_now(self, text: str, given_up: Callable[[], bool]) -> Pressed | None:  # noqa: ARG002
        """Nobody does it."""
        return None

    def done(self, text: str) -> bool:  # noqa: ARG002
        """Nobody does it."""
        return False

    def choose(self, question: str, choices: Mapping[str, str]) -> str:  # noqa: ARG002
        """The careful answer."""
        return next(iter(choices))

    def load_begins(self) -> None:
        """Nothing to show it on."""

    def show(self, snapshot: Snapshot) -> None:
        """Nothing to show it on."""

    def load_ended(self) -> None:
        """Nothing to show it on."""

    def progress(self, done: int, total: int) -> None:
        """Nothing to show it on."""
