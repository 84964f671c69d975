"""The plan that one begins with: every key with a comment, and the usual scenarios, each in both directions.

The scenarios, what is done in them and the times are common practice, no source.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

from verify.drill.plan.load_sets import LOAD_SETS

POWER = "Pulling power can hurt people and spoil data: only qualified staff, and only the part that is named."
CABLE = "Touch the named cable alone; label it first, and mind the bend of optical fibres and the laser in them."
DISK = "Pull the named disk alone, and wait until it has stopped turning before it is taken out."
CHASSIS = "Follow the maker's service instructions and local codes before anything is opened or unplugged."


@dataclass(frozen=True)
class Usual:
    """One usual scenario: `{one}` stands for the controller that is lost, `{other}` for the one that takes over."""

    name: str
    do: str
    restore: str
    cautions: tuple[str, ...] = ()
    first: str = ""
    both_ways: bool = True
    promise: str = ""
    further: tuple[str, ...] = ()
    note: str = ""


_BACK = "Wait until {one} is back as standby and the caches are in sync."
USUAL = (
    Usual("orderly takeover", "Hand over from {one} to {other} by the storage's own means.", _BACK),
    Usual(
        "data cable pull",
        "Pull the data cables of {one} towards the guests.",
        f"Plug the cables of {{one}} in again. {_BACK}",
        (CABLE,),
    ),
    Usual(
        "controller power pull",
        "Pull both power cords of {one} at once.",
        f"Plug the power cords of {{one}} in again. {_BACK}",
        (POWER, CHASSIS),
        further=("failback",),
    ),
    Usual(
        "controller hang",
        "Make {one} hang by the way that its maker names for tests, without switching it off.",
        f"Restart {{one}}. {_BACK}",
        note="A controller that comes back from a hang may carry out what it still held.",
    ),
    Usual(
        "switch loss",
        "Switch off the switch that {one} is attached to.",
        f"Switch the switch on again. {_BACK}",
        (POWER, "Make sure that nothing but this drill hangs on this switch."),
    ),
    Usual(
        "disk pull during takeover",
        "Hand over from {one} to {other}, and pull the named disk of the array while guests wait.",
        f"Put the disk back, and wait until the array is whole again. {_BACK}",
        (DISK, CHASSIS),
    ),
    Usual(
        "failback",
        "With {one} serving and {other} back as standby, let the storage fail back to {other}.",
        "Wait until both controllers are up and the caches are in sync.",
    ),
    Usual(
        "mirror link cut, then controller loss",
        "Pull both power cords of {one} at once.",
        f"Plug the mirror link and the power cords of {{one}} in again. {_BACK}",
        (POWER, CABLE, CHASSIS),
        first="Pull the mirror link between the controllers.",
        note="Two faults: what was acknowledged after the first one is on one controller alone.",
    ),
    Usual(
        "both controllers lose power",
        "Pull all power cords of both controllers at once, and plug them in again after a minute.",
        "Wait until both controllers are up and the caches are in sync.",
        (POWER, CHASSIS),
        both_ways=False,
        promise="flushed",
        further=("cold start",),
        note="What was flushed or forced must be there; no more is promised.",
    ),
)

_HEAD = """\
# The plan of a drill. Every key is explained here once; what is behind "#" may be left out.
# Try it without any hardware:  ackproof drill THIS-FILE --rehearse

records = "/root/acceptance"    # folder to be made for all records, on another disk than the volume
# second-ledger = "192.0.2.7:7420"    # where `ackproof receive` runs, to keep the ledgers a second time
# secret = "/root/ledger-secret"      # the file with the secret that both share

[volume]
path = "/dev/disk/by-id/REPLACE-ME"    # everything in the tested span is overwritten
erase = "REPLACE-ME"                   # the identity that `ackproof survey` prints for it
# floating-address = "192.0.2.10"      # what the guests attach to; its moves are watched
# controllers = { A = "02:00:00:00:00:0a", B = "02:00:00:00:00:0b" }    # their hardware addresses
# paths = ["/dev/sdc", "/dev/sdd"]     # the same volume by each path, for further checks
# array-cache = "16GiB"                # the tested span should be at least twice as large
# expected-stall = "10s"               # or vrrp-priority = 100 and vrrp-interval = "1s"
# discard-at-end = false               # whether to discard the span when all is done and nothing was lost

[load]
# A load by name, one of:
{sets}
set = "virtual machines"
span = "64GiB"
# start = "0"                          # where the tested span begins
# promise = "completed"                # what a takeover owes; "flushed" is what a loss of power owes
# atomic-unit = "4KiB"                 # what the disks write whole or not at all; a sector if left out
# stall-threshold = "1s"               # a longer wait of every lane is told as a takeover
# seed = 1                             # random if left out

# Instead of a set, one or more streams of your own:
# [[stream]]
# block = "4KiB"
# lanes = 32
# span = "16GiB"
# pattern = "uniform"                  # or "sweep", or "skewed"
# read-share = 0.3
# flush-every = "never"                # or a count of writes, or "write"
# pace = 0                             # operations a second; 0 is as fast as they go

[criteria]                             # beside no loss, which needs no line
stall = "30s"                          # longest stretch without any answer
longest-wait = "30s"                   # of any operation around a takeover
errors = 0                             # failed operations that the guest saw
rate-after = 0.8                       # writes a second after a takeover, as a share of those before
latency-after = 2                      # of the slowest twentieth of the writes, times that before
load-at-takeover = 500                 # writes a second before a takeover

[acceptance]                           # goes into the dossier
title = "Acceptance of storage takeovers"
# system = "two controllers, active and standby, on one floating address"
# scope = "takeovers under the load of virtual machines"
# takeovers-a-year = 4
# bound = 0.05                         # loss probability that is not to be exceeded
# [[acceptance.participant]]
# name = "..."
# role = "storage engineer"

# The scenarios, in the order in which they are run. All keys of one:
# [[scenario]]
# name = "..."
# direction = "A to B"
# by = "..."                           # who does it
# hold = ["both controllers are up", "their caches are in sync", "alerts are clear"]
# hold-command = ["/root/in-sync"]     # asked until it ends with 0, instead of a person
# run-in = "60s"                       # load before it is done
# first = "..."                        # what is done before: first-command, first-wait = "5s"
# do = "..."                           # what is done
# command = ["/root/pull", "A"]        # does it instead of a person
# cautions = ["..."]                   # said before
# run-out = "60s"                      # load after the stall is over
# restore = "..."                      # what brings the pair back; or restore-command
# repeats = 1
# further-checks = ["paths", "failback", "cold start"]    # and failback = "...", cold-start = "..."
# load-set = "databases"               # another load than the plan's
# promise = "flushed"                  # another promise than the plan's
# within = "10min"                     # the longest that a command, the pair or a stall may take
"""


def starting_plan() -> str:
    """The text of such a plan."""
    width = max(len(name) for name in LOAD_SETS) + 2
    sets = "\n".join(f"#   {json.dumps(name):<{width}}  {item.about}" for name, item in LOAD_SETS.items())
    return _HEAD.replace("{sets}", sets) + "".join(_texts())


def _texts() -> Iterator[str]:
    for usual in USUAL:
        for one, other in (("A", "B"), ("B", "A")) if usual.both_ways else (("", ""),):
            yield "\n" + "\n".join(_lines(usual, one, other)) + "\n"


def _lines(usual: Usual, one: str, other: str) -> Iterator[str]:
    def text(key: str, value: str) -> str:
        return f"{key} = {json.dumps(value.format(one=f'controller {one}', other=f'controller {other}'))}"

    if usual.note:
        yield f"# {usual.note}"
    yield "[[scenario]]"
    yield text("name", usual.name)
    if one:
        yield text("direction", f"{one} to {other}")
    if usual.promise:
        yield text("promise", usual.promise)
    if usual.first:
        yield text("first", usual.first)
    yield text("do", usual.do)
    if usual.cautions:
        yield f"cautions = {json.dumps(list(usual.cautions))}"
    yield text("restore", usual.restore)
    if usual.further:
        yield f"further-checks = {json.dumps(list(usual.further))}"
    if "failback" in usual.further:
        yield text("failback", "Wait until {one} is in sync again, and let the storage fail back to it.")
    if "cold start" in usual.further:
        yield text("cold-start", "Shut both controllers down in order, and start them again in the maker's order.")
