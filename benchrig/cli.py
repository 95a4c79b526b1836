"""The `benchrig` command: names, one-line helps, exit codes. Each command's module is imported when it is called.

So `benchrig --help` answers at once and imports no instrument library, no numpy and no screen.
"""

from __future__ import annotations

import difflib
import errno
import importlib
import os
import sys
from collections.abc import Sequence
from typing import NamedTuple

import click

from .errors import BenchrigError, Stopped
from .ui.line_breaks import for_terminal


class Entry(NamedTuple):
    """Where a command lives and what it is for."""

    module: str
    help: str


COMMANDS: dict[str, Entry] = {
    "rehearse": Entry("rehearse", "Run a whole job on simulated instruments."),
    "check": Entry("bench", "Hold a procedure against a bench before anyone touches anything."),
    "find": Entry("find", "Show which instruments answer on this machine."),
    "watch": Entry("watch", "Watch one reading with a convergence bar, without a procedure."),
    "run": Entry("run", "Run a procedure on a bench."),
    "soak": Entry("soak", "Watch a unit for hours or days, with nobody there."),
    "doubles": Entry("bench", "Serve simulated instruments on this machine."),
    "ack": Entry("alarms", "Acknowledge the alarms of a running soak."),
    "dashboard": Entry("dashboard", "Serve the read-only page of a job that runs elsewhere."),
    "jobs": Entry("records", "List recorded jobs, or show one."),
    "thin": Entry("records", "Keep only the extremes of old watches, for good."),
    "report": Entry("records", "Write one job as an HTML page."),
    "export": Entry("records", "Write one job as CSV or JSON Lines."),
}

EXIT_CODES = """\
\b
Exit codes:
  0  all in tolerance     3  stopped by the operator
  1  something out        4  instrument trouble
  2  file or command      5  hold point not acknowledged
"""


class LazyGroup(click.Group):
    """A group that knows its commands' names and helps without importing them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        entry = COMMANDS.get(cmd_name)
        if entry is None:
            return None
        module = importlib.import_module(f".commands.{entry.module}", __package__)
        command: click.Command = getattr(module, f"{cmd_name}_command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does it; a word that is no command gets the nearest that is one."""
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            near = difflib.get_close_matches(args[0], COMMANDS, 1)
            hint = f"Did you mean {near[0]!r}?" if near else f"There are: {', '.join(COMMANDS)}."
            raise click.UsageError(f"There is no command {args[0]!r}. {hint}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.help) for name, entry in COMMANDS.items()])


def _version(ctx: click.Context, parameter: click.Parameter, asked: bool) -> None:
    if asked:
        from .checkout import version

        click.echo(f"benchrig {version()}")
        ctx.exit()


@click.group(cls=LazyGroup, epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--version", is_flag=True, expose_value=False, is_eager=True, callback=_version, help="Show the version.")
def cli() -> None:
    """Reads bench instruments while you turn trimmers, and stops you before the kilovolts.

    An aid, not a guard: lethal voltages stay lethal. Follow your local rules and licensed practice.
    """


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit code; no traceback reaches the person."""
    try:
        result = cli.main(args=arguments, prog_name="benchrig", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as asked:
        click.echo(asked.message)
        return 2
    except click.ClickException as error:
        _say(usage_words(error))
        return 2
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        return Stopped.exit_code
    except BenchrigError as error:
        _say(f"benchrig: {error}")
        return error.exit_code
    return result if isinstance(result, int) else 0


def _say(words: str) -> None:
    click.echo(for_terminal(words, sys.stderr) if sys.stderr is not None else words, err=True)


def usage_words(error: click.ClickException) -> str:
    """A mistake in the command line in one line: which command, what, and where its options are explained."""
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "benchrig"
    return f"{path}: {error.format_message()} See: {path} --help"


def main() -> None:
    """Entry point of the installed command."""
    # For numpy's OpenBLAS, which looks when it is first imported. Matrices are small here: waking other threads for
    # them costs several times the work itself on a machine that has instruments to read.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        if stream is not None:  # what a terminal's alphabet lacks is shown as ?, and is no reason to end a job
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    sys.exit(_to_the_end())


def _to_the_end() -> int:
    """Run, and write out what is still held back. What cannot be written is no traceback, and no good exit code."""
    code = 0
    try:
        code = run()
        sys.stdout.flush()
    except SystemExit:  # the reader of our pipe has gone (`benchrig jobs | head`), as click says it
        code = Stopped.exit_code
    except OSError as error:
        if error.filename is not None:
            raise
        gone = error.errno in (errno.EPIPE, errno.EIO)  # a pipe without a reader; a terminal that was closed
        code = code or (Stopped.exit_code if gone else BenchrigError.exit_code)
        if not gone:
            click.echo(f"benchrig: The output cannot be written: {error.strerror}. Make room for it.", err=True)
    else:
        return code
    _let_go()
    return code


def _let_go() -> None:
    """So that the interpreter, at its end, does not try to write again what could not be written."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
