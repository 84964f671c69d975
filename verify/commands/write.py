"""`ackproof write`: fill a test volume and load it, with a ledger of every acknowledgement kept elsewhere."""

from __future__ import annotations

import secrets
from typing import Any

import click

from verify.commands.live import LiveLine
from verify.drill.criteria import read_criteria
from verify.drill.planning import BLOCK_BYTES_DEFAULT, LANES_DEFAULT, RunRequest
from verify.drill.quantities import format_size, parse_duration, parse_size
from verify.drill.streams import PATTERNS, STREAM_KEYS, read_streams, stream_request
from verify.drill.writing import LoadOptions, write_to_volume
from verify.errors import EXIT_CANNOT_RUN, UsageError
from verify.ledger.second_channel import parse_address
from verify.ledger.second_secret import read_secret
from verify.ledger.second_sender import SecondLedger
from verify.load.neighbour_watch import NeighbourWatch
from verify.load.run import OPERATIONS_MAX, PROMISES
from verify.load.schedule import SKEW_EXPONENT
from verify.load.worker import SUBMISSIONS
from verify.volume.neighbour import NeighbourTable, parse_controllers

EXAMPLE = """
\b
Example, inside a test VM (the record folder lies on another disk than the volume):
  ackproof survey /dev/sdb
  ackproof write /dev/sdb --erase IDENTITY --record /root/drill-1 --for 5min --read-share 0.3
"""


@click.command(short_help="Fill a volume and load it, with a ledger kept elsewhere.", epilog=EXAMPLE)
@click.argument("volume")
@click.option("--record", required=True, metavar="DIR", help="Record folder to make; never on the volume under test.")
@click.option("--for", "duration", metavar="TIME", default="60s", show_default=True,
              help="Length of the load after the fill.")  # fmt: skip
@click.option("--operations", type=click.IntRange(0, OPERATIONS_MAX), default=None,
              help="Operations of each lane instead of a time.")  # fmt: skip
@click.option("--block", metavar="SIZE", default=str(BLOCK_BYTES_DEFAULT),
              help="Block size, a power of two. [default: 4KiB]")  # fmt: skip
@click.option("--lanes", default=LANES_DEFAULT, show_default=True, help="Sequential writers, the queue depth.")
@click.option("--start", metavar="SIZE", default="0", show_default=True,
              help="Where the tested span begins on the volume.")  # fmt: skip
@click.option("--span", metavar="SIZE", default=None,
              help="Length of the tested span. [default: 1GiB, or what there is]")  # fmt: skip
@click.option("--seed", type=int, default=None, help="Number that the load follows from. [default: random]")
@click.option(
    "--pattern",
    type=click.Choice(PATTERNS),
    default="uniform",
    show_default=True,
    help=f"Where writes go; skewed favours few blocks (Zipf-like, exponent {SKEW_EXPONENT}).",
)
@click.option("--read-share", default=0.0, show_default=True, help="Share of reads in the load, 0 to 1.")
@click.option("--flush-every", metavar="N", default="never", show_default=True,
              help="After N writes of a lane; `write` forces each one; or `never`.")  # fmt: skip
@click.option("--promise", type=click.Choice(PROMISES), default="completed", show_default=True,
              help="What survives: acknowledged writes a takeover, flushed ones a loss of power.")  # fmt: skip
@click.option("--pace", default=0.0, help="Operations per second of the stream. [default: as fast as they go]")
@click.option("--no-fill", is_flag=True, help="Skip writing every block once before the load.")
@click.option("--submit", type=click.Choice(SUBMISSIONS), default="auto", show_default=True,
              help="How operations are submitted; auto is a ring where kernel and volume allow it.")  # fmt: skip
@click.option("--erase", metavar="IDENTITY", default=None, help="What may be erased, by the identity `survey` prints.")
@click.option("--streams", metavar="FILE", type=click.Path(dir_okay=False), default=None,
              help="TOML file with several [[stream]] tables instead of --block, --lanes and the like.")  # fmt: skip
@click.option("--stall-threshold", metavar="TIME", default="1s", show_default=True,
              help="A longer wait of a lane is an outage.")  # fmt: skip
@click.option("--merge-within", metavar="TIME", default="5s", show_default=True,
              help="Stalls closer than this are one takeover.")  # fmt: skip
@click.option("--atomic-unit", metavar="SIZE", default=None,
              help="What the device writes whole or not at all. [default: a sector]")  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 64), default=None, help="Processes that share the lanes.")
@click.option("--floating-address", metavar="ADDR", default=None,
              help="Watch which hardware answers there, to tell which way a takeover went.")  # fmt: skip
@click.option("--controller", "controllers", multiple=True, metavar="NAME=HWADDR",
              help="A controller's name by its hardware address; may be repeated.")  # fmt: skip
@click.option("--criteria", metavar="FILE", type=click.Path(dir_okay=False), default=None,
              help="TOML file with a [criteria] table: what else must be met for a PASS.")  # fmt: skip
@click.option("--second-ledger", metavar="ADDR", default=None,
              help="Keep the ledger at an `ackproof receive` on another host too, such as 192.0.2.7:7420.")  # fmt: skip
@click.option("--secret", metavar="FILE", default=None, help="With --second-ledger: the receiver's secret, mode 0600.")
@click.option("--allow-page-cache", is_flag=True, help="Run without direct I/O; never better than INCONCLUSIVE.")
def write(volume: str, record: str, **options: Any) -> int:
    """Fill VOLUME and load it until the time is over or Ctrl-C.

    Everything in the tested span is overwritten. Something that exists is written to only with --erase and its
    identity; a file that does not exist is made. Ctrl-C ends the load cleanly, a second one stops waiting for
    operations that hang.

    Writing erases the span for good: be sure of the volume, and follow the rules of the site.
    """
    request = _request(options)
    criteria = () if options["criteria"] is None else read_criteria(options["criteria"])
    seconds = None if options["operations"] is not None else parse_duration(options["duration"], "--for")
    neighbour = _neighbour(options["floating_address"], options["controllers"])
    second = _second_ledger(options["second_ledger"], options["secret"])
    live = LiveLine(None if second is None else second.lag)
    live.start()
    try:
        outcome = write_to_volume(
            volume,
            record,
            request,
            LoadOptions(
                seconds, live.show, _tell, submit=options["submit"], criteria=criteria, second_ledger=second
            ),
            erase=options["erase"],
            allow_page_cache=options["allow_page_cache"],
            neighbour=neighbour,
        )
    finally:
        live.stop()
        if neighbour is not None:
            neighbour.close()
    result = outcome.result()
    click.echo(
        f"the load ended because {outcome.reason}: {result['acknowledged_writes']:,} acknowledged writes in "
        f"{result['seconds']:.1f} s, {result['acknowledged_writes_per_second']:,.0f} a second, "
        f"{format_size(result['bytes_per_second'])} a second"
    )
    if second is not None:
        click.echo(_second_ledger_end(second))
    click.echo(f"now: ackproof check {record}")
    if outcome.ledger_full or outcome.workers_lost:
        click.echo("ackproof: the load did not end as planned; what was acknowledged before is in the record", err=True)
        return EXIT_CANNOT_RUN
    return 0


def _second_ledger(address: str | None, secret: str | None) -> SecondLedger | None:
    if address is None or secret is None:
        if address is not secret:
            raise UsageError("--second-ledger (where the receiver is) and --secret (what proves the right) go together")
        return None
    return SecondLedger(parse_address(address, "--second-ledger"), read_secret(secret))


def _neighbour(address: str | None, controllers: tuple[str, ...]) -> NeighbourWatch | None:
    names = parse_controllers(controllers)
    if address is None:
        if names:
            raise UsageError("--controller names what is behind a floating address; say which by --floating-address")
        return None
    return NeighbourWatch(NeighbourTable(address), names)


def _second_ledger_end(second: SecondLedger) -> str:
    lag = second.lag()
    head = f"second ledger at {second.address}: {format_size(lag.confirmed_bytes)}"
    if not lag.behind_bytes and second.missing == "":
        return f"{head}, all of it, confirmed"
    text = f"{head} of {format_size(lag.written_bytes)} confirmed"
    why = second.missing or lag.trouble or "the receiver did not say that the run's end reached it"
    return f"{text}; {why}"


def _tell(event: dict[str, Any]) -> None:
    """Say why operations are not submitted by a ring, when they are not; and what the end of the run waits for."""
    if event["event"] == "submission":
        click.echo(f"ackproof: operations are submitted by threads: {event['why']}", err=True)
    elif event["event"] == "second_ledger":
        text = f"the load has ended; waiting up to {event['waits_s']:.0f} s for the second ledger (Ctrl-C ends that)"
        click.echo(f"ackproof: {text}", err=True)


def _request(options: dict[str, Any]) -> RunRequest:
    if options["streams"]:
        streams = read_streams(options["streams"])
    else:
        streams = (stream_request({key: options[key.replace("-", "_")] for key in STREAM_KEYS}),)
    atomic = None if options["atomic_unit"] is None else parse_size(options["atomic_unit"], "--atomic-unit")
    if atomic is not None and not 512 <= atomic <= 1 << 30:
        raise UsageError(f"--atomic-unit {atomic} must be from 512 bytes to 1 GiB")
    stall_ns = int(parse_duration(options["stall_threshold"], "--stall-threshold") * 1e9)
    if not 0 < stall_ns <= 10**15:
        raise UsageError("--stall-threshold must be more than 0 and at most 11 days")
    return RunRequest(
        streams=streams,
        start_bytes=parse_size(options["start"], "--start"),
        seed=secrets.randbits(63) if options["seed"] is None else options["seed"],
        promise=options["promise"],
        stall_ns=stall_ns,
        merge_ns=min(int(parse_duration(options["merge_within"], "--merge-within") * 1e9), 10**15),
        atomic_bytes=atomic,
        operations=options["operations"],
        fill=not options["no_fill"],
        workers=options["workers"],
    )
