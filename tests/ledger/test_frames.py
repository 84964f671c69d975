"""Records and events survive being written and read, and nothing else passes for an event."""

from __future__ import annotations

import json
import math
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.ledger.slow_ledger import Item, flat, slow_clock, slow_items, slow_record
from verify.ledger.frames import (
    EVENT_BYTES_MAX,
    EVENT_DEPTH_MAX,
    SEQUENCE_MAX,
    WAIT_NS_MAX,
    Kind,
    Records,
    clock_record,
    decode_event,
    decode_records,
    encode_event,
    operation_record,
)

TIMED_KINDS = [kind for kind in Kind if kind is not Kind.CLOCK]
RECORDS = st.tuples(
    st.sampled_from(TIMED_KINDS),
    st.integers(0, 255),
    st.integers(0, 65535),
    st.integers(0, SEQUENCE_MAX),
    st.integers(0, 2**62),
    st.integers(0, WAIT_NS_MAX),
)
CLOCKS = st.tuples(st.integers(0, 2**63 - 1), st.integers(0, 2**63 - 1))

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | FINITE | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=20,
)
EVENTS = st.dictionaries(TEXTS, VALUES, max_size=6)


class TestRecords:
    @settings(max_examples=300)
    @given(st.lists(RECORDS | CLOCKS, max_size=40))
    def test_what_is_written_is_read(self, made: list[tuple[int, ...]]) -> None:
        body, slow, wanted = b"", b"", []
        for values in made:
            if len(values) == 2:
                monotonic_ns, wall_ns = values
                body += clock_record(monotonic_ns, wall_ns)
                slow += slow_clock(monotonic_ns, wall_ns)
                wanted.append((int(Kind.CLOCK), 0, 0, 0, monotonic_ns, wall_ns))
            else:
                kind, code, lane, sequence, issued_ns, wait_ns = values
                body += operation_record(kind, lane, sequence, issued_ns, issued_ns + wait_ns, code)
                slow += slow_record(kind, lane, sequence, issued_ns, wait_ns, code)
                wanted.append((int(kind), code, lane, sequence, issued_ns, issued_ns + wait_ns))
        assert body == slow
        assert flat(decode_records(body)) == wanted

    @pytest.mark.parametrize("count", [0, 2])
    def test_columns_are_whole_numbers_and_no_wider_than_said(self, count: int) -> None:
        """As floating-point numbers, times would be rounded once they are added up."""
        records = decode_records(clock_record(5, 6) * count)
        types = {
            "kind": np.uint8, "code": np.uint8, "lane": np.int64, "sequence": np.int64, "issued_ns": np.int64,
            "done_ns": np.int64,
        }  # fmt: skip
        assert {field.name: getattr(records, field.name).dtype for field in fields(Records)} == types

    @settings(max_examples=300)
    @given(st.binary(max_size=960).map(lambda data: data[: len(data) // 24 * 24]))
    def test_any_bytes_are_read_as_records_of_some_kind(self, body: bytes) -> None:
        def wrapped(item: Item) -> tuple[int, ...]:
            assert isinstance(item, tuple)
            return tuple((value + 2**63) % 2**64 - 2**63 for value in item)

        assert flat(decode_records(body)) == [wrapped(item) for item in slow_items(body)]

    @pytest.mark.parametrize(
        ("issued_ns", "done_ns", "wait_ns"),
        [
            (5, 5, 0),
            (5, 4, 0),
            (5, 5 + WAIT_NS_MAX, WAIT_NS_MAX),
            (5, 6 + WAIT_NS_MAX, WAIT_NS_MAX),
            (0, 2**62, WAIT_NS_MAX),
        ],
    )
    def test_a_wait_is_kept_within_what_a_record_can_say(self, issued_ns: int, done_ns: int, wait_ns: int) -> None:
        body = operation_record(Kind.WRITE, 65535, SEQUENCE_MAX, issued_ns, done_ns, 255)
        assert flat(decode_records(body)) == [(1, 255, 65535, SEQUENCE_MAX, issued_ns, issued_ns + wait_ns)]

    @given(st.lists(RECORDS, max_size=20), st.data())
    def test_records_can_be_taken_by_position(self, made: list[tuple[int, ...]], data: st.DataObject) -> None:
        records = decode_records(b"".join(operation_record(k, l_, s, i, i + w, c) for k, c, l_, s, i, w in made))
        which = data.draw(st.lists(st.integers(0, max(len(made) - 1, 0)), max_size=len(made)))
        taken = records.take(np.array(which, dtype=np.int64))
        assert flat(taken) == [flat(records)[index] for index in which]


def nested(depth: int) -> Any:
    value: Any = {}
    for _ in range(depth - 1):
        value = {"a": value}
    return value


class TestEvents:
    @settings(max_examples=400)
    @given(EVENTS)
    def test_what_is_written_is_read(self, event: dict[str, Any]) -> None:
        body = encode_event(event)
        assert decode_event(body) == event
        assert json.loads(body) == event

    @settings(max_examples=300)
    @given(
        st.dictionaries(
            st.text(max_size=3) | st.integers(0, 1),
            st.recursive(
                st.none() | st.text(max_size=5) | st.floats() | st.integers() | st.binary(max_size=2),
                lambda inner: st.lists(inner, max_size=3) | st.tuples(inner, inner),
                max_leaves=10,
            ),
            max_size=3,
        )
    )
    def test_whatever_is_written_can_be_read_or_is_refused(self, event: dict[Any, Any]) -> None:
        try:
            body = encode_event(event)
        except ValueError:
            return
        assert encode_event(decode_event(body)) == body

    def test_half_a_surrogate_pair_becomes_a_question_mark(self) -> None:
        assert decode_event(encode_event({"text": "cable \udcff pulled"})) == {"text": "cable ? pulled"}

    @pytest.mark.parametrize(
        ("event", "said"),
        [
            ({"a": math.nan}, "a number of the event is not finite"),
            ({"a": [-math.inf]}, "a number of the event is not finite"),
            ({"a": 2**63}, "a number of the event needs more than 64 bits"),
            ({"a": [-(2**63) - 1]}, "a number of the event needs more than 64 bits"),
            ({"a": 10**5000}, "a number of the event needs more than 64 bits"),
            ({1: "a"}, "a key of the event is not text"),
            ({"a": {"\ud800": 1}}, "a key of the event is not text"),
            ({"a": b"bytes"}, "the event holds a value of type bytes"),
            ({"a": {1, 2}}, "the event holds a value of type set"),
            ({"a": nested(EVENT_DEPTH_MAX)}, "the event is nested deeper than 16 levels"),
            ({"a": "x" * EVENT_BYTES_MAX}, f"an event of {EVENT_BYTES_MAX + 8} bytes is too long"),
        ],
    )
    def test_what_the_format_cannot_say_is_refused(self, event: dict[Any, Any], said: str) -> None:
        with pytest.raises(ValueError, match=f"^{said}$"):
            encode_event(event)

    def test_an_event_that_holds_itself_is_refused(self) -> None:
        event: dict[str, Any] = {}
        event["a"] = [event]
        with pytest.raises(ValueError, match="nested"):
            encode_event(event)

    def test_the_limits_themselves_are_allowed(self) -> None:
        for event in (
            nested(EVENT_DEPTH_MAX),
            {"a": [2**63 - 1, -(2**63), 1e308, 5e-324, -0.0]},
            {"a": "x" * (EVENT_BYTES_MAX - len('{"a":""}'))},
        ):
            assert decode_event(encode_event(event)) == event

    @pytest.mark.parametrize(
        "body",
        [
            b"", b"{", b"[]", b"1", b"null", b'"open"', b"{}{}", b"{} ", b" {}", b'{"a": 1}', b'{"b":1,"a":2}',
            b'{"a":1,"a":1}', b'{"a":1,"a":2}', b'{"a":NaN}', b'{"a":Infinity}', b'{"a":-Infinity}', b'{"a":1e999}',
            b'{"a":9223372036854775808}', b'{"a":' + b"9" * 5000 + b"}", b'{"a":' + b"9" * 4000 + b"}", b'{"a":-0}',
            b'{"a":01}', b'{"a":1E5}', b'{"a":"\\u0041"}', b'{"a":"\\ud800"}', b'{"a":"\\/"}', b'{"a":"\xff"}',
            b'{"a":"\xed\xa0\x80"}', b"\xef\xbb\xbf{}", '{"a":1}'.encode("utf-16"), '{"a":1}'.encode("utf-32-le"),
            b'{"a":"\n"}', b'{"a":"\x00"}', b"{'a':1}", b'{"a":1,}', b'{"a":"\\ud83d\\ude00"}',
            b'{"a":' * 17 + b"{}" + b"}" * 17, b'{"a":' * 100_000, b"[" * 1_000_000,
            b'{"a":' + b"[" * 100_000 + b"]" * 100_000 + b"}",
            b'{"a":"' + b"x" * EVENT_BYTES_MAX + b'"}',
        ],
        ids=lambda body: f"{body[:30]!r}",
    )  # fmt: skip
    def test_nothing_but_the_one_spelling_of_an_object_is_an_event(self, body: bytes) -> None:
        with pytest.raises(ValueError, match=r"^(the event|an event|a number|a key)"):
            decode_event(body)

    @settings(max_examples=400)
    @given(st.binary(max_size=60) | st.text(alphabet='{}[]":,\\u0123456789.eE+-aN ').map(str.encode))
    def test_garbage_is_an_event_or_refused(self, body: bytes) -> None:
        try:
            event = decode_event(body)
        except ValueError:
            return
        assert encode_event(event) == body
