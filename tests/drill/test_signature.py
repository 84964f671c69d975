"""Signatures: made over a seal with Ed25519, and broken by any change of seal or signature."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from tests.drill.sealed import flip_bit
from verify.drill.seal import BrokenSeal
from verify.drill.signature import (
    key_name,
    load_key,
    load_public_key,
    read_signature,
    sign_seal,
    signature_path,
)
from verify.errors import CannotRun, UsageError

pytest.importorskip("cryptography", reason="needs the extra `sign`")
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
)

# RFC 8032, section 7.1, test 2.
SECRET = bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
PUBLIC = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
MESSAGE = b"\x72"
SIGNATURE = (
    "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
    "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
)


@pytest.fixture
def key() -> Ed25519PrivateKey:
    return Ed25519PrivateKey.from_private_bytes(SECRET)


@pytest.fixture
def seal(tmp_path: Path) -> Path:
    (tmp_path / "seal.json").write_bytes(MESSAGE)
    return tmp_path / "seal.json"


def pem(path: Path, key: object, passphrase: bytes | None = None) -> str:
    encryption = NoEncryption() if passphrase is None else BestAvailableEncryption(passphrase)
    path.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, encryption))  # type: ignore[attr-defined]
    return str(path)


def test_the_signature_is_that_of_the_standard(seal: Path, key: Ed25519PrivateKey) -> None:
    """RFC 8032, section 7.1, test 2."""
    assert sign_seal(seal, key).key == PUBLIC
    assert SIGNATURE in signature_path(seal).read_text()
    assert read_signature(seal).key == PUBLIC


def test_every_bit_of_seal_and_signature_counts(seal: Path, key: Ed25519PrivateKey) -> None:
    sign_seal(seal, key)
    for path in (seal, signature_path(seal)):
        before = path.read_bytes()
        for bit in range(len(before) * 8):
            flip_bit(path, bit)
            with pytest.raises(BrokenSeal):
                read_signature(seal)
            path.write_bytes(before)
    assert read_signature(seal).key == PUBLIC


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b"\xff", b"null"])
def test_what_is_no_signature_is_refused(seal: Path, content: bytes) -> None:
    signature_path(seal).write_bytes(content)
    with pytest.raises(BrokenSeal):
        read_signature(seal)


def test_keys_are_read_from_pem(tmp_path: Path, key: Ed25519PrivateKey) -> None:
    private = load_key(pem(tmp_path / "key.pem", key), None)
    (tmp_path / "public.pem").write_bytes(
        private.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    )
    assert load_public_key(str(tmp_path / "public.pem")) == PUBLIC
    assert len(key_name(PUBLIC).replace(" ", "")) == 16


def test_an_encrypted_key_is_opened_with_its_passphrase_only(tmp_path: Path, key: Ed25519PrivateKey) -> None:
    path = pem(tmp_path / "key.pem", key, b"open")
    assert load_key(path, lambda: "open").private_bytes_raw() == SECRET
    with pytest.raises(UsageError, match="with this passphrase"):
        load_key(path, lambda: "shut")
    with pytest.raises(CannotRun, match="no terminal"):
        load_key(path, None)


def test_other_keys_and_files_are_refused(tmp_path: Path, key: Ed25519PrivateKey) -> None:
    other = pem(tmp_path / "other.pem", generate_private_key(SECP256R1()))
    with pytest.raises(UsageError, match="not an Ed25519 key"):
        load_key(other, None)
    (tmp_path / "text").write_text("a text")
    for load in (lambda path: load_key(path, None), load_public_key):
        with pytest.raises(UsageError, match="in PEM"):
            load(str(tmp_path / "text"))
        with pytest.raises(CannotRun, match="cannot be read"):
            load(str(tmp_path / "none"))
    with pytest.raises(UsageError, match="is no public key"):
        load_public_key(pem(tmp_path / "key.pem", key))


def test_without_the_package_it_is_said_what_to_install(
    seal: Path, key: Ed25519PrivateKey, monkeypatch: pytest.MonkeyPatch
) -> None:
    sign_seal(seal, key)
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    for call in (lambda: read_signature(seal), lambda: load_key("key", None), lambda: load_public_key("key")):
        with pytest.raises(CannotRun, match=r"ackproof\[sign\]"):
            call()
