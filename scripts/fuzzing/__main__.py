"""Throw hostile input at one part of ackproof for a while, and say what came of it.

Every target takes any bytes. It fails where ackproof raises anything but its documented errors, or where the input made
a verdict better than the honest one (see the targets). Guided by coverage where the package atheris is installed;
otherwise hypothesis makes inputs by chance, from the same honest ones.

An input that failed is kept; `--again FILE` tries it once more.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import os
import re
import resource
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from scripts.fuzzing.catalogue import TARGETS, make_target

PROJECT = Path(__file__).resolve().parents[2]
FOUND = PROJECT / ".scratch" / "fuzz"
MEMORY_BYTES_MAX = 4 << 30
"""More address space than this no input may make a target take."""

INPUT_BYTES_MAX = 8192
_EXECUTIONS = re.compile(r"^stat::number_of_executed_units:\s*(\d+)", re.MULTILINE)
EXIT_FOUND = 1


def main() -> int:
    """Run one target; 0 if nothing was found."""
    options = _options()
    FOUND.mkdir(parents=True, exist_ok=True)
    os.fsync = os.fdatasync = lambda fd: None  # thousands of checks a minute need not be made non-volatile
    if options.inside:
        return _guided(options.target, options.corpus)
    if options.again:
        with tempfile.TemporaryDirectory() as folder:
            make_target(options.target, Path(folder))(Path(options.again).read_bytes())
        print("nothing was found")
        return 0
    _limit_memory()
    if options.by_chance or importlib.util.find_spec("atheris") is None:
        return _by_chance(options.target, options.seconds)
    return _start_guided(options.target, options.seconds)


def _options() -> argparse.Namespace:
    about = "\n".join(f"  {name:9} {what}" for name, what in TARGETS.items())
    parser = argparse.ArgumentParser(
        prog="scripts/fuzz", description=__doc__, epilog=f"targets:\n{about}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("target", choices=TARGETS, metavar="TARGET")
    parser.add_argument("--for", dest="seconds", type=float, default=60.0, metavar="SECONDS", help="how long (60)")
    parser.add_argument("--by-chance", action="store_true", help="not guided by coverage, though that could be had")
    parser.add_argument("--again", metavar="FILE", help="try one input that failed")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--corpus", help=argparse.SUPPRESS)
    return parser.parse_args()


def _limit_memory() -> None:
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES_MAX, hard))


def _start_guided(name: str, seconds: float) -> int:
    """Run the guided loop in a process of its own: it ends that process, whatever it finds."""
    with tempfile.TemporaryDirectory() as corpus:
        with tempfile.TemporaryDirectory() as folder:
            for number, seed in enumerate(make_target(name, Path(folder)).seeds()):
                (Path(corpus) / f"{number:04d}").write_bytes(seed)
        before = set(FOUND.iterdir())
        command = [sys.executable, "-m", "scripts.fuzzing", name, "--inside", "--corpus", corpus]
        began = time.monotonic()
        environment = os.environ | {"FUZZ_SECONDS": str(max(int(seconds), 1))}
        done = subprocess.run(command, env=environment, capture_output=True, text=True, errors="replace", check=False)
        executions = _EXECUTIONS.search(done.stderr)
        count = int(executions.group(1)) if executions else 0
        inputs = len(list(Path(corpus).iterdir()))
    if done.returncode or not count:
        print(done.stdout + done.stderr)
    found = sorted(set(FOUND.iterdir()) - before)
    return _tell(name, "guided by coverage", count, time.monotonic() - began, found, bool(done.returncode), inputs)


def _guided(name: str, corpus: str) -> int:
    import atheris  # noqa: PLC0415  (optional, and only here)

    with atheris.instrument_imports(include=["verify"]):
        from scripts.fuzzing.catalogue import make_target as make  # noqa: PLC0415  (instrumented as it is imported)

        with tempfile.TemporaryDirectory() as folder:
            target = make(name, Path(folder))
            arguments = [
                sys.argv[0], f"-max_total_time={os.environ['FUZZ_SECONDS']}", f"-max_len={INPUT_BYTES_MAX}",
                "-print_final_stats=1", f"-artifact_prefix={FOUND}/{name}-", "-timeout=60", "-rss_limit_mb=0", corpus,
            ]  # fmt: skip
            atheris.Setup(arguments, target)
            atheris.Fuzz()
    return 0


def _by_chance(name: str, seconds: float) -> int:
    from scripts.fuzzing.chance import inputs, try_until  # noqa: PLC0415  (needs a package for tests)

    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        target = make_target(name, Path(folder))
        count, failing, error = try_until(target, inputs(target.seeds(), INPUT_BYTES_MAX), began + seconds)
    found = []
    if error is not None:
        found.append(FOUND / f"{name}-{int(time.time())}")
        found[0].write_bytes(failing)
        print("".join(error))
    return _tell(name, "by chance", count, time.monotonic() - began, found, error is not None, 0)


def _tell(name: str, how: str, count: int, seconds: float, found: list[Path], failed: bool, inputs: int) -> int:
    more = f", {inputs} inputs that reach something new" if inputs else ""
    print(f"{name}: {count:,} inputs in {seconds:.0f} s, {how}{more}: {'FOUND' if failed else 'nothing found'}")
    for path in found:
        print(f"  {path}\n  again: scripts/fuzz {name} --again {path}")
    return EXIT_FOUND if failed else 0


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        sys.exit(main())
    sys.exit(128 + signal.SIGINT)
