"""What a plan says of each scenario: what is done, by whom, in which direction, and what comes before and after."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field

from verify.drill.plan.fields import Table

PATHS, FAILBACK, COLD_START = "paths", "failback", "cold start"
FURTHER_CHECKS = (PATHS, FAILBACK, COLD_START)
HANDS_ON_CAUTIONS = (
    "Pulling power or cables and opening a chassis can hurt people and destroy data.",
    "Follow the maker's service instructions and local codes, and leave it to qualified staff.",
)
HOLD = ("both controllers are up", "their caches are in sync", "alerts are clear")
SLUG_CHARACTERS_MAX = 40


@dataclass(frozen=True)
class Deed:
    """Something that is done to the pair: by a person, who is told the text, or by a command, if there is one."""

    text: str = ""
    command: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.text or self.command)

    @property
    def told(self) -> str:
        """What is done, in words."""
        return self.text or " ".join(self.command)


@dataclass(frozen=True)
class Scenario:
    """One scenario, to be run `repeats` times.

    Attributes:
        name: what it is called.
        direction: which way the takeover goes, such as "A to B"; "" where there is none.
        by: who does it.
        first: what is done a while before, such as cutting the mirror link.
        first_wait_s: from that to what is done, in seconds.
        do: what takes the controller over.
        cautions: said before anybody is asked to do something.
        hold: what must be so before it begins.
        hold_command: ends with 0 when that is so.
        run_in_s, run_out_s: load before it is done, and after the stall is over, in seconds.
        within_s: how long the hold command, a stall or a command may take, in seconds.
        repeats: how often.
        restore: what brings the pair back for the next one.
        further: further checks, of `FURTHER_CHECKS`, after the first.
        failback, cold_start: what is done before such a check.
        load_set, promise: instead of the plan's, "" for those.
    """

    name: str
    direction: str = ""
    by: str = ""
    first: Deed = field(default_factory=Deed)
    first_wait_s: float = 5.0
    do: Deed = field(default_factory=Deed)
    cautions: tuple[str, ...] = ()
    hold: tuple[str, ...] = HOLD
    hold_command: tuple[str, ...] = ()
    run_in_s: float = 60.0
    run_out_s: float = 60.0
    within_s: float = 600.0
    repeats: int = 1
    restore: Deed = field(default_factory=Deed)
    further: tuple[str, ...] = ()
    failback: Deed = field(default_factory=Deed)
    cold_start: Deed = field(default_factory=Deed)
    load_set: str = ""
    promise: str = ""

    @property
    def title(self) -> str:
        """Name and direction."""
        return f"{self.name}, {self.direction}" if self.direction else self.name

    @property
    def hands_on_cautions(self) -> tuple[str, ...]:
        """What to say before anybody puts a hand to the pair: what always holds, and what holds here."""
        return (*HANDS_ON_CAUTIONS, *self.cautions)

    @property
    def slug(self) -> str:
        """Name and direction as a part of a folder's name: ASCII letters, digits and hyphens."""
        plain = unicodedata.normalize("NFKD", self.title).encode("ascii", "ignore").decode().lower()
        words = "".join(letter if letter.isalnum() else " " for letter in plain).split()
        return "-".join(words)[:SLUG_CHARACTERS_MAX].strip("-") or "scenario"

    def before_check(self, further: str) -> Deed:
        """What is done before one of the further checks."""
        return {FAILBACK: self.failback, COLD_START: self.cold_start}.get(further, Deed())


def read_scenario(table: Table, promises: tuple[str, ...], load_sets: Mapping[str, object]) -> Scenario:
    """Read one [[scenario]] table; what is wrong is taken down in it."""
    table.need("name")
    further = table.texts("further-checks")
    for word in further:
        if word not in FURTHER_CHECKS:
            table.wrong("further-checks", f"further-checks: {word[:60]!r} is none of {', '.join(FURTHER_CHECKS)}")
    scenario = Scenario(
        name=table.text("name"),
        direction=table.text("direction"),
        by=table.text("by"),
        first=_deed(table, "first", "first"),
        first_wait_s=table.duration("first-wait", Scenario.first_wait_s),
        do=_deed(table, "do", ""),
        cautions=table.texts("cautions"),
        hold=table.texts("hold", HOLD),
        hold_command=table.command("hold-command"),
        run_in_s=table.duration("run-in", Scenario.run_in_s),
        run_out_s=table.duration("run-out", Scenario.run_out_s),
        within_s=table.duration("within", Scenario.within_s, low=1.0),
        repeats=table.whole("repeats", 1, 1000, 1),
        restore=_deed(table, "restore", "restore"),
        further=tuple(word for word in further if word in FURTHER_CHECKS),
        failback=_deed(table, "failback", "failback"),
        cold_start=_deed(table, "cold-start", "cold-start"),
        load_set=table.choice("load-set", tuple(load_sets), ""),
        promise=table.choice("promise", promises, ""),
    )
    table.end()
    if not scenario.do:
        table.wrong("do", f"{scenario.title or 'a scenario'}: say what is done by do, or give a command")
    for word in (FAILBACK, COLD_START):
        key = word.replace(" ", "-")
        if word in further and not scenario.before_check(word):
            table.wrong("further-checks", f"further-checks: say what is done for the {word} by the key {key}")
    return scenario


def _deed(table: Table, key: str, prefix: str) -> Deed:
    return Deed(table.text(key), table.command(f"{prefix}-command" if prefix else "command"))
