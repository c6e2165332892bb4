"""Checks as SQL, generated from the dictionary: all findings of a table in one pass, whatever the rows hold.

A staged table holds text: ``row_id, origin, file, line, fed_by`` and one VARCHAR column a field. ``origin`` is the row
that was delivered; it differs from ``row_id`` where one delivered row feeds several tables.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from registry.dictionary import MISSING_WORDS, Field, Table
from registry.dictionary.exposure import MINUTES_A_DAY_A_HEAD
from registry.dictionary.model import EARLIEST_DATE
from registry.door import quoted
from registry.store.schema import content_hash, own_columns, sql_type

PART = r"\s*([a-z0-9_]+)\s*(?:\(\s*([a-z]+)\s*\))?\s*:\s*([a-z_]+)\s*"
"""One structure with its extent: ``a2:complete`` or ``volar_plate(pip):partial``."""

BAD_COLUMNS = "row_id BIGINT, origin BIGINT, table_name VARCHAR, column_name VARCHAR, code VARCHAR, cell VARCHAR"


def text_literal(value: str) -> str:
    """Quote a text for SQL."""
    return "'" + value.replace("'", "''") + "'"


def stripped(column: str) -> str:
    """Strip spaces, tabs and no-break spaces from both ends of a cell."""
    return f"trim({column}, ' ' || chr(9) || chr(160))"


def listed(words: Sequence[str]) -> str:
    """Write words as an SQL list, without brackets."""
    return ", ".join(text_literal(word) for word in words)


def trimmed(table: Table, source: str) -> str:
    """Return the SELECT that trims every cell and turns empty ones into NULL."""
    cells = ", ".join(f"nullif({stripped(quoted(field.name))}, '') AS {quoted(field.name)}" for field in table.fields)
    return f"SELECT row_id, origin, file, line, fed_by, {cells} FROM {source}"


def typed_select(table: Table, source: str, *, site: str) -> str:
    """Return the SELECT that parses every cell; a cell with a finding becomes NULL."""
    own = {column: f"{_typed(field)} AS {column}" for field, column in _fields(table)}
    return (
        f"SELECT *, {content_hash(own_columns(table))} AS content FROM (SELECT row_id, origin, file, line, fed_by, "
        f"{text_literal(site)} AS site, {', '.join(own.values())} FROM ({trimmed(table, source)}))"
    )


def field_findings(table: Table, source: str, *, received_on: date) -> str:
    """Return the SELECT of all findings of single cells, in the columns of ``BAD_COLUMNS``."""
    codes = []
    for field in table.fields:
        column = quoted(field.name)
        codes.append(
            f"{{'column_name': {text_literal(field.name)}, 'code': {_finding(field, received_on)}, 'cell': {column}}}"
        )
    return (
        f"SELECT row_id, origin, {text_literal(table.name)} AS table_name, f.column_name, f.code, "
        "CASE WHEN f.code = 'unknown_code' THEN f.cell END AS cell FROM ("
        f"SELECT row_id, origin, unnest(list_filter([{', '.join(codes)}], lambda f: f.code IS NOT NULL)) AS f "
        f"FROM ({trimmed(table, source)}))"
    )


def row_findings(table: Table, typed: str) -> list[str]:
    """Return the SELECTs of findings between the cells of a row.

    A cell that has a finding of its own in ``bad`` is not compared with others: one fault, one finding.
    """
    found: list[tuple[str, str, str, tuple[str, ...]]] = []
    for group in table.either:
        none = " AND ".join(f"{quoted(name)} IS NULL" for name in group)
        found.append((group[0], "one_needed", none, group))
    for one, other in table.exclusive:
        found.append((one, "only_one", f"{quoted(one)} IS NOT NULL AND {quoted(other)} IS NOT NULL", ()))
    for earlier, later in table.ordered:
        found.append((later, "wrong_order", f"{quoted(later)} < {quoted(earlier)}", (earlier, later)))
    for field in table.fields:
        if field.warn_above is not None:
            found.append((field.name, "unusual", f"{quoted(field.name)} > {field.warn_above:g}", (field.name,)))
    if table.name == "exposure":
        heads = "greatest(coalesce(climbers, 1), 1)"
        limit = f"{MINUTES_A_DAY_A_HEAD} * (ends_on - starts_on + 1) * {heads}"
        too_many = f"ends_on >= starts_on AND minutes_total > {limit}"
        compared = ("minutes_total", "starts_on", "ends_on", "climbers")
        found.append(("minutes_total", "too_many_hours", too_many, compared))
    return [
        f"SELECT row_id, origin, {text_literal(table.name)}, {text_literal(column)}, {text_literal(code)}, NULL "
        f"FROM {typed} WHERE {condition}" + (f" AND {_sound(compared)}" if compared else "")
        for column, code, condition, compared in found
    ]


def _sound(columns: Sequence[str]) -> str:
    """Return the condition that none of a row's columns has a finding yet."""
    return f"row_id NOT IN (SELECT row_id FROM bad WHERE column_name IN ({listed(columns)}))"


def _fields(table: Table) -> list[tuple[Field, str]]:
    return [(field, quoted(field.name)) for field in table.fields if field.name != "site"]


def _missing(field: Field) -> str:
    return f"lower({quoted(field.name)}) IN ({listed(tuple(MISSING_WORDS))})"


def _typed(field: Field) -> str:
    column = quoted(field.name)
    if field.kind == "code":
        return f"CASE WHEN lower({column}) IN ({listed(field.accepted_words)}) THEN lower({column}) END"
    if field.kind in ("codes", "findings"):
        return f"lower({column})"
    if field.kind in ("text", "key", "pseudonym"):
        return column
    return f"TRY_CAST(CASE WHEN NOT {_missing(field)} THEN {column} END AS {sql_type(field)})"


def _finding(field: Field, received_on: date) -> str:
    """Return the CASE that gives the reason code of a trimmed cell, or NULL."""
    column = quoted(field.name)
    empty = text_literal("required") if field.required else "NULL"
    branches = [f"WHEN {column} IS NULL THEN {empty}"]
    if field.kind not in ("code", "codes", "text", "key", "pseudonym") and not field.required:
        branches.append(f"WHEN {_missing(field)} THEN NULL")
    branches += [
        f"WHEN {condition} THEN {text_literal(code)}"
        for condition, code in _FAULTS[field.kind](field, column, received_on)
    ]
    return f"CASE {' '.join(branches)} END"


Fault = tuple[str, str]


def _code_faults(field: Field, column: str, _: date) -> list[Fault]:
    return [(f"lower({column}) NOT IN ({listed(field.accepted_words)})", "unknown_code")]


def _codes_faults(field: Field, column: str, _: date) -> list[Fault]:
    words = f"[{listed(field.accepted_words)}]"
    unknown = f"lambda word: NOT list_contains({words}, trim(word))"
    return [(f"len(list_filter(string_split(lower({column}), ';'), {unknown})) > 0", "unknown_code")]


def _findings_faults(field: Field, column: str, _: date) -> list[Fault]:
    whole = f"{PART}(?:;{PART})*;?\\s*"
    return [(f"NOT regexp_full_match(lower({column}), {text_literal(whole)})", "bad_list")]


def _number_faults(field: Field, column: str, _: date) -> list[Fault]:
    pattern, code = (r"[+-]?[0-9]{1,15}", "not_an_integer")
    if field.kind == "number":
        pattern, code = (r"[+-]?[0-9]{1,15}([.][0-9]{1,15})?", "not_a_number")
    if field.kind == "year":
        pattern, code = (r"[0-9]{4}", "not_a_year")
    faults = [
        (f"regexp_full_match({column}, '[+-]?[0-9]+,[0-9]+')", "decimal_comma"),
        (f"NOT regexp_full_match({column}, {text_literal(pattern)})", code),
    ]
    value = f"TRY_CAST({column} AS DOUBLE)"
    if field.low is not None:
        faults.append((f"{value} < {field.low!r}", "out_of_range"))
    if field.high is not None:
        faults.append((f"{value} > {field.high!r}", "out_of_range"))
    return faults


def _date_faults(field: Field, column: str, received_on: date) -> list[Fault]:
    value = f"TRY_CAST({column} AS DATE)"
    faults = [
        (f"NOT regexp_full_match({column}, '[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}}')", "not_a_date"),
        (f"{value} IS NULL", "impossible_date"),
        (f"{value} < DATE '{EARLIEST_DATE}'", "date_out_of_range"),
    ]
    if not field.may_be_future:
        faults.append((f"{value} > DATE '{received_on}'", "date_out_of_range"))
    return faults


def _text_faults(field: Field, column: str, _: date) -> list[Fault]:
    return [(f"length({column}) > {field.max_length}", "too_long")]


_FAULTS: dict[str, Callable[[Field, str, date], list[Fault]]] = {
    "code": _code_faults,
    "codes": _codes_faults,
    "findings": _findings_faults,
    "integer": _number_faults,
    "number": _number_faults,
    "year": _number_faults,
    "date": _date_faults,
    "text": _text_faults,
    "key": _text_faults,
    "pseudonym": _text_faults,
}
