"""How a job is shown, decided once: a live screen, plain lines, or JSON lines."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..clock import Clock
from ..dashboard.beside import PageBeside
from ..errors import FileError
from ..session.operators import Operator
from ..ui.display import Display, Screen
from ..ui.display_failures import Lasting, LastingScreen
from ..ui.keys import Keys, NoKeys, open_keys
from ..ui.line_breaks import for_terminal
from ..ui.sound_display import KINDS, WavFile, open_sound
from ..ui.suspend import stoppable
from ..ui.terminal import Shown, TerminalOperator

if TYPE_CHECKING:
    from ..dashboard.server import DashboardPage

LIVE, PLAIN, JSON = "live", "plain", "json"


def showing_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--json` and `--plain`; without either, a terminal gets the live screen and a pipe gets plain lines."""
    command = click.option("--json", "as_json", is_flag=True, help="JSON lines on standard output.")(command)
    return click.option("--plain", is_flag=True, help="Plain lines, also on a terminal.")(command)


def sound_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--sound` and `--wav`: a trim's cues for the ears, so that the eyes can stay on the chassis."""
    words = "Cues for the ears; tones need the extra benchrig[sound] and a sound card, speech a speech program."
    command = click.option(
        "--sound", type=click.Choice(KINDS), default="off", show_default=True, envvar="BENCHRIG_SOUND", help=words
    )(command)
    path = click.Path(path_type=Path, dir_okay=False)
    return click.option("--wav", type=path, help="Also write the tones of the cues to this WAV file.")(command)


def open_sounds(stack: ExitStack, sound: str, wav: Path | None, clock: Clock) -> list[Display]:
    """The displays for the ears; closed with `stack`. Open them before a live screen."""
    heard = open_sound(sound, sys.stderr, lambda words: click.echo(for_terminal(words, sys.stderr), err=True))
    displays: list[Display] = [] if heard is None else [heard]
    if wav is not None:
        displays.append(WavFile(wav, clock.now))
    for display in displays:
        stack.callback(display.close)
    return displays


def dashboard_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--dashboard`: the read-only page beside the job."""
    words = "Also serve the read-only page; HOST:PORT, by default this machine only."
    return click.option("--dashboard", is_flag=False, flag_value="127.0.0.1:0", metavar="[HOST:PORT]", help=words)(
        command
    )


def open_dashboard(stack: ExitStack, where: str | None) -> list[Display]:
    """The page as a display, its address said on standard error; none where it is not wanted."""
    if where is None:
        return []
    host, _, port = where.rpartition(":")
    if not port.isdecimal():
        raise FileError(f"{where!r} is no HOST:PORT.", next_step="Like 127.0.0.1:8080, or 192.168.1.4:8080.")
    page = stack.enter_context(PageBeside(host.strip("[]") or "127.0.0.1", int(port), _say_gone))
    click.echo(f"Dashboard: {page.address}", err=True)
    return [page]


def _say_gone(words: str) -> None:
    click.echo(f"benchrig: {words}", err=True)


def need_page() -> type[DashboardPage]:
    """The page's class. Raises FileError where its libraries are missing."""
    try:
        from ..dashboard.server import DashboardPage
    except ImportError as error:
        raise FileError(f"The page needs {error.name}.", next_step="pip install 'benchrig[dashboard]'") from error
    return DashboardPage


def mode(as_json: bool, plain: bool) -> str:
    """Which of the three it is."""
    if as_json:
        return JSON
    dumb = os.environ.get("TERM", "") in {"", "dumb"} and os.name != "nt"
    return PLAIN if plain or dumb or not sys.stdout.isatty() else LIVE


def open_display(stack: ExitStack, how: str, clock: Clock) -> Display:
    """The display of `how`; closed with `stack`, and no trouble to a job's end if it goes away (see `Lasting`)."""
    display: Display
    if how == JSON:
        from ..ui.jsonlines import JsonLines

        display = JsonLines(sys.stdout, clock)
    elif how == PLAIN:
        from ..ui.plain_lines import PlainLines

        display = PlainLines(sys.stdout)
    else:
        display = open_screen(stack)
    stack.callback(display.close)
    return Lasting(display, _say_trouble)


def open_filling(stack: ExitStack) -> LastingScreen:
    """A live screen whose gauge can fill it, closed at the end."""
    screen = LastingScreen(open_screen(stack), _say_trouble)
    stack.callback(screen.close)
    return screen


def _say_trouble(words: str) -> None:
    click.echo(f"benchrig: {words}. What was recorded so far is safe.", err=True)


def open_screen(stack: ExitStack) -> Screen:
    """A live screen on this terminal, drawn by a thread of its own; off the terminal while the program is stopped."""
    from rich.console import Console

    from ..ui.live_screen import LiveScreen
    from ..ui.screen_thread import Painter

    screen = Painter(LiveScreen(Console()))
    stack.enter_context(stoppable(screen.suspend))
    return screen


def person(
    stack: ExitStack,
    name: str,
    how: str,
    clock: Clock,
    *,
    on_key: Callable[[str], bool] = lambda key: False,
    extra_help: str = "",
) -> Operator:
    """The person at this terminal. In JSON mode questions go to the terminal's screen, not into the lines."""
    keys = open_stoppable_keys(stack)
    if isinstance(keys, NoKeys):
        click.echo("Standard input is no terminal: nobody can answer. What asks for somebody is refused.", err=True)
    screen = LastingScreen(open_screen(stack) if how == LIVE else AskOnly(), _say_trouble)
    stack.callback(screen.close)
    operator: Operator = TerminalOperator(name, screen, keys, on_key, extra_help)
    return operator if how == LIVE else Shown(operator, open_display(stack, how, clock))


def open_stoppable_keys(stack: ExitStack) -> Keys:
    """The keys of this terminal, which is given back while the program is stopped with Ctrl-Z."""
    keys = stack.enter_context(open_keys())
    stack.enter_context(stoppable(keys.stopping, keys.going_on))
    return keys


class AskOnly(Screen):
    """A screen that shows no notices: another display does; what is asked goes to standard error."""

    def show(self, notice: object) -> None:
        """Shown elsewhere."""

    def say(self, words: str, style: str = "") -> None:
        click.echo(for_terminal(words, sys.stderr), err=True)

    def suspend(self) -> None:
        """Nothing to take down."""

    def fill(self) -> None:
        """Nothing to fill."""
