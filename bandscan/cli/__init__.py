"""The command line: one module a command, loaded when the command is used.

`bandscan --help` loads click alone; everything else is imported inside the commands.
"""

from __future__ import annotations

import importlib
import keyword
import os

import click

from bandscan import __version__

# Before numpy and OpenCV are loaded: one thread for small matrices starts quicker and
# needs less memory; OpenCV's own messages are turned into sentences of ours.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")

# Command, and what it does; its module in this package has the same name (`import_`: a keyword).
COMMANDS = {
    "measure": "Measure where old lip seals have polished the shaft.",
    "check": "Say what a photo is good for, before the shaft is gone.",
    "lens": "Calibrate a lens from photos of a flat board.",
    "landing": "Say where the lips of a new seal land, and what to do about it.",
    "seal": "Write a seal file step by step, or check one and draw it.",
    "attribute": "Say which lip of the old seal made which band.",
    "sheet": "Check a shaft against published limits, each with its source.",
    "report": "Make a page or a PDF of one measurement.",
    "batch": "Measure a folder of photos on all cores, and go on where it was interrupted.",
    "keep": "Keep results in the records, under the name of the shaft.",
    "history": "Say how the bands of a shaft grew over the years.",
    "find": "Search the records.",
    "export": "Write records as a table, as JSON lines, or as one zip with everything.",
    "import": "Add what another machine exported.",
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
        name = f"{cmd_name}_" if keyword.iskeyword(cmd_name) else cmd_name
        module = importlib.import_module(f"bandscan.cli.{name}")
        command: click.Command = getattr(module, name)
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
