"""``annulary deidentify`` and ``annulary key``: from an identified export to a pseudonymised delivery."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def deidentify(
    export: Annotated[Path, typer.Argument(help="The identified export: CSV, or a workbook with one filled sheet.")],
    column_map: Annotated[Path, typer.Option("--map", help="The site's column map.", metavar="MAP.toml")],
    key: Annotated[Path, typer.Option("--key", help="The key file (annulary key makes one).", metavar="KEYFILE")],
    out: Annotated[
        Path | None, typer.Option(help="The file to be written; default: beside the export.", metavar="FILE")
    ] = None,
) -> None:
    """Turn an identified export into a delivery: keyed pseudonyms, birth years, no names and no free text."""
    from registry.console import aligned
    from registry.maps.loading import load_map
    from registry.privacy.deidentifying import deidentify as write_delivery
    from registry.privacy.keyed import read_key

    loaded = load_map(column_map)
    made = write_delivery(export, column_map=loaded, key=read_key(key), out=out)
    typer.echo(aligned(["file", "rows", "people"], [[str(made.path), made.rows, made.people]]))
    if made.left_out:
        typer.echo(f"left out: {', '.join(made.left_out)}", err=True)
    for note in made.notes:
        typer.echo(f"note: {note}", err=True)
    typer.echo(
        "These are pseudonymised health data, not anonymous: who holds the key and the clinic's numbers can resolve "
        "them. The key stays here, apart from the data.\n"
        f"Next: annulary intake {made.path} --map {column_map} --site {loaded.site} --registry FILE",
        err=True,
    )


def key(
    path: Annotated[Path, typer.Argument(help="The file to be made; nothing is overwritten.", metavar="NEW.key")],
) -> None:
    """Make a secret key for pseudonyms, readable by its owner only."""
    from registry.privacy.keyed import write_key

    typer.echo(str(write_key(path)))
    typer.echo(
        "Keep a copy where no delivery lies: without it the same person gets another pseudonym, and with it and the "
        "clinic's numbers every pseudonym can be resolved. Sites that are to recognise one climber share one key, held "
        "by a party that both trust.\n"
        f"Next: annulary deidentify FILE --map MAP.toml --key {path}",
        err=True,
    )


COMMANDS = [("deidentify", deidentify), ("key", key)]
