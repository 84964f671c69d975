"""FORMAT.md of the ledger says what the code does, and the other way round."""

from __future__ import annotations

import ast
import errno
import json
from pathlib import Path

import pytest
from blake3 import blake3

from tests.blocks.format_page import ROOT, all_code, code, read_page
from tests.ledger.slow_ledger import (
    KINDS,
    Frame,
    Item,
    build,
    chain_start,
    number,
    read,
    slow_clock,
    slow_items,
    slow_record,
)
from verify.judge.content import Content, Seen
from verify.ledger import frames as frames_module
from verify.ledger import reader, recorder
from verify.ledger.frames import (
    HEADER,
    HEADER_BYTES,
    HEADER_CHECK,
    MAGIC,
    VERSION,
    FrameKind,
    Kind,
    clock_record,
    decode_event,
    decode_records,
    encode_event,
    encode_frame,
    operation_record,
)
from verify.load.lane import SHORT_TRANSFER

PAGE = read_page("ledger")
STRUCT_LETTERS = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q"}
LOAD_FILES = sorted((ROOT / "verify" / "load").glob("*.py"))


def events_in(paths: list[Path]) -> dict[str, list[set[str]]]:
    """Every event that the source of some files spells out: its kind, and the fields it is given there."""
    found: dict[str, list[set[str]]] = {}
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Dict):
                continue
            keys = [key.value if isinstance(key, ast.Constant) else None for key in node.keys]
            if "event" in keys:
                kind = node.values[keys.index("event")]
                assert isinstance(kind, ast.Constant), ast.dump(kind)
                found.setdefault(str(kind.value), []).append({str(k) for k in keys if k} - {"event"})
    return found


class TestTables:
    def test_the_header_is_laid_out_as_the_table_says(self) -> None:
        rows = PAGE.tables("Frame header")[0]
        letters = "".join(f"{row['size']}s" if row["type"] == "bytes" else STRUCT_LETTERS[row["type"]] for row in rows)
        assert f"<{letters}" == HEADER.format + HEADER_CHECK.format.removeprefix("<")
        end = 0
        for row in rows:
            assert int(row["offset"]) == end, row
            end += int(row["size"])
        assert end == HEADER_BYTES

    def test_every_field_of_the_header_stands_where_the_table_says(self) -> None:
        rows = {row["field"]: row for row in PAGE.tables("Frame header")[0]}
        frame = encode_frame(FrameKind.OPERATIONS, 7, bytes(range(32)), b"x" * 48, 2)

        def field(name: str) -> bytes:
            low = int(rows[name]["offset"])
            return frame[low : low + int(rows[name]["size"])]

        assert field("magic") == MAGIC == bytes.fromhex(code(rows["magic"]["value"]))
        assert field("version") == bytes([VERSION]) == bytes([int(rows["version"]["value"])])
        assert field("reserved") == bytes(2)
        assert (field("kind"), field("records"), field("number")) == (b"\x01", number(2, 4), number(7, 8))
        assert (field("body_bytes"), field("before")) == (number(48, 4), bytes(range(32)))
        assert frame == Frame(b"x" * 48, kind=1).encode(7, bytes(range(32)))

    def test_the_limits_are_those_of_the_code(self) -> None:
        (rows,) = PAGE.tables("Limits")
        listed = {code(row["name"]): int(row["value"]) for row in rows}
        assert listed == {name: getattr(frames_module, name) for name in listed}
        in_code = {name for name, value in vars(frames_module).items() if name.isupper() and type(value) is int}
        assert in_code - {"VERSION"} == set(listed)

    def test_frame_kinds_and_the_start_of_the_chain_are_those_of_the_code(self) -> None:
        _, kinds, material = PAGE.tables("Frame header")
        assert {code(row["frame kind"]): int(row["number"]) for row in kinds} == {k.name: k.value for k in FrameKind}
        laid_out = [(row["field"], row["type"], row["offset"], row["size"]) for row in material]
        assert laid_out == [("tag", "u64", "0", "8"), ("part", "u64", "8", "8")]
        assert f"`{frames_module.CHAIN_CONTEXT}`" in PAGE.sections["Frame header"]
        assert frames_module.chain_start(2**64 - 1, 7) == chain_start(2**64 - 1, 7)

    def test_a_record_is_laid_out_as_the_table_says(self) -> None:
        rows = PAGE.tables("Record")[0]
        values = {
            "kind": 6, "code": 0xA1, "lane": 0xB2B3, "sequence_low": 0xC4C5C6C7, "sequence_high": 0xD8D9,
            "wait_ns": 0xE0E1E2E3E4E5, "issued_ns": 0x70F1F2F3F4F5F6F7,
        }  # fmt: skip
        sequence = values["sequence_high"] << 32 | values["sequence_low"]
        issued_ns, wait_ns = values["issued_ns"], values["wait_ns"]
        record = operation_record(6, values["lane"], sequence, issued_ns, issued_ns + wait_ns, values["code"])
        assert record == b"".join(number(values[row["field"]], int(row["size"])) for row in rows)
        ends = [int(row["offset"]) + int(row["size"]) for row in rows]
        assert [int(row["offset"]) for row in rows] == [0, *ends[:-1]]
        assert all(row["type"] == f"u{8 * int(row['size'])}" for row in rows)
        assert ends[-1] == len(record) == frames_module.RECORD_BYTES

    def test_every_kind_of_record_is_listed(self) -> None:
        rows = PAGE.tables("Record")[1]
        listed = {code(row["kind"]): int(row["number"]) for row in rows}
        assert listed == {kind.name: kind.value for kind in Kind} == KINDS

    def test_the_code_of_a_short_transfer_is_no_errno(self) -> None:
        assert f"{SHORT_TRANSFER} for a short transfer" in PAGE.sections["Record"]
        assert SHORT_TRANSFER not in errno.errorcode

    def test_every_event_that_is_written_is_listed_with_its_fields_and_no_other(self) -> None:
        rows = PAGE.tables("Event")[0]
        listed = {code(row["event"]): set(all_code(row["fields"])) for row in rows}
        found = events_in([*LOAD_FILES, Path(recorder.__file__)])
        assert set(listed) == set(found)
        for kind, spellings in found.items():
            for fields in spellings:
                if kind == "mark":
                    assert fields == {"accepted_ns"}, "the rest comes from the mark itself"
                elif kind == "close":
                    assert listed[kind] - fields <= {"heads"}
                    assert fields <= listed[kind]
                else:
                    assert fields == listed[kind], kind

    def test_the_fields_of_what_was_seen_are_those_of_the_judge(self) -> None:
        rows = PAGE.tables("Event")[1]
        assert [code(row["field"]) for row in rows] == list(Seen(Content.WHOLE).to_json())

    def test_the_numbers_in_the_prose_are_those_of_the_code(self) -> None:
        writing = " ".join(PAGE.sections["Writing"].split())
        assert recorder.FRAME_EVERY_S == 0.05
        assert "Every 50 ms one thread" in writing
        assert recorder.SYNC_EVERY_S == 1.0
        assert "Every second another" in writing
        assert f"reserve of {recorder.RESERVE_BYTES >> 20} MiB" in writing
        assert recorder.HEARTBEAT_EVERY_S == 0.1
        assert "every 100 ms" in PAGE.tables("Record")[1][8]["told when"]
        assert f"{(250 * frames_module.RECORD_BYTES + HEADER_BYTES) / 250:.1f} bytes a record" in writing
        reading = " ".join(PAGE.sections["Reading"].split())
        assert f"a multiple of {reader.SECTOR_BYTES} bytes" in reading
        assert f"at least {reader.ZERO_TAIL_BYTES_MIN} of them" in reading
        assert f"fewer than {reader.ZERO_TAIL_BYTES_MIN} zero bytes" in " ".join(PAGE.sections["Awkward cases"].split())
        assert frames_module.WAIT_NS_MAX // 3_600_000_000_000 == 78


def example_bodies() -> list[bytes]:
    """The bodies of the worked example, from its tables, by the slow encoder."""
    _, operations, clock, ends = PAGE.tables("Worked example")
    opening, closing = example_events()

    def records(rows: list[dict[str, str]]) -> bytes:
        out = b""
        for row in rows:
            values = {name: int(value) for name, value in row.items() if name != "kind"}
            out += slow_record(KINDS[code(row["kind"])], **values)
        return out

    sample = slow_clock(int(clock[0]["monotonic_ns"]), int(clock[0]["wall_ns"]))
    return [opening, records(operations), sample, records(ends), closing]


def example_events() -> tuple[bytes, bytes]:
    opening, closing = PAGE.fenced("Worked example", "json")
    return opening.rstrip("\n").encode(), closing.rstrip("\n").encode()


def example_names() -> tuple[int, int]:
    facts = {row["name"]: int(row["value"], 0) for row in PAGE.tables("Worked example")[0]}
    return facts["tag"], facts["part"]


class TestWorkedExample:
    def test_it_is_what_the_page_alone_makes(self) -> None:
        whole, _ = PAGE.dumps("Worked example")
        assert b"".join(build([Frame(body) for body in example_bodies()], *example_names())) == whole

    def test_it_is_what_the_code_makes(self) -> None:
        whole, head = PAGE.dumps("Worked example")
        _, operations, clock, ends = PAGE.tables("Worked example")
        before, out = frames_module.chain_start(*example_names()), b""
        for index, body in enumerate(example_bodies()):
            is_event = index in (0, 4)
            kind = FrameKind.EVENT if is_event else FrameKind.OPERATIONS
            frame = encode_frame(kind, index, before, body, 1 if is_event else len(body) // 24)
            before = blake3(frame).digest()
            out += frame
        assert out == whole
        assert before == head
        made = [
            operation_record(
                Kind[code(row["kind"])], int(row["lane"]), int(row["sequence"]), int(row["issued_ns"]),
                int(row["issued_ns"]) + int(row["wait_ns"]), int(row["code"]),
            )
            for row in (*operations, *ends)
        ]  # fmt: skip
        sample = clock_record(int(clock[0]["monotonic_ns"]), int(clock[0]["wall_ns"]))
        assert [b"".join(made[:2]), sample, b"".join(made[2:])] == example_bodies()[1:4]

    def test_it_is_read_back_as_it_says(self, tmp_path: Path) -> None:
        whole, head = PAGE.dumps("Worked example")
        path = tmp_path / "001.ledger"
        path.write_bytes(whole)
        items, state = read(path, *example_names())
        bodies = example_bodies()
        wanted: list[Item] = [json.loads(bodies[0])]
        for body in bodies[1:4]:
            wanted += slow_items(body)
        assert items == [*wanted, json.loads(bodies[4])]
        assert (state.frames, state.good_bytes, state.head) == (5, len(whole), head.hex())
        assert (state.closed, state.torn, state.damaged) == (True, "", "")
        assert len(decode_records(b"".join(bodies[1:4]))) == 5

    @pytest.mark.parametrize("which", [0, 1])
    def test_its_events_are_spelled_as_the_code_spells_them(self, which: int) -> None:
        body = example_events()[which]
        assert encode_event(json.loads(body)) == body
        assert decode_event(body) == json.loads(body)
