"""The survey of a volume: everything worth knowing before it is erased and a controller is pulled, line by line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field

from verify.errors import EXIT_CANNOT_RUN, EXIT_PASS, UsageError
from verify.volume.disklines import disk_lines
from verify.volume.fate import Footing, footing_of_volume, nodes_of, record_line, root_line
from verify.volume.identity import VolumeIdentity
from verify.volume.lines import Level, Line, fine, size_text, stop, warning
from verify.volume.look import PATIENCE_S, Look, look
from verify.volume.mounts import mount_of, read_mounts
from verify.volume.multipath import MultipathMap, read_map
from verify.volume.naming import is_firm, serial_of, wwid_of
from verify.volume.pathlines import floating_line, limit_lines, map_line, path_lines, plain_address
from verify.volume.programs import Ask, ask_program
from verify.volume.safety import NOT_LOOKED_AT, refusals
from verify.volume.sysfs import BlockNode, BlockTree
from verify.volume.transports import VolumePath
from verify.volume.vrrp import vrrp_times

FORMAT = "ackproof-survey/1"
SPAN_TO_CACHE_RATIO = 2
"""A span is so many times the array's cache, so that most reads come from the disks: common practice, no source."""


@dataclass(frozen=True)
class Asked:
    """What the user tells of the drill to come; None where it was not told.

    Attributes:
        record: folder that the records shall go to.
        start_bytes: where the tested span begins.
        span_bytes: length of the tested span.
        array_cache_bytes: size of the array's cache.
        floating_address: IP address that shall move to the other controller.
        expected_stall_s: how long the takeover is expected to stall the guests, in seconds.
        vrrp_priority: of the standby, 1 to 254; gives the expected stall together with the interval.
        vrrp_interval_s: between advertisements, in seconds.

    Raises:
        UsageError: a value is out of its range, or one contradicts another.
    """

    record: str | None = None
    start_bytes: int = 0
    span_bytes: int | None = None
    array_cache_bytes: int | None = None
    floating_address: str | None = None
    expected_stall_s: float | None = None
    vrrp_priority: int | None = None
    vrrp_interval_s: float | None = None

    def __post_init__(self) -> None:
        if (self.vrrp_priority is None) != (self.vrrp_interval_s is None):
            raise UsageError("the expected stall follows from the VRRP priority and the interval: give both or neither")
        if self.vrrp_priority is not None and self.expected_stall_s is not None:
            raise UsageError("give the expected stall either as a time or by VRRP priority and interval, not both")
        if self.floating_address is not None:
            plain_address(self.floating_address)
        if self.record == "":
            raise UsageError("the record folder has no name; give a folder that is not on the volume")
        for name in ("start_bytes", "span_bytes", "array_cache_bytes", "expected_stall_s"):
            if (value := getattr(self, name)) is not None and value < 0:
                raise UsageError(f"{name} is negative: {value}")
        if self.span_bytes == 0:
            raise UsageError("a span of 0 bytes tests nothing; give its length")
        self.stall()

    def stall(self) -> float | None:
        """Give the expected stall in seconds: as told, or the time that a VRRP standby needs to notice; or None."""
        if self.vrrp_priority is None or self.vrrp_interval_s is None:
            return self.expected_stall_s
        return vrrp_times(self.vrrp_priority, self.vrrp_interval_s).active_down_s


@dataclass(frozen=True)
class Places:
    """Where the kernel's facts are read, and by what programs are asked; tests put others in."""

    sysfs: str = "/sys"
    proc: str = "/proc"
    dev: str = "/dev"
    ask: Ask = ask_program


@dataclass(frozen=True)
class Survey:
    """What a survey found.

    Attributes:
        identity: which volume it is.
        asked: what the user told.
        lines: everything that was looked at, in order.
        paths: the ways to the volume.
        maps: by name, the multipath maps on the way.
    """

    identity: VolumeIdentity
    asked: Asked
    lines: tuple[Line, ...]
    paths: tuple[VolumePath, ...] = ()
    maps: Mapping[str, MultipathMap | None] = field(default_factory=dict)

    @property
    def level(self) -> Level:
        """The worst level of any line."""
        levels = {line.level for line in self.lines}
        return next(level for level in (Level.STOP, Level.WARNING, Level.FINE) if level in levels | {Level.FINE})

    @property
    def exit_code(self) -> int:
        """4 where something stops the drill, else 0."""
        return EXIT_CANNOT_RUN if self.level is Level.STOP else EXIT_PASS

    def of_level(self, level: Level) -> tuple[Line, ...]:
        """List the lines of one level."""
        return tuple(line for line in self.lines if line.level is level)

    def to_json(self) -> dict[str, object]:
        """Give everything by name, ready for JSON."""
        return {
            "format": FORMAT,
            "level": str(self.level),
            "volume": self.identity.to_json(),
            "asked": asdict(self.asked) | {"stall_s": self.asked.stall()},
            "lines": [line.to_json() for line in self.lines],
            "paths": [path.to_json() for path in self.paths],
            "maps": {name: told and told.to_json() for name, told in self.maps.items()},
        }


def survey(
    volume: str, asked: Asked | None = None, places: Places | None = None, patience_s: float = PATIENCE_S
) -> Survey:
    """Survey the volume at a path; reads only, and never waits for it much longer than `patience_s`.

    Raises:
        CannotRun: there is no such volume, it cannot be looked at, or it does not even say what it is in time.
    """
    asked = asked or Asked()
    return survey_of(look(volume, asked.record, patience_s), asked, places or Places())


def survey_of(seen: Look, asked: Asked, places: Places) -> Survey:
    """Survey a volume that was looked at already; reads sysfs and /proc and asks programs, but not the volume."""
    tree = BlockTree(places.sysfs, places.dev)
    mounts = read_mounts(places.proc)
    disks = {disk.device_number: disk for disk in map(tree.disk, nodes_of(seen.identity, tree, mounts))}
    footing = footing_of_volume(seen.identity, tree, places.proc)
    paths = footing.paths
    maps = {
        node.text("dm/name") or node.name: (node, read_map(node.text("dm/name") or node.name, places.ask))
        for node in footing.nodes.values()
        if node.text("dm/uuid").startswith("mpath-")
    }
    lines = [*_identity_lines(seen.identity, list(disks.values()), tree, places.proc), *_content_lines(seen)]
    for disk in disks.values():
        lines += disk_lines(disk, tree)
    lines += _direct_lines(seen)
    lines += path_lines(paths)
    lines += [map_line(node, told, tree) for node, told in maps.values()]
    lines += _asked_lines(seen, asked, paths, footing, tree, places)
    lines.append(_permission(seen, asked))
    return Survey(seen.identity, asked, tuple(lines), paths, {name: told for name, (_, told) in maps.items()})


def _identity_lines(identity: VolumeIdentity, disks: list[BlockNode], tree: BlockTree, proc: str) -> Iterator[Line]:
    yield fine("volume", "volume", identity.path)
    yield fine("kind", "what it is", _what(identity, tree, proc))
    if not identity.is_file and not is_firm(identity.identity):
        yield warning(
            "identity", "identity (for --erase)", identity.identity,
            "no serial number: once it has vanished, another may be in its place unnoticed",
        )  # fmt: skip
    else:
        yield fine("identity", "identity (for --erase)", identity.identity)
    if not identity.is_file:
        for disk in disks:
            if serial := serial_of(disk):
                yield fine("serial", "serial number", serial)
            if wwid := wwid_of(disk):
                yield fine("wwid", "WWID", wwid)
    if identity.size_bytes:
        yield fine("size", "size", size_text(identity.size_bytes))
    else:
        yield stop("size", "size", size_text(0), "an empty file has no room; remove it, and `write` makes one")
    yield fine("sector", "logical block size", f"{identity.sector_bytes} bytes")


def _what(identity: VolumeIdentity, tree: BlockTree, proc: str) -> str:
    if identity.is_file:
        mount = mount_of(identity.path, read_mounts(proc), identity.device_number)
        return f"a file on {mount.file_system} mounted at {mount.mount_point}" if mount is not None else "a file"
    node = tree.by_number(identity.device_number)
    part = "a partition of a block device" if node is not None and node.is_partition else "a block device"
    named = f"{part}: {identity.model}" if identity.model else part
    return f"{named} over {identity.backing}" if identity.backing else named


def _content_lines(seen: Look) -> Iterator[Line]:
    uses, holds = "; ".join(seen.contents.uses), "; ".join(seen.contents.holds)
    if seen.silent:
        yield stop("answer", "answer", "late", f"{seen.silent}; a path may be dead: look at the kernel's log")
    if uses:
        yield stop("uses", "used by", uses, "a volume in use is never written to")
    else:
        yield fine("uses", "used by", "nobody")
    if seen.opened_by:
        yield warning("open", "held open by", "; ".join(seen.opened_by), "it may write to the volume during the drill")
    if any(phrase.startswith(NOT_LOOKED_AT) for phrase in seen.contents.holds):
        yield stop("holds", "holds", holds, "a volume that cannot be read cannot be checked")
    elif not holds:
        yield fine("holds", "holds", "not seen" if seen.silent else "nothing that was seen")
    else:
        yield warning("holds", "holds", holds, "writing would overwrite it")


def _direct_lines(seen: Look) -> Iterator[Line]:
    identity = seen.identity
    label = "direct I/O alignment"
    value = f"memory {identity.memory_alignment_bytes}, offsets {identity.sector_bytes} bytes"
    if seen.direct_trouble and any(phrase.startswith(NOT_LOOKED_AT) for phrase in seen.contents.holds):
        yield stop("direct", label, value, seen.direct_trouble)
    elif seen.direct_trouble:
        yield stop("direct", label, value, f"{seen.direct_trouble}: the page cache would be in the way of the proof")
    else:
        yield fine("direct", label, value)


def _asked_lines(
    seen: Look, asked: Asked, paths: tuple[VolumePath, ...], footing: Footing, tree: BlockTree, places: Places
) -> Iterator[Line]:
    if asked.floating_address is not None:
        yield floating_line(paths, asked.floating_address)
    stall_s = asked.stall()
    if asked.vrrp_priority is not None and asked.vrrp_interval_s is not None:
        yield fine(
            "stall", "expected stall",
            f"at least {stall_s:.3f} s until the standby notices (VRRP priority {asked.vrrp_priority}, advertised "
            f"every {asked.vrrp_interval_s:g} s; RFC 9568, section 6.1)",
        )  # fmt: skip
    elif stall_s is not None:
        yield fine("stall", "expected stall", f"{stall_s:g} s")
    yield from limit_lines(paths, stall_s)
    if asked.record is not None and seen.record_place is not None:
        yield record_line(asked.record, seen.record_place, seen.record_shares, footing, tree, places.proc)
    yield root_line(seen.contents.uses, footing, tree, places.proc)
    yield from _span_lines(seen.identity, asked)


def _span_lines(identity: VolumeIdentity, asked: Asked) -> Iterator[Line]:
    topic, label = "span", "tested span"
    span_bytes = asked.span_bytes
    if span_bytes is not None:
        value = f"{size_text(span_bytes)} from offset {asked.start_bytes}"
        if asked.start_bytes + span_bytes > identity.size_bytes:
            yield stop(topic, label, value, f"it ends beyond the volume's {identity.size_bytes} bytes")
            return
    elif asked.start_bytes > 0 and asked.start_bytes >= identity.size_bytes:
        value = f"from offset {asked.start_bytes}"
        yield stop(topic, label, value, f"it begins beyond the volume's {identity.size_bytes} bytes")
        return
    else:
        value = "not given"
    cache_bytes = asked.array_cache_bytes
    if cache_bytes is None:
        if span_bytes is not None:
            yield fine(topic, label, value)
        return
    longest_bytes = span_bytes if span_bytes is not None else identity.size_bytes - asked.start_bytes
    whose = "the span" if span_bytes is not None else "even the whole volume"
    value += f"; the array's cache holds {size_text(cache_bytes)}"
    if longest_bytes <= cache_bytes:
        yield warning(
            topic, label, value,
            f"{whose} fits in the cache, so reads after the takeover prove little about the disks: test a longer span, "
            "or check again after a cold start",
        )  # fmt: skip
    elif longest_bytes < SPAN_TO_CACHE_RATIO * cache_bytes:
        yield warning(topic, label, value, f"{whose} is less than twice the cache: many reads may not touch a disk")
    else:
        yield fine(topic, label, value if span_bytes is not None else f"{value}; choose a span of twice that or more")


def _permission(seen: Look, asked: Asked) -> Line:
    identity, topic, label = seen.identity, "permission", "may be written to"
    span = (asked.start_bytes, asked.span_bytes or max(0, identity.size_bytes - asked.start_bytes))
    if refusals(identity, seen.contents, identity.identity, span):
        return stop(topic, label, "no", "it is in use, as told above")
    held = "what it holds in the tested span would be overwritten"
    return fine(topic, label, f"only with --erase '{identity.identity}': {held}")
