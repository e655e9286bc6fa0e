"""`layerpipe share`: the artist's page on a phone in the same network."""

from __future__ import annotations

import io
import math
import signal
import sys
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING

import click

from layerpipe.cli.answers import say_answer
from layerpipe.cli.options import PATH, Amount, Whole, answers, section_option
from layerpipe.cli.terminal import FINE, Terminal, flush, print_picture, stdout_encoding

if TYPE_CHECKING:
    from layerpipe.jobs.share import SharedRun, Sharing
    from layerpipe.server.accepted import AcceptedLine
    from layerpipe.server.choices import Choice
    from layerpipe.server.comments import State


@answers
@click.argument("recipe", metavar="RECIPE", type=PATH, help="A recipe.")
@section_option
@click.option("--seconds", type=Amount(1.0), metavar="SECONDS", help=(
    "Cut sections longer than this at the last downbeat; if omitted, they are played whole."))
@click.option("--open", "open_here", is_flag=True, help=(
    "For this machine only: bind to 127.0.0.1 and open the page in a browser."))
@click.option("--host", metavar="ADDRESS", help=(
    "The one address to bind to; this machine's in the local network if omitted."))
@click.option("--port", type=Whole(1, 65535), metavar="PORT", help="8737, or any free one, if omitted.")
@click.option("--no-ask", is_flag=True, help=(
    "Collect answers in RECIPE.comments.toml; never ask, never write the recipe."))
@click.option("--review", is_flag=True, help=(
    "Serve the engineer's review page instead, with the sound of all findings."))
def share(recipe: Path, section: tuple[str, ...], seconds: float | None, open_here: bool, host: str | None,
          port: int | None, no_ask: bool, review: bool) -> int:
    """Serve the artist's page in the local network.

    Shows its address as a QR code for a phone. What the artist sends is shown here and written into the recipe after a
    yes. Saving the recipe makes a new version, which the open page offers. Stops with Ctrl-C, or after 12 hours.
    """
    from layerpipe.jobs.share import Sharing, refuse_without_share
    from layerpipe.recipe.reader import read_recipe
    from layerpipe.server.network import THIS_MACHINE, local_address

    if review and (section or no_ask):
        raise click.BadParameter("is of the whole song and writes after a yes; it takes no --section or --no-ask",
                                 param_hint="--review")
    if open_here and host is not None:
        raise click.BadParameter("--open is for this machine and has its own address; give one of the two",
                                 param_hint="--host")
    refuse_without_share()
    terminal = Terminal()
    file = read_recipe(recipe)
    address = THIS_MACHINE if open_here else host or local_address()
    try:
        with terminal.progress("preparing audio", 1.0) as on_progress:
            sharing: SharedRun
            if review:
                from layerpipe.jobs.share_review import SharedReview

                sharing = SharedReview(file, host=address, port=port, on_progress=on_progress)
            else:
                sharing = Sharing(file, host=address, port=port, sections=section,
                                  seconds=math.inf if seconds is None else seconds, on_progress=on_progress)
        _end_on_signals(sharing)
        with sharing:
            _say_address(terminal, sharing, is_local=address == THIS_MACHINE)
            if open_here:
                webbrowser.open(sharing.url)
            _answer_events(terminal, sharing, recipe, ask=not no_ask)
    except KeyboardInterrupt:
        terminal.say("")
    terminal.say("The page is no longer shared.")
    return FINE


def _end_on_signals(sharing: SharedRun) -> None:
    """Ctrl-C and a shutdown end the command also while it asks, and its files are removed."""
    def end(number: int, frame: object) -> None:
        sharing.end()
        raise KeyboardInterrupt

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)


def _say_address(terminal: Terminal, sharing: SharedRun, *, is_local: bool) -> None:
    """Address, QR code and cautions."""
    import segno

    from layerpipe.jobs.share import Sharing

    terminal.say("", sharing.url, "")
    if not is_local:
        if _can_show_blocks():
            code = io.StringIO()
            segno.make(sharing.url, micro=False).terminal(out=code, compact=True)
            print_picture(code.getvalue())
        terminal.say("", "Point the phone's camera at the code; the phone must be in the same network.")
        terminal.warn("Caution: plain HTTP is for a network you trust. Whoever has the address can listen and send.")
    terminal.warn("Caution: start with the volume low; ask the artist to do the same."
                  if isinstance(sharing, Sharing) else "Caution: start with the volume low, above all in headphones.")
    waiting = sharing.comments.waiting() if isinstance(sharing, Sharing) else []
    if waiting and isinstance(sharing, Sharing):
        terminal.say(f"{sharing.comments.path}: {len(waiting)} earlier answer{'s' * (len(waiting) != 1)} still waiting")
    terminal.say("Ctrl-C ends it.")
    flush()


def _can_show_blocks() -> bool:
    """Whether stdout can print the half blocks of the code."""
    try:
        "\u2580\u2584\u2588".encode(stdout_encoding())
    except UnicodeEncodeError:
        return False
    return True


def _answer_events(terminal: Terminal, sharing: SharedRun, recipe: Path, *, ask: bool) -> None:
    """Say what happens; show and ask about every answer."""
    from layerpipe.jobs.share import NewVersion, Problem, Sharing
    from layerpipe.server.accepted import AcceptedLine

    for event in sharing.events():
        if isinstance(event, Problem):
            terminal.warn(*event.words.split("\n"))
        elif isinstance(event, NewVersion):
            if event.number > 1:
                terminal.say(f"version {event.number} of the page is shown")
            for name in event.cut:
                terminal.say(f"{name}: is longer than --seconds and was cut")
        elif isinstance(event, AcceptedLine):
            _accept(terminal, recipe, event)
        elif isinstance(sharing, Sharing):
            _take(terminal, sharing, recipe, event, ask=ask)
        flush()


def _accept(terminal: Terminal, recipe: Path, event: AcceptedLine) -> None:
    """What was accepted on the review page: show it, ask, write."""
    from layerpipe.cli.review import accept_line
    from layerpipe.core.errors import LayerpipeError

    terminal.say("", f"Accepted at {event.address}:")
    try:
        accept_line(terminal, recipe, event.line, ask=True)
    except LayerpipeError as refusal:
        terminal.warn(*str(refusal).split("\n"), "not written")


def _take(terminal: Terminal, sharing: Sharing, recipe: Path, choice: Choice, *, ask: bool) -> None:
    """One answer: show it, ask, write, and note what became of it."""
    from layerpipe.core.errors import LayerpipeError
    from layerpipe.jobs.level_choice import change_for
    from layerpipe.recipe.reader import read_recipe

    terminal.say("", f"Answer {choice.number} from {choice.sender or 'somebody'} at {choice.address}:")
    say_answer(terminal, choice.answer)
    if not ask:
        terminal.say(f"kept in {sharing.comments.path}")
        return
    state: State
    try:
        change = change_for(read_recipe(recipe), choice.answer)
        if terminal.show_and_write(change, ask=True):
            state = "written"
        else:
            state = "unchanged" if change.is_empty else "waiting"
            # A no, if somebody was there to say it; else the answer waits.
            if state == "waiting" and sys.stdin.isatty() and not sharing.is_ending:
                state = "declined"
    except LayerpipeError as refusal:
        terminal.warn(*str(refusal).split("\n"), f"not written; the answer is kept in {sharing.comments.path}")
        state = "refused"
    if state != "waiting":
        sharing.comments.set_state(choice.number, state)
