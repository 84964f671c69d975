"""Inputs by chance: garbage, and honest inputs with pieces changed; where no guided fuzzer is, and for tests."""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Sequence

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

EXAMPLES_AT_ONCE = 200


@st.composite
def _changed(draw: st.DrawFn, seeds: Sequence[bytes]) -> bytes:
    out = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(out)))
        piece = draw(st.binary(max_size=12))
        out[at : at + draw(st.integers(0, 12))] = piece
    return bytes(out)


def inputs(seeds: Sequence[bytes], bytes_max: int) -> st.SearchStrategy[bytes]:
    """Inputs of at most `bytes_max` bytes, most of them not far from the honest ones."""
    near = _changed(seeds).map(lambda data: data[:bytes_max])
    return st.one_of(near, near, st.binary(max_size=min(bytes_max, 200)))


def try_until(
    target: Callable[[bytes], None], data: st.SearchStrategy[bytes], deadline_s: float
) -> tuple[int, bytes, list[str] | None]:
    """Try inputs until the deadline (of the monotonic clock) or the first finding.

    Returns:
        How many were tried, and of a finding the input, made as short as could be, and the traceback.
    """
    count, latest, number = 0, b"", time.time_ns() % 2**32
    while time.monotonic() < deadline_s:
        number += 1

        @seed(number)
        @settings(
            max_examples=EXAMPLES_AT_ONCE, deadline=None, database=None, phases=[Phase.generate, Phase.shrink],
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(data)
        def try_some(one: bytes) -> None:
            nonlocal count, latest
            count, latest = count + 1, one
            target(one)

        try:
            try_some()
        except Exception as error:  # noqa: BLE001  (whatever it is, it is what was looked for)
            return count, latest, traceback.format_exception(error)
    return count, latest, None
