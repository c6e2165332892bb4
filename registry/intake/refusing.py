"""Refusing files whole: the site's pattern of pseudonyms, and what the cells give away."""

from __future__ import annotations

from typing import TYPE_CHECKING

import duckdb

from registry.errors import DeliveryError
from registry.intake.identifiers import Refusal, content_conditions, pattern_fault, refusal_by_content
from registry.intake.recognising import RecognisedFile
from registry.store.connection import first_row

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


def refused_by_content(
    connection: DuckDBPyConnection, files: list[RecognisedFile], *, site: str
) -> tuple[list[RecognisedFile], list[Refusal]]:
    """Part the files into those that may be looked at further and the refusals."""
    pattern = _pattern(connection, files, site)
    _check_pattern(connection, pattern)
    judged = [(file, _content_refusal(connection, file, pattern)) for file in files]
    return [file for file, refusal in judged if not refusal], [refusal for _, refusal in judged if refusal]


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
    if file.table.name != "sites":
        return []
    rows: list[dict[str, str]] = file.text.cells.select(["site", "pseudonym_pattern"]).to_pylist()
    return rows


def _pattern(connection: DuckDBPyConnection, files: list[RecognisedFile], site: str) -> str:
    """Return the site's pattern of pseudonyms: from this delivery's sites row, else from the registry."""
    for file in files:
        for given in _site_rows(file):
            cell = given["pseudonym_pattern"].strip()
            if given["site"].strip() == site and cell and pattern_fault(cell) is None:
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


def _content_refusal(connection: DuckDBPyConnection, file: RecognisedFile, pattern: str) -> Refusal | None:
    connection.register("looked_at", file.text.cells)
    found = []
    for column, condition, what in content_conditions(file, pattern):
        row = first_row(connection, f"SELECT count(*), list(line ORDER BY line)[1:6] FROM looked_at WHERE {condition}")
        if row[0]:
            found.append((column, what, list(row[1]), int(row[0])))
    connection.unregister("looked_at")
    return refusal_by_content(file, found)


def _check_pattern(connection: DuckDBPyConnection, pattern: str) -> None:
    try:
        first_row(connection, "SELECT regexp_full_match('AB12345', ?)", [pattern])
    except duckdb.Error:
        raise DeliveryError(
            "sites.csv: the pseudonym_pattern cannot be used as a regular expression (look-ahead and references back "
            "are not known here); write it like [A-Z]{2}[0-9]{5}. Nothing was taken in."
        ) from None
