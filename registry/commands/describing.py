"""``annulary dictionary`` and ``annulary template``."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from registry.dictionary import Table


class SchemaForm(StrEnum):
    """In which form the dictionary is printed."""

    MARKDOWN = "markdown"
    TABLE_SCHEMA = "table-schema"
    PANDERA = "pandera"


class TemplateForm(StrEnum):
    """As what blank files are written."""

    CSV = "csv"
    XLSX = "xlsx"


def dictionary(
    tables: Annotated[list[str] | None, typer.Argument(help="Tables to print; all when left away.")] = None,
    form: Annotated[
        SchemaForm,
        typer.Option(
            "--as",
            help="markdown: for reading; table-schema: JSON of the open standard (all tables: a data package); "
            "pandera: a Python module for notebooks.",
        ),
    ] = SchemaForm.MARKDOWN,
    identifiers: Annotated[
        bool,
        typer.Option("--identifiers", help="Print instead what is taken for a direct identifier, with its source."),
    ] = False,
) -> None:
    """Print the data dictionary: every table, field, code, unit and range."""
    if identifiers:
        from registry.privacy.direct_identifiers import printed_identifiers

        typer.echo(printed_identifiers())
        return
    names = _known_tables(tables)
    if form is SchemaForm.MARKDOWN:
        from registry.dictionary.printing import printed_dictionary

        typer.echo(printed_dictionary(names))
    elif form is SchemaForm.TABLE_SCHEMA:
        from registry.dictionary.table_schema import schema_text

        typer.echo(schema_text(_tables(names)), nl=False)
    else:
        from registry.dictionary.pandera_schema import module_text

        typer.echo(module_text(_tables(names)), nl=False)
        typer.echo("Save it as a .py file; it needs pandas and pandera (pip install 'annulary[pandera]').", err=True)


def template(
    tables: Annotated[
        list[str] | None,
        typer.Argument(help="Tables to write; all when left away. 'sheet' is the flat sheet."),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the blank files.", metavar="DIR")] = Path("blank"),
    form: Annotated[
        TemplateForm,
        typer.Option(
            "--format", help="csv: a file for each table; xlsx: one workbook with a sheet for each, and lists of codes."
        ),
    ] = TemplateForm.CSV,
) -> None:
    """Write blank files with the right header for each table: CSV, or a workbook with drop-down codes."""
    from registry.errors import NotWritableError

    files = _blank_files(_known_tables(tables), form)
    taken = [name for name in files if (out / name).exists()]
    if taken:
        raise NotWritableError(f"{out / taken[0]} is there already; nothing is overwritten. Name another --out.")
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (out / name).write_bytes(content)
    except OSError as error:
        raise NotWritableError(f"{out} cannot be written ({error.strerror}); name another --out.") from None
    for name in files:
        typer.echo(str(out / name))
    typer.echo(
        "Fill the columns that you have, remove optional ones that you lack, and deliver with annulary intake.",
        err=True,
    )


COMMANDS = [("dictionary", dictionary), ("template", template)]


def _known_tables(tables: list[str] | None) -> list[str] | None:
    from registry.dictionary import SHEET, TABLES
    from registry.errors import OptionError, suggestion

    known = [SHEET.name, *TABLES]
    for name in tables or []:
        if name not in known:
            raise OptionError(f"no table '{name}'; there are {', '.join(known)}.{suggestion(name, known)}")
    return tables or None


def _tables(names: list[str] | None) -> list[Table]:
    from registry.dictionary import SHEET, TABLES

    known = {SHEET.name: SHEET, **TABLES}
    return [known[name] for name in dict.fromkeys(names or known)]


def _blank_files(names: list[str] | None, form: TemplateForm) -> dict[str, bytes]:
    """Return what is written, by file name."""
    tables = _tables(names)
    if form is TemplateForm.XLSX:
        from registry.dictionary.workbooks import blank_workbook

        return {f"{tables[0].name if len(tables) == 1 else 'delivery'}.xlsx": blank_workbook(tables)}
    from registry.dictionary.printing import blank_csv

    return {f"{table.name}.csv": blank_csv(table).encode() for table in tables}
