"""The `benchrig` command: names, one-line helps, exit codes. Each command's module is imported when it is called.

So `benchrig --help` answers at once and imports no instrument library, no numpy and no screen.
"""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence
from typing import NamedTuple

import click

from .errors import BenchrigError


class Entry(NamedTuple):
    """Where a command lives and what it is for."""

    module: str
    help: str


COMMANDS: dict[str, Entry] = {
    "rehearse": Entry("rehearse", "Run a whole job on simulated instruments."),
    "check": Entry("check", "Hold a procedure against a bench before anyone touches anything."),
    "find": Entry("find", "Show which instruments answer on this machine."),
    "watch": Entry("watch", "Watch one reading with a convergence bar, without a procedure."),
    "run": Entry("run", "Run a procedure on a bench."),
    "soak": Entry("soak", "Watch a unit for hours or days, with nobody there."),
    "doubles": Entry("doubles", "Serve simulated instruments on this machine."),
    "noted": Entry("noted", "Take note of the alarms of a running soak."),
    "glance": Entry("glance", "Serve the read-only page of a job that runs elsewhere."),
    "jobs": Entry("jobs", "List recorded jobs, or show one."),
    "thin": Entry("thin", "Keep only the extremes of old watches, for good."),
    "report": Entry("report", "Write one job as an HTML page."),
    "export": Entry("export", "Write one job as CSV or JSON Lines."),
}

EXIT_CODES = """\
\b
Exit codes:
  0  everything in        3  stopped by the operator
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
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.help) for name, entry in COMMANDS.items()])


@click.group(cls=LazyGroup, epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="benchrig", message="benchrig %(version)s")
def cli() -> None:
    """Reads bench instruments while you turn trimmers, and stops you before the kilovolts.

    An aid, not a guard: lethal voltages stay lethal. Follow your local rules and licensed practice.
    """


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit code; no traceback reaches the person."""
    try:
        result = cli.main(args=arguments, prog_name="benchrig", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return 2
    except click.Abort:
        click.echo("Stopped.", err=True)
        return 3
    except BenchrigError as error:
        click.echo(f"benchrig: {error}", err=True)
        return error.exit_code
    except KeyboardInterrupt:
        click.echo("Stopped.", err=True)
        return 3
    return result if isinstance(result, int) else 0


def main() -> None:
    """Entry point of the installed command."""
    # For numpy's OpenBLAS, which looks when it is first imported. Matrices are small here: waking other threads for
    # them costs several times the work itself on a machine that has instruments to read.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = run()
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader of our pipe has gone (`benchrig jobs | head`): end quietly, as a filter does.
        sys.stderr.close()
        code = 0
    sys.exit(code)
