"""A drill on a real volume."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from verify.drill.conduct.commands import Done, run_command
from verify.drill.conduct.machine_watch import MachineWatch
from verify.drill.conduct.progress import Progress
from verify.drill.opening import OpenedVolume, open_recorded_volume
from verify.drill.plan.plan import Plan
from verify.drill.plan.scenarios import Deed, Scenario
from verify.drill.planning import RunRequest
from verify.drill.record import RecordFolder
from verify.drill.writing import LoadOptions, write_to_volume
from verify.errors import CannotRun, UsageError
from verify.ledger.second_channel import parse_address
from verify.ledger.second_secret import read_secret
from verify.ledger.second_sender import SecondLedger
from verify.load.neighbour_watch import NeighbourWatch
from verify.load.supervisor import Outcome
from verify.volume.discarding import discard_span
from verify.volume.fate import footing_of_volume
from verify.volume.identity import VolumeIdentity, identify
from verify.volume.kernel import birth_ns
from verify.volume.lines import NOT_TOLD
from verify.volume.neighbour import NeighbourTable
from verify.volume.survey import Survey, survey
from verify.volume.sysfs import BlockTree
from verify.volume.transports import VolumePath


class VolumeGround:
    """The volume that the plan names.

    Args:
        progress: the drill.
    """

    rehearsal = ""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._plan = progress.plan
        self._planned = progress.plan.volume

    def survey(self) -> Survey | None:
        """Look at the volume; see `Ground`."""
        if not os.path.lexists(self._planned.path):
            self._may_be_made()
            return None
        return survey(self._planned.path, self._planned.asked)

    def load(self, scenario: Scenario, record: str, request: RunRequest, options: LoadOptions) -> Outcome:  # noqa: ARG002
        """Fill and load the volume; see `Ground`."""
        path = self._planned.path
        if not os.path.lexists(path):
            self._may_be_made()
        folder = RecordFolder(record)
        watch: MachineWatch | None = None

        def on_event(event: dict[str, Any]) -> None:
            nonlocal watch
            if event["event"] == "load_began":
                watch = MachineWatch(folder.append_event, _path_states(path))
                watch.start()
            elif event["event"] == "stop" and watch is not None:
                watch.end()
            options.on_event(event)

        def on_made() -> None:
            self._progress.made = _which_file(path)
            self._progress.save()

        neighbour = self._neighbour()
        try:
            return write_to_volume(
                path, record, request, replace(options, on_event=on_event, second_ledger=second_ledger(self._plan)),
                erase=self._erase(), allow_page_cache=self._planned.allow_page_cache, neighbour=neighbour,
                on_made=on_made,
            )  # fmt: skip
        finally:
            if neighbour is not None:
                neighbour.close()

    def open_for_check(self, about: dict[str, Any], path: str | None) -> OpenedVolume:
        """Open the volume of a record; see `Ground`."""
        return open_recorded_volume(about, path)

    def needs_somebody(self, deed: Deed) -> bool:
        """Whether the plan gives no command for it."""
        return not deed.command

    def carry_out(self, deed: Deed, is_injection: bool, within_s: float, given_up: Callable[[], bool]) -> Done:  # noqa: ARG002
        """Run its command; a person has done it already, if there is none."""
        return run_command(deed.command, within_s, given_up) if deed.command else Done()

    def hold(self, scenario: Scenario, given_up: Callable[[], bool]) -> Done:
        """Run the hold command once."""
        return run_command(scenario.hold_command, scenario.within_s, given_up)

    def discard(self) -> str:
        """Remove the file that this drill made, or discard the span of a device; see `Ground`."""
        path, request = self._planned.path, self._plan.request
        identity = identify(path)
        if identity.is_file:
            if not self._is_made_here():
                raise CannotRun(f"{path} was not made by this drill and is left as it is; remove it yourself")
            os.unlink(path)
            return f"{path} was removed"
        length = sum(request.spans(identity.size_bytes))
        discard_span(path, self._planned.erase, identity, request.start_bytes, length)
        return f"{length:,} bytes of {path} from byte {request.start_bytes:,} on were discarded"

    def _erase(self) -> str | None:
        """What may be erased: as the plan says, or the very file that this drill made before."""
        if self._planned.erase:
            return self._planned.erase
        path = self._planned.path
        return identify(path).identity if os.path.lexists(path) and self._is_made_here() else None

    def _is_made_here(self) -> bool:
        """Whether the file at the path is the very one that this drill made; where that cannot be told, it is not."""
        found = _which_file(self._planned.path)
        return bool(found["birth_ns"]) and self._progress.made == found

    def _may_be_made(self) -> None:
        """Refuse to make a file where a volume is missing.

        Raises:
            CannotRun: if the volume was there before, or is no file.
        """
        path = self._planned.path
        if self._progress.made or self._planned.erase or os.path.realpath(path).startswith("/dev/"):
            raise CannotRun(f"the volume {path} is not there; bring it back, and go on by --resume. Nothing was made")

    def _neighbour(self) -> NeighbourWatch | None:
        address = self._planned.asked.floating_address
        return None if address is None else NeighbourWatch(NeighbourTable(address), self._planned.controllers)


def second_ledger(plan: Plan) -> SecondLedger | None:
    """What sends the ledger of one run to the receiver that the plan names; None if it names none.

    Raises:
        UsageError, CannotRun: if the secret cannot be used.
    """
    if not plan.second_ledger:
        return None
    return SecondLedger(parse_address(plan.second_ledger, "second-ledger"), read_secret(plan.secret))


def _which_file(path: str) -> dict[str, Any]:
    """Which file stands at a path, so that another in its place is not taken for it.

    Raises:
        UsageError: if there is none.
    """
    try:
        found = os.lstat(path)
    except OSError as error:
        raise UsageError(f"{path} is no longer there: {error.strerror}") from None
    return {
        "path": os.path.realpath(path), "device": found.st_dev, "inode": found.st_ino, "birth_ns": birth_ns(path),
    }  # fmt: skip


def _path_states(path: str) -> Callable[[], Mapping[str, str]]:
    known: list[VolumeIdentity] = []

    def look() -> Mapping[str, str]:
        known[:] = known or [identify(path)]
        paths = footing_of_volume(known[0], BlockTree()).paths
        return {path.device: ", ".join(filter(None, _told(path))) or NOT_TOLD for path in paths}

    return look


def _told(path: VolumePath) -> tuple[str, ...]:
    portal = f"connected to {path.address}" if path.address else ""
    return (path.state, path.access, path.link_state, path.connection_state, portal)
