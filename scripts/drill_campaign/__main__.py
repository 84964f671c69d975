"""Run thousands of seeded drills on a simulated pair and hold every verdict against what the pair really did.

A drill is a load of real lanes under a virtual clock against a pair in memory that keeps its promise or breaks it; the
ledger's frames are real, and so are scan, judgement and verdict. Geometry, streams, lanes, promise, atomic unit, flush
policy, takeovers, faults (several at once, down to a single write), errors, kills and harmed ledgers are drawn from
the drill's name, SEED:NUMBER, which replays it exactly.

What the truth is. The pair carries for every sector the write that it comes from, and every look, under load or by a
check, is noted as it was served. The truth of a check is what the surviving evidence decides about that:

- The evidence is: the frames of the ledger that are still whole from the beginning of their file on, the looks told
  there, and what the check is served. What stood only in a cut or harmed part of a ledger never was, unless the volume
  proves it.
- A write had to be there if its acknowledgement survives (under `flushed`: if it was written through, or acknowledged
  before the issue of a flush that completed, with no outage in between and none that could be told only where the
  ledger is cut or harmed: a mark is told up to a second after it was made, and a worker seen to be lost meets none); or
  if the volume shows, anywhere, a sector of a later operation of its lane, whose ledger was left open: then it was
  acknowledged before that one was issued. So a loss in a torn tail that nothing on the volume proves is none. What an
  earlier check saw must still be there.
- A write may be there if it was issued as far as the ledger knows, or, where the ledger is open, if it may have been.
- What a look amounts to follows from the sectors served, by the table of findings. A write counts as lost if a look
  (reads under load excepted: what they see may be right on the medium) shows that it had to be there and was not; where
  an older whole write can be read, all writes between count, where none can, the newest alone. Where two reads of one
  check disagree, nothing is counted as lost.
- A block that was overwritten before anyone looked at it is not in evidence. A lane judges only slots it has written,
  knows the sectors of its own stream alone, and tells a whole older write that it reads again only once.
- Takeovers, what was in flight, what was overwritten unexamined, and the moment that the volume went back to are
  worked out by the same rules in plain loops over the pair's own log.
- Of a pair that kept its promise no check may say FAIL, whatever the evidence.

Nothing is excused by a tolerance: verdict, findings by slot and look, floors, counts of lost writes, takeovers and
orders must be equal. Exit code 0 if they are, 1 if anything disagrees, 2 wrong usage, 4 interrupted.

Example: scripts/campaign --drills 5000 --seed 7 --jobs 2
"""

from __future__ import annotations

import argparse
import signal
import sys
import time
from collections import Counter
from collections.abc import Sequence

from tqdm import tqdm

from scripts.drill_campaign.tally import Tally, run_all

SHOWN_MAX = 40
"""So many disagreements are printed; all are counted."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign; returns the exit code."""
    options = _parser().parse_args(arguments)
    began, total, code = time.monotonic(), Tally(), 0
    numbers = range(options.first, options.first + options.drills)
    names = [f"{options.seed}:{number}" for number in numbers]
    bar = tqdm(total=len(names), unit=" drills", disable=not sys.stderr.isatty())
    try:
        for part in run_all(names, options.jobs):
            if time.monotonic() - began > options.seconds:
                break
            for line in part.shown[: max(SHOWN_MAX - len(total.shown), 0)]:
                tqdm.write(line)
            total.add(part)
            bar.update(part.drills)
    except KeyboardInterrupt:
        code = 4
        print("interrupted; what follows is of the drills that were done")
    bar.close()
    if len(total.shown) > SHOWN_MAX:
        print(f"... and {len(total.shown) - SHOWN_MAX:,} disagreements more")
    _print("drills", total.circumstances)
    _print("faults planted, in blocks", total.planted)
    _print("what had to be told, check by check", total.called_for)
    print(f"campaign of seed {options.seed}, drills from {options.first}: {total.summary(time.monotonic() - began)}")
    return 1 if total.wrongs else code


def _print(title: str, counts: Counter[str]) -> None:
    print(f"{title}:")
    for kind, count in sorted(counts.items()):
        print(f"  {kind:32} {count:12,}")


def _parser() -> argparse.ArgumentParser:
    about, _, example = (__doc__ or "").rpartition("\nExample: ")
    parser = argparse.ArgumentParser(
        prog="scripts/campaign", description=about, epilog=f"Example: {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--drills", type=_positive, default=1000, metavar="N", help="how many drills (1000)")
    parser.add_argument("--seed", default="1", metavar="S", help="any text without a space (1)")
    parser.add_argument("--first", type=_number, default=0, metavar="I", help="number of the first drill (0)")
    parser.add_argument(
        "--for", dest="seconds", type=_positive, default=10**9, metavar="SECONDS", help="end after that (never)"
    )
    parser.add_argument("--jobs", type=_positive, default=1, metavar="J", help="how many processes (1)")
    return parser


def _number(text: str) -> int:
    number = int(text)
    if number < 0:
        raise argparse.ArgumentTypeError("give 0 or more")
    return number


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError("give 1 or more")
    return number


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # So that what was done is told then too.
    sys.exit(main())
