"""The write step of a drill: from a planned run to a closed record folder."""

from __future__ import annotations

import os
import platform
import signal
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from importlib import metadata
from types import FrameType
from typing import Any

from verify.arithmetic import require_right_arithmetic
from verify.blocks.layout import SECTOR_BYTES_ALLOWED
from verify.drill.criteria import Criterion
from verify.drill.grounds import grounds_digest
from verify.drill.planning import RunRequest, plan_run
from verify.drill.quantities import rfc3339
from verify.drill.record import RUN_FORMAT, RecordFolder, ledger_heads, write_json
from verify.drill.seal import seal_run
from verify.errors import CannotRun, UsageError
from verify.ledger.recorder import release_room, reserve_room
from verify.ledger.second_sender import SecondLedger
from verify.load.memory import lock_memory, unlock_memory
from verify.load.neighbour_watch import NeighbourWatch
from verify.load.ring import ring_refusal, ring_slowness
from verify.load.run import Run
from verify.load.supervisor import Outcome, Snapshot, Supervisor
from verify.load.worker import AUTO, RING, THREADS, WorkerTask, boot_id
from verify.volume.direct import DirectVolume, create_file, open_volume, prove_direct
from verify.volume.identity import VolumeIdentity, identify
from verify.volume.protocol import Volume
from verify.volume.safety import look_inside, refusals, shares_volume
from verify.volume.time_outs import time_outs_s

SECOND_LEDGER_PATIENCE_S = 10.0
"""How long the end of a run waits for its second ledger to confirm the rest; then run.json says how far it came."""
_UNTOLD_S = 1.0

PACKAGES = ("ackproof", "numpy", "xxhash", "blake3")


@dataclass(frozen=True)
class LoadOptions:
    """How a planned run is carried out.

    Attributes:
        seconds: length of the load after the fill, None until it is stopped otherwise.
        on_tick, on_event: told how the run stands, and of every event.
        examine: whether slots are looked at before they are overwritten after an outage; off only in tests of that.
        processes: whether workers are processes, not threads.
        handle_signals: whether Ctrl-C and SIGTERM end the run.
        submit: how operations are submitted.
        criteria: what else must be met for a PASS.
        over: asked several times a second; the reason why the load is to end, "" to go on.
        look_again: asked several times a second; whether something may have happened to the volume that nobody marked.
        about: what else run.json is to say; looked at when the run begins and again when it has ended.
    """

    seconds: float | None
    on_tick: Callable[[Snapshot], None]
    on_event: Callable[[dict[str, Any]], None] = field(default=lambda event: None)
    examine: bool = True
    processes: bool = True
    handle_signals: bool = True
    submit: str = AUTO
    criteria: Sequence[Criterion] = ()
    over: Callable[[], str] = str
    look_again: Callable[[], bool] = bool
    about: Mapping[str, Any] = field(default_factory=dict)
    second_ledger: SecondLedger | None = None


def software() -> dict[str, str]:
    """Versions of what the verdict depends on."""
    versions = {"python": platform.python_version()}
    for name in PACKAGES:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            versions[name] = "not installed"
    return versions


def host() -> dict[str, str]:
    """The machine the load runs on."""
    return {"name": platform.node(), "kernel": platform.release(), "machine": platform.machine(), "boot_id": boot_id()}


def run_load(
    folder: RecordFolder,
    run: Run,
    open_for_worker: Callable[[], Volume],
    volume_facts: dict[str, Any],
    options: LoadOptions,
    on_reopened: Callable[[], object] = lambda: None,
    neighbour: NeighbourWatch | None = None,
) -> Outcome:
    """Carry out a run in a fresh record folder, and leave the folder closed.

    Args:
        folder: made by `RecordFolder.create`.
        run: the run.
        open_for_worker: gives each worker its own handle on the volume.
        volume_facts: what run.json says of the volume: `identity`, `direct`, `page_cache`, `cache_mode`,
            `time_outs_s`.
        options: see there.
        on_reopened: see `Supervisor`.
        neighbour: see `Supervisor`.

    Raises:
        CannotRun: if the ledger cannot be kept or no worker can start.
    """
    about: dict[str, Any] = {
        "format": RUN_FORMAT,
        "run": run.to_json(),
        "volume": volume_facts,
        "host": host(),
        "software": software(),
        "started": rfc3339(time.time_ns()),
        "examination_off": not options.examine,
        "floating_address": "" if neighbour is None else neighbour.address,
    }
    if options.criteria:
        about["criteria"] = [criterion.told(None) for criterion in options.criteria]
    about |= options.about
    second = options.second_ledger
    if second is not None:
        about["second_ledger"] = {"address": second.address}
    write_json(folder.run_path, about)
    begin = _beginning(folder, run, second)
    try:
        reserve_room(str(folder.ledger_path))
    except OSError as error:
        raise CannotRun(f"there is no room for the ledger in {folder.ledger_path}: {error.strerror}") from None
    tasks = [_task(folder, run, part, open_for_worker, options) for part in run.ledger_parts[1:]]

    def on_event(event: dict[str, Any]) -> None:
        folder.append_event(event)
        options.on_event(event)

    def on_tick(snapshot: Snapshot) -> None:
        begin()  # Not before the first tick: the workers have then been forked, and inherit no connection.
        options.on_tick(snapshot)

    try:
        supervisor = Supervisor(
            run,
            tasks,
            str(folder.ledger_part(0)),
            options.seconds,
            folder.take_marks,
            on_event,
            on_tick,
            on_reopened,
            neighbour,
            options.over,
            grounds_digest(about),
            options.look_again,
        )
    except OSError as error:
        raise CannotRun(f"the ledger cannot be made in {folder.ledger_path}: {error.strerror}") from None
    with _signals_to(supervisor) if options.handle_signals else _no_signals():
        outcome = supervisor.run()
        about["ended"] = rfc3339(time.time_ns())
        begin()
        if second is not None and second.wait_confirmed(_UNTOLD_S, lambda: supervisor.hurried).behind_bytes:
            options.on_event({"event": "second_ledger", "waits_s": SECOND_LEDGER_PATIENCE_S})
            second.wait_confirmed(SECOND_LEDGER_PATIENCE_S, lambda: supervisor.hurried)
    release_room(str(folder.ledger_path))
    about["ended_because"] = outcome.reason
    about["ledger_heads"] = outcome.heads
    about["workers_lost"] = list(outcome.workers_lost)
    about["result"] = outcome.result()
    about |= options.about
    if second is not None:
        about["result"]["second_ledger"] = second.facts()
    write_json(folder.run_path, about)
    with suppress(CannotRun, KeyboardInterrupt):  # The first check seals a run that could not be sealed at its end.
        seal_run(folder, run.run_id, ledger_heads(folder, run, outcome.heads))
    if second is not None:
        with suppress(OSError, KeyboardInterrupt):
            second.end(folder.run_path.read_bytes(), 0.0 if second.lag().behind_bytes else SECOND_LEDGER_PATIENCE_S)
            second.stop()
    return outcome


def _beginning(folder: RecordFolder, run: Run, second: SecondLedger | None) -> Callable[[], None]:
    """What begins to send the second ledger, if there is to be one, with run.json as it now is."""
    if second is None:
        return lambda: None
    run_json = folder.run_path.read_bytes()
    return lambda: second.start(run_json, {part: str(folder.ledger_part(part)) for part in run.ledger_parts})


def _task(
    folder: RecordFolder, run: Run, part: int, open_for_worker: Callable[[], Volume], options: LoadOptions
) -> WorkerTask:
    return WorkerTask(
        run=run,
        index=part - 1,
        part=part,
        lanes=[lane for lane in range(run.lanes) if run.lane_workers[lane] == part],
        open_volume=open_for_worker,
        ledger_path=str(folder.ledger_part(part)),
        specimen_path=str(folder.specimens_path / f"load-{part:03d}.bin"),
        examine=options.examine,
        process=options.processes,
        submit=options.submit,
    )


@contextmanager
def _signals_to(supervisor: Supervisor) -> Iterator[None]:
    """Let Ctrl-C and SIGTERM end the run cleanly, and a terminal that hangs up end nothing."""

    def stop(number: int, _frame: FrameType | None) -> None:
        supervisor.stop("Ctrl-C was pressed" if number == signal.SIGINT else "SIGTERM was received")

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    before[signal.SIGHUP] = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _no_signals() -> Iterator[None]:
    yield


def write_to_volume(
    path: str,
    record: str,
    request: RunRequest,
    options: LoadOptions,
    erase: str | None = None,
    allow_page_cache: bool = False,
    neighbour: NeighbourWatch | None = None,
    on_made: Callable[[], None] = lambda: None,
) -> Outcome:
    """The whole write step on a real volume, with every check of safety before the first write.

    Args:
        path: the volume; a file that does not exist is made.
        record: the record folder to make.
        request: what to run.
        options: how.
        erase: the identity that the user agrees to erase.
        allow_page_cache: go on although direct I/O is refused or not real.
        neighbour: watches what is behind the floating address.
        on_made: told when a file was made.

    Raises:
        UsageError, CannotRun: with the reason in one sentence.
    """
    request.check()
    require_right_arithmetic()
    expected = None
    new_bytes = request.start_bytes + sum(request.spans(None))
    existed = os.path.lexists(path)
    if existed:
        expected = _check_may_write(path, record, request, erase)
    else:
        plan_run(request, new_bytes, SECTOR_BYTES_ALLOWED[0])
    folder = RecordFolder.create(record)
    created = started = False
    try:
        if not existed:
            create_file(path, new_bytes)
            created = True
            on_made()
        volume = open_volume(
            path, writable=True, exclusive=True, allow_page_cache=allow_page_cache, expected=expected
        )
        try:
            page_cache = _page_cache(volume, allow_page_cache)
            why_threads = _why_threads(options.submit, volume.fd)
            run = plan_run(request, volume.size_bytes, volume.sector_bytes, not why_threads)
            shared = shares_volume(record, volume.identity)
            if shared:
                raise UsageError(shared)
            started = True
            if why_threads and options.submit == AUTO:
                said = {"event": "submission", "how": THREADS, "why": why_threads}
                folder.append_event(said)
                options.on_event(said)
            return _load(folder, run, volume, page_cache, allow_page_cache, options, neighbour)
        finally:
            volume.close()
    finally:
        if started:
            folder.release()
        else:
            folder.discard()
            if created:
                os.unlink(path)


def _load(
    folder: RecordFolder,
    run: Run,
    volume: DirectVolume,
    page_cache: str,
    allow_page_cache: bool,
    options: LoadOptions,
    neighbour: NeighbourWatch | None,
) -> Outcome:
    identity = volume.identity

    def open_for_worker() -> Volume:
        return open_volume(
            identity.path, writable=True, exclusive=False, allow_page_cache=allow_page_cache, expected=identity
        )

    facts = {
        "identity": identity.to_json(),
        "direct": volume.direct and not page_cache,
        "page_cache": page_cache,
        "cache_mode": volume.cache_mode,
        "time_outs_s": time_outs_s(identity),
    }
    locked = lock_memory()
    facts["memory_locked"] = locked is None
    try:
        return run_load(folder, run, open_for_worker, facts, options, volume.reopen, neighbour)
    finally:
        unlock_memory()


def _why_threads(submit: str, fd: int) -> str:
    """Why workers will not submit by a ring, "" if they will.

    Raises:
        CannotRun: if that was asked for and cannot be.
    """
    if submit == THREADS:
        return "threads were asked for"
    why = ring_refusal()
    if why and submit == RING:
        raise CannotRun(f"--submit ring: {why}; use --submit auto or --submit threads")
    return why or ("" if submit == RING else ring_slowness(fd))


def _check_may_write(path: str, record: str, request: RunRequest, erase: str | None) -> VolumeIdentity:
    identity = identify(path)
    run = plan_run(request, identity.size_bytes, identity.sector_bytes)
    contents = look_inside(identity)
    reasons = refusals(identity, contents, erase, (run.start_bytes, run.end_bytes))
    if reasons:
        raise (CannotRun if contents.uses else UsageError)("\n".join(reasons))
    shared = shares_volume(record, identity)
    if shared:
        raise UsageError(shared)
    return identity


def _page_cache(volume: DirectVolume, allowed: bool) -> str:
    """Why the page cache is in the way, "" if it is not.

    Raises:
        CannotRun: if it is, and the user did not allow that.
    """
    reason = "direct I/O was refused" if not volume.direct else prove_direct(volume)
    if reason is None:
        return ""
    if not allowed:
        raise CannotRun(
            f"{reason}; what is read back may come from memory and prove nothing. Use another volume, or "
            "--allow-page-cache to run all the same (the verdict will then be INCONCLUSIVE at best)"
        )
    return f"the page cache of this machine was in the way: {reason}"
