"""The command line: one module a command, loaded when the command is used.

`bandscan --help` loads click alone; everything else is imported inside the commands.
"""

from __future__ import annotations

import importlib
import os

import click

from bandscan import __version__

# Before numpy and OpenCV are loaded: one thread for small matrices starts quicker and
# needs less memory; OpenCV's own messages are turned into sentences of ours.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")

# Command, and what it does; its module in this package has the same name.
COMMANDS = {
    "measure": "Measure where old lip seals have polished the shaft.",
    "check": "Say what a photo is good for, before the shaft is gone.",
    "lens": "Calibrate a lens from photos of a flat board.",
    "card": "Write a card to print, true to scale, and its description.",
    "explain": "Say what an uncertainty is made of, and what would halve it.",
    "landing": "Say where the lips of a new seal land, and what to do about it.",
    "seal": "Write a seal file step by step, or check one and draw it.",
    "attribute": "Say which lip of the old seal made which band.",
    "sheet": "Check a shaft against published limits, each with its source.",
    "report": "Make a page or a PDF of one measurement.",
    "demo": "Measure a sample photo and say where the pictures are.",
}


class CommandGroup(click.Group):
    """Loads a command's module when it is used, and turns every fault into a sentence."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Names of the commands, in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """The command of a name; None where there is none."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"bandscan.cli.{cmd_name}")
        command: click.Command = getattr(module, cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; what it raises becomes a message and an exit status."""
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise
        except Exception as error:
            from bandscan.cli.faults import explain

            message, status = explain(error, verbose=bool(ctx.meta.get("verbose")))
            click.echo(f"bandscan: {message}", err=True)
            ctx.exit(status)


@click.group(cls=CommandGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="bandscan")
def main() -> None:
    """Where old lip seals have worn a shaft, from a photo of it beside a scale.

    Lay the shaft beside a steel rule or a printed card, photograph it squarely, and run
    `bandscan measure PHOTO --diameter MM`.
    """
