"""`bandscan explain`: a result's uncertainty in words and bars."""

from __future__ import annotations

from pathlib import Path

import click

from bandscan.cli.asking import verbose_option


@click.command()
@click.argument("result", type=click.Path(path_type=Path), metavar="RESULT.json")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where the picture goes.  [default: beside the result]",
)
@verbose_option
def explain(result: Path, out: Path | None, verbose: bool) -> None:  # noqa: FBT001 - click's way
    """Say what a measurement's uncertainty is made of, and what would halve it.

    Reads what `bandscan measure` wrote, prints the budget of every band with advice, and
    draws it as bars (RESULT-budget.png). With -v also where every number comes from.
    """
    from bandscan.explanation import read_budget
    from bandscan.output.explain_text import explanation_text

    explanation = read_budget(result)
    click.echo(explanation_text(explanation, origins=verbose))
    if explanation.bands:
        from bandscan.output.budget_picture import budget_png
        from bandscan.output.files import make_folder, write_file

        folder = result.parent if out is None else out
        picture = folder / f"{result.stem}-budget.png"
        make_folder(folder)
        write_file(picture, budget_png(explanation))
        click.echo(f"  Written {picture}")
