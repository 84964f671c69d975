"""What a copy refuses, and in which words."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.ledger.copy.contents import SENDER, changed, file_of, length_of
from tests.ledger.second_ends import Written
from verify.ledger.second_copy import RUN_JSON_BYTES_MAX, Contradiction, RunCopy, read_description


class TestWhatIsRefused:
    """Each refusal whole: it is sent to the sender, whose user reads it, and told at the receiver."""

    def check(self, copy: RunCopy, part: int, offset: int, frames: bytes, wanted: str) -> None:
        with pytest.raises(Contradiction) as raised:
            copy.append(part, offset, frames)
        assert str(raised.value) == wanted
        assert raised.value.part == part

    def test_frames_that_do_not_fit(self, copy: RunCopy, written: Written) -> None:
        frames = written.whole[1]
        at = length_of(frames[:3])
        copy.append(1, 0, b"".join(frames[:3]))
        frame = frames[3]
        spoiled = frame[:-1] + bytes([frame[-1] ^ 1])
        self.check(copy, 1, at + 1, frame, f"frames of 001.ledger at byte {at + 1} leave a gap: {at} bytes are held")
        self.check(copy, 1, 0, frame, "001.ledger holds other bytes at byte 0 than what came")
        self.check(copy, 1, at, frame[:-1], f"001.ledger, frame 3 at byte {at} ends within its body")
        self.check(copy, 1, at, frame[:9], f"001.ledger, frame 3 at byte {at} ends within its header")
        self.check(copy, 1, at, spoiled, f"001.ledger, frame 3 at byte {at}: the body does not match its checksum")
        self.check(copy, 1, at, frames[4], f"001.ledger, frame 3 at byte {at}: it is numbered 4")
        self.check(copy, 3, 0, frame, "the run has no part 3")
        assert file_of(copy, 1).read_bytes() == b"".join(frames[:3])

    def test_what_is_held_and_damaged(self, take: Callable[..., RunCopy], copy: RunCopy, written: Written) -> None:
        frames = written.whole[1]
        damaged = bytearray(b"".join(frames[:3]))
        damaged[length_of(frames[:2]) - 1] ^= 1
        file_of(copy, 1).write_bytes(damaged)
        with pytest.raises(Contradiction) as raised:
            take().resume(written.run_json)
        at = len(frames[0])
        why = f"frame 1 at byte {at}: the body does not match its checksum"
        assert str(raised.value) == f"what is held of 001.ledger is damaged: {why}"
        assert raised.value.part == 1

    def test_a_folder_that_is_a_link(self, place: Path, written: Written, take: Callable[..., RunCopy]) -> None:
        link = place / written.run.run_id
        link.symlink_to(place)
        with pytest.raises(Contradiction) as raised:
            take()
        assert str(raised.value) == f"{link} is a link"
        assert raised.value.part is None

    def test_a_copy_that_is_in_use_until_it_rests(self, place: Path, copy: RunCopy, written: Written) -> None:
        other = RunCopy(place, written.run_json, SENDER)
        for _ in range(2):
            with pytest.raises(Contradiction) as raised:
                other.resume(written.run_json)
            assert str(raised.value) == "another receiver holds it"
            copy.rest()
            other.resume(written.run_json)
            other.rest()
            copy.resume(written.run_json)
        other.close()

    def test_a_copy_that_was_checked(self, copy: RunCopy, written: Written) -> None:
        (copy.path / "seal.json").write_text("{}")
        with pytest.raises(Contradiction) as raised:
            copy.resume(written.run_json)
        assert str(raised.value) == "it was checked and sealed here: it may not grow any more"

    @pytest.mark.parametrize("held", [True, False], ids=["known", "made anew"])
    def test_another_description_under_the_same_name(
        self, take: Callable[..., RunCopy], copy: RunCopy, written: Written, held: bool
    ) -> None:
        """Whether it is another run, or another beginning of the same one."""
        for change in ({"run": {**written.about["run"], "seed": 9}}, {"started": "later"}, {"more": 1}):
            other = changed(written.run_json, **change)
            with pytest.raises(Contradiction) as raised:
                (copy if held else take(content=other)).resume(other)
            assert str(raised.value) == "another run.json is held under the name of this run"
        assert (copy.path / "run.json").read_bytes() == written.run_json

    def test_a_description_held_that_is_too_long(self, copy: RunCopy, written: Written) -> None:
        path = copy.path / "run.json"
        path.write_bytes(written.run_json.rjust(RUN_JSON_BYTES_MAX))
        copy.resume(written.run_json)
        path.write_bytes(written.run_json.rjust(RUN_JSON_BYTES_MAX + 1))
        with pytest.raises(Contradiction, match=r"^it is described by no run\.json$"):
            copy.resume(written.run_json)

    def test_the_end_of_another_run(self, copy: RunCopy, written: Written) -> None:
        end = written.end_json
        for other in (
            written.run_json,
            changed(end, started="later"),
            changed(end, run={**written.about["run"], "seed": 9}),
            changed(end, format=None),
        ):
            with pytest.raises(Contradiction) as raised:
                copy.end(other)
            assert str(raised.value) == "the end of another run"
            assert raised.value.part is None
        assert (copy.path / "run.json").read_bytes() == written.run_json
        assert not json.loads((copy.path / "received.json").read_text())["ended"]


class TestDescriptions:
    def refusal(self, content: bytes) -> str:
        with pytest.raises(Contradiction) as raised:
            read_description(content)
        return str(raised.value)

    def test_of_a_run_are_given_back(self, written: Written) -> None:
        about, run = read_description(written.run_json)
        assert about == written.about
        assert run == written.run

    def test_that_are_none_are_refused_with_the_reason(self, written: Written) -> None:
        none = "it is described by no run.json"
        assert self.refusal(b"[]") == none
        assert self.refusal(b"{") == (
            f"{none}: Expecting property name enclosed in double quotes: line 1 column 2 (char 1)"
        )
        assert self.refusal(b'{"run": 7}') == f"{none}: run.json: an object was expected here"
        run = {**written.about["run"], "id": "0123456789ABCDEF"}
        assert self.refusal(changed(written.run_json, run=run)) == "its name is no run's"

    def test_a_long_reason_is_cut(self, written: Written) -> None:
        run = {**written.about["run"], "seed": 10**500}
        reason = self.refusal(changed(written.run_json, run=run)).removeprefix("it is described by no run.json: ")
        assert reason == f"run.json: the field 'seed' is {10**500}"[:200]

    def test_of_more_than_the_limit_are_refused(self, written: Written) -> None:
        assert read_description(written.run_json.rjust(RUN_JSON_BYTES_MAX))[1] == written.run
        assert self.refusal(written.run_json.rjust(RUN_JSON_BYTES_MAX + 1)) == "it is described by no run.json"
