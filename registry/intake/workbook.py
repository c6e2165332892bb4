"""Reading a workbook (XLSX) honestly: every cell becomes the text that a person sees in it, or the row is held.

A typed date becomes year-month-day, whatever the sheet shows it as; a date with a time of day keeps the time and is
held as no date. A number that only stands where a date should stays a number. Numbers whose format fills up with zeros
(``0000``) keep the zeros; shares shown with a percent sign keep the sign, so that 50 % is not read as 0.5.
"""

from __future__ import annotations

import hashlib
import io
import struct
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError

import pyarrow as pa

from registry.dictionary import SHEET, TABLES
from registry.errors import DeliveryError
from registry.intake.cell_texts import CellTexts
from registry.intake.reading import COLUMN_LIMIT, LINE, FileForm, TextTable, UnreadableRow, column_name

ZIP, COMPOUND = b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""How the bytes of a workbook begin, and those of the old binary kind and of locked workbooks."""

MOST_UNPACKED = 600_000_000
MOST_UNPACKED_PART = 200_000_000
"""Bytes of all parts, and of any part but a sheet; a million rows of climbing time unpack to about 300 million."""

MOST_ROWS, MOST_COLUMNS = 1_048_576, 16_384
BEGINNING_ROWS = 30
"""Rows in which the header of a foreign sheet is looked for, under titles and notes."""
OUR_SHEETS = ("codes", "how to")
"""Sheets of our own templates that hold no data."""

SAVE_AS = "open it in the spreadsheet program, save it as an Excel workbook (.xlsx) without a password and deliver that"
MERGED_CELLS, LINE_BREAK = "merged_cells", "line_break"
DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    ParseError,
    LookupError,
    ValueError,
    TypeError,
    AttributeError,
    ArithmeticError,
    AssertionError,
    EOFError,
    OSError,
    RuntimeError,
)
"""What the library raises over a file that is broken, locked, or no workbook at all; its words may hold cells."""


@dataclass
class _Sheet:
    """A sheet while it is read: rows of texts by column number (from 1), and the rows that cannot be read."""

    title: str
    rows: list[tuple[int, dict[int, str]]] = field(default_factory=list)
    faults: dict[int, str] = field(default_factory=dict)


def is_workbook(data: bytes) -> bool:
    """Whether the bytes are a spreadsheet file rather than text, of a kind that we read or not."""
    return data.startswith((ZIP, COMPOUND))


def read_workbook(data: bytes, *, name: str, form: FileForm) -> list[TextTable]:
    """Read the filled sheets of a workbook as text.

    Parameters
    ----------
    data
        The whole file.
    name
        The file's name. A sheet's table is called ``name/sheet``, or ``name`` where there is only one filled sheet.
    form
        ``skip_lines``, ``total_rows`` and ``lower_header`` hold for every sheet; the rest is about text files.

    Returns
    -------
    list of TextTable
        One a filled sheet in the workbook's order. Hidden sheets, sheets without a row below the header, and the sheets
        "how to" and "codes" of our templates are left out (``sheets_not_read`` names them).
        ``sha256`` is that of the file's bytes with the sheet's name.

    Raises
    ------
    DeliveryError
        Not a workbook, an old or locked one, a damaged one, one that unpacks to far too much, or one without a filled
        sheet; a header with a nameless or repeated column.
    """
    sheets = [sheet for sheet, left_out in _sheets(data, name=name) if not left_out]
    tables = []
    for sheet in sheets:
        text = _text_table(sheet, data, name=_table_name(name, sheet.title, alone=False), form=form)
        if text is not None:
            tables.append((sheet.title, text))
    if not tables:
        raise DeliveryError(
            f"{name} has no visible sheet with a header and a row below it; fill one and deliver again."
        )
    if len(tables) == 1:
        title, text = tables[0]
        alone = TextTable(**{**vars(text), "name": _table_name(name, title, alone=True)})
        return [alone]
    return [text for _, text in tables]


def lines_above_header(data: bytes, *, name: str) -> int:
    """Return the lines above the header of the first visible sheet: it is the first of its widest rows.

    Raises
    ------
    DeliveryError
        As in ``read_workbook``.
    """
    with _Book(data, name) as book:
        for sheet in book.worksheets:
            if sheet.sheet_state != "visible" or sheet.title.strip().casefold() in OUR_SHEETS:
                continue
            try:
                rows = list(sheet.iter_rows(max_row=BEGINNING_ROWS, values_only=True))
            except DAMAGED:
                raise _damaged(name) from None
            widths = [sum(bool(str(cell or "").strip()) for cell in row) for row in rows]
            if any(widths):
                return widths.index(max(widths))
    return 0


def sheets_not_read(data: bytes, *, name: str) -> list[str]:
    """Name the sheets that are hidden, so that somebody can be told; the helper sheets of our templates are not named.

    Raises
    ------
    DeliveryError
        As in ``read_workbook``.
    """
    with _Book(data, name) as book:
        return [
            f"{name}/{_printable(sheet.title)} (hidden)"
            for sheet in book.worksheets
            if sheet.sheet_state != "visible" and sheet.title.strip().casefold() not in OUR_SHEETS
        ]


def _table_name(name: str, title: str, *, alone: bool) -> str:
    shown = _printable(title)
    if not alone:
        return f"{name}/{shown}"
    known = {*TABLES, SHEET.name}
    ours = shown.strip().lower() in known and not Path(name).stem.lower().startswith(tuple(known))
    return f"{name}/{shown.strip()}" if ours else name


def _printable(title: str) -> str:
    return "".join(letter if letter.isprintable() and letter not in "/\\" else "?" for letter in title)


class _Book:
    """A workbook opened for reading, closed at the end of a with block; damage is told as a DeliveryError."""

    def __init__(self, data: bytes, name: str) -> None:
        self.data, self.name = data, name
        self.book: Any = None

    def __enter__(self) -> Any:
        from openpyxl import load_workbook

        _check_container(self.data, name=self.name)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self.book = load_workbook(io.BytesIO(self.data), read_only=True, data_only=True, keep_links=False)
        except DAMAGED:
            raise _damaged(self.name) from None
        return self.book

    def __exit__(self, *_: object) -> None:
        self.book.close()


def _damaged(name: str) -> DeliveryError:
    return DeliveryError(f"{name} is damaged or no Excel workbook; {SAVE_AS}.")


def _check_container(data: bytes, *, name: str) -> None:
    """Refuse what is no XLSX, by what the file is rather than by its name, and what unpacks to far too much."""
    if data.startswith(COMPOUND):
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise DeliveryError(f"{name} is locked with a password; {SAVE_AS}.")
        raise DeliveryError(f"{name} is a workbook of the old kind (.xls); {SAVE_AS}.")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as container:
            parts = {part.filename: part.file_size for part in container.infolist()}
            kind = container.read("mimetype")[:80] if parts.get("mimetype", 10**6) < 200 else b""
    except DAMAGED:
        raise _damaged(name) from None
    if b"opendocument" in kind:
        raise DeliveryError(f"{name} is an OpenDocument file (.ods); {SAVE_AS}.")
    if "xl/workbook.bin" in parts:
        raise DeliveryError(f"{name} is a binary workbook (.xlsb); {SAVE_AS}.")
    others = max((size for part, size in parts.items() if "worksheets/" not in part), default=0)
    if sum(parts.values()) > MOST_UNPACKED or others > MOST_UNPACKED_PART:
        raise DeliveryError(
            f"{name} unpacks to far more than a delivery holds; save each sheet as 'CSV UTF-8' and deliver those."
        )


def _sheets(data: bytes, *, name: str) -> Iterator[tuple[_Sheet, bool]]:
    """Read the visible sheets one after the other; say of each whether it is one of our helper sheets."""
    with _Book(data, name) as book:
        texts = CellTexts(book)
        for sheet in book.worksheets:
            ours = sheet.title.strip().casefold() in OUR_SHEETS
            if ours or sheet.sheet_state != "visible":
                yield _Sheet(sheet.title), True
                continue
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")  # a date beyond the calendar becomes an error cell, and is held
                    read = _read_sheet(book, sheet, texts)
            except DAMAGED:
                raise _damaged(name) from None
            yield read, False


def _read_sheet(book: Any, sheet: Any, texts: CellTexts) -> _Sheet:
    found = _Sheet(sheet.title)
    with sheet._get_source() as source:
        parser = _parser(book, sheet, source)
        last = 0
        for number, cells in parser.parse():
            if not last < number <= MOST_ROWS:
                raise ValueError  # rows out of order: the library itself would drop them
            last = number
            filled: dict[int, str] = {}
            for cell in cells:
                text, fault = texts.of(cell)
                if fault:
                    found.faults.setdefault(number, fault)
                if text:
                    if cell["column"] in filled or cell["column"] > MOST_COLUMNS:
                        raise ValueError
                    filled[cell["column"]] = text
            if filled or number in found.faults:
                found.rows.append((number, filled))
    for merged in getattr(getattr(parser, "merged_cells", None), "mergeCell", ()):
        for number in range(merged.min_row, min(merged.max_row, last) + 1):
            found.faults.setdefault(number, MERGED_CELLS)
    return found


def _parser(book: Any, sheet: Any, source: Any) -> Any:
    """Return the library's own row reader, which also tells a formula without a value from an empty cell.

    ``iter_rows`` of the library hides that difference, the merged cells, and rows that come out of order.
    """
    from openpyxl.worksheet._reader import FORMULA_TAG, WorkSheetParser

    class Parser(WorkSheetParser):  # type: ignore[misc]
        def parse_cell(self, element: Any) -> Any:
            cell = super().parse_cell(element)
            if cell["value"] is None and element.find(FORMULA_TAG) is not None:
                cell["data_type"], cell["value"] = "e", "formula"
            return cell

    return Parser(
        source,
        sheet._shared_strings,
        data_only=True,
        epoch=book.epoch,
        date_formats=book._date_formats,
        timedelta_formats=book._timedelta_formats,
    )


def _text_table(sheet: _Sheet, data: bytes, *, name: str, form: FileForm) -> TextTable | None:
    """Lay the rows under the sheet's header; None when there is no row below one."""
    rows = [(number, cells) for number, cells in sheet.rows if number > form.skip_lines]
    if len(rows) < 2:
        return None
    (header_row, first), *below = rows
    if sheet.faults.get(header_row, LINE_BREAK) != LINE_BREAK:
        raise DeliveryError(
            f"{name}, row {header_row}: a cell of the header is merged, broken or far too long; mend the header."
        )
    places, header = _header(first, below, name=f"{name}, row {header_row}", form=form)
    totals = {word.strip().casefold() for word in form.total_rows}
    kept: list[tuple[int, list[str]]] = []
    unreadable: list[UnreadableRow] = []
    n_total_rows = 0
    for number, cells in below:
        first_cell = cells.get(places[0], "").strip().casefold()
        if first_cell in totals and first_cell:
            n_total_rows += 1
        elif number in sheet.faults:
            unreadable.append(UnreadableRow(number, sheet.faults[number]))
        elif cells.keys() - set(places):
            unreadable.append(UnreadableRow(number, "cell_count"))
        elif any(text.strip() for text in cells.values()):
            kept.append((number, [cells.get(place, "") for place in places]))
    columns = {column: pa.array([row[at] for _, row in kept], pa.string()) for at, column in enumerate(header)}
    table = pa.table({**columns, "line": pa.array([number for number, _ in kept], pa.int64())})
    sha256 = hashlib.sha256(data + b"\x00" + sheet.title.encode("utf-8", "replace")).hexdigest()
    return TextTable(name, sha256, header, table, unreadable, n_total_rows=n_total_rows)


def _header(
    first: dict[int, str], below: list[tuple[int, dict[int, str]]], *, name: str, form: FileForm
) -> tuple[list[int], tuple[str, ...]]:
    """Return the columns' numbers and names; an empty column between two others is passed over, a filled one is not."""
    places = [place for place in sorted(first) if first[place].strip()]
    if not places:
        raise DeliveryError(f"{name}: the header is empty; name the columns.")
    nameless = {place for _, cells in below for place in cells} - set(places)
    inside = [place for place in sorted(nameless) if place < places[-1]]
    if inside:
        raise DeliveryError(f"{name}: column {inside[0]} has no name but is filled; name it or remove it.")
    if len(places) > COLUMN_LIMIT:
        raise DeliveryError(f"{name}: {len(places)} columns; more than {COLUMN_LIMIT} are not read.")
    header = tuple(column_name(first[place].lower() if form.lower_header else first[place]) for place in places)
    seen = {LINE}
    for place, column in zip(places, header, strict=True):
        if column.casefold() in seen:
            word = "a name that we keep for ourselves" if column.casefold() == LINE else "the name of an earlier one"
            raise DeliveryError(f"{name}: column {place} has {word}; rename or remove it.")
        seen.add(column.casefold())
    return places, header
