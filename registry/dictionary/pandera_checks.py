"""Checks of a table of text, written for pandera: column by column, and between the cells of a row.

Nothing here needs annulary: ``annulary dictionary --as pandera`` prints this file and the facts of the tables.
A frame holds text in every cell; an empty cell is "", None or NaN. Every check answers whether each cell may stay, and
carries the reason code of the intake as its name.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from functools import partial
from typing import Any, NamedTuple

import pandas as pd
import pandera.pandas as pandera

BETWEEN = ": "
BLANKS = " \t\u00a0"
COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
SHAPES = {
    "integer": (re.compile(r"[+-]?[0-9]{1,15}"), "not_an_integer"),
    "number": (re.compile(r"[+-]?[0-9]{1,15}(\.[0-9]{1,15})?"), "not_a_number"),
    "year": (re.compile(r"[0-9]{4}"), "not_a_year"),
}
DAY = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})")
WHITE = r"[ \t\n\f\r]*"
PART = re.compile(rf"{WHITE}([a-z0-9_]+){WHITE}(?:\({WHITE}([a-z]+){WHITE}\))?{WHITE}:{WHITE}([a-z_]+){WHITE}")
LIST = re.compile(rf"{PART.pattern}(?:;{PART.pattern})*;?{WHITE}")
WORDS_ONLY = ("code", "codes", "text", "key", "pseudonym")


def build_schema(table: dict[str, Any], *, received_on: date, pattern: str | None = None) -> pandera.DataFrameSchema:
    """Return the schema of a table of text.

    Parameters
    ----------
    table
        The facts of the table: ``name``, ``fields``, ``either``, ``exclusive``, ``ordered``.
    received_on
        The day of the delivery; only fields that may lie in the future have later dates.
    pattern
        The site's regular expression for pseudonyms; none is checked when None.
    """
    columns = {
        field["name"]: pandera.Column(
            None,
            [_cell_check(field, code, received_on, pattern) for code in _codes_of(field, pattern)],
            nullable=True,
            required=field["required"],
        )
        for field in table["fields"]
    }
    between = [_row_check(rule, table, received_on) for rule in _rules(table)]
    return pandera.DataFrameSchema(columns, checks=between, name=table["name"], strict=True)


def faults(schema: pandera.DataFrameSchema, frame: pd.DataFrame) -> pd.DataFrame:
    """List every fault of a frame.

    Returns
    -------
    pandas frame: row (the frame's index; missing for faults of a whole column), column, code; one row a fault.
    """
    try:
        schema.validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as found:
        cases = found.failure_cases
        whole = cases["check"].isin(("column_in_dataframe", "column_in_schema"))
        named = cases["check"].str.partition(BETWEEN)  # checks between cells name their column behind the code
        column = named[2].where(named[2] != "", cases["column"].where(~whole, cases["failure_case"]))
        listed = pd.DataFrame({"row": cases["index"], "column": column, "code": named[0]})
        return listed.drop_duplicates().sort_values(["row", "column", "code"]).reset_index(drop=True)
    return pd.DataFrame({"row": [], "column": [], "code": []})


def cell_fault(text: str, field: dict[str, Any], received_on: date, pattern: str | None = None) -> str:
    """Return the reason code of a trimmed cell, or ''."""
    if not text:
        return "required" if field["required"] else ""
    kind = field["kind"]
    if kind not in WORDS_ONLY and not field["required"] and text.lower() in field["missing"]:
        return ""
    if kind in SHAPES:
        return _number_fault(text, field)
    if kind == "date":
        return _date_fault(text, field, received_on)
    return _word_fault(text.lower(), field) if "words" in field else _text_fault(text, field, pattern)


def _codes_of(field: dict[str, Any], pattern: str | None) -> list[str]:
    """Return the reason codes that a field can have."""
    kind = field["kind"]
    codes = ["not_text", *(["required"] if field["required"] else [])]
    codes += ["decimal_comma", SHAPES[kind][1], "out_of_range"] if kind in SHAPES else []
    codes += ["not_a_date", "impossible_date", "date_out_of_range"] if kind == "date" else []
    codes += ["unknown_code"] if kind in ("code", "codes", "findings") else []
    codes += ["bad_list"] if kind == "findings" else []
    codes += ["too_long"] if kind in ("text", "key", "pseudonym") else []
    return codes + (["bad_pseudonym"] if kind == "pseudonym" and pattern else [])


def _cell_check(field: dict[str, Any], code: str, received_on: date, pattern: str | None) -> pandera.Check:
    def may_stay(cells: pd.Series) -> pd.Series:
        if code == "not_text":
            return cells.map(lambda cell: isinstance(cell, str) or pd.isna(cell)).astype(bool)
        texts = _trimmed(cells)
        found = {text: cell_fault(text, field, received_on, pattern) for text in texts.unique()}
        return texts.map(found) != code

    return pandera.Check(may_stay, name=code, error=code, ignore_na=False)


def _row_check(rule: Rule, table: dict[str, Any], received_on: date) -> pandera.Check:
    def may_stay(frame: pd.DataFrame) -> pd.Series:
        return ~rule.is_broken(_Values(frame, table, received_on))

    name = f"{rule.code}{BETWEEN}{rule.column}"
    return pandera.Check(may_stay, name=name, error=name, ignore_na=False)


class _Values:
    """The cells of a frame as values; a cell that is empty, unknown or at fault has none."""

    def __init__(self, frame: pd.DataFrame, table: dict[str, Any], received_on: date) -> None:
        self.frame, self.received_on = frame, received_on
        self.fields = {field["name"]: field for field in table["fields"]}

    def __contains__(self, name: str) -> bool:
        return name in self.frame.columns

    def filled(self, name: str) -> pd.Series:
        """Say which cells say something, rightly or not."""
        if name not in self:
            return pd.Series(False, index=self.frame.index)
        missing = () if self.fields[name]["kind"] in WORDS_ONLY else self.fields[name]["missing"]
        texts = _trimmed(self.frame[name])
        return texts.map({text: bool(text) and text.lower() not in missing for text in texts.unique()}).astype(bool)

    def numbers(self, name: str) -> pd.Series:
        """Return numbers, and dates as day numbers; NaN where there is none."""
        if name not in self:
            return pd.Series(float("nan"), index=self.frame.index)
        field, texts = self.fields[name], _trimmed(self.frame[name])
        found = {text: self._number(text, field) for text in texts.unique()}
        return texts.map(found).astype(float)

    def _number(self, text: str, field: dict[str, Any]) -> float:
        if not text or text.lower() in field["missing"] or cell_fault(text, field, self.received_on):
            return float("nan")
        return float(date.fromisoformat(text).toordinal() if field["kind"] == "date" else float(text))


class Rule(NamedTuple):
    """What must hold between the cells of a row: the reason code, the column that is blamed, and the test."""

    code: str
    column: str
    is_broken: Callable[[_Values], pd.Series]


def _rules(table: dict[str, Any]) -> list[Rule]:
    rules = [Rule("one_needed", group[0], partial(_none_filled, group)) for group in table["either"]]
    rules += [Rule("only_one", pair[0], partial(_both_filled, pair)) for pair in table["exclusive"]]
    rules += [Rule("wrong_order", pair[1], partial(_out_of_order, pair)) for pair in table["ordered"]]
    limit = table["minutes_a_day"]
    return rules + ([Rule("too_many_hours", "minutes_total", partial(_too_long, limit))] if limit else [])


def _none_filled(group: list[str], values: _Values) -> pd.Series:
    return ~pd.concat([values.filled(name) for name in group], axis=1).any(axis=1)


def _both_filled(pair: list[str], values: _Values) -> pd.Series:
    return values.filled(pair[0]) & values.filled(pair[1])


def _out_of_order(pair: list[str], values: _Values) -> pd.Series:
    return values.numbers(pair[1]) < values.numbers(pair[0])


def _too_long(minutes_a_day: int, values: _Values) -> pd.Series:
    days = values.numbers("ends_on") - values.numbers("starts_on") + 1
    climbers = values.numbers("climbers")
    heads = climbers.where(climbers.notna() | values.filled("climbers"), 1)  # at fault: not compared
    return (days >= 1) & (values.numbers("minutes_total") > minutes_a_day * days * heads)


def _trimmed(cells: pd.Series) -> pd.Series:
    trimmed = {cell: cell.strip(BLANKS) for cell in cells.unique() if isinstance(cell, str)}
    texts = cells.map(trimmed).astype(object)
    return texts.where(texts.notna(), "")


def _number_fault(text: str, field: dict[str, Any]) -> str:
    shape, code = SHAPES[field["kind"]]
    if COMMA.fullmatch(text):
        return "decimal_comma"
    if not shape.fullmatch(text):
        return code
    too_low = field["low"] is not None and float(text) < field["low"]
    return "out_of_range" if too_low or (field["high"] is not None and float(text) > field["high"]) else ""


def _date_fault(text: str, field: dict[str, Any], received_on: date) -> str:
    shape = DAY.fullmatch(text)
    if not shape:
        return "not_a_date"
    try:
        day = date(*(int(part) for part in shape.groups()))
    except ValueError:
        return "impossible_date"
    early, late = day < date.fromisoformat(field["earliest"]), day > received_on and not field["may_be_future"]
    return "date_out_of_range" if early or late else ""


def _word_fault(text: str, field: dict[str, Any]) -> str:
    if field["kind"] == "code":
        return "" if text in field["words"] else "unknown_code"
    if field["kind"] == "codes":
        return "" if all(word.strip(" ") in field["words"] for word in text.split(";")) else "unknown_code"
    if not LIST.fullmatch(text):
        return "bad_list"
    parts = [part.groups() for part in PART.finditer(text)]
    known = all(
        structure in field["words"] and (joint is None or joint in field["joints"]) and extent in field["extents"]
        for structure, joint, extent in parts
    )
    return "" if known else "unknown_code"


def _text_fault(text: str, field: dict[str, Any], pattern: str | None) -> str:
    if len(text) > field["max_length"]:
        return "too_long"
    return "bad_pseudonym" if field["kind"] == "pseudonym" and pattern and not re.fullmatch(pattern, text) else ""
