"""What a survey says of the ways to a volume: paths, portals, multipath maps, and how long each of them waits."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator, Sequence

from verify.errors import UsageError
from verify.volume.lines import NOT_TOLD, Line, fine, stop, warning
from verify.volume.multipath import MultipathMap
from verify.volume.sysfs import BlockNode, BlockTree
from verify.volume.transports import TIME_OUT, TimeLimit, VolumePath

_OPTIMIZED = ("", "active/optimized", "optimized")
_READ_ONLY = "on I/O errors file systems usually turn read-only or shut down, and databases stop"


def plain_address(text: str) -> str:
    """Bring an IP address into one form, without brackets or zone.

    Raises:
        UsageError: it is no IP address.
    """
    try:
        address = ipaddress.ip_address(text.strip().removeprefix("[").removesuffix("]").partition("%")[0])
    except ValueError:
        raise UsageError(f"{text!r} is no IP address; write it as 192.0.2.10 or 2001:db8::10") from None
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return str(mapped or address)


def path_lines(paths: Sequence[VolumePath]) -> Iterator[Line]:
    """Give a line for each path and one for all together."""
    for path in paths:
        if trouble := _trouble(path):
            yield warning("path", f"path {path.device}", _path_text(path), trouble)
        else:
            yield fine("path", f"path {path.device}", _path_text(path))
    yield _all_together(paths)


def _path_text(path: VolumePath) -> str:
    portal = f"{_bracketed(path.address)}:{path.port}" if path.port else path.address
    told = (
        path.kind,
        path.state,
        path.access + (" (preferred)" if path.preferred and path.access else ""),
        f"connected to {portal}" if portal else "",
        path.target,
        f"{path.link} {path.link_state}".strip(),
        f"connection {path.connection_state}" if path.connection_state not in ("", "up") else "",
    )
    return ", ".join(filter(None, told))


def _bracketed(address: str) -> str:
    return f"[{address}]" if ":" in address and "." not in address else address


def _trouble(path: VolumePath) -> str:
    if not path.is_up:
        return "it carries no I/O now"
    if path.asked_address and path.address and not _same_address(path.asked_address, path.address):
        return f"the session was set up for {path.asked_address}, and the target sent it on to {path.address}"
    return ""


def _all_together(paths: Sequence[VolumePath]) -> Line:
    topic, label = "paths", "paths"
    if not paths:
        return fine(topic, label, "none that sysfs tells of")
    up = [path for path in paths if path.is_up]
    value = f"{len(up)} of {len(paths)} up"
    if not up:
        return stop(topic, label, value, "no path carries I/O; bring the pair into order first")
    if len(up) < len(paths):
        return warning(topic, label, value, "the drill would begin with a path lost; a takeover may leave none")
    if all(path.access not in _OPTIMIZED for path in up):
        return warning(topic, label, value, "none of them is optimized: one controller passes all I/O on to the other")
    if {path.kind for path in paths} == {"virtio"}:
        return fine(topic, label, f"{value}; the paths of the host behind it cannot be seen from the guest")
    return fine(topic, label, value)


def floating_line(paths: Sequence[VolumePath], floating_address: str) -> Line:
    """Say whether every path goes to the floating address."""
    topic, label = "floating_address", "floating address"
    networked = [path for path in paths if _is_ip(path.address)]
    if not networked:
        return warning(
            topic, label, floating_address,
            "no session of this guest with a network address belongs to the volume, so it cannot be told whether the "
            "address carries it; look on the host that is attached to the storage",
        )  # fmt: skip
    strays = [path for path in networked if not _same_address(path.address, floating_address)]
    if strays:
        where = "; ".join(f"{path.link or path.device} is attached to {path.address}" for path in strays)
        return warning(
            topic, label, floating_address,
            f"{where}: an address of a controller's own, it seems, so nothing will move when the floating address does",
        )  # fmt: skip
    return fine(topic, label, f"{floating_address}, where {'every path' if len(networked) > 1 else 'the path'} goes")


def _is_ip(text: str) -> bool:
    try:
        plain_address(text)
    except UsageError:
        return False
    return True


def _same_address(one: str, other: str) -> bool:
    return one == other if not (_is_ip(one) and _is_ip(other)) else plain_address(one) == plain_address(other)


def map_line(node: BlockNode, told: MultipathMap | None, tree: BlockTree) -> Line:
    """Say which paths a multipath map has, and what happens when none is left."""
    topic, label = "multipath", f"multipath map {node.text('dm/name') or node.name}"
    slaves = tree.slaves(node)
    value = f"{_counted(len(slaves), 'path')} ({', '.join(slave.name for slave in slaves) or 'none'})"
    if node.number("dm/suspended") == 1:
        return stop(topic, label, value, "the map is suspended, so every access waits")
    if told is None:
        return warning(topic, label, value, "what it does without paths was not told: run as root, with dmsetup there")
    groups = _counted(told.group_count, "group")
    policy = "queues without paths" if told.queues_without_paths else "fails at once without paths"
    value += f", {groups}, {told.handler or 'no'} handler, {policy}"
    failed = [tree_name(tree, path.device_number) for path in told.paths if not path.is_active]
    reasons = []
    if failed:
        reasons.append(f"failed: {', '.join(failed)}")
    if len(slaves) < 2:
        reasons.append("there is no second path to fall back on")
    if not told.queues_without_paths:
        reasons.append(
            "a takeover that cuts every path for a moment becomes I/O errors at once: let the map queue for longer "
            "than the expected stall (no_path_retry times polling_interval)"
        )
    if reasons:
        return warning(topic, label, value, "; ".join(reasons))
    return fine(topic, label, f"{value} until the daemon's no_path_retry is over")


def tree_name(tree: BlockTree, device_number: str) -> str:
    """Give a device's name, or its "major:minor" where it is gone."""
    node = tree.by_number(device_number)
    return node.name if node is not None else device_number


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def limit_lines(paths: Sequence[VolumePath], expected_stall_s: float | None) -> Iterator[Line]:
    """Say how long each path waits, and warn where that is shorter than the expected stall."""
    seen = set()
    if not paths:
        yield fine("time_out", "time-outs", NOT_TOLD)
    for path in paths:
        if not path.limits:
            yield fine("time_out", f"time-out of {path.device}", NOT_TOLD)
        for limit in path.limits:
            owner = path.device if limit.name == TIME_OUT or not path.link else path.link
            if (owner, limit.name) not in seen:
                seen.add((owner, limit.name))
                yield _limit_line(limit, owner, expected_stall_s)


def _limit_line(limit: TimeLimit, owner: str, expected_stall_s: float | None) -> Line:
    label = f"{limit.name} of {owner}"
    if limit.seconds is None:
        return fine("time_out", label, "waits for ever")
    value = f"{limit.seconds:g} s"
    if expected_stall_s is None or limit.seconds >= expected_stall_s:
        return fine("time_out", label, value)
    shorter = f"shorter than the expected stall of {expected_stall_s:g} s"
    return warning("time_out", label, value, f"{shorter}: {limit.effect}; {_READ_ONLY}. Set in {limit.where}")
