"""How a record and its volume stand, as far as can be seen without reading them: what tells that something happened."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from typing import Any

from verify.plain_file import open_plain

_CHANGED_SECTORS_FIELDS = (6, 13)
"""Of /sys/dev/block/*/stat: sectors written and discarded. Source: Linux `Documentation/block/stat.rst`. The number of
writes will not do: a flush counts as one, and closing a device may flush it."""

_MULTIPATH = b"mpath-"
"""How the device mapper's UUID of a multipath map begins."""


def is_running(record: Path) -> bool:
    """Whether a run is writing to this record folder now."""
    try:
        lock = open_plain(record / "lock")
    except OSError:
        return False
    try:
        fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(lock)
    return False


def standing(record: Path, volume: str) -> dict[str, Any]:
    """What changes when this machine writes to the volume or anybody makes a mark; keys are told to the user."""
    events = record / "events.jsonl"
    return {
        "the path of the volume": volume,
        "the volume's state": _volume_state(volume),
        "the marks and notes": events.stat().st_size if events.is_file() else 0,
    }


def _volume_state(name: str) -> list[int | str]:
    """What changes when this machine writes to the volume, or has another one behind the same path."""
    try:
        found = os.stat(name)
    except OSError:
        return []
    if not found.st_rdev:
        return [*_file_state(name)]
    device = Path(f"/sys/dev/block/{os.major(found.st_rdev)}:{os.minor(found.st_rdev)}")
    return [found.st_rdev, *_device_state(device)]


def _device_state(device: Path) -> list[int | str]:
    """What changes when this machine writes to a block device: to itself, or beneath it to what is nothing else.

    That is the file behind a loop device, and the paths of a multipath map; not a disk that holds other volumes too.

    Args:
        device: its folder in sysfs.
    """
    state: list[int | str] = []
    with contextlib.suppress(OSError):
        fields = (device / "stat").read_text(encoding="ascii").split()
        state += [fields[field] for field in _CHANGED_SECTORS_FIELDS if field < len(fields)]
    with contextlib.suppress(OSError):
        state.append((device / "diskseq").read_text(encoding="ascii").strip())
    disk = device.resolve().parent if (device / "partition").is_file() else device
    with contextlib.suppress(OSError):
        state += _file_state(os.fsdecode((disk / "loop" / "backing_file").read_bytes().removesuffix(b"\n")))
    with contextlib.suppress(OSError):
        if (device / "dm" / "uuid").read_bytes().startswith(_MULTIPATH):
            for path in sorted((device / "slaves").iterdir()):
                state += [path.name, *_device_state(path)]
    return state


def _file_state(name: str) -> list[int]:
    """What changes when a file is written to, or another takes its place; [] if it is not there."""
    try:
        found = os.stat(name)
    except OSError:
        return []
    return [found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns]
