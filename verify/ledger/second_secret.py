"""The secret that both ends of a second ledger share, and the proof that an end knows it.

Neither end ever sends the secret. Each proves it by HMAC-SHA-256 (RFC 2104, from the standard library) over who
proves, both ends' random numbers of this connection, and the SHA-256 of the certificate that the connection was
encrypted under: the receiver takes its own certificate, the sender the one that it was shown. Somebody in the middle
has to show a certificate of his own, so neither proof that he passes on fits. This is the channel binding
`tls-server-end-point` (RFC 5929, section 4.1), used as in RFC 5802; so the certificate itself needs no signature that
anybody trusts, and nobody copies a fingerprint by hand.

A proof that was heard lets somebody try out secrets at home; so a short secret is refused.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat

from verify.errors import CannotRun, UsageError

SECRET_BYTES_MIN = 32
SECRET_BYTES_MAX = 4096
NONCE_BYTES = 32
PROOF_BYTES = 32
PROOF_CONTEXT = b"ackproof 2026-11-25 second ledger proof v1"
SENDER, RECEIVER = b"S", b"R"


def keyed(secret: bytes, message: bytes) -> bytes:
    """HMAC-SHA-256 of a message, 32 bytes."""
    return hmac.digest(secret, message, hashlib.sha256)


def fingerprint(certificate: bytes) -> bytes:
    """SHA-256 of a certificate in DER."""
    return hashlib.sha256(certificate).digest()


def proof(secret: bytes, end: bytes, shown: bytes, sender_nonce: bytes, receiver_nonce: bytes) -> bytes:
    """What an end sends to prove that it knows the secret.

    Args:
        secret: the secret.
        end: which end proves, `SENDER` or `RECEIVER`, so that no proof can be sent back to who made it.
        shown: fingerprint of the certificate of this connection.
        sender_nonce, receiver_nonce: random numbers of this connection, so that no proof fits another.
    """
    return keyed(secret, PROOF_CONTEXT + end + shown + sender_nonce + receiver_nonce)


def proves(given: bytes, wanted: bytes) -> bool:
    """Whether a proof is the one that was wanted; how long the answer takes tells nothing."""
    return hmac.compare_digest(given, wanted)


def read_secret(path: str) -> bytes:
    """The secret in a file; white space at its ends does not count.

    Raises:
        UsageError: if there is no such file, others may read it, or it is too short or long.
        CannotRun: if it cannot be read.
    """
    try:
        file = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except FileNotFoundError:
        raise UsageError(
            f"--secret {path}: there is no such file; `ackproof receive` makes one, which is then copied to the guest"
        ) from None
    except OSError as error:
        raise CannotRun(f"--secret {path} cannot be read: {error.strerror}") from None
    try:
        status = os.fstat(file)
        if not stat.S_ISREG(status.st_mode):
            raise UsageError(f"--secret {path} is no file")
        if status.st_mode & 0o077:
            raise UsageError(f"--secret {path} may be read by others; do: chmod 600 {path}")
        secret = os.read(file, SECRET_BYTES_MAX).strip()
    except OSError as error:
        raise CannotRun(f"--secret {path} cannot be read: {error.strerror}") from None
    finally:
        os.close(file)
    held = len(secret) if status.st_size <= SECRET_BYTES_MAX else status.st_size  # More than that was not looked at.
    if not SECRET_BYTES_MIN <= held <= SECRET_BYTES_MAX:
        raise UsageError(
            f"--secret {path} holds {held} bytes; it takes {SECRET_BYTES_MIN} to {SECRET_BYTES_MAX} random "
            "ones, such as `openssl rand -hex 32` prints"
        )
    return secret


def make_secret(path: str) -> bool:
    """Make a file with a random secret, for its owner alone, unless it is there; returns whether it was made.

    Raises:
        CannotRun: if it cannot be made.
    """
    try:
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return False
    except OSError as error:
        raise CannotRun(f"--secret {path} cannot be made: {error.strerror}") from None
    try:
        os.write(file, secrets.token_hex(SECRET_BYTES_MIN).encode() + b"\n")
        os.fsync(file)
    except OSError as error:
        os.unlink(path)
        raise CannotRun(f"--secret {path} cannot be written: {error.strerror}") from None
    finally:
        os.close(file)
    return True
