"""``statecraft bridge FILE --port P``: the remote for phones on the same network, through a serial port here."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, file_argument, kept_log, read

if TYPE_CHECKING:
    from statecraft.bench.log import Writer

MISSING = "This needs more packages:  pip install 'statecraft[bench]'"
WEB_PORT = 8732


@click.command(name="bridge", short_help="serve the remote to phones, and pass on what they send")
@file_argument
@click.option("-P", "--port", metavar="PORT", required=True, help="Where the machine is, such as /dev/ttyUSB0 or COM3.")
@click.option("--network", is_flag=True, help="Let phones on the same network in, not only this computer.")
@click.option(
    "--web-port", metavar="N", type=click.IntRange(0, 65535), default=WEB_PORT, help="The page's port, instead of 8732."
)
@click.option("--link", metavar="NAME", help="Which link of the machine. Without it, the one with the halt.")
@click.option("--log", metavar="FILE", type=click.Path(path_type=Path), help="Keep a log in FILE, for `replay`.")
def command(file: str, port: str, network: bool, web_port: int, link: str | None, log: Path | None) -> None:
    """Serve FILE's remote, and pass bytes between its page and the machine at PORT.

    One operator at a time; others watch. Only what the operator's page sends goes to the machine. When the page is
    gone, the line is silent, and the machine does what its table says of silence.

    With --network each phone needs its own address, which is shown here and works once. Nothing is encrypted: use a
    network of your own.
    """
    from statecraft.bench.controls import controls
    from statecraft.bench.remote import page
    from statecraft.cli.remote import after_silence, notes

    try:
        from statecraft.bench.bridge import Bridge, own_address, serve
    except ImportError:
        raise Stop(MISSING) from None

    machine = read(file)
    found = controls(machine, link)
    host = own_address() if network else "127.0.0.1"
    where = [web_port]
    then = after_silence(found)

    def show(token: str) -> None:
        import segno

        address = f"http://{host}:{where[0]}/?t={token}"
        click.echo(f"\nFor the next phone, good once:  {address}")
        with contextlib.suppress(UnicodeEncodeError):
            segno.make(address).terminal(compact=True)

    def ready(listening: int) -> None:
        where[0] = listening
        click.echo(f"{machine.name} at {port}, {found.link.baud} baud")
        if not network:
            click.echo(f"Open  http://127.0.0.1:{listening}/   (Ctrl-C ends it; {then})")

    with contextlib.ExitStack() as stack:
        keep = _Keep(stack.enter_context(kept_log(log, machine, found.link)))
        for note in notes(found):
            click.echo(note)
        bridge = Bridge(
            found, page(found), port, guarded=network, on_token=show, on_bytes=keep.heard, on_sent=keep.sent,
            watching=page(found, "watch"),
        )  # fmt: skip
        try:
            with contextlib.suppress(KeyboardInterrupt):
                serve(bridge, "0.0.0.0" if network else "127.0.0.1", web_port, ready)
        except OSError as error:
            reason = error.strerror or error
            raise Stop(f"Port {web_port} cannot be used: {reason}. Choose another with --web-port") from None
    click.echo("Ended.")


class _Keep:
    """Keeps a log, if there is one to keep."""

    def __init__(self, writer: Writer | None = None) -> None:
        from statecraft.bench.log import Splitter

        self._writer = writer
        self._splitter = Splitter()

    def heard(self, data: bytes) -> None:
        if self._writer is not None:
            for text, report in self._splitter.feed(data):
                self._writer.heard(text, report)

    def sent(self, data: bytes) -> None:
        if self._writer is not None:
            self._writer.sent(data)
