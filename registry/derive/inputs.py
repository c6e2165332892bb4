"""The notebook's way in: frames in the dictionary's own column names become the typed tables that we derive from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.tables import BASE_TABLES, derive_tables
from registry.dictionary import TABLES
from registry.dictionary.model import Field, Table
from registry.door import enter, quoted
from registry.errors import ColumnError, InputError, missing_column, suggestion

ONE_SITE = "one"
"""The site of rows whose frame has no column ``site``."""

_SQL_TYPES = {"integer": "BIGINT", "year": "BIGINT", "number": "DOUBLE", "date": "DATE"}
_ISO_DAY = r"\d{4}-\d{2}-\d{2}([ T]00:00:00(\.0+)?)?"
_HOW_TO_WRITE = {
    "date": "not a day written YYYY-MM-DD",
    "integer": "not a whole number",
    "year": "not a year",
    "number": "not a number",
}


def derived_tables(frames: Mapping[str, Any]) -> dict[str, nw.LazyFrame[Any]]:
    """Derive cases, findings, occurrences and risk_time from frames that a notebook holds.

    Parameters
    ----------
    frames
        Frames (pandas, polars, pyarrow, dict of columns) by the name of their dictionary table, see
        :func:`base_from_frames`.

    Returns
    -------
    The derived tables by name, as narwhals LazyFrames over DuckDB.

    Raises
    ------
    InputError, ColumnError
        As :func:`base_from_frames`.

    Examples
    --------
    >>> frames = {
    ...     "cases": {"case": ["c1"], "athlete": ["p1"], "onset": ["2024-05-06"], "side": ["left"],
    ...               "digit": ["ring"], "onset_mode": ["sudden"], "age_at_onset": [30]},
    ...     "findings": {"case": ["c1"], "structure": ["a2"], "extent": ["complete"]},
    ... }
    >>> derived_tables(frames)["cases"].select("pulley_grade", "tier").collect().rows()
    [('III', 'pulley_3')]
    """
    return derive_tables(base_from_frames(frames))


def base_from_frames(frames: Mapping[str, Any]) -> dict[str, nw.LazyFrame[Any]]:
    """Bring frames in the dictionary's column names into the form that the derivation reads.

    Parameters
    ----------
    frames
        By table name (``BASE_TABLES``); ``cases`` is needed, an absent table counts as empty. Each has the
        dictionary's columns; optional ones may be left away, and so may ``site`` when there is one site only. Days
        are ISO text, dates or midnight timestamps. Columns ``<date>_day`` are ignored: they are derived again.

    Returns
    -------
    Every one of ``BASE_TABLES``: typed columns, ``site``, and ``<date>_day`` (days since 1970-01-01).

    Raises
    ------
    ColumnError
        A required column is missing, or a column is not one of the table's.
    InputError
        A value has the wrong kind, a code does not exist, a key comes twice, a row names a case that is not there.
        All findings of a table are named at once; no value is repeated.
    """
    _known_tables(frames)
    base = {name: _typed(TABLES[name], frames.get(name)) for name in BASE_TABLES}
    for name in frames:
        _same_parents(name, base, given=frames)
    return base


def _known_tables(frames: Mapping[str, Any]) -> None:
    for name in frames:
        if name not in BASE_TABLES:
            raise InputError(
                f"no table '{name}' to derive from; there are {', '.join(BASE_TABLES)}.{suggestion(name, BASE_TABLES)}"
            )
    if "cases" not in frames:
        raise InputError("a frame 'cases' is needed; the others may be left away.")


def _typed(table: Table, frame: Any) -> nw.LazyFrame[Any]:
    given = enter({"site": []} if frame is None else frame)
    present = given.collect_schema().names()
    if frame is not None:
        _known_columns(table, present)
    relation = given.to_native()
    kinds = dict(zip(relation.columns, (str(kind) for kind in relation.types), strict=True))
    cells = [_cell(field, kinds.get(field.name)) for field in table.fields if field.name != "site"]
    site = "nullif(trim(CAST(site AS VARCHAR)), '')" if "site" in present else f"'{ONE_SITE}'"
    typed = relation.project(", ".join([f"{site} AS site", *cells]))
    _refuse(table, relation, typed, present)
    days = [
        f"CAST({quoted(field.name)} - DATE '1970-01-01' AS BIGINT) AS \"{field.name}_day\""
        for field in table.fields
        if field.kind == "date"
    ]
    ready: nw.LazyFrame[Any] = nw.from_native(typed.project(", ".join(["*", *days])))
    return ready


def _known_columns(table: Table, present: list[str]) -> None:
    extra = {"site"} | {f"{field.name}_day" for field in table.fields if field.kind == "date"}
    for name in present:
        if name not in table.names and name not in extra:
            raise ColumnError(
                f"table '{table.name}' has no field '{name}'; drop the column or rename it."
                f"{suggestion(name, table.names)}"
            )
    for field in table.fields:
        if field.required and field.name not in present and field.name != "site":
            raise missing_column(field.name, field.label, present)


def _cell(field: Field, kind: str | None) -> str:
    """Return SQL that types one column; what does not fit becomes NULL and is counted by ``_refuse``."""
    name, target = quoted(field.name), _SQL_TYPES.get(field.kind, "VARCHAR")
    if kind is None:
        return f"CAST(NULL AS {target}) AS {name}"
    text = f"nullif(trim(CAST({name} AS VARCHAR)), '')"
    if kind == "BOOLEAN":
        value = f"CASE WHEN {name} THEN 'yes' WHEN NOT {name} THEN 'no' END"
    elif field.kind == "date":
        day = f"TRY_CAST(left({text}, 10) AS DATE)"
        value = f"CASE WHEN regexp_full_match({text}, '{_ISO_DAY}') THEN {day} END"
    elif target == "BIGINT":
        number = f"TRY_CAST({text} AS DOUBLE)"
        value = f"CASE WHEN {number} = floor({number}) THEN CAST({number} AS BIGINT) END"
    elif target == "DOUBLE":
        value = f"TRY_CAST({text} AS DOUBLE)"
    elif kind in {"DOUBLE", "FLOAT"}:
        # A key column with a gap arrives from pandas as 1.0, 2.0: the key is 1, 2.
        value = f"CASE WHEN {name} = floor({name}) THEN CAST(CAST({name} AS BIGINT) AS VARCHAR) ELSE {text} END"
    else:
        value = text
    return f"{value} AS {name}"


def _refuse(table: Table, given: Any, typed: Any, present: list[str]) -> None:
    checks: dict[str, str] = {}
    for field in table.fields:
        name = quoted(field.name)
        if field.required and field.name in typed.columns:
            checks[f"column '{field.name}' is empty"] = f"count(*) FILTER (WHERE {name} IS NULL)"
        if field.kind == "code" and field.name in present:
            words = ", ".join(f"'{word}'" for word in field.accepted_words)
            unknown = f"column '{field.name}' holds none of {', '.join(field.words)}"
            checks[unknown] = f"count(*) FILTER (WHERE {name} NOT IN ({words}))"
    for earlier, later in table.ordered:
        checks[f"'{later}' lies before '{earlier}'"] = f"count(*) FILTER (WHERE {quoted(later)} < {quoted(earlier)})"
    for group in table.either:
        all_empty = " AND ".join(f"{quoted(name)} IS NULL" for name in group)
        checks[f"none of {', '.join(group)} is filled"] = f"count(*) FILTER (WHERE {all_empty})"
    key = ", ".join(quoted(name) for name in dict.fromkeys(["site", *table.key]))
    checks[f"the key ({', '.join(table.key)}) has come before"] = f"count(*) - count(DISTINCT ({key}))"
    counts = dict(zip(checks, typed.aggregate(", ".join(checks.values())).fetchall()[0], strict=True))
    counts.update(_wrong_kinds(table, given, typed, present))
    found = [f"{number} rows: {what}" for what, number in counts.items() if number]
    if found:
        raise InputError(f"table '{table.name}' cannot be used. " + "; ".join(found) + ". Mend them and try again.")


def _wrong_kinds(table: Table, given: Any, typed: Any, present: list[str]) -> dict[str, int]:
    fields = [field for field in table.fields if field.name in present and field.kind in _HOW_TO_WRITE]
    if not fields:
        return {}
    filled = ", ".join(f"count(nullif(trim(CAST({quoted(field.name)} AS VARCHAR)), ''))" for field in fields)
    understood = ", ".join(f"count({quoted(field.name)})" for field in fields)
    before, after = given.aggregate(filled).fetchall()[0], typed.aggregate(understood).fetchall()[0]
    return {
        f"column '{field.name}' is {_HOW_TO_WRITE[field.kind]}": had - has
        for field, had, has in zip(fields, before, after, strict=True)
    }


def _same_parents(name: str, base: dict[str, nw.LazyFrame[Any]], *, given: Mapping[str, Any]) -> None:
    for field in TABLES[name].fields:
        parent = field.refers_to
        if not parent or parent not in given:
            continue
        named = base[name].filter(~nw.col(field.name).is_null())
        known = base[parent].select("site", field.name)
        orphans = named.join(known, on=["site", field.name], how="anti").select(nw.len()).collect().item()
        if orphans:
            raise InputError(
                f"table '{name}' cannot be used. {orphans} rows: '{field.name}' names no row of '{parent}'. "
                f"Add those rows to '{parent}', or leave these out."
            )
