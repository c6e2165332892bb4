"""``annulary season``: the season report."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from reports.commands.opening import Freeze, Registry, opened


def season(
    starts_on: Annotated[str, typer.Option("--from", help="First day, as YYYY-MM-DD.", show_default=False)],
    ends_on: Annotated[str, typer.Option("--to", help="Last day, as YYYY-MM-DD.", show_default=False)],
    registry: Registry = None,
    freeze: Freeze = None,
    out: Annotated[Path, typer.Option(help="Folder for the page, tables, figures and numbers.json.")] = Path("season"),
) -> None:
    """Write a season report: one page that prints, its tables, figures and numbers. Every page is INTERNAL."""
    from reports.season.report import season_report

    days = (_day(starts_on, "--from"), _day(ends_on, "--to"))
    with opened(registry, freeze) as view:
        written = season_report(view, starts_on=days[0], ends_on=days[1], out=out)
    typer.echo(str(written.page))
    typer.echo(
        f"Also written: {written.numbers}, {len(written.tables)} tables, {len(written.figures)} figure files.\n"
        "INTERNAL: small numbers are shown as they are. Do not pass it on.",
        err=True,
    )
    typer.echo(f"next: open {written.page} in a browser; print it from there.", err=True)


def _day(words: str, option: str) -> date:
    from registry.errors import OptionError

    try:
        return date.fromisoformat(words)
    except ValueError:
        raise OptionError(f"{option} takes a day as YYYY-MM-DD, for example 2025-01-31.") from None


COMMANDS = [("season", season)]
