"""Refusing files whole: the site's pattern of pseudonyms, and what the cells give away."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import duckdb

from registry.dictionary import TABLES, Field
from registry.errors import DeliveryError
from registry.intake.held_sheet import read_back
from registry.intake.identifiers import Refusal, content_refusal, pattern_fault, pattern_of_nobody
from registry.intake.mended import feeds_of_sheet
from registry.intake.recognising import RecognisedFile, also_read_columns
from registry.store.connection import first_row

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from registry.maps.model import ColumnMap

LIKE_A_CODE: tuple[Field, ...] = (Field(name="", kind="code", label=""),)
"""How a column is judged that a map uses but that feeds no field of its own (it says when a row is made)."""


def refused_by_content(
    connection: DuckDBPyConnection,
    files: list[RecognisedFile],
    *,
    site: str,
    maps: Mapping[str, ColumnMap] | None = None,
) -> tuple[list[RecognisedFile], list[Refusal]]:
    """Part the files into those that may be looked at further and the refusals.

    Parameters
    ----------
    connection
        The registry; nothing is written.
    files
        The files of a delivery.
    site
        The site's code.
    maps
        SHA-256 -> the column maps that the registry has of the site, for sheets of held rows.

    Raises
    ------
    DeliveryError
        A site without a usable pattern of pseudonyms.
    """
    pattern = _pattern(connection, files, site)
    _check_pattern(connection, pattern)
    judged = [(file, _refusal(connection, file, pattern, site=site, maps=maps or {})) for file in files]
    return whole_workbooks(
        [file for file, refusal in judged if not refusal], [refusal for _, refusal in judged if refusal]
    )


def whole_workbooks(files: list[RecognisedFile], refusals: list[Refusal]) -> tuple[list[RecognisedFile], list[Refusal]]:
    """Refuse every sheet of a workbook of which one sheet is refused: the workbook is one file."""
    refused = {refusal.file.split("/")[0] for refusal in refusals if "/" in refusal.file}
    others = [file for file in files if "/" in file.text.name and file.text.name.split("/")[0] in refused]
    along = [
        Refusal(
            file.text.name,
            file.text.sha256,
            f"{file.text.name}: another sheet of this workbook was refused, and the file goes back as a whole.",
        )
        for file in others
    ]
    return [file for file in files if file not in others], refusals + along


def _refusal(
    connection: DuckDBPyConnection, file: RecognisedFile, pattern: str, *, site: str, maps: Mapping[str, ColumnMap]
) -> Refusal | None:
    if file.column_map is not None:
        return content_refusal(
            connection,
            file.text,
            feeds=feeds_of_map(file.column_map),
            dropped=file.column_map.file.drop,
            pattern=pattern,
            words={column: file.column_map.words_of(column) for column in file.column_map.columns},
        )
    if file.table is not None:
        table = file.table
        feeds: dict[str, tuple[Field, ...]] = {field.name: (field,) for field in table.fields}
        feeds |= {column: (table[name],) for column, (name, _) in also_read_columns(table).items()}
        return content_refusal(connection, file.text, feeds=feeds, pattern=pattern)
    feeds = feeds_of_sheet(connection, file, maps, site=site)
    words: dict[str, tuple[str, ...]] = {}
    for column_map in maps.values():
        words |= {name: words.get(name, ()) + tuple(column_map.words_of(name)) for name in column_map.columns}
    text = replace(file.text, cells=read_back(file.text.cells))
    return content_refusal(connection, text, feeds=feeds, pattern=pattern, words=words)


def feeds_of_map(column_map: ColumnMap) -> dict[str, tuple[Field, ...]]:
    """Return the columns that a map uses -> the dictionary's fields that each of them feeds."""
    feeds: dict[str, tuple[Field, ...]] = {column: LIKE_A_CODE for column in column_map.columns}
    for column, targets in column_map.feeds.items():
        feeds[column] = tuple(TABLES[table][field] for table, field in targets) or LIKE_A_CODE
    return feeds


def check_site(files: list[RecognisedFile], *, site: str) -> None:
    """Refuse a delivery whose own sites row names another site, or that names several.

    Raises
    ------
    DeliveryError
    """
    for file in files:
        rows = _site_rows(file)
        if len(rows) > 1:
            raise DeliveryError(
                f"{file.text.name}: {len(rows)} rows, but a site delivers one row for itself. Nothing was taken in."
            )
        if rows and rows[0]["site"].strip() not in ("", site):
            raise DeliveryError(
                f"{file.text.name}, row 2: the row names another site than --site {site}. Check which of the two is "
                "right; a site delivers under its own code. Nothing was taken in."
            )


def _site_rows(file: RecognisedFile) -> list[dict[str, str]]:
    if file.table_name != "sites":
        return []
    present = [name for name in ("site", "pseudonym_pattern") if name in file.text.header]
    rows: list[dict[str, str]] = file.text.cells.select(present).to_pylist()
    return [{"site": "", "pseudonym_pattern": "", **row} for row in rows]


def _pattern(connection: DuckDBPyConnection, files: list[RecognisedFile], site: str) -> str:
    """Return the site's pattern of pseudonyms: from this delivery's sites row, else from the registry.

    A new pattern that none of the site's known climbers matches is not followed: its row is held, and until somebody
    has looked the pattern that the registry has goes on.
    """
    for file in files:
        for given in _site_rows(file):
            cell = given["pseudonym_pattern"].strip()
            if given["site"].strip() == site and cell and pattern_fault(cell) is None:
                _check_pattern(connection, cell)
                if not pattern_of_nobody(connection, site=site, pattern=cell):
                    return cell
    known = first_row(connection, "SELECT pseudonym_pattern FROM current_sites WHERE site = ?", [site])
    if not known:
        raise DeliveryError(
            f"site '{site}' is not known yet: deliver a sites.csv with one row for it (kind, case_definition, "
            "exposure_method, pseudonym_pattern, ...), alone or together with the rest. A blank one: annulary "
            "template sites. If it came in this delivery, its pattern is not usable: write it like [A-Z]{2}[0-9]{5}. "
            "Nothing was taken in."
        )
    return str(known[0])


def _check_pattern(connection: DuckDBPyConnection, pattern: str) -> None:
    try:
        first_row(connection, "SELECT regexp_full_match('AB12345', ?)", [pattern])
    except duckdb.Error:
        raise DeliveryError(
            "sites.csv: the pseudonym_pattern cannot be used as a regular expression (look-ahead and references back "
            "are not known here); write it like [A-Z]{2}[0-9]{5}. Nothing was taken in."
        ) from None
