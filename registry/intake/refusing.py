"""Refusing files whole: the site's pattern of pseudonyms, and what the cells give away."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import duckdb

from registry.errors import DeliveryError
from registry.intake.identifiers import Refusal, content_conditions, refusal_by_content
from registry.intake.recognising import RecognisedFile
from registry.store.connection import first_row

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


def refused_by_content(
    connection: DuckDBPyConnection, files: list[RecognisedFile], *, site: str
) -> tuple[list[RecognisedFile], list[Refusal]]:
    """Part the files into those that may be looked at further and the refusals."""
    pattern = _pattern(connection, files, site)
    judged = [(file, _content_refusal(connection, file, pattern)) for file in files]
    return [file for file, refusal in judged if not refusal], [refusal for _, refusal in judged if refusal]


def _pattern(connection: DuckDBPyConnection, files: list[RecognisedFile], site: str) -> str:
    """Return the site's pattern of pseudonyms: from this delivery's sites row, else from the registry."""
    for file in files:
        if file.table.name == "sites" and file.text.cells.num_rows == 1:
            cell: Any = file.text.cells["pseudonym_pattern"][0].as_py()
            if cell and cell.strip():
                return str(cell.strip())
    row = first_row(connection, "SELECT pseudonym_pattern FROM current_sites WHERE site = ?", [site])
    if not row:
        raise DeliveryError(
            f"site '{site}' is not known yet: deliver a sites.csv with one row for it (kind, case_definition, "
            "exposure_method, pseudonym_pattern, ...), alone or together with the rest. A blank one: annulary "
            "template sites. Nothing was taken in."
        )
    return str(row[0])


def _content_refusal(connection: DuckDBPyConnection, file: RecognisedFile, pattern: str) -> Refusal | None:

    connection.register("looked_at", file.text.cells)
    found = []
    try:
        for column, condition, what in content_conditions(file, pattern):
            row = first_row(
                connection, f"SELECT count(*), list(line ORDER BY line)[1:6] FROM looked_at WHERE {condition}"
            )
            if row[0]:
                found.append((column, what, list(row[1]), int(row[0])))
    except duckdb.Error:
        raise DeliveryError(
            f"the pseudonym_pattern of the site cannot be used as a regular expression; write it like "
            f"[A-Z]{{2}}[0-9]{{5}} ({file.text.name}). Nothing was taken in."
        ) from None
    finally:
        connection.unregister("looked_at")
    return refusal_by_content(file, found)
