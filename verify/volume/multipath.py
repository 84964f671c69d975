"""Multipath maps of the device mapper: which paths, in which state, and what happens when none is left.

The lines of `dmsetup table` and `dmsetup status` are laid out as the kernel's multipath target writes them [from
memory]. Where the program is absent, or may not be run, sysfs still tells which paths a map has.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

from verify.volume.programs import Ask, ask_program


@dataclass(frozen=True)
class MapPath:
    """One path of a map: its "major:minor", whether the map uses it, how often it failed, its group's number."""

    device_number: str
    is_active: bool
    fail_count: int
    group: int


@dataclass(frozen=True)
class MultipathMap:
    """What the device mapper tells of a map.

    Attributes:
        features: such as "queue_if_no_path".
        handler: of the storage's controllers, such as "alua"; "" for none.
        group_count: number of groups of paths.
        paths: as the status tells; empty where only the table is known.
    """

    features: tuple[str, ...]
    handler: str
    group_count: int
    paths: tuple[MapPath, ...]

    @property
    def queues_without_paths(self) -> bool:
        """Whether I/O waits when no path is left, for as long as the daemon lets it; else it fails at once."""
        return "queue_if_no_path" in self.features

    def to_json(self) -> dict[str, object]:
        """Give the fields by name, ready for JSON."""
        return asdict(self)


def read_map(name: str, ask: Ask = ask_program) -> MultipathMap | None:
    """Ask the device mapper about a map; None where it does not tell, or the map is no multipath map."""
    table = ask(("dmsetup", "table", name))
    status = ask(("dmsetup", "status", "--noflush", name))
    return parse_map(table, status)


def parse_map(table: str, status: str) -> MultipathMap | None:
    """Read what `dmsetup table` and `dmsetup status` printed for one map; None for anything else."""
    words = _Words(table)
    if not words.are_multipath:
        return None
    try:
        features = words.counted()
        handler = words.counted()
        group_count = words.number()
    except ValueError:
        return None
    try:
        paths = tuple(_paths(status))
    except ValueError:
        paths = ()
    return MultipathMap(features, handler[0] if handler else "", group_count, paths)


def _paths(status: str) -> list[MapPath]:
    words = _Words(status)
    if not words.are_multipath:
        return []
    words.counted()
    words.counted()
    group_count, _ = words.number(), words.word()
    found = []
    for group in range(1, group_count + 1):
        words.word()
        words.counted()
        path_count, argument_count = words.number(), words.number()
        for _ in range(path_count):
            number, state, fail_count = words.word(), words.word(), words.number()
            words.take(argument_count)
            found.append(MapPath(number, state == "A", fail_count, group))
    return found


class _Words:
    """The words of the one line of a target; ValueError where they end too early or are no number."""

    def __init__(self, text: str) -> None:
        lines = [line.split() for line in text.splitlines() if line.strip()]
        self._words = lines[0] if len(lines) == 1 else []
        self.are_multipath = len(self._words) > 3 and self._words[2] == "multipath"
        self._next = 3

    def word(self) -> str:
        return self.take(1)[0]

    def number(self) -> int:
        return int(self.word())

    def counted(self) -> tuple[str, ...]:
        return self.take(self.number())

    def take(self, count: int) -> tuple[str, ...]:
        words = tuple(self._words[self._next : self._next + count])
        if count < 0 or len(words) < count:
            raise ValueError("the line ends too early")
        self._next += count
        return words
