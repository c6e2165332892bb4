"""The command that writes the invented federation."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def federation(
    out: Annotated[Path, typer.Argument(help="A new folder for the deliveries.", show_default=False)],
    climbers: Annotated[int, typer.Option(help="About how many climbers.", min=1)] = 1000,
    seasons: Annotated[int, typer.Option(help="Calendar years, the last one 2025.", min=1, max=30)] = 3,
    seed: Annotated[int | None, typer.Option(help="The same seed gives the same bytes.", min=0)] = None,
    untidy: Annotated[bool, typer.Option(help="With a handful of bad cells on purpose.")] = True,
) -> None:
    """Write the CSV deliveries of an invented climbing federation, one folder a site."""
    from synthetic_data.federation import DEFAULT_SEED, write_federation

    written = write_federation(
        out,
        climbers=climbers,
        seasons=seasons,
        seed=DEFAULT_SEED if seed is None else seed,
        untidy=untidy,
    )
    for site in written.sites:
        rows = ", ".join(f"{n} {table}" for table, n in site.rows.items())
        typer.echo(f"{site.code} ({site.kind}): {rows}")
    typer.echo(f"The deliveries lie in {written.folder}, one folder a site.", err=True)
    typer.echo(f"What truly happened, and which cells are bad on purpose: {written.truth_folder}", err=True)
    first = written.sites[0]
    typer.echo(f"Next: annulary intake {first.folder} --registry FILE --site {first.code}", err=True)


COMMANDS = [("federation", federation)]
