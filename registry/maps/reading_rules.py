"""The rules of a column map: each says which row of ours a row of theirs makes."""

from __future__ import annotations

from typing import Any

from registry.dictionary import TABLES, Table
from registry.errors import suggestion
from registry.maps.model import LIST_SHAPES, CellRule, ListRule, RowRule
from registry.maps.reading_sections import Faults, text_in, texts_in

NUMBER = "{n}"
LOW, HIGH = 0.000001, 1_000_000
"""What a number may be multiplied with; no change of unit lies outside."""
RULE_KEYS = ("table", "fields", "list", "when", "each")
CELL_KEYS = ("column", "columns", "join", "constant", "when", "otherwise", "words", "default", "factor", "unit", "of")
LIST_KEYS = ("column", "separators", "shape", "extents", "extents_column", "structures")
FROM_LIST = ("structure", "joint", "extent")


def read_rules(given: Any, faults: Faults) -> tuple[RowRule, ...]:
    """Read the sections [[rows]]; columns side by side ("{n}") become one rule each."""
    right = isinstance(given, list) and bool(given) and all(isinstance(one, dict) for one in given)
    faults.unless(right, "rows", "the map has no [[rows]]; each says which row of ours a row of theirs makes")
    rules: list[RowRule] = []
    for number, one in enumerate(given if right else [], start=1):
        table = str(one.get("table", ""))
        place = f"rows {number} ({table or 'no table'})"
        known = TABLES.get(table)
        faults.unless(
            known is not None, f"{place}.table", f"use one of: {', '.join(TABLES)}.{suggestion(table, TABLES)}"
        )
        faults.only(one, place, RULE_KEYS)
        if known is not None:
            rules += [_rule(one, known, repeat, place, faults) for repeat in _repeats(one, place, faults)]
    return tuple(rules)


def _repeats(one: dict[str, Any], place: str, faults: Faults) -> list[str]:
    each = one.get("each", [""])
    right = isinstance(each, list) and bool(each) and all(isinstance(n, int | str) for n in each)
    faults.unless(right, f"{place}.each", "must be a list like [1, 2, 3]")
    return [str(n) for n in each] if right else [""]


def _rule(one: dict[str, Any], table: Table, repeat: str, place: str, faults: Faults) -> RowRule:
    given = faults.table(one, "fields")
    names = [name for name in table.names if name != "site"]
    fields: dict[str, CellRule] = {}
    numbered: list[str] = []
    for name, cell in given.items():
        faults.unless(
            name in names, f"{place}.fields.{name}", f"{table.name} has no such field.{suggestion(name, names)}"
        )
        if name in names:
            fields[name] = _cell(cell, repeat, f"{place}.fields.{name}", faults, numbered)
    if repeat:
        faults.unless(bool(numbered), place, f"'each' needs columns with {NUMBER} in their names")
    return RowRule(
        table=table.name,
        fields=fields,
        listed=_list(one, table, place, faults) if "list" in one else None,
        when=_named(text_in(one, "when", place, faults), repeat, []),
        filled_any=tuple(dict.fromkeys(numbered)),
    )


def _named(column: str, repeat: str, numbered: list[str]) -> str:
    if NUMBER not in column or not repeat:
        return column
    numbered.append(column.replace(NUMBER, repeat))
    return numbered[-1]


def _cell(given: Any, repeat: str, place: str, faults: Faults, numbered: list[str]) -> CellRule:
    if isinstance(given, str):
        given = {"column": given}
    if not isinstance(given, dict):
        faults.unless(False, place, 'must be a column in "quotes", or { column = "...", words = "..." }')
        return CellRule()
    faults.only(given, place, CELL_KEYS)
    one, several = text_in(given, "column", place, faults), texts_in(given, "columns", place, faults)
    columns = tuple(_named(column, repeat, numbered) for column in (several or ((one,) if one else ())))
    constant = text_in(given, "constant", place, faults)
    said = (bool(one), bool(several), "constant" in given)
    faults.unless(sum(said) == 1, place, "needs exactly one of column, columns and constant")
    factor, of = given.get("factor", 1.0), given.get("of", "")
    is_number = isinstance(factor, int | float) and not isinstance(factor, bool) and LOW <= factor <= HIGH
    faults.unless(is_number, f"{place}.factor", f"must be a number from {LOW:g} to {HIGH:g}")
    faults.unless(of in ("", "first"), f"{place}.of", 'must be "first"')
    join = given.get("join", "-")
    faults.unless(isinstance(join, str), f"{place}.join", "must be a text")
    when = text_in(given, "when", place, faults)
    faults.unless(
        not when or bool(constant), f"{place}.when", "stands beside a constant only; a whole row has its own 'when'"
    )
    return CellRule(
        columns=columns,
        join=str(join),
        constant=constant,
        when=_named(when, repeat, numbered),
        otherwise=text_in(given, "otherwise", place, faults),
        words=text_in(given, "words", place, faults),
        default=text_in(given, "default", place, faults),
        factor=float(factor) if is_number else 1.0,
        unit=text_in(given, "unit", place, faults),
        of_first=of == "first",
    )


def _list(one: dict[str, Any], table: Table, place: str, faults: Faults) -> ListRule:
    given, place = faults.table(one, "list"), f"{place}.list"
    faults.only(given, place, LIST_KEYS)
    faults.unless(table.name == "findings", place, "only findings are made from a list")
    shape = text_in(given, "shape", place, faults)
    faults.unless(shape in LIST_SHAPES, f"{place}.shape", f"must be one of: {'; '.join(LIST_SHAPES)}")
    column = text_in(given, "column", place, faults)
    faults.unless(bool(column), f"{place}.column", "is missing")
    raw = given.get("separators", ["+", ";", ","])
    separators = [raw] if isinstance(raw, str) else raw
    right = isinstance(separators, list) and all(isinstance(mark, str) and mark for mark in separators)
    faults.unless(right, f"{place}.separators", 'must be a list like ["+"]')
    beside, extents = text_in(given, "extents_column", place, faults), text_in(given, "extents", place, faults)
    if shape == "parallel" and not beside:
        beside, extents = extents, ""
    faults.unless((shape == "parallel") == bool(beside), f"{place}.extents_column", 'goes with shape = "parallel"')
    return ListRule(
        column=column,
        separators=tuple(separators) if right else (),
        shape=shape,
        extents_column=beside,
        structures=text_in(given, "structures", place, faults),
        extents=extents,
    )
