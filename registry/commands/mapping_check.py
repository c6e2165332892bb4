"""``annulary map check`` and ``annulary map format``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from registry.maps.model import ColumnMap
    from registry.proposing.previewing import Preview

MOST_ROWS = 50


def check(
    file: Annotated[Path, typer.Argument(help="A site's file: .csv, .tsv, .txt or .xlsx.", metavar="FILE")],
    column_map: Annotated[Path, typer.Option("--map", help="The column map.", metavar="MAP")],
    rows: Annotated[int, typer.Option(help="How many rows are shown before and after.", metavar="N", min=0)] = 5,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a program.")] = False,
) -> None:
    """Show what a column map makes of a file: rows before and after, faults, open questions. Nothing is taken in."""
    from registry.maps.loading import load_map
    from registry.proposing.previewing import preview

    loaded = load_map(column_map)
    previews = preview(file, column_map=loaded, rows=min(rows, MOST_ROWS))
    if as_json:
        typer.echo(_as_json(previews))
    else:
        for one in previews:
            _print(one, loaded)
    typer.echo(_next_step(previews, loaded, file, column_map), err=True)
    if not all(one.is_clean for one in previews):
        raise typer.Exit(1)


def format_() -> None:
    """Print the format of column maps, with an example."""
    from importlib.resources import files

    typer.echo(files("registry.maps").joinpath("format_text.md").read_text(encoding="utf-8").rstrip())
    typer.echo("Next: annulary map propose FILE (a first draft), or annulary map check FILE --map MAP", err=True)


MAP_COMMANDS = [("check", check), ("format", format_)]


def _print(one: Preview, column_map: ColumnMap) -> None:
    from registry.console import aligned

    totals = f", {one.n_total_rows} of totals" if one.n_total_rows else ""
    broken = f", {one.n_unreadable} that cannot be laid under the header" if one.n_unreadable else ""
    typer.echo(f"{one.file}: {one.n_rows} rows{totals}{broken}")
    if not one.fits_name:
        typer.echo(f"The map is for files named {column_map.match}; an intake would not use it for this one.")
    for title, columns in (
        ("Neither used nor dropped by the map", one.unused),
        ("Used by the map, but not in the file", one.missing),
        ("Dropped, never stored", one.dropped),
    ):
        if columns:
            typer.echo(f"{title}: {', '.join(columns)}")
    if one.identifiers:
        typer.echo(f"Would be refused whole, and is not shown: {one.identifiers}")
    if one.before:
        _print_side_by_side("before", one.before)
    for table, lines in one.after.items():
        _print_side_by_side(f"after: {table}", lines)
    typer.echo("")
    if one.faults:
        faults = [[f.column, f.code, f.n, ", ".join(map(str, f.rows)), f.message] for f in one.faults]
        typer.echo(aligned(["column", "code", "rows", "first rows", "message"], faults, width=150))
        typer.echo(f"{one.n_faulty_rows} of {one.n_rows} rows have a fault.")
    else:
        typer.echo("No cell has a fault.")
    for question in one.questions:
        typer.echo(f"\nquestion {question.id}: {question.ask}")
        for option in question.options:
            typer.echo(f"  - {option!r}" if option != option.strip() else f"  - {option}")


def _print_side_by_side(title: str, lines: list[list[str]]) -> None:
    from registry.console import aligned

    head, *rest = lines
    typer.echo(f"\n{title}")
    typer.echo(aligned(head, rest))


def _as_json(previews: list[Preview]) -> str:
    import dataclasses
    import json

    said = [{**dataclasses.asdict(one), "is_clean": one.is_clean} for one in previews]
    return json.dumps(said, indent=1, ensure_ascii=False)


def _next_step(previews: list[Preview], column_map: ColumnMap, file: Path, path: Path) -> str:
    again = f"annulary map check {file} --map {path}"
    n = len(column_map.open_questions)
    if n:
        asked = "1 question is" if n == 1 else f"{n} questions are"
        return f"{asked} open: write each answer into {path}, then: {again}"
    if any(one.identifiers for one in previews):
        return f"The file holds what identifies a person: mend those cells (or annulary deidentify), then: {again}"
    if any(one.unused or one.missing for one in previews):
        return f"Let {path} use or drop each column of the file (annulary map format), then: {again}"
    if not all(one.fits_name for one in previews):
        return f"Rename the file, or correct 'match' in {path}, then: {again}"
    site = column_map.site or "CODE"
    intake = f"annulary intake {file} --map {path} --registry FILE --site {site}"
    if not all(one.is_clean for one in previews):
        return f"Mend the words in {path} or the cells in the file; rows with a fault would be held by: {intake}"
    return f"Next (rows are checked against each other there): {intake}"
