"""What a column map must make sense of as a whole: its columns, its words, and the fields that our tables require."""

from __future__ import annotations

import re

from registry.dictionary import TABLES, Field
from registry.dictionary.injury import EXTENTS, JOINT, STRUCTURES
from registry.errors import suggestion
from registry.maps.cells import ISO_DATE, PLAIN_NUMBER, read_date
from registry.maps.lists import WITH_JOINT
from registry.maps.model import DATE_ORDERS, MONTHS, RAYS, CellRule, ColumnMap, RowRule, same_column
from registry.maps.reading_rules import FROM_LIST
from registry.maps.reading_sections import Faults, quoted_list

NOT_FOR_COLUMNS = ("line", "held_id", "file", "row", "reasons")
"""Names of the columns that stand beside a site's own, in our tables and in the sheet of held rows."""


def check_map(column_map: ColumnMap, faults: Faults) -> None:
    """Note everything in the map that cannot be meant."""
    dropped = {same_column(column) for column in column_map.file.drop}
    both = [column for column in column_map.columns if same_column(column) in dropped]
    faults.unless(not both, "file.drop", f"{quoted_list(both)} is dropped and used; choose one")
    spelled: dict[str, str] = {}
    for column in column_map.columns:
        same = spelled.setdefault(same_column(column), column)
        faults.unless(same == column, "rows", f"column '{column}' is also written '{same}'; write it in one way")
        faults.unless(bool(column), "rows", "a column without a name is used")
    something = bool(column_map.columns or column_map.open_questions)
    faults.unless(something, "rows", "no column is used")
    ours = [column for column in column_map.columns if column.casefold() in NOT_FOR_COLUMNS]
    faults.unless(
        not ours,
        "rows",
        f"column {quoted_list(ours)} has a name that we use beside the site's columns; rename it in the file",
    )
    _check_months(column_map, faults)
    _check_site(column_map, faults)
    for rule in column_map.rows:
        _check_rule(rule, column_map, faults)


def _check_site(column_map: ColumnMap, faults: Faults) -> None:
    for name, word in column_map.site_row.items():
        codes = TABLES["sites"][name].accepted_words
        options = suggestion(word, codes) or f" Use one of: {', '.join(codes)}."
        right = TABLES["sites"][name].kind != "code" or word.strip().lower() in codes
        faults.unless(right, f"site.{name}", f"'{word}' is no code of {name}.{options}")


def _check_rule(rule: RowRule, column_map: ColumnMap, faults: Faults) -> None:
    table, place = TABLES[rule.table], f"rows ({rule.table})"
    asked = {question.target for question in column_map.open_questions}
    for name, cell in rule.fields.items():
        _check_cell(cell, table[name], rule, column_map, f"{place}.fields.{name}", faults)
    given = {*rule.fields, *(FROM_LIST if rule.listed else ())}
    missing = [
        field.name
        for field in table.fields
        if field.required and field.name not in (*given, "site") and ("rows", rule.table, field.name) not in asked
    ]
    fixed = all(table[name].kind not in ("key", "pseudonym", "date") for name in missing)
    hint = ' (if the file does not say it: { constant = "unknown" }, or the code that holds for all)' if fixed else ""
    faults.unless(not missing, f"{place}.fields", f"{quoted_list(missing)} is required and not fed{hint}")
    if rule.listed:
        twice = [name for name in FROM_LIST if name in rule.fields]
        faults.unless(not twice, f"{place}.fields", f"{quoted_list(twice)} comes from the list already")
        _check_list_words(rule.listed.structures, _is_structure_or_nothing, column_map, place, faults)
        _check_list_words(rule.listed.extents, EXTENTS.__contains__, column_map, place, faults)


def _check_cell(cell: CellRule, field: Field, rule: RowRule, column_map: ColumnMap, place: str, faults: Faults) -> None:
    coded = field.kind in ("code", "codes")
    _check_said(cell, field, column_map, place, faults)
    for key, word in (("constant", cell.constant), ("otherwise", cell.otherwise), ("default", cell.default)):
        right = not word or not coded or word in field.accepted_words
        faults.unless(
            right, f"{place}.{key}", f"'{word}' is no code of {field.name}.{suggestion(word, field.accepted_words)}"
        )
    faults.unless(not cell.of_first or rule.listed is not None, f"{place}.of", "goes with a list only")
    numeric = field.kind in ("integer", "number")
    faults.unless(cell.factor == 1.0 or numeric, f"{place}.factor", "goes with a number only")
    faults.unless(not cell.unit or numeric, f"{place}.unit", "goes with a number only")
    if not cell.words:
        return
    if cell.words != RAYS and cell.words not in column_map.words:
        known = [*column_map.words, RAYS]
        faults.unless(False, f"{place}.words", f"no [words.{cell.words}] in the map.{suggestion(cell.words, known)}")
        return
    faults.unless(coded, f"{place}.words", f"{field.name} has no codes; leave the words away")
    for word, ours in column_map.words_table(cell.words).items():
        right = not ours or not coded or ours in field.accepted_words
        options = suggestion(ours, field.accepted_words) or f" Use one of: {', '.join(field.accepted_words)}."
        faults.unless(right, f"words.{cell.words}.{word}", f"'{ours}' is no code of {field.name}.{options}")


def _check_said(cell: CellRule, field: Field, column_map: ColumnMap, place: str, faults: Faults) -> None:
    """Note a fixed word that the field cannot hold: a key would be the same in every row, a name nobody would see."""
    said = [word for word in (cell.constant, cell.otherwise, cell.default) if word]
    if not said:
        return
    if field.kind == "key":
        faults.unless(False, place, f"{field.name} names a row, so no fixed word can stand for it; give it a column")
    elif field.kind == "pseudonym":
        pattern = column_map.site_row.get("pseudonym_pattern", "")
        right = bool(pattern) and all(_matches(word, pattern) for word in said)
        faults.unless(right, place, "a fixed pseudonym must match the pseudonym_pattern in [site] of this map")
    elif field.kind == "date":
        right = all(ISO_DATE.fullmatch(word) and not read_date(word, order=DATE_ORDERS[0])[1] for word in said)
        faults.unless(right, place, 'a fixed date is written as "2024-05-31"')
    elif field.kind in ("integer", "number", "year"):
        right = all(PLAIN_NUMBER.fullmatch(word) for word in said)
        faults.unless(right, place, 'a fixed number is written as "12" or "2.5"')


def _matches(word: str, pattern: str) -> bool:
    try:
        return re.fullmatch(pattern, word) is not None
    except (re.error, RecursionError, OverflowError):
        return False


def _check_months(column_map: ColumnMap, faults: Faults) -> None:
    for name, number in column_map.words.get(MONTHS, {}).items():
        right = number.isascii() and number.isdecimal() and 1 <= int(number) <= 12
        faults.unless(right, f"words.{MONTHS}.{name}", 'a month has a number from "1" to "12"')


def _is_structure(word: str) -> bool:
    found = WITH_JOINT.fullmatch(word)
    if found:
        return found.group(1) in STRUCTURES and found.group(2) in {joint.word for joint in JOINT}
    return word in STRUCTURES


def _is_structure_or_nothing(word: str) -> bool:
    return not word or _is_structure(word)


def _check_list_words(name: str, right: object, column_map: ColumnMap, place: str, faults: Faults) -> None:
    if not name:
        return
    faults.unless(name in column_map.words, f"{place}.list", f"no [words.{name}] in the map")
    for word, ours in column_map.words.get(name, {}).items():
        fits = right(ours) if callable(right) else False
        faults.unless(fits, f"words.{name}.{word}", f"'{ours}' is no such code (annulary dictionary findings)")
