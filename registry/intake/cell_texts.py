"""What a cell of a workbook says, as text: numbers without an exponent, dates as year-month-day, yes and no."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any

from registry.intake.reading import CELL_LIMIT

ERROR_CELL = "error_cell"
ZEROS = re.compile(r'("[^"]*")?(0{2,})("[^"]*")?')
LITERAL = re.compile(r'"[^"]*"|\\.')
ESCAPED = re.compile("_x000([9AaDd])_")


class CellTexts:
    """Turns the cells of a workbook into text; its number formats are looked at once each."""

    def __init__(self, book: Any) -> None:
        self.book = book
        self.formats: dict[int, str] = {}

    def of(self, cell: dict[str, Any]) -> tuple[str, str]:
        """Return (text, reason code or '')."""
        value, kind = cell["value"], cell["data_type"]
        if value is None:
            return "", ""
        if kind == "e":
            return "", ERROR_CELL
        if isinstance(value, str):
            return _plain_text(value)
        if isinstance(value, bool):
            return ("yes" if value else "no"), ""
        if isinstance(value, int | float):
            return number_text(value, self._format(cell["style_id"])), ""
        return _time_text(value), ""

    def _format(self, style: int) -> str:
        if style not in self.formats:
            self.formats[style] = self._look_up(style)
        return self.formats[style]

    def _look_up(self, style: int) -> str:
        from openpyxl.styles.numbers import BUILTIN_FORMATS, BUILTIN_FORMATS_MAX_SIZE

        number = self.book._cell_styles[style].numFmtId
        if number < BUILTIN_FORMATS_MAX_SIZE:
            return str(BUILTIN_FORMATS.get(number, "General"))
        return str(self.book._number_formats[number - BUILTIN_FORMATS_MAX_SIZE])


def _plain_text(value: str) -> tuple[str, str]:
    text = ESCAPED.sub(lambda found: chr(int(found[1], 16)), value) if "_x000" in value else value
    if len(text) > CELL_LIMIT:
        return "", "cell_too_long"
    if "\n" in text or "\r" in text:
        return text, "line_break"  # a header's name may hold one; any other row is held for it
    if not text.isascii() and any("\ud800" <= letter <= "\udfff" for letter in text):
        return "", "not_utf8"
    return text, ""


def number_text(value: float, number_format: str) -> str:
    """Write a number as a spreadsheet holds it: 15 digits, no exponent; with the zeros or the percent sign shown.

    Examples
    --------
    >>> [number_text(12.0, "General"), number_text(8, "0000"), number_text(0.1 + 0.2, "0.00")]
    ['12', '0008', '0.3']
    >>> number_text(0.5, "0%")
    '50%'
    """
    zeros = ZEROS.fullmatch(number_format)
    if zeros and value >= 0 and value == int(value):
        before, digits, after = zeros.groups("")
        return before.strip('"') + str(int(value)).zfill(len(digits)) + after.strip('"')
    if "%" in LITERAL.sub("", number_format):
        return _fifteen_digits(value * 100) + "%"
    return _fifteen_digits(value)


def _fifteen_digits(value: float) -> str:
    text = str(value) if isinstance(value, int) else f"{value:.15g}"
    return f"{Decimal(text):f}" if "e" in text else text


@lru_cache(maxsize=10_000)
def _time_text(value: Any) -> str:
    if isinstance(value, datetime):
        rounded = (value + timedelta(milliseconds=500)).replace(microsecond=0)
        at_midnight = rounded.time() == datetime.min.time()
        return rounded.date().isoformat() if at_midnight else rounded.isoformat(sep=" ")
    return value.isoformat() if isinstance(value, date) else str(value)
