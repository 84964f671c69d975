"""Whether this computer computes rightly what a verdict is built on: checksums, payloads and sorted numbers.

The libraries choose their code by what the processor says of itself. One that does not do all that it says, as some
emulated ones, gives wrong results without a word: sound data would seem damaged, or a loss would go by another name.
"""

from __future__ import annotations

import numpy as np
from blake3 import blake3
from xxhash import xxh3_64_intdigest

from verify.errors import CannotRun

_XXH_PRIME32, _XXH_PRIME64 = 2654435761, 11400714785074694797
_XXH_BYTES, _XXH_DIGEST = 2367, 0xCB37AEB9E5D361ED
_BLAKE3_KEY = b"whats the Elvish word for friend"
_BLAKE3_BYTES = 1024
_BLAKE3_KEYED = "75c46f6f3d9eb4f55ecaaee480db732e6c2105546f1e675003687c31719c7ba4"
_PIECE_BYTES, _OUTPUT_BYTES = 64, 8192
_NUMBERS = 3000


def checksum_is_right() -> bool:
    """XXH3 against a published value (xxHash, cli/xsum_sanity_check.c), long enough for its vectorised code."""
    generator, content = _XXH_PRIME32, bytearray()
    for _ in range(_XXH_BYTES):
        content.append(generator >> 56)
        generator = generator * _XXH_PRIME64 % 2**64
    return bool(xxh3_64_intdigest(content) == _XXH_DIGEST)


def payload_is_right() -> bool:
    """BLAKE3 against a published value (BLAKE3, test_vectors/test_vectors.json), and its long output against itself.

    A long output is made several blocks at a time by vectorised code, a short one by itself.
    """
    hasher = blake3(bytes(index % 251 for index in range(_BLAKE3_BYTES)), key=_BLAKE3_KEY)
    pieces = (hasher.digest(length=_PIECE_BYTES, seek=at) for at in range(0, _OUTPUT_BYTES, _PIECE_BYTES))
    return hasher.hexdigest() == _BLAKE3_KEYED and hasher.digest(length=_OUTPUT_BYTES) == b"".join(pieces)


def sorting_is_right() -> bool:
    """The ways in which the judge sorts, against Python's own."""
    numbers = [(index * _XXH_PRIME64 % 2**64) >> 2 for index in range(_NUMBERS)]
    array, ascending = np.array(numbers, dtype=np.int64), sorted(numbers)
    unique, first = np.unique(array, return_index=True)
    found = np.searchsorted(np.array(ascending, dtype=np.int64), array)
    every = (np.sort(array), array[np.argsort(array, kind="stable")], array[np.lexsort((array,))], unique, array[first])
    return all(one.tolist() == ascending for one in every) and [ascending[at] for at in found.tolist()] == numbers


def require_right_arithmetic() -> None:
    """Refuse to write or to judge on a computer that does not get known results; takes a few milliseconds.

    Raises:
        CannotRun: saying what it gets wrong.
    """
    tried = {"checksums": checksum_is_right, "payloads": payload_is_right, "sorting": sorting_is_right}
    wrong = [name for name, is_right in tried.items() if not is_right()]
    if wrong:
        raise CannotRun(
            f"this computer makes mistakes in {' and '.join(wrong)}, so nothing that it says of a volume can be "
            "believed: use another one, or, where its processor is emulated, another model of processor"
        )
