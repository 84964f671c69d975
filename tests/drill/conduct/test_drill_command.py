"""The drill as a user runs it: without and with a terminal, from one command to a sealed dossier; killed, resumed."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.drill.runs import ackproof, command_line, environment, start, wait_until
from tests.ledger.second_ends import SECRET, receiving
from verify.drill.plan.plan import read_plan
from verify.ledger.second_channel import name_of

SCENARIO = """
[[scenario]]
name = "{name}"
direction = "{direction}"
do = "{do}"
cautions = ["Touch the named part alone."]
restore = "Bring it back."
run-in = "300ms"
run-out = "500ms"
"""
THREE = (
    SCENARIO.format(name="orderly takeover", direction="A to B", do="hand over")
    + SCENARIO.format(name="data cable pull", direction="B to A", do="pull the cable of B")
    + SCENARIO.format(name="failback", direction="A to B", do="fail back")
)


def write_plan(folder: Path, scenarios: str = THREE) -> Path:
    path = folder / "plan.toml"
    path.write_text(
        f'records = "{folder}/records"\n[volume]\npath = "{folder}/volume.img"\n'
        '[load]\nseed = 5\nstall-threshold = "300ms"\n[[stream]]\nlanes = 8\nspan = "2MiB"\nread-share = 0.2\n'
        f'[criteria]\nstall = "20s"\nerrors = 0\n[acceptance]\ntitle = "The pair in the harbour office"\n{scenarios}'
    )
    return path


def drill_json(records: Path) -> dict[str, Any]:
    try:
        value: dict[str, Any] = json.loads((records / "drill.json").read_text())
    except FileNotFoundError:
        return {"steps": []}
    return value


def assert_sealed(records: Path, runs: int) -> dict[str, Any]:
    """That there is one dossier over so many runs, and that everything is as it was sealed; the dossier's content."""
    folders = [records / step["folder"] for step in drill_json(records)["steps"]]
    confirmed = ackproof("dossier", "--confirm", records / "dossier", *folders)
    assert confirmed.returncode == 0, confirmed.stdout
    content: dict[str, Any] = json.loads((records / "dossier" / "dossier.json").read_text())
    assert len(content["runs"]) == runs == len(folders)
    assert (records / "dossier" / "dossier.html").is_file()
    return content


def test_three_scenarios_run_unattended_to_a_sealed_dossier(tmp_path: Path) -> None:
    """Criteria that tell of the computer are left out, even those that nothing could meet."""
    plan = write_plan(tmp_path)
    never = "rate-after = 1000\nlatency-after = 0.001\nload-at-takeover = 1000000000\n"
    plan.write_text(plan.read_text().replace("errors = 0\n", f"errors = 0\n{never}"))
    done = ackproof("drill", plan, "--rehearse")
    assert done.returncode == 0, done.stderr
    assert "criteria of rate and latency are left out" in " ".join(done.stderr.split())
    assert done.stdout.splitlines()[-1] == f"PASS   all runs of {plan} on the simulated pair"
    records = tmp_path / "records-rehearsal"
    content = assert_sealed(records, 3)
    assert content["title"] == "The pair in the harbour office"
    assert [(run["scenario"], run["direction"], run["verdict"]) for run in content["runs"]] == [
        ("orderly takeover", "A to B", "PASS"), ("data cable pull", "B to A", "PASS"), ("failback", "A to B", "PASS"),
    ]  # fmt: skip
    met = [(name, True) for name in ("lost acknowledged writes", "longest stall", "errors seen by the guest")]
    assert [[(one["name"], one["met"]) for one in run["criteria"]] for run in content["runs"]] == [met] * 3
    assert any("proves nothing about any storage" in text for text in content["deviations"])
    assert "Touch the named part alone." in content["cautions"]
    for step in drill_json(records)["steps"]:
        assert {path.name for path in (records / step["folder"] / "checks" / "001").iterdir()} >= {
            "verdict.json", "report.html", "junit.xml", "seal.json",
        }  # fmt: skip
    again = ackproof("drill", plan, "--rehearse")
    assert (again.returncode, "go on with it by --resume" in again.stderr) == (2, True)
    assert ackproof("drill", plan, "--rehearse", "--resume").returncode == 0
    assert not (records / "dossier-2").exists()


class Screen:
    """A drill at a pseudo-terminal: what it shows, and keys for it."""

    def __init__(self, *arguments: str | Path) -> None:
        self._side, other = pty.openpty()
        self.process = subprocess.Popen(
            command_line("drill", *arguments), env=environment(), stdin=other, stderr=other, stdout=subprocess.PIPE,
            text=True, start_new_session=True,
        )  # fmt: skip
        os.close(other)
        os.set_blocking(self._side, False)
        self.shown = ""
        self._seen = 0

    def wait_for(self, text: str) -> None:
        """Wait until a text is shown that was not waited for before."""
        try:
            wait_until(lambda: self._read() and text in self.shown[self._seen :], repr(text))
        except AssertionError:
            raise AssertionError(f"{text!r} was not shown; this was: {self.shown[-900:]}") from None
        self._seen = self.shown.index(text, self._seen) + len(text)

    def type(self, keys: str) -> None:
        os.write(self._side, keys.encode())

    def end(self) -> tuple[int, str]:
        """Wait for the end: exit code and standard output."""
        wait_until(lambda: self._read() and self.process.poll() is not None, "the end")
        out = self.process.stdout
        assert out is not None
        with out:
            return self.process.returncode, out.read()

    def hang_up(self) -> int:
        """Take the terminal away, and wait for the end: the exit code."""
        os.close(self._side)
        self._side = -1
        self.process.communicate(timeout=60)
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
        if self._side >= 0:
            os.close(self._side)

    def _read(self) -> bool:
        try:
            while piece := os.read(self._side, 65536):
                self.shown += piece.decode("utf-8", "replace")
        except OSError:  # Nothing to read now, or the other side is closed.
            return True
        return True


@pytest.fixture
def screens() -> Iterator[Callable[..., Screen]]:
    made: list[Screen] = []

    def make(*arguments: str | Path) -> Screen:
        made.append(Screen(*arguments))
        return made[-1]

    yield make
    for screen in made:
        screen.close()


def test_the_same_at_a_terminal(tmp_path: Path, screens: Callable[..., Screen]) -> None:
    screen = screens(write_plan(tmp_path), "--rehearse")
    for name, do in (("orderly takeover, A to B", "hand over"), ("data cable pull, B to A", "pull the cable of B"),
                     ("failback, A to B", "fail back")):  # fmt: skip
        screen.wait_for(f"Hold point before: {name}")
        screen.wait_for("both controllers are up")
        screen.type("what\n")
        screen.wait_for("Enter, s or q?")
        screen.type("\n")
        screen.wait_for("CAUTION  Touch the named part alone.")
        screen.wait_for(f">>> DO IT NOW  {do}")
        screen.wait_for("acknowledged writes/s")
        screen.type("\n")
        screen.wait_for("marked")
        screen.wait_for("stalled 0.")
        screen.wait_for("PASS: Every acknowledged write is there.")
        screen.wait_for("Please: Bring it back.")
        screen.type("\n")
    code, out = screen.end()
    assert (code, out.splitlines()[-1].startswith("PASS   all runs")) == (0, True)
    records = tmp_path / "records-rehearsal"
    content = assert_sealed(records, 3)
    assert all(run["takeovers"] for run in content["runs"])
    assert not any("nobody confirmed" in text for text in content["deviations"])


def test_a_key_pressed_too_early_marks_nothing(tmp_path: Path, screens: Callable[..., Screen]) -> None:
    screen = screens(write_plan(tmp_path, THREE.replace("300ms", "1s")), "--rehearse", "--no-dossier")
    screen.wait_for("Hold point")
    screen.type("\n")
    screen.wait_for("run-in of 1 s")
    screen.type("\n\n")
    screen.wait_for(">>> DO IT NOW")
    screen.type("q\n")
    code, _ = screen.end()
    assert code == 4
    assert "stopped before it was done; --resume begins this run again" in screen.shown
    (record,) = (tmp_path / "records-rehearsal").glob("01-*")
    assert '"event": "mark"' not in (record / "events.jsonl").read_text()


def test_ctrl_c_during_the_load_stops_it_and_says_how_it_goes_on(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, SCENARIO.format(name="a", direction="", do="b").replace("500ms", "2s"))
    records = tmp_path / "records-rehearsal"
    drill = start("drill", plan, "--rehearse", "--no-dossier")
    wait_until(lambda: [step["done"] for step in drill_json(records)["steps"]] == [["do"]], "the injection", drill)
    drill.send_signal(signal.SIGINT)
    _, err = drill.communicate(timeout=60)
    assert (drill.returncode, "Traceback" in err) == (4, False)
    assert "the load ended because Ctrl-C was pressed; --resume checks what was recorded" in err
    resumed = ackproof("drill", plan, "--rehearse", "--no-dossier", "--resume")
    assert resumed.returncode in (0, 3), resumed.stderr
    assert drill_json(records)["steps"][0]["done"] == ["do", "restore"]


STAGES: tuple[tuple[str, Callable[[dict[str, Any], Path], bool]], ...] = (
    ("the load of the first run", lambda drill, records: _load_began(records / drill["steps"][0]["folder"])),
    ("the injection of the first run", lambda drill, records: drill["steps"][0]["begun"] == ["do"]),
    ("the run-out of the second run", lambda drill, records: drill["steps"][1]["done"] == ["do"]),
    ("the check of the second run", lambda drill, records: drill["steps"][1]["state"] in ("loaded", "checked")),
    ("the load of the third run", lambda drill, records: drill["steps"][2]["state"] == "loading"),
    ("the dossier", lambda drill, records: drill["steps"][2]["state"] == "finished"),
)


def _load_began(record: Path) -> bool:
    events = record / "events.jsonl"
    return events.exists() and "load_began" in events.read_text()


def test_killed_at_each_stage_and_resumed(tmp_path: Path) -> None:
    """Whatever is killed, each scenario was done exactly once in the end, and every run has its verdict."""
    plan, records = write_plan(tmp_path), tmp_path / "records-rehearsal"
    resume: tuple[str, ...] = ()
    for name, reached in STAGES:
        bare = () if name == "the dossier" else ("--no-dossier",)
        drill = start("drill", plan, "--rehearse", *bare, *resume, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        resume = ("--resume",)
        _wait_for_stage(records, reached, name, drill)
        os.killpg(drill.pid, signal.SIGKILL)
        drill.wait()
    done = ackproof("drill", plan, "--rehearse", "--resume")
    assert done.returncode in (0, 3), done.stderr
    content = assert_sealed(records, 3)
    assert all(run["lost_writes"] == 0 for run in content["runs"])
    for step in drill_json(records)["steps"]:
        assert step["state"] == "finished"
        events = [json.loads(line) for line in (records / step["folder"] / "events.jsonl").read_text().splitlines()]
        assert len([event for event in events if event["event"] in ("mark", "note")]) <= 1
    first = [text for text in content["deviations"] if "orderly" in text or "ended before anything was done" in text]
    assert any("its record is kept as 01-orderly-takeover-a-to-b-aside-1" in text for text in first)
    assert any("interrupted during or after the injection" in text for text in content["deviations"])


def _wait_for_stage(
    records: Path, reached: Callable[[dict[str, Any], Path], bool], name: str, drill: subprocess.Popen[str]
) -> None:
    def there() -> bool:
        found = drill_json(records)
        return bool(found["steps"]) and reached(found, records)

    wait_until(there, name, drill)


class TestRealFile:
    SCENARIO = (
        '[[scenario]]\nname = "handover"\ncommand = ["true"]\nhold-command = ["true"]\n'
        'run-in = "300ms"\nrun-out = "300ms"\n'
    )

    def test_a_new_file_is_made_used_again_by_the_next_run_and_removed_at_the_end(self, tmp_path: Path) -> None:
        plan = write_plan(tmp_path, self.SCENARIO + "repeats = 2\n")
        plan.write_text(plan.read_text().replace("[volume]", "[volume]\ndiscard-at-end = true"))
        done = ackproof("drill", plan, "--no-dossier")
        assert done.returncode == 0, done.stderr
        assert "PASS   all runs" in done.stdout
        assert not (tmp_path / "volume.img").exists()

    def test_a_file_that_was_there_needs_its_identity(self, tmp_path: Path) -> None:
        (tmp_path / "volume.img").write_bytes(b"precious" * (1 << 18))
        done = ackproof("drill", write_plan(tmp_path, self.SCENARIO), "--no-dossier")
        assert (done.returncode, "--erase" in done.stderr) == (2, True)
        assert (tmp_path / "volume.img").read_bytes() == b"precious" * (1 << 18)

    def test_another_file_in_its_place_is_not_written_to(self, tmp_path: Path) -> None:
        plan = write_plan(tmp_path, self.SCENARIO + "repeats = 2\n")
        drill = start("drill", plan, "--no-dossier")
        _wait_for_stage(tmp_path / "records", lambda found, _: found["steps"][0]["state"] == "finished", "it", drill)
        os.killpg(drill.pid, signal.SIGKILL)
        drill.communicate()
        (tmp_path / "volume.img").rename(tmp_path / "old.img")
        (tmp_path / "volume.img").write_bytes(b"precious" * (1 << 18))
        resumed = ackproof("drill", plan, "--no-dossier", "--resume")
        assert resumed.returncode in (2, 4), resumed.stdout
        assert (tmp_path / "volume.img").read_bytes() == b"precious" * (1 << 18)

    def test_without_a_terminal_what_has_no_command_is_refused_before_anything_is_made(self, tmp_path: Path) -> None:
        done = ackproof("drill", write_plan(tmp_path))
        assert (done.returncode, "nobody is at a terminal" in done.stderr) == (2, True)
        assert list(tmp_path.iterdir()) == [tmp_path / "plan.toml"]


def test_a_new_plan_is_written_and_never_over_another_file(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    assert ackproof("drill", "--new", path).returncode == 0
    assert len(read_plan(str(path)).scenarios) == 17
    path.write_text("mine")
    refused = ackproof("drill", "--new", path)
    assert (refused.returncode, path.read_text()) == (2, "mine")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "name a plan"),
        (("{plan}", "--fault", "sound"), "--fault goes with --rehearse"),
        (("{plan}", "--again"), "--again goes with --resume"),
        (("{plan}", "--rehearse", "--resume"), "there is no drill to go on with"),
        (("{plan}", "--no-dossier", "--sign", "key.pem"), "leave out --no-dossier"),
    ],
)
def test_what_does_not_go_together_is_told(tmp_path: Path, arguments: tuple[str, ...], said: str) -> None:
    plan = write_plan(tmp_path)
    done = ackproof("drill", *(argument.replace("{plan}", str(plan)) for argument in arguments))
    assert (done.returncode in (2, 4), said in done.stderr, "Traceback" in done.stderr) == (True, True, False)


def test_a_terminal_that_hung_up_before_the_prompt_was_asked_nothing(
    tmp_path: Path, screens: Callable[..., Screen]
) -> None:
    screen = screens(write_plan(tmp_path, THREE.replace("300ms", "2s")), "--rehearse", "--no-dossier")
    screen.wait_for("Hold point")
    screen.type("\n")
    screen.wait_for("run-in of 2 s")
    assert screen.hang_up() == 4
    first = drill_json(tmp_path / "records-rehearsal")["steps"][0]
    assert (first["state"], first["begun"]) == ("loading", [])


def test_when_the_terminal_hangs_up_the_load_goes_on_and_the_deed_is_not_asked_for_again(
    tmp_path: Path, screens: Callable[..., Screen]
) -> None:
    """The operator's own connection may hang on the cable that was pulled; Ctrl-D alone is no answer."""
    screen = screens(write_plan(tmp_path), "--rehearse", "--no-dossier")
    screen.type("\n")
    screen.wait_for("Hold point")
    screen.type("\n")
    screen.wait_for(">>> DO IT NOW")
    screen.type("\x04")
    screen.wait_for(">>> Enter, or q?")
    assert screen.hang_up() == 4
    (first, *others) = drill_json(tmp_path / "records-rehearsal")["steps"]
    assert (first["state"], first["begun"], first["done"]) == ("injecting", ["do"], [])
    assert "the terminal hung up when 'hand over' had been asked for" in first["deviations"][-1]
    assert all(step["state"] == "planned" for step in others)




def test_the_ledgers_of_all_runs_are_kept_a_second_time(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_bytes(SECRET)
    secret.chmod(0o600)
    plan = write_plan(tmp_path, TestRealFile.SCENARIO + "repeats = 2\n")
    with receiving(tmp_path / "kept") as held:
        where = f'second-ledger = "{name_of(held.address)}"\nsecret = "{secret}"\n'
        plan.write_text(where + plan.read_text())
        done = ackproof("drill", plan, "--no-dossier")
        assert done.returncode == 0, done.stderr
    for step in drill_json(tmp_path / "records")["steps"]:
        record = tmp_path / "records" / step["folder"]
        run = json.loads((record / "run.json").read_text())["run"]["id"]
        for part in (record / "ledger").glob("*.ledger"):
            assert (tmp_path / "kept" / run / "ledger" / part.name).read_bytes() == part.read_bytes()


def test_a_secret_that_cannot_be_read_is_told_before_anything_is_made(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, TestRealFile.SCENARIO)
    plan.write_text(f'second-ledger = "127.0.0.1:1"\nsecret = "{tmp_path}/none"\n' + plan.read_text())
    done = ackproof("drill", plan)
    assert (done.returncode in (2, 4), "Traceback" in done.stderr) == (True, False)
    assert list(tmp_path.iterdir()) == [plan]
