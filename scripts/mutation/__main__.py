"""Mutation testing of the rooms that decide a verdict, within a time budget, and their branch coverage.

mutmut makes the mutants; `trials` runs them in forks of one warm process, each against the tests that enter the
changed function, the quickest first; what hangs is ended. All of it happens in a copy of the tree, kept with the
results: run again, it goes on with the mutants not yet tried. The mutants of a changed module are made anew;
`--again` tries survivors anew, after tests were written for them. Random tests try few examples, the same each time.

Left alone by mutmut: what stands outside functions (tables, constants), and functions with a decorator (properties).
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import difflib
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
TESTS = {
    "judge": ["tests/judge", "tests/published/test_failure_classes.py", "tests/published/test_register_histories.py"],
    "blocks": ["tests/blocks"],
    "ledger": ["tests/ledger"],
}
"""The rooms whose modules are mutated, and the tests that are to notice."""

LEFT_OUT = (
    "tests/judge/test_observations.py::test_an_odd_slot_costs_a_few_bytes",
    "tests/ledger/test_full_disk.py::TestRealDisk",
)
"""Tests that take long, or need a disk of their own: mutants do without them, coverage does not."""

COPIED = ("verify", "tests", "scripts", "README.md", "DEVELOPERS.md", "pyproject.toml")
KILLED, SURVIVED, TIMED_OUT, UNTRIED, UNTESTED = "killed", "survived", "timed out", "untried", "untested"
EXAMPLES_MAX = 25

SETTINGS = """
[tool.mutmut]
source_paths = ["verify"]
track_dependencies = false
"""

CONFTEST = f"""
from hypothesis import Phase, settings

_made = settings.__init__


def _few(self, parent=None, **given):
    if "max_examples" in given:
        given["max_examples"] = min(given["max_examples"], {EXAMPLES_MAX})
    _made(self, parent, **given)


settings.__init__ = _few
settings.register_profile(
    "mutation", max_examples={EXAMPLES_MAX}, phases=(Phase.explicit, Phase.generate), derandomize=True, deadline=None,
    database=None,
)
settings.load_profile("mutation")
"""
"""A failing example need not be made smaller, and a trial is to be quick and repeatable."""


class MutationError(Exception):
    """A sentence for whoever started the script."""


def module_files(names: Sequence[str], root: Path = ROOT) -> list[str]:
    """The files that the given names mean, as paths from the root; all of the rooms if there are none.

    Args:
        names: rooms (`judge`), modules (`judge/order`) or paths (`verify/judge/order.py`).

    Raises:
        MutationError: a name means no file of the rooms.
    """
    every = sorted(
        str(path.relative_to(root))
        for room in TESTS
        for path in (root / "verify" / room).glob("*.py")
        if path.name != "__init__.py"
    )
    if not names:
        return every
    out: set[str] = set()
    for name in names:
        plain = name.removeprefix("verify/").removesuffix(".py").rstrip("/")
        found = [file for file in every if f"verify/{plain}" in (file.removesuffix(".py"), str(Path(file).parent))]
        if not found:
            known = ", ".join(file.removeprefix("verify/").removesuffix(".py") for file in every)
            raise MutationError(f"{name} is none of the modules that are mutated: {', '.join(TESTS)}, {known}")
        out.update(found)
    return sorted(out)


def chosen(statuses: Mapping[str, Mapping[str, str]], sample: int | None, seed: int) -> dict[str, dict[str, str]]:
    """Of each file's mutants all, or a random sample that depends on nothing but the seed and their names.

    Args:
        statuses: file to mutant to what became of it.
        sample: so many mutants a file at most; None for all.
        seed: of the choice.
    """
    out = {}
    for file, mutants in statuses.items():
        names = sorted(mutants)
        if sample is not None and sample < len(names):
            names = sorted(random.Random(f"{seed} {file}").sample(names, sample))
        out[file] = {name: mutants[name] for name in names}
    return out


def summary(statuses: Mapping[str, Mapping[str, str]]) -> str:
    """A table: for each file how many mutants there were, and what became of them."""
    columns = (KILLED, TIMED_OUT, SURVIVED, UNTESTED, UNTRIED)
    lines = [f"{'':28}{'mutants':>9}" + "".join(f"{name:>10}" for name in columns) + f"{'noticed':>10}"]
    total = dict.fromkeys(columns, 0)
    for file, mutants in [*sorted(statuses.items()), ("all", None)]:
        counts = total
        if mutants is not None:
            values = list(mutants.values())
            counts = {name: values.count(name) for name in columns}
            total = {name: total[name] + counts[name] for name in columns}
        tried = sum(counts.values()) - counts[UNTRIED]
        noticed = f"{(counts[KILLED] + counts[TIMED_OUT]) / tried:10.1%}" if tried else f"{'-':>10}"
        cells = "".join(f"{counts[name]:10}" for name in columns)
        lines.append(f"{file.removeprefix('verify/'):28}{sum(counts.values()):9}{cells}{noticed}")
    return "\n".join(lines)


class Workshop:
    """The copy of the tree in which mutants are made and tried.

    Args:
        folder: where it is, or is to be; kept from one run to the next.
    """

    def __init__(self, folder: Path) -> None:
        self.tree = folder / "tree"
        self._folder = folder
        self._results = folder / "results.jsonl"
        self._made = folder / "made.json"
        self._functions: dict[str, dict[str, list[str]]] = {}

    def renew(self, files: Sequence[str]) -> None:
        """Bring the copy up to date, and make the mutants of those of the files that are new or were changed."""
        self.tree.mkdir(parents=True, exist_ok=True)
        for name in COPIED:
            if (ROOT / name).is_dir():
                _mirror(ROOT / name, self.tree / name)
        (self.tree / "pyproject.toml").write_text((ROOT / "pyproject.toml").read_text() + SETTINGS)
        (self.tree / "conftest.py").write_text(CONFTEST)
        made = self._known()
        for file in module_files([]):
            source = (ROOT / file).read_text()
            digest = hashlib.sha256(source.encode()).hexdigest()
            if file in files and made.get(file, {}).get("source") != digest:
                print(f"scripts/mutate: making the mutants of {file}", file=sys.stderr)
                made[file] = {"source": digest, **self._make(file, source)}
                self._made.write_text(json.dumps(made))
            if made.get(file, {}).get("source") == digest:  # Mutants of former code would undo what was changed since.
                (self.tree / file).write_text(made[file]["code"])

    def statuses(self, files: Sequence[str]) -> dict[str, dict[str, str]]:
        """What became of each mutant of the files, as far as any were made."""
        became: dict[str, str] = {}
        if self._results.exists():
            for line in self._results.read_text().splitlines():
                entry = json.loads(line)
                became[entry["mutant"] + entry["of"]] = entry["status"]
        out = {}
        for file, of in self._known().items():
            if file in files:
                out[file] = {name: became.get(name + of["source"][:12], UNTRIED) for name in of["names"]}
        return out

    def try_mutants(self, room: str, names: Sequence[str], seconds: float, workers: int, effort: float) -> None:
        """Try mutants of one room until all are done or the time is up.

        Args:
            room: whose tests are to notice.
            names: of the mutants, in the order to try them.
            seconds: for how long new ones are begun.
            workers: so many at once.
            effort: seconds of processor time of tests for one mutant at most.

        Raises:
            MutationError: the tests could not be run.
        """
        made = self._known()
        of = {name: entry["source"][:12] for entry in made.values() for name in entry["names"]}
        tests = hashlib.sha256()
        for name in TESTS[room]:
            for path in sorted((self.tree / name).rglob("*.py")) or [self.tree / name]:
                tests.update(path.read_bytes())
        for file, entry in made.items():  # Only of a module that holds its mutants it is learned who enters what.
            if entry["code"] == (self.tree / file).read_text():
                tests.update(file.encode())
        order = {
            "mutants": list(names), "of": {name: of[name] for name in names}, "seconds": seconds, "workers": workers,
            "effort": effort, "learned": str(self._folder / f"learned-{room}-{tests.hexdigest()[:12]}.json"),
        }  # fmt: skip
        path = self._folder / f"order-{room}.json"
        path.write_text(json.dumps(order))
        left_out = [f"--deselect={name}" for name in LEFT_OUT]
        scratch = f"--basetemp={self._folder / 'scratch'}"
        command = [sys.executable, "-m", "scripts.mutation.trials", str(path), str(self._results), "-q", "-s"]
        command += ["--tb=native", "-p", "no:cacheprovider", scratch, *left_out, *TESTS[room]]
        environment = {**os.environ, "PYTHONPATH": str(self.tree)}
        if subprocess.run(command, cwd=self.tree, env=environment, check=False).returncode not in (0, 5):
            raise MutationError(f"the tests of {room} could not be run: what pytest said stands above")

    def difference(self, file: str, mutant: str) -> str:
        """What a mutant changed, as a unified difference of its function."""
        name = mutant.rpartition(".")[2]
        if file not in self._functions:
            code = self._known()[file]["code"]
            lines = code.splitlines()
            self._functions[file] = {
                node.name: lines[node.lineno : node.end_lineno]
                for node in ast.walk(ast.parse(code)) if isinstance(node, ast.FunctionDef)
            }  # fmt: skip
        functions = self._functions[file]
        before = functions[name.partition("__mutmut_")[0] + "__mutmut_orig"]
        return "\n".join(difflib.unified_diff(before, functions[name], file, mutant, n=1, lineterm=""))

    def coverage(self, files: Sequence[str]) -> int:
        """Measure branch coverage of the files by the tests; returns the exit code of the report, 0 for all of it."""
        self._folder.mkdir(parents=True, exist_ok=True)
        environment = {**os.environ, "COVERAGE_FILE": str(self._folder / "coverage"), "PYTHONPATH": str(ROOT)}
        coverage = [sys.executable, "-m", "coverage"]
        tests = ["-m", "pytest", "-q", "-p", "no:cacheprovider", f"--basetemp={self._folder / 'scratch'}"]
        rooms = ",".join(f"verify/{room}" for room in TESTS)
        command = [*coverage, "run", "--branch", f"--source={rooms}", *tests]
        command += [name for names in TESTS.values() for name in names]
        if subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode:
            return 1
        report = ["report", "--show-missing", "--fail-under=100", f"--include={','.join(files)}"]
        return subprocess.run([*coverage, *report], cwd=ROOT, env=environment, check=False).returncode

    def _known(self) -> dict[str, dict[str, Any]]:
        known: dict[str, dict[str, Any]] = json.loads(self._made.read_text()) if self._made.exists() else {}
        return known

    def _make(self, file: str, source: str) -> dict[str, Any]:
        from mutmut.mutation.file_mutation import mutate_file_contents  # noqa: PLC0415

        with contextlib.chdir(self.tree):  # There stands what `SETTINGS` says to mutmut.
            made = mutate_file_contents(file, source)
        module = file.removesuffix(".py").replace("/", ".")
        return {"code": made.code, "names": [f"{module}.{name}" for name in made.mutant_names]}


def _mirror(source: Path, copy: Path) -> None:
    """Make `copy` a folder with the same files, leaving those alone that did not change."""
    wanted = {path.relative_to(source) for path in source.rglob("*") if path.is_file() and path.suffix != ".pyc"}
    for path in list(copy.rglob("*")):
        if path.is_file() and path.relative_to(copy) not in wanted and path.suffix != ".pyc":
            path.unlink()
    for name in sorted(wanted):
        origin, target = source / name, copy / name
        if not target.exists() or origin.stat().st_mtime_ns != target.stat().st_mtime_ns:
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(origin, target)


def parse(arguments: Sequence[str]) -> argparse.Namespace:
    """The options; ends with exit code 2 on wrong usage."""
    parser = argparse.ArgumentParser(
        prog="scripts/mutate",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="example: scripts/mutate judge/order blocks --for 600",
    )
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="room (judge) or module (judge/order)")
    parser.add_argument("--for", dest="seconds", type=float, default=600.0, metavar="SECONDS", help="time for trials")
    parser.add_argument("--sample", type=int, metavar="N", help="only N mutants of each module, chosen at random")
    parser.add_argument("--seed", type=int, default=1, help="of that choice (default 1)")
    parser.add_argument("--again", action="store_true", help="try those again that survived or were not tested")
    parser.add_argument("--effort", type=float, default=20.0, metavar="SECONDS", help="of tests for one mutant at most")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="mutants tried at once")
    parser.add_argument("--results", type=Path, default=ROOT / ".mutation", help="folder of copy and results")
    parser.add_argument("--show", action="store_true", help="only print what is known")
    parser.add_argument("--coverage", action="store_true", help="measure branch coverage instead; exits 1 below 100 %%")
    options = parser.parse_args(arguments)
    for option, value in (("--for", options.seconds), ("--sample", options.sample), ("--effort", options.effort),
                          ("--workers", options.workers)):  # fmt: skip
        if value is not None and not 0 < value < float("inf"):
            parser.error(f"{option} must be more than nothing, not {value}")
    return options


def run(options: argparse.Namespace) -> int:
    """Do what the options ask for; returns the exit code: 1 if a mutant survived."""
    files = module_files(options.modules)
    workshop = Workshop(options.results.resolve())
    if options.coverage:
        return workshop.coverage(files)
    if not options.show:
        workshop.renew(files)
        due = {UNTRIED, SURVIVED, UNTESTED} if options.again else {UNTRIED}
        picked = chosen(workshop.statuses(files), options.sample, options.seed)
        total = sum(status in due for mutants in picked.values() for status in mutants.values())
        for room in TESTS:
            names = [
                name for file, mutants in picked.items() for name, status in mutants.items()
                if status in due and file.startswith(f"verify/{room}/")
            ]  # fmt: skip
            random.Random(options.seed).shuffle(names)  # however soon the time is up, what was tried is a fair sample
            if options.again:  # survivors first
                tried = {name for mutants in picked.values() for name, status in mutants.items() if status != UNTRIED}
                names.sort(key=lambda name: name not in tried)
            if names:
                seconds = options.seconds * len(names) / total
                workshop.try_mutants(room, names, seconds, options.workers, options.effort)
    picked = chosen(workshop.statuses(files), options.sample, options.seed)
    if not any(picked.values()):
        raise MutationError("no mutants were made yet: run this without --show")
    survived = 0
    for file, mutants in picked.items():
        for name, status in mutants.items():
            if status in (SURVIVED, UNTESTED):
                survived += 1
                print(f"{status}: {workshop.difference(file, name)}", end="\n\n")
    print(summary(picked))
    return 1 if survived else 0


def main() -> int:
    """Start from the command line."""
    try:
        return run(parse(sys.argv[1:]))
    except MutationError as error:
        print(f"scripts/mutate: {error}", file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
