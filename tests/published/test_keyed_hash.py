"""HMAC-SHA-256 as this project calls it, against a published vector."""

from __future__ import annotations

from verify.ledger.second_secret import keyed


def test_the_proof_of_a_shared_secret_is_hmac_sha_256() -> None:
    """RFC 4231, section 4.3, test case 2, a key shorter than the digest [from memory]."""
    wanted = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert keyed(b"Jefe", b"what do ya want for nothing?").hex() == wanted


def test_a_key_longer_than_the_block_is_hashed_first() -> None:
    """RFC 4231, section 4.7, test case 6: a key of 131 bytes 0xaa [from memory]."""
    wanted = "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"
    assert keyed(b"\xaa" * 131, b"Test Using Larger Than Block-Size Key - Hash Key First").hex() == wanted
