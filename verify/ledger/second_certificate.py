"""The receiver's key and certificate: made anew at every start by the program openssl, and never on a disk.

Nobody keeps or trusts the certificate: the proof of the secret is bound to it (`second_secret`), so it serves for one
run of the receiver and only carries the key of the encryption.
"""

from __future__ import annotations

import os
import ssl
import subprocess

from verify.errors import CannotRun
from verify.ledger.second_secret import fingerprint

_PATIENCE_S = 60.0
_CERTIFICATE_BYTES_MAX = 64 * 1024
_COMMAND = ("openssl", "req", "-x509", "-nodes", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
            "-days", "3650", "-subj", "/CN=ackproof receive", "-batch")  # fmt: skip


def server_context() -> tuple[ssl.SSLContext, bytes]:
    """What the receiver encrypts with, under a new certificate, and the certificate's fingerprint.

    Raises:
        CannotRun: if openssl is not installed or does not make one.
    """
    key, certificate = os.memfd_create("key"), os.memfd_create("certificate")
    try:
        paths = [f"/proc/self/fd/{file}" for file in (key, certificate)]
        command = [*_COMMAND, "-keyout", paths[0], "-out", paths[1]]
        try:
            subprocess.run(
                command, stdin=subprocess.DEVNULL, capture_output=True, errors="replace", check=True,
                timeout=_PATIENCE_S, pass_fds=(key, certificate),
            )  # fmt: skip
        except (OSError, subprocess.TimeoutExpired):
            raise CannotRun("the program openssl is needed to receive, and cannot be run; install it") from None
        except subprocess.CalledProcessError as error:
            raise CannotRun(f"openssl made no certificate: {error.stderr.strip()[-200:]}") from None
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_3
        context.num_tickets = 0
        context.load_cert_chain(paths[1], paths[0])
        pem = os.pread(certificate, _CERTIFICATE_BYTES_MAX, 0).decode()
        return context, fingerprint(ssl.PEM_cert_to_DER_cert(pem))
    finally:
        os.close(key)
        os.close(certificate)


def client_context() -> ssl.SSLContext:
    """What the sender encrypts with: any certificate will do, since the proof of the secret is bound to it."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context
