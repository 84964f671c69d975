"""What encrypts a second ledger: the newest protocol alone, a certificate nobody keeps, and the failures of openssl."""

from __future__ import annotations

import hashlib
import os
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from verify.errors import CannotRun
from verify.ledger import second_certificate
from verify.ledger.second_certificate import client_context, server_context

PATIENCE_S = 30.0


@pytest.fixture(autouse=True)
def gives_files_back() -> Iterator[None]:
    """The key is in one of them."""
    before = os.listdir("/proc/self/fd")
    yield
    assert os.listdir("/proc/self/fd") == before


@pytest.fixture
def openssl(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Puts a script in the place of the program openssl."""

    def put(script: str) -> None:
        program = tmp_path / "openssl"
        program.write_text(f"#!/bin/sh\n{script}\n")
        program.chmod(0o755)
        monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")

    return put


def told() -> str:
    """What is said where there is no certificate."""
    with pytest.raises(CannotRun) as raised:
        server_context()
    return str(raised.value)


def test_the_fingerprint_is_of_the_certificate_that_is_shown() -> None:
    context, shown = server_context()
    near, far = socket.socketpair()
    with near, far:
        server: list[ssl.SSLSocket] = []
        thread = threading.Thread(target=lambda: server.append(context.wrap_socket(far, server_side=True)))
        thread.start()
        with client_context().wrap_socket(near) as sock:
            thread.join(PATIENCE_S)
            certificate = sock.getpeercert(binary_form=True)
            assert certificate is not None
            assert hashlib.sha256(certificate).digest() == shown
            assert sock.version() == "TLSv1.3"
        server[0].close()


def test_each_is_another() -> None:
    assert server_context()[1] != server_context()[1]


def test_nothing_older_is_spoken_and_no_end_takes_the_others_part() -> None:
    context, _ = server_context()
    ends = {context: ssl.PROTOCOL_TLS_SERVER, client_context(): ssl.PROTOCOL_TLS_CLIENT}
    for end, protocol in ends.items():
        assert (end.minimum_version, end.protocol) == (ssl.TLSVersion.TLSv1_3, protocol)


def test_no_connection_can_be_taken_up_again() -> None:
    """Each is to be proved anew."""
    assert server_context()[0].num_tickets == 0


def test_no_program_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert told() == "the program openssl is needed to receive, and cannot be run; install it"


def test_one_that_hangs_is_given_up(openssl: Callable[[str], None], monkeypatch: pytest.MonkeyPatch) -> None:
    openssl("exec sleep 5")
    monkeypatch.setattr(second_certificate, "_PATIENCE_S", 0.01)
    assert told() == "the program openssl is needed to receive, and cannot be run; install it"


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("req: unknown option\\n", "req: unknown option"),
        ("Schl\\374ssel\\n", "Schl\ufffdssel"),
        ("0123456789" * 20, "0123456789" * 20),
        ("ab" + "0123456789" * 20 + " \\n", "0123456789" * 20),
    ],
)
def test_the_end_of_what_it_complains_of_is_told(openssl: Callable[[str], None], said: str, kept: str) -> None:
    openssl(f"printf '{said}' >&2; exit 1")
    assert told() == f"openssl made no certificate: {kept}"


def test_it_asks_nothing(openssl: Callable[[str], None]) -> None:
    """What is typed at the terminal meanwhile is not for it."""
    openssl("cat >&2; exit 1")
    reading, writing = os.pipe()
    os.write(writing, b"typed")
    os.close(writing)
    kept = os.dup(0)
    os.dup2(reading, 0)
    try:
        assert told() == "openssl made no certificate: "
    finally:
        os.dup2(kept, 0)
        os.close(kept)
        os.close(reading)


def test_the_key_is_never_on_a_disk(openssl: Callable[[str], None]) -> None:
    """What openssl is to write to, by the names that the kernel gives to memory without one."""
    openssl('for place in "$@"; do case $place in /*) readlink "$place" >&2 ;; esac; done; exit 1')
    places = told().removeprefix("openssl made no certificate: ").splitlines()
    assert places == ["/memfd:key (deleted)", "/memfd:certificate (deleted)"]
