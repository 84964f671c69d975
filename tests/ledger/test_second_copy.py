"""What a receiver holds grows by whole frames that fit, is never written over, and lies where it must."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3

from tests.ledger.second_ends import SECRET, Held, Written, encrypted, ends, receiving, sending, wait_for
from tests.ledger.slow_ledger import Frame, build, writes
from verify.errors import CannotRun
from verify.ledger import second_receiver, second_sender, second_tail
from verify.ledger.frames import HEADER_BYTES, RECORD_BYTES, RECORDS_MAX, FrameKind, encode_frame
from verify.ledger.second_channel import HELD, PLACE, WHOLE_RUN, Channel, Kind, greet_receiver, unpack_all, unpack_text
from verify.ledger.second_copy import FOLDERS, Contradiction, RunCopy, read_description


@pytest.fixture
def written(tmp_path: Path) -> Written:
    return Written(tmp_path / "guest", 5, 20)


def copy_of(place: Path, written: Written) -> RunCopy:
    copy = RunCopy(place, written.run_json, "192.0.2.5")
    copy.resume(written.run_json)
    return copy


@pytest.fixture
def copy(place: Path, written: Written) -> Iterator[RunCopy]:
    made = copy_of(place, written)
    yield made
    made.close()


def held_bytes(copy: RunCopy, part: int) -> bytes:
    return (copy.path / "ledger" / f"{part:03d}.ledger").read_bytes()


class TestAppending:
    def test_whole_frames_one_after_another(self, copy: RunCopy, written: Written) -> None:
        at = 0
        for frame in written.whole[1]:
            copy.append(1, at, frame)
            at += len(frame)
            assert held_bytes(copy, 1) == written.bytes_of(1)[:at]
        assert dict(copy.sync())[1] == at

    def test_what_is_held_already_is_taken_once(self, copy: RunCopy, written: Written) -> None:
        frames = written.whole[1]
        copy.append(1, 0, b"".join(frames[:5]))
        copy.append(1, 0, b"".join(frames[:5]))
        copy.append(1, len(frames[0]), b"".join(frames[1:8]))
        assert held_bytes(copy, 1) == b"".join(frames[:8])

    @pytest.mark.parametrize("flip", [0, 80, 200, -1])
    def test_other_bytes_where_some_are_held_are_refused(self, copy: RunCopy, written: Written, flip: int) -> None:
        frames = written.whole[1]
        copy.append(1, 0, b"".join(frames[:5]))
        other = bytearray(b"".join(frames[:6]))
        other[flip] ^= 1
        with pytest.raises(Contradiction) as raised:
            copy.append(1, 0, bytes(other))
        assert raised.value.part == 1
        assert held_bytes(copy, 1) == b"".join(frames[:5])

    def test_a_gap_is_refused(self, copy: RunCopy, written: Written) -> None:
        frames = written.whole[1]
        copy.append(1, 0, frames[0])
        with pytest.raises(Contradiction, match="gap"):
            copy.append(1, len(frames[0]) + len(frames[1]), frames[2])
        assert held_bytes(copy, 1) == frames[0]

    @pytest.mark.parametrize("spoil", ["cut", "header", "body", "other run", "other part", "left out", "noise"])
    def test_what_does_not_follow_is_refused_whole(self, copy: RunCopy, written: Written, spoil: str) -> None:
        frames = written.whole[1]
        copy.append(1, 0, b"".join(frames[:3]))
        good = b"".join(frames[3:6])
        bad = {
            "cut": good[:-1],
            "header": good[:10] + bytes([good[10] ^ 1]) + good[11:],
            "body": good[:-1] + bytes([good[-1] ^ 1]),
            "other run": b"".join(build([Frame(writes(0, 0, 5)) for _ in range(6)], written.run.tag ^ 1, 1)[3:]),
            "other part": b"".join(written.whole[2][3:6]),
            "left out": b"".join(frames[4:6]),
            "noise": bytes(range(256)),
        }[spoil]
        with pytest.raises(Contradiction):
            copy.append(1, len(b"".join(frames[:3])), bad)
        assert held_bytes(copy, 1) == b"".join(frames[:3])
        copy.append(1, len(b"".join(frames[:3])), good)

    def test_nothing_stands_after_the_close(self, copy: RunCopy, written: Written) -> None:
        whole = written.bytes_of(1)
        copy.append(1, 0, whole)
        with pytest.raises(Contradiction, match="after the close"):
            copy.append(1, len(whole), build([Frame(writes(0, 0, 1))], written.run.tag, 1)[0])
        assert held_bytes(copy, 1) == whole

    @pytest.mark.parametrize("part", [3, 99, WHOLE_RUN])
    def test_a_part_that_the_run_has_not_is_refused(self, copy: RunCopy, written: Written, part: int) -> None:
        with pytest.raises(Contradiction, match="no part"):
            copy.append(part, 0, written.whole[1][0])
        assert sorted(os.listdir(copy.path / "ledger")) == ["000.ledger", "001.ledger", "002.ledger"]

    def test_a_torn_end_is_cut_off_and_damage_is_refused_and_left_alone(self, place: Path, written: Written) -> None:
        copy = copy_of(place, written)
        frames = written.whole[1]
        copy.append(1, 0, b"".join(frames[:4]))
        copy.close()
        path = copy.path / "ledger" / "001.ledger"
        path.write_bytes(b"".join(frames[:5])[:-3])
        copy = copy_of(place, written)
        assert held_bytes(copy, 1) == b"".join(frames[:4])
        copy.close()
        damaged = bytearray(b"".join(frames[:5]))
        damaged[len(frames[0]) + 100] ^= 1
        path.write_bytes(damaged)
        copy = RunCopy(place, written.run_json, "192.0.2.5")
        with pytest.raises(Contradiction, match="damaged"):
            copy.resume(written.run_json)
        copy.close()
        assert path.read_bytes() == damaged

    def test_what_could_not_be_made_lasting_is_given_up(
        self, copy: RunCopy, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        frames = written.whole[1]
        copy.append(1, 0, b"".join(frames[:3]))
        copy.sync()
        copy.append(1, len(b"".join(frames[:3])), b"".join(frames[3:6]))

        def fail(_file: int) -> None:
            raise OSError(5, "Input/output error")

        with monkeypatch.context() as patch:
            patch.setattr(os, "fdatasync", fail)
            with pytest.raises(OSError, match="Input/output"):
                copy.sync()
        assert held_bytes(copy, 1) == b"".join(frames[:3])
        assert next(row for row in copy.held() if row[0] == 1)[1] == len(b"".join(frames[:3]))
        copy.append(1, len(b"".join(frames[:3])), b"".join(frames[3:6]))


class TestDescription:
    @pytest.mark.parametrize(
        "name", ["../../../tmp/x", "..", ".", "", "/etc", "a/b", "0123456789ABCDEF", "0" * 15, "0" * 17, "é" * 16]
    )
    def test_a_name_that_is_no_runs_makes_nothing(self, place: Path, written: Written, name: str) -> None:
        run = {**written.about["run"], "id": name}
        with pytest.raises(Contradiction):
            RunCopy(place, json.dumps({**written.about, "run": run}).encode(), "192.0.2.5")
        assert os.listdir(place) == []
        assert sorted(os.listdir(place.parent)) == ["guest", "kept"]

    @pytest.mark.parametrize("content", [b"", b"[]", b"{}", b"null", b"\xff", b"[" * 100_000, b'{"run": 7}'])
    def test_what_is_no_run_json_is_refused(self, content: bytes) -> None:
        with pytest.raises(Contradiction):
            read_description(content)

    def test_a_folder_that_is_a_link_is_not_followed(self, place: Path, written: Written, tmp_path: Path) -> None:
        elsewhere = tmp_path / "elsewhere"
        elsewhere.mkdir()
        (place / written.run.run_id).symlink_to(elsewhere)
        with pytest.raises(Contradiction, match="link"):
            RunCopy(place, written.run_json, "192.0.2.5")
        assert os.listdir(elsewhere) == []

    def test_a_ledger_file_that_is_a_link_is_not_followed(self, place: Path, written: Written, tmp_path: Path) -> None:
        for folder in FOLDERS:
            (place / written.run.run_id / folder).mkdir(parents=True)
        target = tmp_path / "target"
        target.write_bytes(b"kept")
        (place / written.run.run_id / "ledger" / "001.ledger").symlink_to(target)
        copy = RunCopy(place, written.run_json, "192.0.2.5")
        with pytest.raises(OSError, match="symbolic"):
            copy.resume(written.run_json)
        copy.close()
        assert target.read_bytes() == b"kept"

    @pytest.mark.parametrize("change", [{"seed": 9}, {"tag": "0123456789abcdef"}])
    def test_another_run_of_the_same_name_is_refused(
        self, place: Path, written: Written, change: dict[str, Any]
    ) -> None:
        copy_of(place, written).close()
        other = json.dumps({**written.about, "run": {**written.about["run"], **change}}).encode()
        copy = RunCopy(place, other, "192.0.2.5")
        with pytest.raises(Contradiction, match="another run"):
            copy.resume(other)
        copy.close()
        assert (place / written.run.run_id / "run.json").read_bytes() == written.run_json

    def test_a_copy_that_was_sealed_grows_no_more(self, place: Path, written: Written) -> None:
        copy = copy_of(place, written)
        copy.rest()
        (copy.path / "seal.json").write_text("{}")
        with pytest.raises(Contradiction, match="sealed"):
            copy.resume(written.run_json)
        copy.close()

    def test_the_end_is_kept_once_and_says_what_is_missing(self, copy: RunCopy, written: Written) -> None:
        for part in (0, 1):
            copy.append(part, 0, written.bytes_of(part))
        copy.append(2, 0, b"".join(written.whole[2][:3]))
        assert copy.end(written.end_json) == ["002.ledger ends before the run did: 3 frames are held"]
        assert copy.end(written.end_json) == ["002.ledger ends before the run did: 3 frames are held"]
        assert (copy.path / "run.json").read_bytes() == written.end_json
        with pytest.raises(Contradiction):
            copy.end(json.dumps({**json.loads(written.end_json), "ended": "later"}).encode())
        with pytest.raises(Contradiction):
            copy.end(json.dumps({**json.loads(written.end_json), "started": "later"}).encode())
        assert (copy.path / "run.json").read_bytes() == written.end_json
        copy.append(2, len(b"".join(written.whole[2][:3])), b"".join(written.whole[2][3:]))
        assert copy.end(written.end_json) == []


class TestReceiving:
    @pytest.fixture
    def held(self, place: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Held]:
        monkeypatch.setattr(second_receiver, "SYNC_EVERY_S", 0.02)
        monkeypatch.setattr(second_sender, "PAUSE_S_MAX", 0.05)
        with receiving(place) as made:
            yield made

    def connect(self, held: Held, run_json: bytes) -> Channel:
        channel = greet_receiver(encrypted(held), SECRET)
        channel.send(Kind.RUN, run_json)
        return channel

    def next_of(self, channel: Channel, kind: Kind) -> bytes:
        while True:
            message = channel.receive(30.0)
            assert message is not None
            if message[0] == kind:
                return message[1]

    def test_what_contradicts_is_refused_and_told_and_the_rest_goes_on(self, held: Held, written: Written) -> None:
        channel = self.connect(held, written.run_json)
        assert [row[:2] for row in unpack_all(HELD, self.next_of(channel, Kind.HELD))] == [(0, 0), (1, 0), (2, 0)]
        channel.send(Kind.FRAMES, PLACE.pack(1, 0), b"".join(written.whole[1][:4]))
        other = bytearray(written.whole[1][0])
        other[-1] ^= 1
        channel.send(Kind.FRAMES, PLACE.pack(1, 0), bytes(other))
        told = self.next_of(channel, Kind.REFUSED)
        assert int.from_bytes(told[:2], "little") == 1
        assert "other bytes" in unpack_text(told[2:])
        channel.send(Kind.FRAMES, PLACE.pack(2, 0), written.whole[2][0])
        wait_for(lambda: held.bytes_of(written.run, 2) == written.whole[2][0], "the other part")
        channel.close()
        assert held.bytes_of(written.run, 1) == b"".join(written.whole[1][:4])
        assert any("refused: 001.ledger holds other bytes" in line for line in held.said)

    def test_a_sender_whose_ledger_contradicts_says_so_and_does_not_fail(self, held: Held, written: Written) -> None:
        written.grow(5)
        with sending(written, held.address) as second:
            assert second.wait_confirmed(30.0).behind_bytes == 0
        path = Path(written.paths[1])
        other = [Frame(writes(0, number, 1)) for number in range(9)]
        path.write_bytes(b"".join(build(other, written.run.tag, 1)) + bytes(2000))
        before = held.bytes_of(written.run, 1)
        written.whole[1] = build(other, written.run.tag, 1)
        path.write_bytes(before + build([*other, *other, *other], written.run.tag, 1)[6])
        with sending(written, held.address) as second:
            wait_for(lambda: second.facts()["refused"], "the refusal")
            assert list(second.facts()["refused"]) == ["001"]
            assert "no more is sent" in second.lag().trouble
        assert held.bytes_of(written.run, 1) == before

    def test_a_part_that_is_damaged_at_the_sender_does_not_stop_the_others(self, held: Held, written: Written) -> None:
        written.grow(5)
        good = Path(written.paths[1]).read_bytes()
        with open(written.paths[1], "ab") as file:
            file.write(b"\x55" * 200)
        with sending(written, held.address) as second:
            wait_for(lambda: second.facts()["refused"], "the damage is met")
            assert second.facts()["refused"] == {"001": f"001.ledger holds no frame at byte {len(good)}"}
            written.at[1] = len(written.whole[1])
            while written.grow(5):
                pass
            lag = second.wait_confirmed(30.0)
            assert lag.behind_bytes == 200
            assert lag.connected
            missing = second.end(written.end_json, 30.0)
            assert missing == "001.ledger ends before the run did: 5 frames are held"
        assert held.bytes_of(written.run, 1) == good
        for part in (0, 2):
            assert held.bytes_of(written.run, part) == written.bytes_of(part)
        assert any("ended; incomplete" in line for line in held.said)

    def test_what_cannot_be_made_lasting_is_never_confirmed(
        self, held: Held, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        tried: list[int] = []

        def fail(file: int) -> None:
            tried.append(file)
            raise OSError(5, "Input/output error")

        while written.grow(5):
            pass
        with monkeypatch.context() as patch:
            patch.setattr(os, "fdatasync", fail)
            with sending(written, held.address) as second:
                wait_for(lambda: "Input/output" in second.lag().trouble, "the trouble")
                wait_for(lambda: len(tried) > 3, "more attempts")
                assert second.lag().confirmed_bytes == 0
        with sending(written, held.address) as second:
            assert second.end(written.end_json, 30.0) == ""
        for part in written.whole:
            assert held.bytes_of(written.run, part) == written.bytes_of(part)

    @pytest.mark.parametrize("at_once", [1, 100, 3000])
    def test_frames_longer_than_what_is_sent_at_once_go_through(
        self, held: Held, written: Written, at_once: int, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(second_tail, "FRAMES_BYTES", max(at_once, HEADER_BYTES))
        while written.grow(5):
            pass
        with sending(written, held.address) as second:
            assert second.end(written.end_json, 30.0) == ""
        for part in written.whole:
            assert held.bytes_of(written.run, part) == written.bytes_of(part)

    def test_the_longest_frame_goes_through(self, held: Held, written: Written) -> None:
        opening = written.whole[1][0]
        body = bytes(RECORDS_MAX * RECORD_BYTES)
        longest = encode_frame(FrameKind.OPERATIONS, 1, blake3(opening).digest(), body, RECORDS_MAX)
        Path(written.paths[1]).write_bytes(opening + longest)
        with sending(written, held.address) as second:
            wait_for(lambda: second.lag().confirmed_bytes, "something is confirmed")
            assert second.wait_confirmed(60.0).behind_bytes == 0
        assert held.bytes_of(written.run, 1) == opening + longest

    def test_a_name_that_leaves_the_folder_is_refused(self, held: Held, written: Written) -> None:
        run = {**written.about["run"], "id": "../../escaped/00"}
        channel = self.connect(held, json.dumps({**written.about, "run": run}).encode())
        told = self.next_of(channel, Kind.REFUSED)
        channel.close()
        assert int.from_bytes(told[:2], "little") == WHOLE_RUN
        assert os.listdir(held.folder) == []

    def test_a_newer_connection_of_a_run_ends_the_older(
        self, held: Held, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(second_receiver, "SILENCE_S", 1000.0)  # It is not ended for its silence.
        first = self.connect(held, written.run_json)
        self.next_of(first, Kind.HELD)
        second = self.connect(held, written.run_json)
        self.next_of(second, Kind.HELD)
        assert ends(first)
        second.send(Kind.FRAMES, PLACE.pack(1, 0), written.whole[1][0])
        wait_for(lambda: held.bytes_of(written.run, 1) == written.whole[1][0], "its frames")
        first.close()
        second.close()

    def test_a_full_disk_is_told_and_kept_from_and_gone_on_from(
        self, small_disk: Callable[[int], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(second_receiver, "SYNC_EVERY_S", 0.02)
        monkeypatch.setattr(second_sender, "PAUSE_S_MAX", 0.05)
        disk = small_disk(1024 * 1024)
        written = Written(tmp_path / "long", 6, 200)
        while written.grow(5):
            pass
        ballast = disk / "ballast"
        with receiving(disk / "kept") as held:
            ballast.write_bytes(bytes((1024 - 128) * 1024))
            with sending(written, held.address) as second:
                wait_for(lambda: "disk is full" in second.lag().trouble, "the trouble")
                part_held = {part: held.bytes_of(written.run, part) for part in written.whole}
                for part, content in part_held.items():
                    assert written.bytes_of(part).startswith(content)
                assert second.lag().behind_bytes > 0
                assert any("cannot be kept: the receiver's disk is full" in line for line in held.said)
                wait_for(lambda: second.facts()["connections"] > 3, "other attempts")
                said, tried = list(held.said), second.facts()["connections"]
                wait_for(lambda: second.facts()["connections"] > tried + 3, "more attempts")
                assert held.said == said, "the same is said again and again"
                ballast.unlink()
                assert second.wait_confirmed(30.0).behind_bytes == 0
                assert second.end(written.end_json, 30.0) == ""
            for part in written.whole:
                assert held.bytes_of(written.run, part) == written.bytes_of(part)

    def test_only_one_receiver_keeps_a_folder(self, held: Held) -> None:
        with pytest.raises(CannotRun, match="another receiver"):
            Held(held.folder)

    def test_a_run_is_told_of_when_it_begins_goes_on_lags_and_ends(
        self, held: Held, written: Written, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(second_receiver, "LAG_TOLD_S", 3.0)
        channel = self.connect(held, written.run_json)
        self.next_of(channel, Kind.HELD)
        for behind_ms in (100, 4000, 9000, 2000, 100):
            channel.send(Kind.STATUS, second_sender.STATUS.pack(12345, behind_ms))
        channel.send(Kind.FRAMES, PLACE.pack(1, 0), written.whole[1][0])
        wait_for(lambda: held.bytes_of(written.run, 1), "the frames")
        channel.close()
        wait_for(lambda: any("connection lost" in line for line in held.said), "the loss")
        while written.grow(5):
            pass
        with sending(written, held.address) as second:
            assert second.wait_confirmed(30.0).behind_bytes == 0
            assert second.end(written.end_json, 30.0) == ""
        told = [line.split(": ", 1)[1] for line in held.said]
        total = sum(len(written.bytes_of(part)) for part in written.whole)
        assert [line.split(";")[0].split(",")[0] for line in told] == [
            "begins", "lags: 4.0 s behind its writer", "has caught up", "connection lost", "goes on", "ended"
        ]  # fmt: skip
        assert told[-1] == f"ended; complete, {total:,} bytes"
        assert all(line.startswith(f"run {written.run.run_id}: ") for line in held.said)
