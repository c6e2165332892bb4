"""Rows that were taken back by name and come again, word for word: held, until somebody says that they are right."""

from __future__ import annotations

from registry.dictionary import Table
from registry.door import quoted
from registry.intake.checks import text_literal


def retracted_findings(table: Table, good: str, *, site: str) -> str:
    """Return the SELECT of rows that bring back, word for word, what was taken back by name.

    Rows that only went along with another are not among them: they come and go with their parent. A row whose very
    content is current again has been accepted since.

    Parameters
    ----------
    table
        The dictionary's table.
    good
        The sub-select of typed rows that nothing holds.
    site
        The site that delivers.

    Returns
    -------
    str
        SQL in the columns of ``BAD_COLUMNS``.
    """
    rows = f"accepted.{table.name}"
    same = " AND ".join(f"{{one}}.{quoted(name)} IS NOT DISTINCT FROM {{other}}.{quoted(name)}" for name in table.key)
    accepted_since = (
        f"SELECT 1 FROM {rows} n WHERE n.superseded_by IS NULL AND n.site = a.site AND n.content = a.content "
        f"AND {same.format(one='n', other='a')}"
    )
    # Few rows are ever taken back: begin with them, so that a large delivery costs nothing.
    back = (
        f"SELECT a.* FROM {rows} a WHERE a.superseded_by = a.row_id AND a.site = {text_literal(site)} AND a.row_id IN "
        f"(SELECT row_id FROM retractions WHERE table_name = {text_literal(table.name)} AND because IS NOT NULL) "
        f"AND NOT EXISTS ({accepted_since})"
    )
    return (
        f"SELECT t.row_id, t.origin, {text_literal(table.name)}, {text_literal(table.key[0])}, 'retracted', NULL "
        f"FROM {good} t WHERE EXISTS (SELECT 1 FROM ({back}) b WHERE b.content = t.content "
        f"AND {same.format(one='b', other='t')})"
    )
