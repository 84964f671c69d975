"""The arguments and sums of scripts/mutate; that it finds what tests miss only a run of it can show."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from scripts.mutation.__main__ import TESTS, MutationError, Workshop, chosen, module_files, parse, summary

ROOT = Path(__file__).resolve().parents[2]


class TestModules:
    @pytest.mark.parametrize(("given", "meant"), [
        (["judge/order"], ["verify/judge/order.py"]),
        (["verify/judge/order.py", "judge/order"], ["verify/judge/order.py"]),
        (["judge/order", "blocks/decode"], ["verify/blocks/decode.py", "verify/judge/order.py"]),
    ])  # fmt: skip
    def test_a_module_by_any_of_its_names(self, given: list[str], meant: list[str]) -> None:
        assert module_files(given) == meant

    def test_rooms_and_nothing_mean_all_of_them(self) -> None:
        every = module_files([])
        assert every == module_files(list(TESTS)) == sorted({*every})
        assert all((ROOT / file).is_file() for file in every)
        assert module_files(["verify/blocks/"]) == [file for file in every if file.startswith("verify/blocks/")]

    @pytest.mark.parametrize("name", ["load", "judge/none", "order", "judge/__init__", ""])
    def test_any_other_name_is_refused_by_name(self, name: str) -> None:
        with pytest.raises(MutationError, match="none of the modules"):
            module_files([name])


class TestOptions:
    @pytest.mark.parametrize("wrong", [
        ["--for", "0"], ["--for", "nan"], ["--for", "soon"], ["--sample", "0"], ["--workers", "-1"],
        ["--effort", "inf"],
    ])  # fmt: skip
    def test_what_cannot_be_meant_is_wrong_usage(self, wrong: list[str], capsys: pytest.CaptureFixture[str]) -> None:
        with pytest.raises(SystemExit) as ended:
            parse(wrong)
        assert ended.value.code == 2
        assert wrong[0] in capsys.readouterr().err

    def test_a_module_and_a_budget(self) -> None:
        options = parse(["judge", "--for", "90", "--sample", "7"])
        assert (options.modules, options.seconds, options.sample) == (["judge"], 90.0, 7)


MUTANTS = {"verify/a.py": {f"m{n}": "untried" for n in range(50)}, "verify/b.py": {"k": "killed"}}


class TestSampleAndSums:
    def test_a_sample_depends_on_its_seed_alone(self) -> None:
        first = chosen(MUTANTS, 10, 1)
        assert {file: len(mutants) for file, mutants in first.items()} == {"verify/a.py": 10, "verify/b.py": 1}
        assert chosen(MUTANTS, 10, 1) == first != chosen(MUTANTS, 10, 2)
        assert chosen(MUTANTS, None, 1) == MUTANTS

    def test_what_was_noticed_is_a_share_of_what_was_tried(self) -> None:
        statuses = ["killed", "killed", "timed out", "survived", "untested", "untried"]
        lines = summary({"verify/a.py": {str(i): status for i, status in enumerate(statuses)}}).splitlines()
        assert [line.split() for line in lines[1:]] == [
            ["a.py", "6", "2", "1", "1", "1", "1", "60.0%"], ["all", "6", "2", "1", "1", "1", "1", "60.0%"],
        ]  # fmt: skip

    def test_results_hold_for_the_code_that_they_were_got_with(self, tmp_path: Path) -> None:
        workshop = Workshop(tmp_path)
        assert workshop.statuses(["verify/a.py"]) == {}
        (tmp_path / "made.json").write_text('{"verify/a.py": {"source": "0123456789abcdef", "names": ["m1", "m2"]}}')
        (tmp_path / "results.jsonl").write_text(
            '{"mutant": "m1", "of": "0123456789ab", "status": "survived"}\n'
            '{"mutant": "m1", "of": "0123456789ab", "status": "killed"}\n'
            '{"mutant": "m2", "of": "of former code", "status": "killed"}\n'
        )
        assert workshop.statuses(["verify/a.py"]) == {"verify/a.py": {"m1": "killed", "m2": "untried"}}

    def test_mutants_of_former_code_are_left_out_of_the_copy(self, tmp_path: Path) -> None:
        file = "verify/judge/spans.py"
        source = (ROOT / file).read_bytes()
        for digest, code in (("of former code", source), (hashlib.sha256(source).hexdigest(), b"mutants")):
            made = {file: {"source": digest, "code": "mutants", "names": []}}
            (tmp_path / "made.json").write_text(json.dumps(made))
            workshop = Workshop(tmp_path)
            workshop.renew([])
            assert (workshop.tree / file).read_bytes() == code
