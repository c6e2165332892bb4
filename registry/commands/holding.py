"""``annulary held``: what waits for a mend, as a list or as a sheet, and closing what nobody can mend."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from registry.commands.findings_text import findings_text
from registry.commands.options import ByOption, RegistryOption


def held(  # noqa: PLR0913, PLR0917 - one option each
    registry: RegistryOption,
    site: Annotated[str | None, typer.Option(help="Only this site's rows.", metavar="CODE")] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print as CSV.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
    export: Annotated[
        Path | None,
        typer.Option(
            help="Write the rows of a site as a sheet to be mended and delivered again (.xlsx or .csv).",
            metavar="FILE",
        ),
    ] = None,
    dismiss: Annotated[
        int | None, typer.Option(help="Close the held row of this number, which nobody can mend.", metavar="ID")
    ] = None,
    accept: Annotated[
        int | None,
        typer.Option(help="Take the row of this number in: somebody has looked, and it is right.", metavar="ID"),
    ] = None,
    because: Annotated[str | None, typer.Option(help="Why it is dismissed or accepted.", metavar="TEXT")] = None,
    by: ByOption = None,
) -> None:
    """List the rows that are held, with the reason and the mend for each; export, dismiss or accept them."""
    from registry.errors import OptionError

    if sum(choice is not None for choice in (export, dismiss, accept)) > 1:
        raise OptionError("choose one of --export, --dismiss and --accept.")
    if as_csv and as_json:
        raise OptionError("choose --json or --csv, not both.")
    if export is not None:
        _export(registry, site, export)
        return
    if dismiss is not None or accept is not None:
        _decide(registry, dismiss=dismiss, accept=accept, because=because, by=by)
    _list(registry, site, as_csv=as_csv, as_json=as_json)


COMMANDS = [("held", held)]


def _export(registry: Path, site: str | None, out: Path) -> None:
    from registry.errors import OptionError
    from registry.intake.holding import export_held

    if site is None:
        raise OptionError("--export needs --site CODE: a sheet holds one site's rows and goes back to that site only.")
    written = export_held(registry, out=out, site=site)
    for path in written:
        typer.echo(str(path))
    typer.echo(
        f"Mend the cells (not the first four columns) and deliver: annulary intake {written[0]} --registry {registry} "
        f"--site {site}. The sheet holds pseudonymised health data; delete it afterwards."
        if written
        else "No row is held; nothing was written.",
        err=True,
    )


def _decide(registry: Path, *, dismiss: int | None, accept: int | None, because: str | None, by: str | None) -> None:
    from registry.errors import OptionError
    from registry.intake.delivery import accept as take_held
    from registry.intake.holding import dismiss as close_held

    if because is None:
        raise OptionError("--dismiss ID and --accept ID need --because 'why', which stays on the books.")
    if dismiss is not None:
        close_held(registry, held_id=dismiss, because=because, taken_by=by)
        typer.echo(f"Row {dismiss} is closed.", err=True)
    if accept is not None:
        report = take_held(registry, held_id=accept, because=because, taken_by=by)
        others = f" {report.released - 1} more followed." if report.released > 1 else ""
        typer.echo(
            f"Row {accept} is taken in.{others}"
            if report.released
            else f"Row {accept} is still held: something else speaks against it now.",
            err=True,
        )


def _list(registry: Path, site: str | None, *, as_csv: bool, as_json: bool) -> None:
    from registry.intake.holding import held_rows
    from registry.spreadsheet_text import safe_csv

    frame = held_rows(registry, site=site)
    if as_csv:
        typer.echo(safe_csv(frame), nl=False)
    elif as_json:
        typer.echo(frame.to_json(orient="records", indent=1, force_ascii=False))
    elif frame.empty:
        typer.echo("No row is held.")
    else:
        typer.echo(findings_text(frame, lead=["held_id", "site"]))
    n = frame["held_id"].nunique()
    rows = f"{n} row{'s' if n != 1 else ''} held."
    typer.echo(
        f"{rows} A sheet to mend: annulary held --registry {registry} --site CODE --export FILE.xlsx. What is right "
        "when it is delivered again is taken in, and rows that waited for it follow by themselves. --dismiss ID closes "
        "what nobody can mend, --accept ID takes in what is right after all; both with --because TEXT."
        if n
        else "Nothing to do.",
        err=True,
    )
    raise typer.Exit(1 if n else 0)
