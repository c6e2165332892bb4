"""How every command shows its results: tables to stdout, method, notes, cautions and the next step to stderr."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from analysis.results import Result
    from registry.store.view import View

FigureFile = Annotated[
    Path | None, typer.Option("--figure", help="Also draw it, to a .svg, .png or .pdf file.", show_default=False)
]


def listed(words: str) -> list[str]:
    """Split what was given with commas."""
    return [word.strip() for word in words.split(",") if word.strip()]


def show(
    results: list[Any],
    view: View,
    *,
    as_json: bool,
    as_csv: bool,
    figure: Path | None,
    picture: str | None = None,
    size: str | None = None,
) -> None:
    """Print results as text, JSON or CSV, with their cautions; draw the first where a figure was asked for."""
    from registry.errors import OptionError
    from reports import terminal
    from reports.pictures.style import format_of

    if as_json and as_csv:
        raise OptionError("choose --json or --csv, not both.")
    if figure is not None:
        format_of(figure)
    first = results[0]
    if as_json:
        typer.echo(terminal.result_json(first, identity=view.identity), nl=False)
    elif as_csv:
        typer.echo(terminal.result_csv(first), nl=False)
    else:
        width = _terminal_width()
        typer.echo("\n\n".join(terminal.result_text(result, width=width) for result in results))
    for result in results:
        typer.echo("\n" + "\n".join(terminal.result_said(result)), err=True)
    cautions = dict.fromkeys(caution.sentence for result in results for caution in terminal.result_cautions(result))
    typer.echo("\n" + "\n".join(f"caution: {sentence}" for sentence in cautions), err=True)
    if figure is not None:
        _draw(first, figure, picture=picture, size=size)


def _draw(result: Result, place: Path, *, picture: str | None, size: str | None) -> None:
    from reports.cautions import PICTURE_MARK
    from reports.pictures.drawing import draw
    from reports.pictures.style import marked, save

    save(marked(draw(result, picture=picture, size=size), PICTURE_MARK), place)
    typer.echo(f"figure: {place}", err=True)


def _terminal_width() -> int | None:
    import shutil
    import sys

    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def next_step(command: str, registry: Path | None, freeze: Path | None) -> None:
    """Print a command that runs as it stands: with the data that were named on this command line."""
    import os
    import shlex

    if freeze is not None:
        command += f" --freeze {shlex.quote(str(freeze))}"
    elif registry is not None and str(registry) != os.environ.get("ANNULARY_REGISTRY"):
        command += f" --registry {shlex.quote(str(registry))}"
    typer.echo(f"next: {command}", err=True)
