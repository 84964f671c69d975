"""A real volume, a block device or a file, read and written past the page cache."""

from __future__ import annotations

import errno
import fcntl
import os
import threading

from verify.errors import CannotRun
from verify.volume.creation import create_file
from verify.volume.identity import VolumeIdentity, identify, same_identity, whereabouts
from verify.volume.memory import aligned_buffer
from verify.volume.mounts import process_name, processes_with_open, read_locks
from verify.volume.naming import identity_of, is_firm
from verify.volume.residency import indirect_loop, prove_direct
from verify.volume.safety import uses_of
from verify.volume.sysfs import BlockTree, device_number_text

__all__ = ["DirectVolume", "aligned_buffer", "create_file", "open_volume", "prove_direct"]

_FLAG_UNSUPPORTED = (errno.EOPNOTSUPP, errno.ENOSYS)
_NO_PERMISSION = (errno.EACCES, errno.EPERM)
_READ_ONLY = "{path} is read-only; make it writable, or give another volume"
_CLOSED = -1


class DirectVolume:
    """A block device or file as a `Volume`; made by `open_volume`.

    One file descriptor serves all lanes, with positional reads and writes. When the volume is reopened, the
    new open file takes the place of the old one behind the same number in one step of the kernel's: a call on
    its way keeps the old one, and no number ever comes to mean another file while the volume is open.
    Exclusive use is held by a second descriptor, so that it is not given up in between.

    Attributes:
        identity: what the volume is; its path follows the volume when it is found again elsewhere.
        direct: whether direct I/O was accepted. That it really bypasses the page cache is for `prove_direct`
            to say.
        cache_mode: "write back" or "write through" as the kernel has it of a block device when it was first
            opened; "" for a file.
        reopened: doubts that came with reopening, a sentence each, such as a changed cache mode.
    """

    def __init__(
        self, identity: VolumeIdentity, fd: int, claim_fd: int, flags: int, sysfs: str = "/sys"
    ) -> None:
        self.identity = identity
        self.direct = bool(flags & os.O_DIRECT)
        self.reopened: list[str] = []
        self._fd = fd
        self._claim_fd = claim_fd
        self._through_fd = _CLOSED
        self._flags = flags
        self._flag_supported = True
        self._sysfs = sysfs
        self._opening = threading.Lock()
        """Held while something is opened, which may wait for the volume for long."""
        self._swapping = threading.Lock()
        """Held for the moment in which descriptors change."""
        self.cache_mode = self._cache_mode_now()
        self._indirect_loop = indirect_loop(identity, sysfs)
        self._instance = self._instance_of(identity)

    @property
    def size_bytes(self) -> int:
        """Size of the volume in bytes."""
        return self.identity.size_bytes

    @property
    def sector_bytes(self) -> int:
        """Logical block size in bytes."""
        return self.identity.sector_bytes

    @property
    def fd(self) -> int:
        """The file descriptor that serves reads and plain writes, the same until `close`; -1 afterwards."""
        return self._fd

    def read(self, offset_bytes: int, buffer: memoryview) -> int:
        """Fill `buffer` from `offset_bytes`; returns the bytes read.

        Raises:
            OSError: with the kernel's errno; EBADF after `close`.
        """
        return os.preadv(self._fd, (buffer,), offset_bytes)

    def write(self, offset_bytes: int, buffer: memoryview, through: bool) -> int:
        """Write `buffer` at `offset_bytes`, non-volatile on return if `through`; returns the bytes written.

        Raises:
            OSError: with the kernel's errno; EBADF after `close`.
        """
        if not through:
            return os.pwritev(self._fd, (buffer,), offset_bytes)
        if self._flag_supported:
            try:
                return os.pwritev(self._fd, (buffer,), offset_bytes, os.RWF_DSYNC)
            except OSError as error:
                if error.errno not in _FLAG_UNSUPPORTED:
                    raise
        return os.pwritev(self._open_for_through(), (buffer,), offset_bytes)

    def flush(self) -> None:
        """Make every write completed before this call non-volatile.

        Raises:
            OSError: with the kernel's errno; EBADF after `close`.
        """
        fd = self._fd
        if fd == _CLOSED:
            raise _bad_descriptor()
        os.fdatasync(fd)

    def reopen(self) -> bool:
        """Find the volume again by its identity and open it anew; False while it is not there.

        A device that is known only by its place in the machine is not reopened once it has vanished: what
        comes back there may be another. Safe while other threads are in a call. Never raises for a volume
        that cannot be opened.
        """
        with self._opening:
            if self._fd == _CLOSED:
                return False
            return any(self._try_reopening(path) for path in whereabouts(self.identity, self._sysfs))

    def close(self) -> None:
        """Release the volume; to be called when no lane will issue anything more. A second call does nothing.

        A call that the kernel never finishes does not hold this up and keeps what it uses.
        """
        with self._swapping:
            open_fds = [fd for fd in (self._fd, self._through_fd, self._claim_fd) if fd != _CLOSED]
            self._fd = self._through_fd = self._claim_fd = _CLOSED
            for fd in open_fds:
                os.close(fd)

    def _open_for_through(self) -> int:
        if self._through_fd != _CLOSED:
            return self._through_fd
        with self._opening:
            if self._through_fd == _CLOSED and self._fd != _CLOSED:
                fd = _open_verified(self.identity, self._flags | os.O_DSYNC, self._sysfs)
                self._take_over([(fd, "_through_fd")])
                self._flag_supported = False
            return self._through_fd

    def _try_reopening(self, path: str) -> bool:
        try:
            found = identify(path, self._sysfs)
        except CannotRun:
            return False
        if not self._is_this_volume(found):
            return False
        instance = self._instance_of(found)
        came_back = instance != self._instance
        if came_back and not found.is_file and not is_firm(found.identity):
            return False
        opened: list[tuple[int, str]] = []
        try:
            if self._claim_fd != _CLOSED and came_back:
                opened.append((_claim(found, self._flags), "_claim_fd"))
            if self._through_fd != _CLOSED:
                opened.append((_open_verified(found, self._flags | os.O_DSYNC, self._sysfs), "_through_fd"))
            opened.append((_open_verified(found, self._flags, self._sysfs), "_fd"))
        except (OSError, CannotRun):
            for fd, _ in opened:
                os.close(fd)
            return False
        if not self._take_over(opened):
            return False
        self.identity = found
        self._instance = instance
        self._note_doubts()
        return True

    def _take_over(self, opened: list[tuple[int, str]]) -> bool:
        """Put newly opened files behind the descriptors of the named attributes; False after `close`."""
        with self._swapping:
            is_open = self._fd != _CLOSED
            for fd, name in opened:
                known_fd = getattr(self, name)
                if is_open and known_fd == _CLOSED:
                    setattr(self, name, fd)
                    continue
                if is_open:
                    os.dup2(fd, known_fd, inheritable=False)
                os.close(fd)
        return is_open

    def _is_this_volume(self, found: VolumeIdentity) -> bool:
        known = self.identity
        if known.is_file and found.inode != known.inode:
            return False
        facts = (found.kind, found.identity, found.size_bytes, found.sector_bytes)
        return facts == (known.kind, known.identity, known.size_bytes, known.sector_bytes)

    def _note_doubts(self) -> None:
        mode = self._cache_mode_now()
        if mode != self.cache_mode:
            self._note(
                f"cache mode changed from {self.cache_mode or 'unknown'} to {mode or 'unknown'} on reopening"
            )
        problem = indirect_loop(self.identity, self._sysfs)
        if problem and problem != self._indirect_loop:
            self._note(f"on reopening, {problem}")

    def _note(self, doubt: str) -> None:
        if doubt not in self.reopened:
            self.reopened.append(doubt)

    def _cache_mode_now(self) -> str:
        tree = BlockTree(self._sysfs)
        node = None if self.identity.is_file else tree.by_number(self.identity.device_number)
        return tree.disk(node).text("queue/write_cache") if node is not None else ""

    def _instance_of(self, identity: VolumeIdentity) -> tuple[object, ...]:
        """Tell this appearance of the volume from a later one, as another device or on another mount."""
        if identity.is_file:
            return (identity.device_number, identity.inode)
        tree = BlockTree(self._sysfs)
        node = tree.by_number(identity.device_number)
        return (identity.device_number, *(tree.disk(node).instance if node is not None else ()))


def _bad_descriptor() -> OSError:
    return OSError(errno.EBADF, os.strerror(errno.EBADF))


def open_volume(
    path: str,
    *,
    writable: bool,
    exclusive: bool,
    allow_page_cache: bool = False,
    expected: VolumeIdentity | None = None,
) -> DirectVolume:
    """Open a block device or an existing file for direct I/O.

    Args:
        exclusive: refuse a volume that another program uses, and keep others from using it: a block device is
            claimed as a mount would, a file is locked. Processes that share one volume open it exclusively in
            one of them.
        allow_page_cache: where direct I/O is refused, open the volume without it.
        expected: the volume that it has to be.

    Raises:
        CannotRun: it is not there, is another volume than expected, is in use, may not be opened, or refuses
            direct I/O; nothing stays open.
    """
    identity = identify(path)
    if expected is not None and not same_identity(identity, expected):
        raise CannotRun(
            f"{path} is another volume: it is {identity.identity}, and {expected.identity} was expected"
        )
    if writable and _is_read_only(identity):
        raise CannotRun(_READ_ONLY.format(path=path))
    flags = (os.O_RDWR if writable else os.O_RDONLY) | os.O_CLOEXEC
    claim_fd = _claim(identity, flags) if exclusive else _CLOSED
    try:
        fd, flags = _open_direct(identity, flags, allow_page_cache)
        return DirectVolume(identity, fd, claim_fd, flags)
    except BaseException:
        if claim_fd != _CLOSED:
            os.close(claim_fd)
        raise


def _open_direct(identity: VolumeIdentity, flags: int, allow_page_cache: bool) -> tuple[int, int]:
    try:
        fd = _open_verified(identity, flags | os.O_DIRECT)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise CannotRun(_why_not_opened(identity, error)) from error
    else:
        if _reads_directly(fd, identity):
            return fd, flags | os.O_DIRECT
        os.close(fd)
    if not allow_page_cache:
        raise CannotRun(
            f"{identity.path} refuses direct I/O, so this guest's page cache would be in the way; "
            "use a block device or a file system that has direct I/O"
        )
    try:
        return _open_verified(identity, flags), flags
    except OSError as error:
        raise CannotRun(_why_not_opened(identity, error)) from error


def _reads_directly(fd: int, identity: VolumeIdentity) -> bool:
    """Try a read of one sector: some file systems accept the flag and then refuse the transfer."""
    if identity.size_bytes < identity.sector_bytes:
        return True
    try:
        os.preadv(fd, (aligned_buffer(identity.sector_bytes),), 0)
    except OSError as error:
        return error.errno != errno.EINVAL
    return True


def _open_verified(identity: VolumeIdentity, flags: int, sysfs: str = "/sys") -> int:
    """Open what was identified, and make sure that the path had not come to mean another meanwhile.

    A device number is not given to another device while this one is open, so what sysfs says of it now holds.
    """
    fd = os.open(identity.path, flags)
    status = os.fstat(fd)
    if identity.is_file:
        same = (device_number_text(status.st_dev), status.st_ino) == (identity.device_number, identity.inode)
    else:
        tree = BlockTree(sysfs)
        node = tree.by_number(device_number_text(status.st_rdev))
        same = node is not None and identity_of(tree, node) == identity.identity
    if not same:
        os.close(fd)
        raise CannotRun(f"{identity.path} became another volume while it was being opened; look at it again")
    return fd


def _claim(identity: VolumeIdentity, flags: int) -> int:
    """Take a volume for this program alone; returns the descriptor that holds it."""
    try:
        if not identity.is_file:
            return _open_verified(identity, os.O_RDONLY | os.O_EXCL | os.O_CLOEXEC)
        fd = _open_verified(identity, flags & ~os.O_DIRECT)
    except OSError as error:
        if error.errno == errno.EBUSY:
            raise CannotRun(f"{identity.path} is in use: {_by_whom(identity)}") from error
        raise CannotRun(_why_not_opened(identity, error)) from error
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(fd)
        if error.errno == errno.EWOULDBLOCK:
            raise CannotRun(f"{identity.path} is in use: {_by_whom(identity)}") from error
        raise CannotRun(
            f"{identity.path} cannot be locked for exclusive use by its file system: {error.strerror}"
        ) from error
    return fd


def _by_whom(identity: VolumeIdentity) -> str:
    uses = list(uses_of(identity))
    if identity.is_file:
        place = (identity.device_number, identity.inode)
        processes = [lock.process for lock in read_locks() if (lock.device_number, lock.inode) == place]
        others = [process for process in processes if process not in (-1, os.getpid())]
        uses += [f"locked by {process_name(process)}" for process in others]
    else:
        uses += [
            f"opened by {process_name(process)}" for process in processes_with_open(identity.device_number)
        ]
    return "; ".join(dict.fromkeys(uses)) or "this program or one that cannot be seen from here holds it"


def _why_not_opened(identity: VolumeIdentity, error: OSError) -> str:
    path = identity.path
    if error.errno == errno.EROFS:
        return _READ_ONLY.format(path=path)
    if error.errno in _NO_PERMISSION:
        return f"no permission to open {path}: run as root, or allow this account to read and write it"
    if error.errno in (errno.ENXIO, errno.ENODEV, errno.ENOMEDIUM):
        return f"{path} is not ready: {error.strerror}"
    return f"cannot open {path}: {error.strerror}"


def _is_read_only(identity: VolumeIdentity) -> bool:
    """Whether the kernel takes a block device for read-only; it may be opened for writing all the same."""
    tree = BlockTree()
    node = None if identity.is_file else tree.by_number(identity.device_number)
    return node is not None and 1 in (node.number("ro"), tree.disk(node).number("ro"))
