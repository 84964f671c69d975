"""Published hash vectors, against the hash functions as this project calls them."""

from __future__ import annotations

import struct

import pytest
import xxhash
from blake3 import blake3

# The generators and primes of the xxHash sanity check (xxHash, cli/xsum_sanity_check.c).
XXH_PRIME32 = 2654435761
XXH_PRIME64 = 11400714785074694797


def xxh_input(length_bytes: int) -> bytearray:
    """The buffer of cli/xsum_sanity_check.c: top bytes of a generator multiplied by PRIME64 each step."""
    generator = XXH_PRIME32
    buffer = bytearray()
    for _ in range(length_bytes):
        buffer.append(generator >> 56)
        generator = generator * XXH_PRIME64 % 2**64
    return buffer


class TestXxh3:
    """XXH3 with 64 bits; values from xxHash, cli/xsum_sanity_check.c."""

    VECTORS = (
        (0, 0, 0x2D06800538D394C2),
        (1, 0, 0xC44BDFF4074EECDB),
        (6, XXH_PRIME64, 0x84589C116AB59AB9),
        (512, 0, 0x617E49599013CB6B),
        (2048, XXH_PRIME64, 0x66F81670669ABABC),
        (2367, 0, 0xCB37AEB9E5D361ED),
    )

    def test_the_input_is_the_published_one(self) -> None:
        assert xxh_input(16).hex() == "0052929bb732a3242d00af950eecb893"

    @pytest.mark.parametrize(
        ("length_bytes", "value"), [(length, value) for length, seed, value in VECTORS if seed == 0]
    )
    def test_unseeded_digest_of_a_memory_view(self, length_bytes: int, value: int) -> None:
        assert xxhash.xxh3_64_intdigest(memoryview(xxh_input(length_bytes))) == value

    @pytest.mark.parametrize(("length_bytes", "seed", "value"), VECTORS)
    def test_seeded_digest_of_a_memory_view(self, length_bytes: int, seed: int, value: int) -> None:
        assert xxhash.xxh3_64_intdigest(memoryview(xxh_input(length_bytes)), seed=seed) == value

    @pytest.mark.parametrize(
        ("length_bytes", "value"), [(length, value) for length, seed, value in VECTORS if seed == 0]
    )
    def test_a_slice_of_a_larger_buffer_is_digested_as_its_own_bytes_alone(
        self, length_bytes: int, value: int
    ) -> None:
        surrounded = memoryview(b"\xa5" * 3 + bytes(xxh_input(length_bytes)) + b"\x5a" * 70)
        assert xxhash.xxh3_64_intdigest(surrounded[3 : 3 + length_bytes]) == value


def blake3_input(length_bytes: int) -> bytes:
    """Byte i is i mod 251 (BLAKE3, test_vectors/test_vectors.json)."""
    return bytes(index % 251 for index in range(length_bytes))


class TestBlake3:
    """BLAKE3; values, key and context from BLAKE3, test_vectors/test_vectors.json."""

    KEY = b"whats the Elvish word for friend"
    CONTEXT = "BLAKE3 2019-12-27 16:29:52 test vectors context"
    HASH_VECTORS = (
        (0, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"),
        (1024, "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7"),
        (1025, "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444"),
    )
    KEYED_VECTORS = (
        (0, "92b2b75604ed3c761f9d6f62392c8a9227ad0ea3f09573e783f1498a4ed60d26"),
        (1024, "75c46f6f3d9eb4f55ecaaee480db732e6c2105546f1e675003687c31719c7ba4"),
    )

    @pytest.mark.parametrize(("length_bytes", "value"), HASH_VECTORS)
    def test_plain_hash(self, length_bytes: int, value: str) -> None:
        assert blake3(blake3_input(length_bytes)).digest().hex() == value

    def test_extended_output_goes_on_after_the_hash(self) -> None:
        extended = blake3(blake3_input(1024)).digest(length=64)
        assert extended[:32].hex() == self.HASH_VECTORS[1][1]
        assert extended[32:].hex() == "1cf8107265ecdaf8505b95d8fcec83a98a6a96ea5109d2c179c47a387ffbb404"

    @pytest.mark.parametrize(("length_bytes", "value"), KEYED_VECTORS)
    @pytest.mark.parametrize("output_bytes", [32, 512, 4096, 4 * 2**20])
    def test_keyed_extended_output_of_any_length_begins_with_the_keyed_hash(
        self, length_bytes: int, value: str, output_bytes: int
    ) -> None:
        output = blake3(blake3_input(length_bytes), key=self.KEY).digest(length=output_bytes)
        assert len(output) == output_bytes
        assert output[:32].hex() == value

    def test_derived_key(self) -> None:
        derived = blake3(blake3_input(0), derive_key_context=self.CONTEXT).digest()
        assert derived.hex() == "2cc39783c223154fea8dfb7c1b1660f2ac2dcbd1c1de8277b0b0dd39b7e50d7d"


class TestBlake3ExtendedOutputBeyondTheVectors:
    """The published keyed vectors used here are 32 bytes long, the payload is a whole block of keyed output.

    So the rest is checked against the compression function itself, written out for a message of one block:
    output block t is the compression of the message's only block with the counter t (BLAKE3 specification,
    part 2 [from memory]).
    """

    CHUNK_START, CHUNK_END, ROOT, KEYED_HASH = 1, 2, 8, 16
    INITIAL = (
        0x6A09E667, 0xBB67AE85, 0x3C6EF372, 0xA54FF53A, 0x510E527F, 0x9B05688C, 0x1F83D9AB, 0x5BE0CD19,
    )  # fmt: skip
    PERMUTATION = (2, 6, 3, 10, 7, 0, 4, 13, 1, 11, 12, 5, 9, 14, 15, 8)
    COLUMNS_THEN_DIAGONALS = (
        (0, 4, 8, 12), (1, 5, 9, 13), (2, 6, 10, 14), (3, 7, 11, 15),
        (0, 5, 10, 15), (1, 6, 11, 12), (2, 7, 8, 13), (3, 4, 9, 14),
    )  # fmt: skip

    def root_output(self, message: bytes, key: bytes | None, output_bytes: int) -> bytes:
        """Give the extended output for a message of at most 64 bytes."""
        words = list(struct.unpack("<16I", message.ljust(64, b"\0")))
        chaining = self.INITIAL if key is None else struct.unpack("<8I", key)
        flags = self.CHUNK_START | self.CHUNK_END | self.ROOT | (0 if key is None else self.KEYED_HASH)
        output = b""
        for counter in range(-(-output_bytes // 64)):
            output += self.compress(chaining, words, counter, len(message), flags)
        return output[:output_bytes]

    def compress(
        self, chaining: tuple[int, ...], words: list[int], counter: int, length_bytes: int, flags: int
    ) -> bytes:
        mask = 0xFFFFFFFF
        state = [
            *chaining, *self.INITIAL[:4], counter & mask, counter >> 32, length_bytes, flags,
        ]  # fmt: skip

        def rotated(value: int, bits: int) -> int:
            return (value >> bits | value << (32 - bits)) & mask

        for _ in range(7):
            for index, (a, b, c, d) in enumerate(self.COLUMNS_THEN_DIAGONALS):
                for word, turn_d, turn_b in ((words[2 * index], 16, 12), (words[2 * index + 1], 8, 7)):
                    state[a] = (state[a] + state[b] + word) & mask
                    state[d] = rotated(state[d] ^ state[a], turn_d)
                    state[c] = (state[c] + state[d]) & mask
                    state[b] = rotated(state[b] ^ state[c], turn_b)
            words = [words[source] for source in self.PERMUTATION]
        low = [state[index] ^ state[index + 8] for index in range(8)]
        high = [state[index + 8] ^ chaining[index] for index in range(8)]
        return struct.pack("<16I", *low, *high)

    def test_the_written_out_function_gives_the_published_values(self) -> None:
        # BLAKE3, test_vectors/test_vectors.json, length 0.
        assert self.root_output(b"", None, 32).hex() == TestBlake3.HASH_VECTORS[0][1]
        assert self.root_output(b"", TestBlake3.KEY, 32).hex() == TestBlake3.KEYED_VECTORS[0][1]

    @pytest.mark.parametrize("length_bytes", [0, 1, 32, 63, 64])
    @pytest.mark.parametrize("output_bytes", [1, 32, 63, 64, 65, 448, 4096, 16384])
    def test_every_byte_of_keyed_extended_output_is_the_specified_one(
        self, length_bytes: int, output_bytes: int
    ) -> None:
        message = blake3_input(length_bytes)
        expected = self.root_output(message, TestBlake3.KEY, output_bytes)
        assert blake3(message, key=TestBlake3.KEY).digest(length=output_bytes) == expected
