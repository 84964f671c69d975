"""Published values of the counter-based random generator and of quantiles, as this project calls numpy."""

from __future__ import annotations

import numpy as np
import pytest

MAX64 = 2**64 - 1


class TestPhilox:
    """Philox4x64-10; known answers of Random123 (Salmon, Moraes, Dror and Shaw, SC 2011) [from memory].

    numpy increments the 256-bit counter, lowest word first, before it generates, so the counter given is the
    one before the published counter. A counter of mixed words must be a uint64 array: numpy turns a list of
    words below and above 2**63 into floats, and their low bits are gone.
    """

    def test_counter_zero_key_zero(self) -> None:
        words = np.random.Philox(key=0, counter=[MAX64] * 4).random_raw(4)
        assert [f"{word:016x}" for word in words] == [
            "16554d9eca36314c",
            "db20fe9d672d0fdc",
            "d7e772cee186176b",
            "7e68b68aec7ba23b",
        ]

    def test_counter_and_key_all_ones(self) -> None:
        words = np.random.Philox(key=2**128 - 1, counter=[MAX64 - 1, MAX64, MAX64, MAX64]).random_raw(4)
        assert [f"{word:016x}" for word in words] == [
            "87b092c3013fe90b",
            "438c3c67be8d0224",
            "9cc7d7c69cd777b6",
            "a09caebf594f0ba0",
        ]

    def test_counter_and_key_from_the_digits_of_pi(self) -> None:
        counter = [0x243F6A8885A308D3 - 1, 0x13198A2E03707344, 0xA4093822299F31D0, 0x082EFA98EC4E6C89]
        key = 0xBE5466CF34E90C6C_452821E638D01377
        words = np.random.Philox(key=key, counter=np.array(counter, dtype=np.uint64)).random_raw(4)
        assert [f"{word:016x}" for word in words] == [
            "a528f45403e61d95",
            "38c72dbd566e9788",
            "a5a1610e72fd18b5",
            "57bd43b5e52b7fe6",
        ]

    @pytest.mark.parametrize("first", [0, 1, 1000, 2**32 - 2, MAX64 - 1])
    def test_a_run_of_outputs_is_that_of_consecutive_counters(self, first: int) -> None:
        run = np.random.Philox(key=5, counter=first).random_raw(16)
        single = [np.random.Philox(key=5, counter=first + step).random_raw(4) for step in range(4)]
        assert run.tolist() == np.concatenate(single).tolist()


class TestQuantiles:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.2, Percentiles.
    NIST_VALUES = (
        95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610,
        95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682,
    )  # fmt: skip

    def test_the_default_is_type_7_of_hyndman_and_fan(self) -> None:
        # Hyndman and Fan, The American Statistician 50(4), 1996, definition 7: position 1 + (n - 1) p.
        assert np.quantile(np.arange(1, 11), 0.95) == pytest.approx(9.55, abs=1e-12)
        assert np.percentile(np.arange(1, 11), 95) == pytest.approx(9.55, abs=1e-12)

    def test_type_6_gives_the_90th_percentile_of_the_nist_handbook(self) -> None:
        # NIST/SEMATECH e-Handbook, section 7.2.6.2: position p (n + 1), which numpy calls "weibull".
        assert np.quantile(self.NIST_VALUES, 0.90, method="weibull") == pytest.approx(95.19807, abs=5e-6)

    def test_the_default_differs_from_the_handbook_on_the_same_values(self) -> None:
        # Hyndman and Fan 1996, definition 7, on the handbook's values.
        ordered = sorted(self.NIST_VALUES)
        by_definition = ordered[9] + (0.9 * 11 - 9) * (ordered[10] - ordered[9])
        assert by_definition == pytest.approx(95.19568, abs=5e-6)
        assert np.quantile(self.NIST_VALUES, 0.90) == pytest.approx(by_definition, abs=1e-9)
