"""What a drill is carried out on, as the conductor sees it: a real volume, or a rehearsal of the same plan."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from verify.drill.conduct.commands import Done
from verify.drill.opening import OpenedVolume
from verify.drill.plan.scenarios import Deed, Scenario
from verify.drill.planning import RunRequest
from verify.drill.writing import LoadOptions
from verify.load.supervisor import Outcome
from verify.volume.survey import Survey


class Ground(Protocol):
    """A volume on a pair of controllers, and what can be done to that pair without a person."""

    @property
    def rehearsal(self) -> str:
        """What is rehearsed on, in words; "" for the real thing."""

    def survey(self) -> Survey | None:
        """Look at the volume; None while it does not exist and will be made.

        Raises:
            CannotRun: if it cannot be looked at.
        """

    def load(self, scenario: Scenario, record: str, request: RunRequest, options: LoadOptions) -> Outcome:
        """Fill and load the volume, with a new record folder.

        Raises:
            UsageError, CannotRun: see `write_to_volume`.
        """

    def open_for_check(self, about: dict[str, Any], path: str | None) -> OpenedVolume:
        """Open the volume of a record for a check, by its identity or by another path.

        Raises:
            UsageError, CannotRun: see `open_recorded_volume`.
        """

    def needs_somebody(self, deed: Deed) -> bool:
        """Whether a person has to do this."""

    def carry_out(self, deed: Deed, is_injection: bool, within_s: float, given_up: Callable[[], bool]) -> Done:
        """Do it without a person, or what goes with a person's doing it.

        Args:
            deed: what.
            is_injection: whether this is what takes the controller over.
            within_s: how long it may take.
            given_up: asked several times a second; true when it is to be ended.
        """

    def hold(self, scenario: Scenario, given_up: Callable[[], bool]) -> Done:
        """Ask once whether everything is as it must be before a scenario begins: exit code 0 if it is."""

    def discard(self) -> str:
        """Give the tested span back, and say what was done.

        Raises:
            CannotRun: if that cannot be.
        """
