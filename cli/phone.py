"""`padsheet phone`: take photos straight from the phone, over a page on this computer."""

from __future__ import annotations

import importlib.util
import secrets
import socket
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import click

from padsheet.cli.options import folder_of, say, user_errors
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.lock import locked
from padsheet.scoring.rounds import BedFolder

__all__ = ["command"]

DEFAULT_PORT = 8737


@click.command("phone")
@click.option(
    "--lan",
    is_flag=True,
    help="Let phones of this network reach the page; without it only this computer can.",
)
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=DEFAULT_PORT,
    show_default=True,
    metavar="N",
    help="Port that the page listens on.",
)
@click.pass_context
def command(ctx: click.Context, lan: bool, port: int) -> None:
    """Open a small page on this computer that takes photos from your phone.

    \b
    Example:
      padsheet -C my-bed phone --lan

    Scan the code on the screen with the phone, take the photo, and see within seconds whether it
    can be used. The address holds a code that is made anew each time; without it nobody gets in.
    Photos stay in the bed folder. Stop the page with Ctrl-C.
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    with user_errors():
        folder = folder_of(ctx)
        _check(folder)
        host = _lan_address() if lan else "127.0.0.1"
        serve(folder, host=host, port=port, everywhere=lan)


def _check(folder: Path) -> None:
    """Refuse to start where the page could not work."""
    missing = [
        name for name in ("flask", "segno", "waitress") if importlib.util.find_spec(name) is None
    ]
    if missing:
        raise PadsheetError(
            f"the phone page needs {', '.join(missing)}",
            remedy="Install them: `pip install '.[phone]'` in the folder of the project.",
            code="phone-extra-missing",
        )
    BedFolder(folder).require()


def _lan_address() -> str:
    """Return this computer's address in the local network.

    Raises
    ------
    PadsheetError
        If it has none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # Connecting a datagram socket sends nothing; it only picks the way out.
            # 192.0.2.0/24 is set aside for documentation (RFC 5737).
            probe.connect(("192.0.2.1", 9))
            address: str = probe.getsockname()[0]
        except OSError as error:
            raise PadsheetError(
                "this computer is in no network that a phone could share",
                remedy="Join the phone's network, or leave out --lan.",
                code="phone-no-network",
            ) from error
    return address


def serve(folder: Path, *, host: str, port: int, everywhere: bool) -> None:
    """Serve the page until it is stopped.

    Parameters
    ----------
    folder : Path
        The bed folder.
    host : str
        Address that the page is reached by.
    port : int
        Port that it listens on.
    everywhere : bool
        Whether other computers may reach it.

    Raises
    ------
    PadsheetError
        If the port is taken.
    """
    from waitress import create_server

    from padsheet.cli.phone_page import create_app
    from padsheet.cli.phone_score import UPLOADS, Limits, clear_uploads

    limits = Limits()
    code = secrets.token_urlsafe(16)
    names = [host] if everywhere else [host, "localhost"]
    hosts = [f"{name}:{port}" for name in names] + (names if port == 80 else [])
    with closing(_listening(host, port)) as listening:
        uploads = folder / UPLOADS
        uploads.mkdir(exist_ok=True)
        # One page for a folder, so that what lies there at the start is of nobody any more.
        with locked(uploads):
            _say_cleared(clear_uploads(folder))
            server = create_server(
                create_app(folder, code=code, hosts=hosts, limits=limits),
                sockets=[listening],
                threads=4,
                ident="",
                max_request_body_size=limits.upload_mb * 2**20 + 2**17,
                channel_timeout=90,
                connection_limit=24,
            )
            _introduce(f"http://{host}:{port}/{code}/", everywhere)
            # Large uploads pass through temporary files; these too stay in the bed folder.
            before, tempfile.tempdir = tempfile.tempdir, str(uploads.resolve())
            try:
                server.run()
            finally:
                tempfile.tempdir = before
                clear_uploads(folder)


def _say_cleared(count: int) -> None:
    """Tell of photos that an earlier page left when it was ended by force."""
    if count:
        photos = "a photo that was" if count == 1 else f"{count} photos that were"
        say(
            f"The page was ended by force before: removed {photos} left over. What was scored is "
            "kept in its round; if the last photo was not, take it again."
        )


def _listening(host: str, port: int) -> socket.socket:
    """Take a port of one address; no other address of this computer listens."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":
            # Without it a port that was just left stays blocked for a minute or so.
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(64)
    except OSError as error:
        listening.close()
        raise PadsheetError(
            f"port {port} of {host} cannot be used: {error.strerror or error}",
            remedy="Stop what uses it, or choose another with --port.",
            code="phone-port-taken",
        ) from error
    return listening


def _introduce(address: str, everywhere: bool) -> None:
    """Tell the user how to get to the page."""
    import segno

    if everywhere:
        segno.make(address, error="m").terminal(out=sys.stderr, compact=True)
        say("Scan this with the phone, in the same network as this computer, or open:")
    else:
        say("Open this on this computer; with --lan a phone can open it too:")
    click.echo(address)
    if everywhere:
        say(
            "Whoever has this address gets in, and the way is not encrypted: use a network that "
            "you trust."
        )
    say("Stop with Ctrl-C.")
