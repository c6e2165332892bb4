"""Blank workbooks: a sheet a table, with drop-down lists of codes and notes at the headers, from the dictionary."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from registry.dictionary import DICTIONARY_VERSION, MISSING_WORDS, Field, Table
from registry.dictionary.model import EARLIEST_DATE
from registry.dictionary.printing import KIND_WORDS, row_rules

HOW_TO, CODES = "how to", "codes"
LONGEST_LIST = 255
"""Characters of a list that a workbook keeps inside a cell's rule; longer ones stand on the sheet of codes."""

LINE_LENGTH = 85
LAST_ROW = 1_048_576
SAME_DAY = datetime(2000, 1, 1)
"""The day that stands in every blank workbook, so that the same dictionary gives the same bytes."""

TEXT_KINDS = ("text", "key", "pseudonym", "code", "codes", "findings")
REQUIRED, OPTIONAL = "F8CBAD", "DDEBF7"
INTRODUCTION = (
    "Fill one row for each thing that a sheet lists. The note at each column's name says what it holds.",
    "Columns with a reddish name must be filled (their note begins with an asterisk); the others may stay empty, and "
    "columns that you never fill may be removed.",
    "Do not change the names in the first row, and do not merge cells. Write no sums or remarks under the table.",
    "Arrows at a cell open the list of its codes. Dates are typed as a day, for example 2024-05-31.",
    "Numbers of cases and pseudonyms keep their leading zeros: those columns are set to text.",
)
FORBIDDEN = (
    "Never type anything that says who somebody is: no names or initials, no patient or insurance numbers, no "
    "telephone numbers, e-mail or postal addresses, no full dates of birth (the year is enough), no free text.",
    "A file with such a cell is refused as a whole.",
)
CAUTIONS = (
    "These are pseudonymised health data, not anonymous ones: keep the file as you keep patient records, send it only "
    "the way that was agreed, and delete it afterwards.",
    "What is made of them describes groups of climbers. It is not for diagnosing, treating or clearing a person to "
    "climb.",
)


def blank_workbook(tables: Sequence[Table]) -> bytes:
    """Return a blank workbook with a sheet for each table, a sheet of instructions, and a hidden one of codes.

    Parameters
    ----------
    tables
        Tables of the dictionary; each sheet is called like its table.

    Returns
    -------
    bytes
        An XLSX file; the same for the same dictionary.
    """
    from openpyxl import Workbook

    book = Workbook()
    how_to = book.active
    how_to.title = HOW_TO
    _explain(how_to, tables)
    codes = _Codes()
    for table in tables:
        _add_table(book.create_sheet(table.name), table, codes)
    codes.write(book.create_sheet(CODES))
    book.active = 1
    how_to.sheet_view.tabSelected = False
    book.properties.creator = "annulary"
    book.properties.created = book.properties.modified = SAME_DAY
    page = io.BytesIO()
    book.save(page)
    return _timeless(page.getvalue())


class _Codes:
    """The lists of codes that are too long for a rule, one column each on the sheet of codes."""

    def __init__(self) -> None:
        self.columns: list[tuple[str, ...]] = []

    def rule(self, words: tuple[str, ...]) -> str:
        """Return the formula of a drop-down list."""
        from openpyxl.utils import get_column_letter

        inside = f'"{",".join(words)}"'
        if len(inside) <= LONGEST_LIST:
            return inside
        if words not in self.columns:
            self.columns.append(words)
        column = get_column_letter(self.columns.index(words) + 1)
        return f"{CODES}!${column}$1:${column}${len(words)}"

    def write(self, sheet: Any) -> None:
        sheet.sheet_state = "hidden"
        for column, words in enumerate(self.columns, start=1):
            for row, word in enumerate(words, start=1):
                cell = sheet.cell(row, column, word)
                cell.number_format = "@"


def _add_table(sheet: Any, table: Table, codes: _Codes) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
    from openpyxl.utils import get_column_letter

    sheet.freeze_panes = "A2"
    line = Border(bottom=Side("thin"))
    for place, field in enumerate(table.fields, start=1):
        cell = sheet.cell(1, place, field.name)
        cell.font, cell.border, cell.alignment = Font(bold=True), line, Alignment(vertical="top")
        cell.fill = PatternFill("solid", fgColor=REQUIRED if field.required else OPTIONAL)
        note = Comment(header_note(field), "annulary")
        note.width, note.height = 360, 60 + 18 * (note.text.count("\n") + len(note.text) // 50)
        cell.comment = note
        letter = get_column_letter(place)
        sheet.column_dimensions[letter].width = max(len(field.name) + 3, 12)
        sheet.column_dimensions[letter].number_format = _number_format(field)
        rule = _rule(field, codes)
        if rule is not None:
            sheet.add_data_validation(rule)
            rule.add(f"{letter}2:{letter}{LAST_ROW}")


def header_note(field: Field) -> str:
    """Return what stands at a column's name: label, what it holds, unit, range, codes.

    Examples
    --------
    >>> from registry.dictionary import TABLES
    >>> print(header_note(TABLES["cases"]["age_at_onset"]))
    Age at onset
    whole number, in years, 5 to 99
    """
    facts = [KIND_WORDS[field.kind]]
    if field.unit:
        facts.append(f"in {field.unit}")
    if field.low is not None and field.high is not None:
        facts.append(f"{field.low:g} to {field.high:.0f}")
    lines = [f"* {field.label} (required)" if field.required else field.label, ", ".join(facts)]
    lines += [field.description] if field.description else []
    lines += [f"{code.word}: {code.meaning}" for code in field.codes if code.meaning]
    bare = [code.word for code in field.codes if not code.meaning]
    return "\n".join(lines + ([f"Codes: {', '.join(bare)}"] if bare else []))


def _number_format(field: Field) -> str:
    if field.kind in TEXT_KINDS:
        return "@"
    return {"date": "yyyy-mm-dd", "number": "General"}.get(field.kind, "0")


def _rule(field: Field, codes: _Codes) -> Any:
    """Return what a cell may hold; where an optional cell may also say 'unknown', the rule only warns."""
    from openpyxl.worksheet.datavalidation import DataValidation

    if field.kind == "code":
        rule = DataValidation("list", formula1=codes.rule(field.accepted_words), allow_blank=not field.required)
        rule.errorTitle, rule.error = field.label, "Choose one of the listed codes."
    elif field.kind == "date":
        rule = DataValidation("date", operator="greaterThanOrEqual", formula1=_serial_day(), allow_blank=True)
        rule.errorTitle, rule.error = field.label, "Type a day, for example 2024-05-31."
    elif field.kind in ("integer", "number", "year") and field.low is not None and field.high is not None:
        kind = "decimal" if field.kind == "number" else "whole"
        limits = {"formula1": f"{field.low:.0f}", "formula2": f"{field.high:.0f}"}
        rule = DataValidation(kind, operator="between", allow_blank=True, **limits)
        rule.errorTitle, rule.error = field.label, f"Type a number from {limits['formula1']} to {limits['formula2']}."
    else:
        return None
    may_be_unknown = field.kind != "code" and not field.required
    rule.errorStyle = "warning" if may_be_unknown else "stop"
    if may_be_unknown:
        rule.error += f" Or write {' or '.join(MISSING_WORDS)}."
    rule.showErrorMessage = True
    return rule


def _serial_day() -> str:
    return str((EARLIEST_DATE - datetime(1899, 12, 30).date()).days)


def _explain(sheet: Any, tables: Sequence[Table]) -> None:
    from openpyxl.styles import Alignment, Font

    sheet.column_dimensions["A"].width = LINE_LENGTH
    sheet.page_setup.orientation, sheet.page_setup.fitToHeight = "landscape", 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    missing = "; ".join(f"{word}: {meaning}" for word, meaning in MISSING_WORDS.items())
    about = [
        " ".join(filter(None, (f"{table.name}: one row is {table.one_row_is}.", table.description, *row_rules(table))))
        for table in tables
    ]
    parts: list[tuple[str, Sequence[str]]] = [
        (f"How to fill these sheets (data dictionary, version {DICTIONARY_VERSION})", INTRODUCTION),
        ("What must not be typed", FORBIDDEN),
        ("What is not known", (f"An empty cell: not recorded. {missing}.",)),
        ("The sheets", about),
        ("When it is filled", ("Save the workbook as .xlsx, or each sheet as 'CSV UTF-8', and deliver it.",)),
        ("Cautions", CAUTIONS),
    ]
    row = 1
    for title, lines in parts:
        sheet.cell(row, 1, title).font = Font(bold=True)
        for number, line in enumerate(lines, start=row + 1):
            sheet.cell(number, 1, line).alignment = Alignment(wrap_text=True, vertical="top")
            sheet.row_dimensions[number].height = 15 * (1 + len(line) // LINE_LENGTH)
        row += len(lines) + 2


def _timeless(data: bytes) -> bytes:
    """Take the clock out of a workbook: the times of its parts, and the time of its last change."""
    page = io.BytesIO()
    stamp = SAME_DAY.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    with zipfile.ZipFile(io.BytesIO(data)) as book, zipfile.ZipFile(page, "w", zipfile.ZIP_DEFLATED) as copy:
        for part in book.infolist():
            content = book.read(part)
            if part.filename == "docProps/core.xml":
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + stamp, content)
            fixed = zipfile.ZipInfo(part.filename, date_time=SAME_DAY.timetuple()[:6])
            fixed.compress_type, fixed.external_attr = zipfile.ZIP_DEFLATED, 0o600 << 16
            copy.writestr(fixed, content)
    return page.getvalue()
