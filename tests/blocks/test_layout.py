"""Slots, lanes and addresses of a stream, and what a stream must not be."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.blocks.layout import LANES_MAX, StreamLayout, is_power_of_two

GOOD: dict[str, Any] = {
    "stream": 0, "start_bytes": 4096, "block_bytes": 4096, "sector_bytes": 512, "slots": 10, "lanes": 4,
    "first_lane": 0, "first_slot": 0,
}  # fmt: skip


class TestWhatAStreamMayBe:
    @pytest.mark.parametrize(
        "changed",
        [
            {}, {"block_bytes": 512}, {"block_bytes": 1 << 22}, {"block_bytes": 4096, "sector_bytes": 4096},
            {"slots": 4}, {"lanes": 1}, {"start_bytes": 0}, {"start_bytes": 512},
            {"lanes": LANES_MAX, "slots": LANES_MAX}, {"first_lane": LANES_MAX - 4},
            {"slots": 2**33, "lanes": 4},
            {"start_bytes": 2**63 - 10 * 4096},
        ],
    )  # fmt: skip
    def test_allowed(self, changed: dict[str, Any]) -> None:
        layout = StreamLayout(**GOOD | changed)
        assert layout.end_bytes == layout.start_bytes + layout.slots * layout.block_bytes

    @pytest.mark.parametrize(
        ("changed", "said"),
        [
            ({"sector_bytes": 0}, "sector of 0 bytes"),
            ({"sector_bytes": 1024}, "sector of 1024 bytes"),
            ({"sector_bytes": 520}, "sector of 520 bytes"),
            ({"block_bytes": 0}, "power of two"),
            ({"block_bytes": -4096}, "power of two"),
            ({"block_bytes": 256}, "power of two"),
            ({"block_bytes": 4095}, "power of two"),
            ({"block_bytes": 6144}, "power of two"),
            ({"block_bytes": 1 << 23}, "power of two"),
            ({"block_bytes": 2048, "sector_bytes": 4096}, "less than a sector"),
            ({"slots": 3}, "at least one slot"),
            ({"lanes": 0}, "at least one slot"),
            ({"lanes": -1}, "at least one slot"),
            ({"slots": 0, "lanes": 0}, "at least one slot"),
            ({"slots": 2**33 + 1}, "use more lanes"),
            ({"lanes": LANES_MAX + 1, "slots": 10_000}, "4097 lanes: at most 4096"),
            ({"first_lane": LANES_MAX - 3}, "4097 lanes: at most 4096"),
            ({"start_bytes": 100}, "no multiple of a sector"),
            ({"start_bytes": -4096}, "no multiple of a sector"),
            ({"start_bytes": 2**63}, "no volume has"),
            ({"start_bytes": 2**63 - 9 * 4096}, "no volume has"),
        ],
    )
    def test_refused_with_a_reason(self, changed: dict[str, Any], said: str) -> None:
        with pytest.raises(ValueError, match=said):
            StreamLayout(**GOOD | changed)

    def test_powers_of_two_are_known(self) -> None:
        assert [n for n in range(-4, 70) if is_power_of_two(n)] == [1, 2, 4, 8, 16, 32, 64]


class TestPlaces:
    @given(st.integers(1, 60), st.integers(1, 20), st.integers(0, 50))
    def test_every_slot_belongs_to_one_lane_and_has_one_address(self, slots: int, lanes: int, start: int) -> None:
        lanes = min(lanes, slots)
        layout = StreamLayout(**GOOD | {"slots": slots, "lanes": lanes, "start_bytes": start * 512})
        by_address = {layout.address(slot): slot for slot in range(slots)}
        assert len(by_address) == slots
        for address in range(start * 512 - 4096, layout.end_bytes + 4097, 512):
            assert layout.slot_at(address) == by_address.get(address)
        assert [layout.lane_slots(lane) for lane in range(lanes)] == [
            sum(slot % lanes == lane for slot in range(slots)) for lane in range(lanes)
        ]
