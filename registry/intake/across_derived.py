"""Warnings that need the derived tables: what is recorded against what follows from the rows, as SQL.

They are asked after the derivation, of all current rows of a site: a delivery of contacts can bring a warning about a
case that came long before.

Common practice, no source
    A reported history is contradicted when the registry holds more than was reported (an earlier injury of the same
    place, an earlier one of the same tissue), or the other of re-injury and exacerbation; it is not when less is held,
    because the earlier injury may lie before the registry. ``index`` and ``new`` both begin a sequence.
    An onset before the climber was first watched is no fault: it counts in prevalence.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.intake.checks import text_literal

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

GRADE = "regexp_extract(upper(trim(d.grade_recorded)), '^(?:GRADE?|GRAD|PULLEY)?[ _.]*(IV|I{1,3}|[1-4])$', 1)"
RECORDED = f"replace(replace(replace(replace({GRADE}, '1', 'I'), '2', 'II'), '3', 'III'), '4', 'IV')"
IV_OF_ONE = f"({RECORDED} = 'IV' AND d.structures_n = 1)"


def _rank(column: str) -> str:
    return (
        f"CASE {column} WHEN 'index' THEN 0 WHEN 'new' THEN 0 WHEN 'local' THEN 1 WHEN 'reinjury' THEN 2 "
        "WHEN 'exacerbation' THEN 2 END"
    )


REPORTED, DERIVED = _rank("d.history"), _rank("d.history_derived")
OF_CASES = (
    ("grade_recorded", "grade_iv_single", IV_OF_ONE),
    (
        "grade_recorded",
        "grade_differs",
        f"d.pulley_grade IN ('I', 'II', 'III', 'IV') AND {RECORDED} <> '' AND {RECORDED} <> d.pulley_grade "
        f"AND NOT {IV_OF_ONE}",
    ),
    (
        "history",
        "history_differs",
        f"{DERIVED} > {REPORTED} OR ({DERIVED} = 2 AND {REPORTED} = 2 AND d.history <> d.history_derived)",
    ),
    ("onset", "outside_observation", "o.standing IN ('outside_observation', 'not_observed')"),
    (
        "onset",
        "outside_exposure",
        "o.standing = 'uncovered' AND EXISTS (SELECT 1 FROM accepted.sites s WHERE s.superseded_by IS NULL "
        "AND s.site = d.site AND s.exposure_method <> 'none')",
    ),
)
"""(column, reason code, condition); ``d`` is the derived case, ``o`` its occurrence."""
DERIVED_CODES = (*(code for _, code, _ in OF_CASES), "imaging_after_last_contact")


def derived_warnings(*, site: str) -> list[str]:
    """Return the SELECTs of warnings about a site's current rows.

    Returns
    -------
    SELECTs of row_id (of the accepted row), table_name, file, line, column_name, code; ``derived.cases`` and
    ``derived.occurrences`` must be up to date.
    """
    own = f"a.superseded_by IS NULL AND a.site = {text_literal(site)}"
    of_cases = [
        f"SELECT a.row_id, 'cases', a.file, a.line, {text_literal(column)}, {text_literal(code)} FROM accepted.cases a "
        'JOIN derived.cases d ON d.site = a.site AND d."case" = a."case" '
        "LEFT JOIN derived.occurrences o ON o.site = d.site AND o.occurrence = d.occurrence AND o.climber = d.climber "
        f"WHERE {own} AND ({condition})"
        for column, code, condition in OF_CASES
    ]
    last = (
        'SELECT "case", max(seen) AS seen FROM accepted.follow_ups WHERE superseded_by IS NULL '
        f'AND site = {text_literal(site)} GROUP BY "case"'
    )
    return [
        *of_cases,
        "SELECT a.row_id, 'imaging', a.file, a.line, 'done_on', 'imaging_after_last_contact' FROM accepted.imaging a "
        f'JOIN ({last}) f ON f."case" = a."case" WHERE {own} AND a.done_on > f.seen',
    ]


def keep_derived_warnings(connection: DuckDBPyConnection, *, site: str, delivery: int) -> None:
    """Write the warnings that do not stand yet: a delivery that comes twice warns once."""
    for query in derived_warnings(site=site):
        connection.execute(
            f"INSERT INTO warnings SELECT {delivery}, {text_literal(site)}, row_id, table_name, file, line, "
            f"column_name, code FROM ({query}) AS w(row_id, table_name, file, line, column_name, code) "
            "WHERE NOT EXISTS (SELECT 1 FROM warnings k WHERE k.row_id = w.row_id AND k.column_name = w.column_name "
            "AND k.code = w.code) ORDER BY row_id"
        )
