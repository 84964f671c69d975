"""What a copy says of itself: received.json, and what is missing."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Callable
from typing import Any

import pytest
from blake3 import blake3

from tests.ledger.copy.contents import SENDER, changed
from tests.ledger.second_ends import Written
from verify.ledger.second_copy import RunCopy


class TestReceived:
    """received.json: who received it from where since when, whether the end came, and what is missing."""

    def read(self, copy: RunCopy) -> dict[str, Any]:
        content = (copy.path / "received.json").read_text()
        found: dict[str, Any] = json.loads(content)
        assert content == json.dumps(found, indent=2) + "\n", "not as people read it"
        return found

    def test_says_how_it_began_and_goes_on_saying_so(self, take: Callable[..., RunCopy], written: Written) -> None:
        before = time.time_ns()
        copy = take()
        after = time.time_ns()
        copy.resume(written.run_json)
        first = self.read(copy)
        assert before <= first["began_wall_ns"] <= after
        assert {**first, "began_wall_ns": 0} == {
            "format": "ackproof-received/1", "receiver": socket.gethostname(), "sender": SENDER, "began_wall_ns": 0,
            "ended": False, "missing": [],
        }  # fmt: skip
        again = take("192.0.2.6")
        again.resume(written.run_json)
        assert self.read(again) == first, "who sent first, and when, was forgotten"

    def test_says_that_the_run_ended_and_what_is_missing(self, take: Callable[..., RunCopy], written: Written) -> None:
        copy = take()
        copy.resume(written.run_json)
        copy.append(0, 0, written.bytes_of(0))
        copy.append(1, 0, b"".join(written.whole[1][:2]))
        began = self.read(copy)
        missing = [
            f"{part:03d}.ledger ends before the run did: {held} frames are held" for part, held in ((1, 2), (2, 0))
        ]
        assert copy.end(written.end_json) == missing
        assert self.read(copy) == {**began, "ended": True, "missing": missing}
        copy.append(2, 0, written.bytes_of(2))
        again = take("192.0.2.6")
        again.resume(written.run_json)
        assert self.read(again) == {**began, "ended": True, "missing": missing[:1]}

    @pytest.mark.parametrize(
        "content",
        [
            b"", b"[]", b"{}", b'"sender"', b'{"sender": "x"}', b'{"began_wall_ns": 1}',
            b'{"sender": "x", "began_wall_ns": "x"}', b'{"sender": "x", "began_wall_ns": null}',
            b'{"sender": "x", "began_wall_ns": 1e999}', b"[" * 100_000, None,
        ],
    )  # fmt: skip
    def test_that_was_damaged_is_made_anew(
        self, take: Callable[..., RunCopy], copy: RunCopy, written: Written, content: bytes | None
    ) -> None:
        path = copy.path / "received.json"
        path.unlink()
        if content is not None:
            path.write_bytes(content)
        again = take("192.0.2.6")
        again.resume(written.run_json)
        found = self.read(again)
        assert found["sender"] == "192.0.2.6"
        assert found["began_wall_ns"] > 1

    @pytest.mark.parametrize(
        ("heads", "wanted"),
        [
            (None, ["001.ledger was never closed", "002.ledger was never closed"]),
            ([], ["001.ledger was never closed", "002.ledger was never closed"]),
            ({}, ["001.ledger was never closed", "002.ledger was never closed"]),
            ({"0": "other"}, ["000.ledger ends before the run did: 8 frames are held",
                              "001.ledger was never closed", "002.ledger was never closed"]),
            ({"1": "held"}, ["002.ledger was never closed"]),
            ({"2": "other"}, ["001.ledger was never closed", "002.ledger ends before the run did: 0 frames are held"]),
        ],
    )  # fmt: skip
    def test_what_is_missing_by_the_heads_or_else_by_the_close(
        self, copy: RunCopy, written: Written, heads: Any, wanted: list[str]
    ) -> None:
        copy.append(0, 0, written.bytes_of(0))
        copy.append(1, 0, b"".join(written.whole[1][:2]))
        if heads:
            head = blake3(written.whole[1][1]).hexdigest()
            heads = {part: head if said == "held" else "0" * 64 for part, said in heads.items()}
        assert copy.end(changed(written.end_json, ledger_heads=heads)) == wanted
