"""``annulary alike``: how many climbers share the same look."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from reports.commands.opening import AsCsv, AsJson, Freeze, Registry, opened

if TYPE_CHECKING:
    from analysis.alike import Likeness


def alike(
    registry: Registry = None,
    freeze: Freeze = None,
    by: Annotated[
        str | None,
        typer.Option(
            help="Columns that somebody might know, with commas. Default: site, sex, age_band, level, season, "
            "onset_month, digit, side, discipline.",
            show_default=False,
        ),
    ] = None,
    sensitive: Annotated[str, typer.Option(help="Column that nobody should learn from them.")] = "tier",
    show_cells: Annotated[
        bool, typer.Option("--show-cells", help="Also print the small combinations. INTERNAL: they point at people.")
    ] = False,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
) -> None:
    """Count how many climbers share the same look: age band, sex, finger, season and so on (k-anonymity)."""
    from analysis.alike import QUASI_IDENTIFIERS
    from analysis.alike import alike as count_alike
    from registry.errors import OptionError
    from reports import terminal
    from reports.cautions import cautions_for

    if as_json and as_csv:
        raise OptionError("choose --json or --csv, not both.")
    columns = [word.strip() for word in by.split(",") if word.strip()] if by else list(QUASI_IDENTIFIERS)
    with opened(registry, freeze) as view:
        result = count_alike(view, by=columns, sensitive=sensitive, show_cells=show_cells)
        if as_json:
            typer.echo(_json(result, terminal.result_json(result, identity=view.identity)))
        elif as_csv:
            typer.echo(terminal.result_csv(result), nl=False)
        else:
            typer.echo(terminal.result_text(result))
    typer.echo(f"\n{result.method}", err=True)
    for note in result.notes:
        typer.echo(f"note: {note.sentence}", err=True)
    for caution in cautions_for("cells"):
        typer.echo(f"caution: {caution.sentence}", err=True)
    if show_cells:
        typer.echo("caution: INTERNAL. The listed combinations point at single people; do not pass them on.", err=True)
    typer.echo(
        "next: leave out or coarsen the column at the top of the last list, and count again with --by.", err=True
    )


COMMANDS: list[tuple[str, Callable[..., None]]] = [("alike", alike)]


def _json(result: Likeness, text: str) -> str:
    import json

    from reports.frames import records

    body = json.loads(text)
    body |= {
        "sensitive": result.sensitive,
        "k": result.k,
        "l_diversity": result.l_diversity,
        "climbers": result.climbers,
        "told_by_look": result.told_by_look,
        "helps": records(result.helps),
        "sizes": records(result.sizes),
        "cells": records(result.cells),
    }
    return json.dumps(body, ensure_ascii=False, indent=1, default=int)
