"""The plan of a drill, read from a TOML file and checked whole, with every error told at once.

A plan has these parts; `ackproof drill --new` writes one with comments:

    records = "/root/acceptance"    folder of all record folders, on another disk than the volume
    second-ledger, secret           where `ackproof receive` listens, and the file of the secret shared with it
    [volume]       path, erase (the identity that `survey` prints), start, floating-address, controllers, paths,
                   array-cache, expected-stall or vrrp-priority and vrrp-interval, discard-at-end, allow-page-cache
    [load]         set (a load by name) and span, or [[stream]] tables beside it; promise, atomic-unit, seed, fill,
                   stall-threshold, merge-within, workers, submit
    [[stream]]     block, lanes, span, pattern, read-share, flush-every, pace
    [criteria]     see `verify.drill.criteria`
    [acceptance]   title, system, scope, objectives, participants and the like: see `verify.drill.particulars`
    [[scenario]]   see `verify.drill.plan.scenarios`
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from blake3 import blake3

from verify.drill.criteria import Criterion, criteria_of
from verify.drill.particulars import Particulars, particulars_of
from verify.drill.plan.fields import Complaints, Table
from verify.drill.plan.load_sets import LOAD_SETS, load_set
from verify.drill.plan.scenarios import PATHS, Scenario, read_scenario
from verify.drill.planning import SPAN_BYTES_DEFAULT, RunRequest, StreamRequest
from verify.drill.streams import STREAM_KEYS, stream_request
from verify.drill.toml_file import read_toml
from verify.errors import UsageError
from verify.ledger.second_channel import parse_address
from verify.load.run import MERGE_NS_DEFAULT, PROMISES, STALL_NS_DEFAULT
from verify.load.schedule import Flush
from verify.load.worker import AUTO, SUBMISSIONS
from verify.volume.neighbour import parse_controllers
from verify.volume.survey import Asked

SCENARIOS_MAX = 1000


@dataclass(frozen=True)
class PlannedVolume:
    """The volume of a plan.

    Attributes:
        path: where it is; a file that does not exist is made.
        erase: the identity that may be erased, as `survey` prints it.
        asked: what the survey is to be held against.
        controllers: name of each controller by hardware address.
        paths: other paths to the same volume, for further checks.
        discard_at_end: whether it is to be discarded when all is done.
        allow_page_cache: see `write_to_volume`.
    """

    path: str
    erase: str = ""
    asked: Asked = field(default_factory=Asked)
    controllers: Mapping[str, str] = field(default_factory=dict)
    paths: tuple[str, ...] = ()
    discard_at_end: bool = False
    allow_page_cache: bool = False


@dataclass(frozen=True)
class Plan:
    """A whole plan.

    `digest` is the BLAKE3 of its text, `load_set` the name of its load, "" for its own streams. `span_bytes` is what
    its streams cover together: a scenario with a load set of its own stays within it, for nothing else may be erased.
    """

    path: str
    text: str
    digest: str
    records: str
    second_ledger: str
    secret: str
    volume: PlannedVolume
    request: RunRequest
    load_set: str
    span_bytes: int
    seeded: bool
    submit: str
    criteria: tuple[Criterion, ...]
    particulars: Particulars
    scenarios: tuple[Scenario, ...]

    def request_for(self, scenario: Scenario, seed: int) -> RunRequest:
        """What a run of a scenario is to do.

        Args:
            scenario: of this plan.
            seed: of the load.
        """
        streams = self.request.streams
        if scenario.load_set:
            streams = load_set(scenario.load_set, self.span_bytes)
        return replace(self.request, streams=streams, promise=scenario.promise or self.request.promise, seed=seed)


def read_plan(path: str) -> Plan:
    """Read a plan.

    Raises:
        UsageError: if it cannot be read, or with a line for everything that is wrong with it.
    """
    value, text = read_toml(path, "the plan")
    complaints = Complaints(path, text)
    table = Table(value, (), complaints)
    table.need("records", "volume", "load", "scenario")
    records = table.text("records")
    if "records" in table and not records:
        table.wrong("records", "records must name a folder that is not on the volume")
    second_ledger, secret = _second_ledger(table)
    load = table.table("load")
    streams = table.tables("stream")
    name, request, span, submit = _load(load, streams)
    volume = _volume(table.table("volume"), records, request)
    limits = table.table("criteria")
    criteria = criteria_of(limits.everything(), limits.wrong)
    particulars = _particulars(table.table("acceptance"))
    found = table.tables("scenario")
    if not found and "scenario" in table:
        table.wrong("scenario", "the plan has no [[scenario]]")
    scenarios = tuple(read_scenario(one, PROMISES, LOAD_SETS) for one in found[:SCENARIOS_MAX])
    table.end()
    for one, scenario in zip(found, scenarios, strict=False):
        _check_scenario(one, scenario, request, span, volume)
    complaints.raise_if_any()
    planned = [
        {"scenario": scenario.name, "direction": scenario.direction, "repeats": scenario.repeats}
        for scenario in scenarios
    ]
    return Plan(
        path, text, blake3(text.encode()).hexdigest(), records, second_ledger, secret, volume, request, name, span,
        "seed" in load, submit, criteria, replace(particulars, planned=planned), scenarios,
    )  # fmt: skip


def _second_ledger(table: Table) -> tuple[str, str]:
    """Where the ledgers are kept a second time, and the file of the secret; "" and "" if nowhere."""
    address, secret = table.text("second-ledger"), table.text("secret")
    if bool(address) != bool(secret):
        table.wrong("second-ledger", "second-ledger (where the receiver is) and secret (a file) go together")
    elif address:
        try:
            parse_address(address, "second-ledger")
        except UsageError as error:
            table.wrong("second-ledger", str(error))
    return address, secret


def _volume(table: Table, records: str, request: RunRequest) -> PlannedVolume:
    table.need("path")
    named = _controllers(table)
    priority = table.whole("vrrp-priority", 1, 254, 0)
    stall = table.duration("expected-stall", -1.0)
    interval = table.duration("vrrp-interval", -1.0)
    address = table.text("floating-address")
    asked = Asked()
    spans = [span for span in request.spans(None) if span]
    try:
        asked = Asked(
            record=records or None,
            start_bytes=request.start_bytes,
            span_bytes=sum(spans) or None,
            array_cache_bytes=table.size("array-cache"),
            floating_address=address or None,
            expected_stall_s=stall if stall >= 0 else None,
            vrrp_priority=priority or None,
            vrrp_interval_s=interval if interval >= 0 else None,
        )
    except UsageError as error:
        table.wrong("path", str(error))
    if named and not address:
        table.wrong("controllers", "controllers names what is behind a floating address; say which by floating-address")
    volume = PlannedVolume(
        path=table.text("path"),
        erase=table.text("erase"),
        asked=asked,
        controllers=named,
        paths=table.texts("paths"),
        discard_at_end=table.flag("discard-at-end"),
        allow_page_cache=table.flag("allow-page-cache"),
    )
    if "path" in table and not volume.path:
        table.wrong("path", "path must name the volume under test")
    table.end()
    return volume


def _controllers(table: Table) -> Mapping[str, str]:
    """Names by hardware address, from a table of names, each with one address or a list of them."""
    told = table.table("controllers").everything()
    ports = {name: value if isinstance(value, list) else [value] for name, value in told.items()}
    try:
        named = [f"{name}={address}" for name, addresses in ports.items() for address in addresses]
        return parse_controllers(named, "controllers")
    except UsageError as error:
        table.wrong("controllers", str(error))
        return {}


def _load(table: Table, stream_tables: list[Table]) -> tuple[str, RunRequest, int, str]:
    name = table.choice("set", tuple(LOAD_SETS), "")
    span = table.size("span", 512)
    streams: tuple[StreamRequest, ...] = ()
    if name and stream_tables:
        table.wrong("set", "give either a load set in [load], or [[stream]] tables, not both")
    elif not name and not stream_tables:
        table.wrong("set", f"say what the load is: a set (one of {', '.join(LOAD_SETS)}), or [[stream]] tables")
    total = span or SPAN_BYTES_DEFAULT
    if stream_tables and span:
        table.wrong("span", "span in [load] goes with a set; [[stream]] tables have spans of their own")
    if name:
        try:
            streams = load_set(name, total)
        except UsageError as error:
            table.wrong("span", str(error))
    else:
        streams = tuple(filter(None, (_stream(one) for one in stream_tables)))
    stall_s = table.duration("stall-threshold", STALL_NS_DEFAULT / 1e9, low=0.001)
    merge_s = table.duration("merge-within", MERGE_NS_DEFAULT / 1e9)
    request = RunRequest(
        streams=streams,
        start_bytes=table.size("start") or 0,
        seed=table.whole("seed", 0, 2**63 - 1, 0),
        promise=table.choice("promise", PROMISES, PROMISES[0]),
        stall_ns=round(stall_s * 1e9),
        merge_ns=round(merge_s * 1e9),
        atomic_bytes=table.size("atomic-unit", 512),
        fill=table.flag("fill", True),
        workers=table.whole("workers", 1, 64, 0) or None,
    )
    if streams:
        try:
            request.check(prefix="")
        except UsageError as error:
            table.complaints.add(("stream", 0) if stream_tables else table.place, str(error))
    submit = table.choice("submit", SUBMISSIONS, AUTO)
    table.end()
    return name, request, sum(request.spans(None)) or total, submit


def _stream(table: Table) -> StreamRequest | None:
    values = table.raw(*STREAM_KEYS)
    table.end()
    try:
        return stream_request(values, prefix="")
    except UsageError as error:
        table.complaints.add(table.place, str(error))
        return None


def _particulars(table: Table) -> Particulars:
    wrong: list[str] = []
    value: dict[str, Any] = dict(table.everything())
    for key in ("planned", "run"):
        if value.pop(key, None) is not None:
            table.wrong(key, f"[acceptance] has no {key}: it follows from the scenarios")
    out = particulars_of(value, wrong)
    for said in wrong:
        table.complaints.add(table.place, said)
    return out


def _check_scenario(
    table: Table, scenario: Scenario, request: RunRequest, span_bytes: int, volume: PlannedVolume
) -> None:
    """What can only be said of a scenario together with the rest of the plan."""
    streams = request.streams
    if scenario.load_set:
        try:
            streams = load_set(scenario.load_set, span_bytes)
        except UsageError as error:
            table.wrong("load-set", str(error))
    promise = scenario.promise or request.promise
    if promise == "flushed" and streams and all(stream.flush is Flush.NEVER for stream in streams):
        table.wrong("promise", f"{scenario.title}: the promise `flushed` needs a stream that flushes; see flush-every")
    if PATHS in scenario.further and not volume.paths:
        table.wrong("further-checks", "further-checks: name the other paths to the volume by paths in [volume]")
