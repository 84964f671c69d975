"""A drill on a real file: what it may make, write over and remove, and what it leaves alone."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from verify.drill.conduct import volume_ground
from verify.drill.conduct.progress import Progress
from verify.drill.conduct.volume_ground import VolumeGround
from verify.drill.plan.plan import read_plan
from verify.drill.writing import LoadOptions
from verify.errors import CannotRun, UsageError

PLAN = """
records = "{folder}/records"
[volume]
path = "{path}"
{more}
[load]
seed = 1
submit = "threads"
[[stream]]
lanes = 2
span = "64KiB"
[[scenario]]
name = "handover"
command = ["true"]
"""


def ground_of(folder: Path, path: str = "", more: str = "") -> tuple[VolumeGround, Progress]:
    plan = folder / "plan.toml"
    plan.write_text(PLAN.format(folder=folder, path=path or folder / "volume", more=more))
    read = read_plan(str(plan))
    progress = Progress.begin(read, "", 1, read.records)
    return VolumeGround(progress), progress


def load(ground: VolumeGround, progress: Progress, name: str) -> None:
    """Fill and load it for a moment."""
    options = LoadOptions(None, lambda snapshot: None, over=lambda: "enough", handle_signals=False, processes=False)
    scenario = progress.plan.scenarios[0]
    request = progress.plan.request_for(scenario, 1)
    ground.load(scenario, str(progress.path / name), request, options)


def replaced(path: Path) -> bytes:
    """Put somebody's file where the volume was, in its inode if the file system gives that again."""
    path.unlink()
    path.write_bytes(b"precious" * 8192)
    return path.read_bytes()


class TestFileMadeByTheDrill:
    def test_it_is_used_again_and_removed(self, tmp_path: Path) -> None:
        ground, progress = ground_of(tmp_path)
        load(ground, progress, "one")
        load(VolumeGround(Progress.resume(progress.plan, "", progress.plan.records)), progress, "two")
        assert ground.discard() == f"{tmp_path}/volume was removed"
        assert not (tmp_path / "volume").exists()

    def test_another_one_in_its_place_is_neither_written_to_nor_removed(self, tmp_path: Path) -> None:
        ground, progress = ground_of(tmp_path)
        load(ground, progress, "one")
        theirs = replaced(tmp_path / "volume")
        with pytest.raises(UsageError, match="give --erase"):
            load(ground, progress, "two")
        with pytest.raises(CannotRun, match="was not made by this drill and is left as it is"):
            ground.discard()
        assert (tmp_path / "volume").read_bytes() == theirs

    def test_where_it_cannot_be_told_from_another_one_it_is_left_alone(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(volume_ground, "birth_ns", lambda path: 0)
        ground, progress = ground_of(tmp_path)
        load(ground, progress, "one")
        with pytest.raises(CannotRun, match="was not made by this drill"):
            ground.discard()

    def test_known_from_the_moment_it_is_made(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        ground, progress = ground_of(tmp_path)

        def killed(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("verify.drill.writing.run_load", killed)
        with pytest.raises(KeyboardInterrupt):
            load(ground, progress, "one")
        monkeypatch.undo()
        load(VolumeGround(Progress.resume(progress.plan, "", progress.plan.records)), progress, "two")

    def test_vanished_it_is_not_made_anew(self, tmp_path: Path) -> None:
        ground, progress = ground_of(tmp_path)
        load(ground, progress, "one")
        os.unlink(tmp_path / "volume")
        for attempt in (ground.survey, lambda: load(ground, progress, "two")):
            with pytest.raises(CannotRun, match="is not there; bring it back"):
                attempt()
        assert not (tmp_path / "volume").exists()


@pytest.mark.parametrize(("path", "more"), [("/dev/ackproof-no-such-disk", ""), ("", 'erase = "SERIAL"')])
def test_a_missing_volume_is_never_replaced_by_a_file(tmp_path: Path, path: str, more: str) -> None:
    ground, progress = ground_of(tmp_path, path, more)
    for attempt in (ground.survey, lambda: load(ground, progress, "one")):
        with pytest.raises(CannotRun, match="is not there; bring it back"):
            attempt()
    assert not os.path.lexists(progress.plan.volume.path)


def test_a_file_that_the_drill_did_not_make_is_not_removed(tmp_path: Path) -> None:
    (tmp_path / "volume").write_bytes(bytes(65536))
    ground, progress = ground_of(tmp_path, more=f'erase = "{tmp_path}/volume"')
    load(ground, progress, "one")
    with pytest.raises(CannotRun, match="was not made by this drill"):
        ground.discard()
