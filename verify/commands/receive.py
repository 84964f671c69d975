"""`ackproof receive`: keep the second ledgers of runs on other hosts, so that a guest that dies can still be judged."""

from __future__ import annotations

import contextlib
import queue
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import click

from verify.ledger.second_certificate import server_context
from verify.ledger.second_channel import name_of, parse_address
from verify.ledger.second_receiver import Receiver
from verify.ledger.second_secret import make_secret, read_secret

_LINES_WAITING_MAX = 1000

_EXAMPLE = """
\b
Example, on a host that outlives the guest, and then on the guest:
  ackproof receive --listen 0.0.0.0:7420 --into /srv/ledgers --secret /root/ledger-secret
  scp /root/ledger-secret guest:/root/ledger-secret
  ackproof write /dev/sdb ... --second-ledger 192.0.2.7:7420 --secret /root/ledger-secret
"""


@click.command(short_help="Keep the ledgers of other hosts too.", epilog=_EXAMPLE)
@click.option("--listen", required=True, metavar="ADDR", help="Address and port, such as 192.0.2.7:7420.")
@click.option("--into", required=True, metavar="DIR", help="Folder that gets one record folder a run; made if missing.")
@click.option("--secret", required=True, metavar="FILE", help="The shared secret, mode 0600; made if missing.")
def receive(listen: str, into: str, secret: str) -> int:
    """Receive second ledgers until Ctrl-C, and keep each as DIR/RUN, which `ackproof check` judges.

    Connections are encrypted by TLS 1.3. Both ends prove that they know the secret, bound to the certificate that is
    made at every start, so there is nothing to copy but the secret's file. Needs the program openssl.

    What that does not do: whoever has the secret can send ledgers of his own making, fill DIR, and pass for the
    receiver; a run that is held is never changed, only continued. Who listens on the way learns how much is sent
    and when. Keep the secret to the hosts of one acceptance, and let a firewall keep strangers away as well.

    Exit code 0 when it was ended by Ctrl-C or SIGTERM.
    """
    address = parse_address(listen, "--listen")
    if make_secret(secret):
        click.echo(f"made the secret {secret}: copy it to each guest, readable by its owner alone")
    context, certificate_print = server_context()
    speaker = _Speaker()
    receiver = Receiver(Path(into), address, read_secret(secret), context, certificate_print, speaker.say)
    before = {number: signal.signal(number, _stop(receiver)) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        speaker.say(f"listening at {name_of(receiver.address)}, keeping second ledgers in {into}; Ctrl-C ends it")
        receiver.run()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    speaker.say("ended")
    speaker.finish()
    return 0


def _stop(receiver: Receiver) -> Callable[[int, FrameType | None], None]:
    def stop(_number: int, _frame: FrameType | None) -> None:
        receiver.stop()

    return stop


class _Speaker:
    """Prints lines from a thread of its own, so that neither a terminal that hangs nor a full disk stops receiving."""

    def __init__(self) -> None:
        self._lines: queue.Queue[str | None] = queue.Queue(_LINES_WAITING_MAX)
        self._thread = threading.Thread(target=self._print, daemon=True, name="lines")
        self._thread.start()

    def say(self, text: str) -> None:
        """Print a line some time; never blocks, and forgets it where too many are waiting."""
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait(text)

    def finish(self) -> None:
        """Print what is waiting, unless the terminal hangs."""
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait(None)
        self._thread.join(timeout=1.0)

    def _print(self) -> None:
        while (text := self._lines.get()) is not None:
            with contextlib.suppress(OSError, ValueError):
                click.echo(text)
