"""FORMAT.md of the blocks says what the code does, and the other way round."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest

from tests.blocks.format_page import code, read_page
from tests.blocks.slow_blocks import slow_block
from verify.blocks import layout as layout_module
from verify.blocks import payload as payload_module
from verify.blocks.decode import State, decode_blocks
from verify.blocks.dissect import CANDIDATES_MAX, KIN_SHARE, Origin
from verify.blocks.encode import _FIRST_STAMP, BlockMaker
from verify.blocks.layout import MAGIC, SECTOR_BYTES_ALLOWED, STAMP_DTYPE, VERSION, StreamLayout, first_word

PAGE = read_page("blocks")
FORMATS = {"u8": "u1", "u16": "<u2", "u32": "<u4", "u64": "<u8"}
STRUCT_LETTERS = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q"}


def example() -> dict[str, int]:
    (rows,) = PAGE.tables("Worked example")
    return {row["name"]: int(row["value"], 0) for row in rows}


def example_layout() -> StreamLayout:
    facts = example()
    names = ("stream", "start_bytes", "block_bytes", "sector_bytes", "slots", "lanes")
    return StreamLayout(**{name: facts[name] for name in names}, first_lane=0, first_slot=0)


class TestTables:
    def test_the_stamp_is_laid_out_as_the_table_says(self) -> None:
        (rows,) = PAGE.tables("Stamp")
        assert tuple(row["field"] for row in rows) == STAMP_DTYPE.names
        fields: Any = STAMP_DTYPE.fields
        for row in rows:
            format_, offset = fields[row["field"]][:2]
            wanted = f"S{row['size']}" if row["type"] == "bytes" else FORMATS[row["type"]]
            assert (format_, offset) == (np.dtype(wanted), int(row["offset"])), row
            assert format_.itemsize == int(row["size"]), row

    def test_the_stamp_has_no_gap_and_no_overlap(self) -> None:
        (rows,) = PAGE.tables("Stamp")
        end = 0
        for row in rows:
            assert int(row["offset"]) == end
            end += int(row["size"])
        assert end == layout_module.STAMP_BYTES == STAMP_DTYPE.itemsize == _FIRST_STAMP.size

    def test_constants_in_the_stamp_are_those_of_the_code(self) -> None:
        (rows,) = PAGE.tables("Stamp")
        values = {row["field"]: row["value"] for row in rows}
        assert bytes.fromhex(code(values["magic"])) == MAGIC
        assert int(values["version"]) == VERSION
        head = first_word(example_layout()).to_bytes(8, "little")
        assert head == MAGIC + bytes([VERSION, 9, 10, int(values["reserved"])])

    def test_the_limits_are_those_of_the_code(self) -> None:
        (rows,) = PAGE.tables("Limits")
        listed = {code(row["name"]): int(row["value"]) for row in rows}
        assert listed == {name: getattr(layout_module, name) for name in listed}
        in_code = {name for name, value in vars(layout_module).items() if name.isupper() and type(value) is int}
        assert in_code - {"VERSION"} == set(listed)
        sectors = " or ".join(map(str, SECTOR_BYTES_ALLOWED))
        assert f"the logical block size of the volume, {sectors} bytes" in PAGE.sections["Limits"]

    def test_key_material_and_message_are_packed_as_the_tables_say(self) -> None:
        for rows, packer in zip(
            PAGE.tables("Payload"), (payload_module._KEY_MATERIAL, payload_module._MESSAGE), strict=True
        ):
            wanted = struct.Struct("<" + "".join(STRUCT_LETTERS[row["type"]] for row in rows))
            assert packer.format == wanted.format
            assert [int(row["offset"]) for row in rows] == list(range(0, wanted.size, 8))
            assert all(int(row["size"]) == 8 for row in rows)
        assert f"`{payload_module.PAYLOAD_CONTEXT}`" in PAGE.sections["Payload"]

    def test_the_checksum_stands_where_the_table_says(self) -> None:
        ((row,),) = PAGE.tables("Checksum")
        assert row["offset"] == f"block_bytes - {layout_module.CHECKSUM_BYTES}"
        assert int(row["size"]) == layout_module.CHECKSUM_BYTES
        assert row["type"] == "u64"

    def test_every_state_and_every_origin_is_listed(self) -> None:
        states, origins = PAGE.tables("Reading")
        assert {code(row["state"]): int(row["number"]) for row in states} == {s.name: s.value for s in State}
        assert [code(row["origin"]) for row in origins] == [origin.name for origin in Origin]

    def test_the_numbers_in_the_prose_are_those_of_the_code(self) -> None:
        text = " ".join(PAGE.sections["Reading"].split())
        assert f"up to {CANDIDATES_MAX} writes" in text
        assert KIN_SHARE == 0.25
        assert "less than a quarter of its bits" in text


class TestWorkedExample:
    def test_it_is_what_the_code_makes(self) -> None:
        facts = example()
        key, block = PAGE.dumps("Worked example")
        maker = BlockMaker(example_layout(), facts["seed"], facts["tag"])
        assert maker.key == key
        assert maker.block(facts["slot"], facts["lane"], facts["sequence"]) == block

    def test_it_is_what_the_page_alone_makes(self) -> None:
        facts = example()
        _, block = PAGE.dumps("Worked example")
        rebuilt = slow_block(
            example_layout(), facts["slot"], facts["lane"], facts["sequence"], facts["seed"], facts["tag"]
        )
        assert rebuilt == block

    def test_it_is_read_back_as_it_says(self) -> None:
        facts = example()
        _, block = PAGE.dumps("Worked example")
        decoded = decode_blocks(memoryview(block), example_layout())
        assert decoded.state.tolist() == [State.WHOLE]
        names = ("tag", "stream", "lane", "sequence")
        assert {name: int(getattr(decoded, name)[0]) for name in names} == {name: facts[name] for name in names}
        assert int(decoded.address[0]) == facts["start_bytes"] + facts["slot"] * facts["block_bytes"] == 0x101800

    @pytest.mark.parametrize("index", range(2))
    def test_its_stamps_stand_at_the_offsets_of_the_table(self, index: int) -> None:
        facts = example()
        _, block = PAGE.dumps("Worked example")
        facts |= {"address": 0x101800, "sector": index}
        facts |= {"version": 1, "sector_shift": 9, "block_shift": 10, "reserved": 0}
        (rows,) = PAGE.tables("Stamp")
        for row in rows[1:]:
            low = index * facts["sector_bytes"] + int(row["offset"])
            assert int.from_bytes(block[low : low + int(row["size"])], "little") == facts[row["field"]], row
