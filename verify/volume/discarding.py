"""Gives the tested span of a block device back to the storage, when nothing is to be looked at any more."""

from __future__ import annotations

import fcntl
import os
import struct

from verify.errors import CannotRun
from verify.volume.direct import open_volume
from verify.volume.identity import VolumeIdentity
from verify.volume.safety import look_inside, refusals

BLKDISCARD = 0x1277
"""_IO(0x12, 119), include/uapi/linux/fs.h; its argument is the start and the length in bytes, two u64."""


def discard_span(path: str, erase: str, expected: VolumeIdentity, start_bytes: int, length_bytes: int) -> None:
    """Discard a span of a block device.

    Args:
        path: of the device.
        erase: the identity that the user agreed to erase.
        expected: the volume that it has to be.
        start_bytes, length_bytes: the span, in whole sectors.

    Raises:
        CannotRun: if it is another volume, in use, or cannot discard.
    """
    reasons = refusals(expected, look_inside(expected), erase, (start_bytes, length_bytes))
    if reasons:
        raise CannotRun("\n".join(reasons))
    volume = open_volume(path, writable=True, exclusive=True, expected=expected)
    try:
        fcntl.ioctl(volume.fd, BLKDISCARD, struct.pack("=QQ", start_bytes, length_bytes))
        os.fsync(volume.fd)
    except OSError as error:
        raise CannotRun(f"{path} cannot discard its tested span: {error.strerror}; it is left as it is") from None
    finally:
        volume.close()
