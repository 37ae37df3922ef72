"""What the commands that talk to a printer share: options, cautions, the link, and saving."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from typing import Any

import click

from padsheet.cli.options import confirmed, say
from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.edits import SAVE_WARNING
from padsheet.scoring.link import Link, Waits, allowed_lines, open_port
from padsheet.scoring.sending import Outcome, save_mesh

__all__ = [
    "WAITS",
    "ask",
    "baud_option",
    "greeted",
    "port_option",
    "save_option",
    "saved",
    "yes_option",
]

WAITS = Waits()

baud_option: Callable[[Any], Any] = click.option(
    "--baud",
    type=click.IntRange(min=1200),
    default=115200,
    show_default=True,
    metavar="N",
    help="Speed of the serial port.",
)
port_option: Callable[[Any], Any] = click.option(
    "--port",
    metavar="PORT",
    help="Serial port to send over; without it the lines are only written.",
)
yes_option: Callable[[Any], Any] = click.option("--yes", is_flag=True, help="Send without asking.")
save_option: Callable[[Any], Any] = click.option(
    "--save", is_flag=True, help="Save without asking once every value is verified."
)


def ask(cautions: tuple[str, ...], question: str, *, yes: bool) -> None:
    """Show the cautions, always, and ask unless the user has said yes already.

    Raises
    ------
    PadsheetError
        If the answer is no.
    """
    for caution in cautions:
        say(f"! {caution}")
    if not yes and not confirmed(
        question, default=False, broken_off="Broken off: no edit was sent."
    ):
        raise PadsheetError(
            "nothing was sent", remedy="Start again when you are ready.", code="send-declined"
        )


@contextmanager
def greeted(port: str, baud: int, bed: Bed) -> Iterator[Link]:
    """Open the port and agree with the printer on the line numbers; it is closed at the end.

    Raises
    ------
    PadsheetError
        If the port cannot be opened or nobody answers.
    """
    with closing(open_port(port, baud)) as serial_port:
        link = Link(serial_port, allowed_lines(bed), WAITS)
        link.greet()
        yield link


def saved(link: Link, outcome: Outcome, bed: Bed, *, save: bool) -> bool:
    """Save the mesh in the printer if the user says so, now or by `save`; tell whether it was."""
    say(f"! {SAVE_WARNING}")
    if save or confirmed(
        "Save the mesh in the printer?",
        default=False,
        broken_off="Broken off: not saved. The mesh is lost when the printer is switched off; to "
        f"save it: {bed.edits.save}",
    ):
        save_mesh(link, outcome, bed)
        return True
    say(f"Not saved: it is lost when the printer is switched off. To save: {bed.edits.save}")
    return False
