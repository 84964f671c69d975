"""A volume with another identity is that of the run if it holds what only the run can have written."""

from __future__ import annotations

from verify.drill.checking import _other_volume
from verify.drill.opening import OpenedVolume
from verify.drill.scan import ScanResult
from verify.rehearsal.backing import MemoryBacking
from verify.rehearsal.pair import SimulatedPair


def test_torn_sectors_beyond_an_open_ledger_are_enough() -> None:
    """They were judged, so the verdict may not say that nothing was checked."""
    opened = OpenedVolume(SimulatedPair(MemoryBacking(4096)), "there", other_identity="serial:other")
    assert "nothing was checked" in _other_volume(opened, ScanResult())
    assert _other_volume(opened, ScanResult(own_blocks=1)) == ""
    assert _other_volume(opened, ScanResult(found_beyond={0: 9})) == ""
