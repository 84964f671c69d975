"""The time-outs of the disks that a volume stands on, as a run's record keeps them."""

from __future__ import annotations

from verify.volume.fate import footing_of_volume
from verify.volume.identity import VolumeIdentity
from verify.volume.sysfs import BlockTree
from verify.volume.transports import TIME_OUT


def time_outs_s(identity: VolumeIdentity, sysfs: str = "/sys", proc: str = "/proc") -> dict[str, float]:
    """Give the time-outs of commands to the disks at a volume's bottom in seconds, by path; those the kernel tells."""
    told: dict[str, float] = {}
    for path in footing_of_volume(identity, BlockTree(sysfs), proc).paths:
        for limit in path.limits:
            if limit.name == TIME_OUT and limit.seconds is not None:
                told[path.device] = limit.seconds
    return told
