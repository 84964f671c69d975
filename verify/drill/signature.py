"""Signing a seal with an Ed25519 key, and telling whose signature it is.

The signature stands beside the seal (`seal.json.signature`) and is over the seal's exact bytes, which hold the BLAKE3
of every file. Needs the extra `sign`.
"""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.drill.record import write_bytes
from verify.drill.seal import SEAL_BYTES_MAX, SIGNATURE_SUFFIX, BrokenSeal, first_digits, spelled
from verify.errors import CannotRun, UsageError
from verify.plain_file import read_plain

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

SIGNATURE_FORMAT = "ackproof-signature/1"
NEEDS_PACKAGE = "signatures need one more package: pip install 'ackproof[sign]'"
SIGNATURE_BYTES_MAX = 64 * 1024


@dataclass(frozen=True)
class Signature:
    """A signature that fits its seal; `key` is the public key, raw, in hexadecimal."""

    key: str

    @property
    def key_name(self) -> str:
        """A short name of the key to compare by eye: the first 16 digits of its BLAKE3, in fours."""
        return key_name(self.key)


def key_name(public_hex: str) -> str:
    """The short name of a public key given in hexadecimal."""
    return first_digits(blake3(bytes.fromhex(public_hex)).hexdigest())


def can_sign() -> bool:
    """Whether the package for it is installed."""
    return importlib.util.find_spec("cryptography") is not None


def load_key(path: str, ask: Callable[[], str] | None) -> Ed25519PrivateKey:
    """Load a private Ed25519 key from a PEM file.

    Args:
        path: such as `openssl genpkey -algorithm ed25519` makes.
        ask: gives the passphrase of an encrypted key; None where nobody can be asked.

    Raises:
        UsageError: if it is no such key, or the passphrase is wrong.
        CannotRun: if the package is missing, the file cannot be read, or nobody can be asked.
    """
    if not can_sign():
        raise CannotRun(NEEDS_PACKAGE)
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    pem = _read(path)
    try:
        key = load_pem_private_key(pem, None)
    except TypeError:
        if ask is None:
            raise CannotRun(f"the key {path} is encrypted, and there is no terminal to ask for a passphrase") from None
        try:
            key = load_pem_private_key(pem, ask().encode())
        except ValueError:
            raise UsageError(f"the key {path} cannot be opened with this passphrase") from None
    except (ValueError, UnsupportedAlgorithm):
        raise UsageError(f"{path} is no private key in PEM; make one with openssl genpkey -algorithm ed25519") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise UsageError(f"the key {path} is not an Ed25519 key; make one with openssl genpkey -algorithm ed25519")
    return key


def load_public_key(path: str) -> str:
    """Load a public Ed25519 key from a PEM file; raw, in hexadecimal.

    Raises:
        UsageError: if it is no such key.
        CannotRun: if the package is missing or the file cannot be read.
    """
    if not can_sign():
        raise CannotRun(NEEDS_PACKAGE)
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(_read(path))
    except (ValueError, UnsupportedAlgorithm):
        raise UsageError(f"{path} is no public key in PEM; openssl pkey -in KEY -pubout makes one") from None
    if not isinstance(key, Ed25519PublicKey):
        raise UsageError(f"the key {path} is not an Ed25519 key")
    return _raw(key)


def _read(path: str) -> bytes:
    try:
        with open(path, "rb") as file:
            return file.read(SIGNATURE_BYTES_MAX)
    except OSError as error:
        raise CannotRun(f"the key {path} cannot be read: {error.strerror}") from None


def _raw(key: Ed25519PublicKey) -> str:
    return key.public_bytes_raw().hex()


def signature_path(seal_path: Path) -> Path:
    """Where the signature of a seal stands."""
    return seal_path.with_name(seal_path.name + SIGNATURE_SUFFIX)


def sign_seal(seal_path: Path, key: Ed25519PrivateKey) -> Signature:
    """Sign a seal, beside it.

    Raises:
        CannotRun: if the seal cannot be read, or the signature not be written.
    """
    try:
        with read_plain(seal_path) as file:
            seal = file.read()
    except OSError as error:
        raise CannotRun(f"{seal_path} cannot be read: {error.strerror}") from None
    public = _raw(key.public_key())
    content = {
        "format": SIGNATURE_FORMAT, "algorithm": "Ed25519", "key": public, "signature": key.sign(seal).hex(),
    }  # fmt: skip
    write_bytes(signature_path(seal_path), spelled(content))
    return Signature(public)


def read_signature(seal_path: Path) -> Signature:
    """Read the signature beside a seal and hold it to the seal.

    Raises:
        BrokenSeal: if it does not fit, or was changed.
        CannotRun: if the package is missing.
        OSError: if a file cannot be read.
    """
    with read_plain(signature_path(seal_path)) as file, read_plain(seal_path) as seal_file:
        raw, seal = file.read(SIGNATURE_BYTES_MAX), seal_file.read(SEAL_BYTES_MAX + 1)
    try:
        content = json.loads(raw.decode("ascii"))
        if spelled(content) != raw or content["format"] != SIGNATURE_FORMAT or content["algorithm"] != "Ed25519":
            raise BrokenSeal("it is not spelled as a signature is")
        public, signature = bytes.fromhex(content["key"]), bytes.fromhex(content["signature"])
        if (public.hex(), signature.hex()) != (content["key"], content["signature"]):
            raise BrokenSeal("it is not spelled as a signature is")
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise BrokenSeal("it is no signature") from None
    if not can_sign():
        raise CannotRun(NEEDS_PACKAGE)
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, seal)
    except (InvalidSignature, ValueError):
        raise BrokenSeal("it does not fit the seal") from None
    return Signature(public.hex())
