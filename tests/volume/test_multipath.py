"""What `dmsetup` prints of a multipath map; the texts are laid out as the kernel's target writes them [from memory]."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.volume.multipath import MapPath, parse_map, read_map

TABLE = (
    "0 2097152 multipath 2 queue_if_no_path retain_attached_hw_handler 1 alua 2 1 "
    "service-time 0 1 2 8:0 1 1 service-time 0 1 2 8:16 1 1\n"
)
STATUS = "0 2097152 multipath 2 0 0 0 2 1 A 0 1 2 8:0 A 0 0 1 E 0 1 2 8:16 F 3 0 1\n"
PLAIN_TABLE = "0 2097152 multipath 0 0 1 1 round-robin 0 2 1 8:0 1000 8:16 1000\n"
PLAIN_STATUS = "0 2097152 multipath 2 0 0 0 1 1 A 0 2 0 8:0 A 0 8:16 A 0\n"


def test_a_map_of_two_groups() -> None:
    told = parse_map(TABLE, STATUS)
    assert told is not None
    assert told.queues_without_paths
    assert told.features == ("queue_if_no_path", "retain_attached_hw_handler")
    assert (told.handler, told.group_count) == ("alua", 2)
    assert told.paths == (MapPath("8:0", True, 0, 1), MapPath("8:16", False, 3, 2))


def test_a_map_of_one_group_without_features_or_handler() -> None:
    told = parse_map(PLAIN_TABLE, PLAIN_STATUS)
    assert told is not None
    assert not told.queues_without_paths
    assert (told.features, told.handler, told.group_count) == ((), "", 1)
    assert told.paths == (MapPath("8:0", True, 0, 1), MapPath("8:16", True, 0, 1))


def test_without_a_status_the_policy_is_still_known() -> None:
    told = parse_map(TABLE, "")
    assert told is not None
    assert told.queues_without_paths
    assert told.paths == ()


@pytest.mark.parametrize(
    "table", ["", "\n", "0 8 linear 8:0 0\n", "0 8 multipath", "0 8 multipath x y z", TABLE + TABLE]
)
def test_what_is_no_multipath_map_is_none(table: str) -> None:
    assert parse_map(table, STATUS) is None


@given(st.integers(0, len(TABLE)), st.integers(0, len(STATUS)))
def test_cut_lines_break_nothing(table_length: int, status_length: int) -> None:
    told = parse_map(TABLE[:table_length], STATUS[:status_length])
    assert told is None or told.group_count >= 0


@given(st.text(alphabet="0189:AFEx- \n", max_size=60))
def test_nonsense_breaks_nothing(text: str) -> None:
    parse_map("0 8 multipath " + text, "0 8 multipath " + text)


def test_the_device_mapper_is_asked_without_flushing_the_map() -> None:
    asked = []

    def ask(words: object) -> str:
        asked.append(words)
        return ""

    assert read_map("mpatha", ask) is None
    assert asked == [("dmsetup", "table", "mpatha"), ("dmsetup", "status", "--noflush", "mpatha")]
