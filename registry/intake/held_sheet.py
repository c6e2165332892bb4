"""The sheet of held rows: the reasons beside each row, for somebody to mend in a spreadsheet and deliver again.

Leading zeros, dates and decimal marks survive the way through a spreadsheet program: in a workbook every cell is text,
in a CSV an apostrophe stands before whatever a spreadsheet would retype or run. Reading back takes one away.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from registry.errors import InputError, NotWritableError
from registry.spreadsheet_text import APOSTROPHE, kept_text, read_text

if TYPE_CHECKING:
    import pyarrow as pa

LEAD_COLUMNS = ("held_id", "file", "row", "reasons")
"""The columns before the row's own; they are not to be changed."""

MOST_SHEET_ROWS = 1_048_576
MOST_CELL_TEXT = 32_767
LONGEST_TITLE = 31
REASONS_WIDTH = 60
LINE_HEIGHT = 15
"""In a spreadsheet's own units: about one character, and one line of the usual letters."""
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


class HeldRow(NamedTuple):
    """A held row: its number, the file and the row in it, why it is held, and its cells."""

    held_id: int
    file: str
    line: int
    reasons: str
    cells: Mapping[str, str | None]


class Group(NamedTuple):
    """Held rows that share their columns."""

    title: str
    columns: Sequence[str]
    rows: Sequence[HeldRow]


def write_held_sheet(path: Path, groups: Sequence[Group]) -> list[Path]:
    """Write held rows as a sheet that a spreadsheet program can mend.

    Parameters
    ----------
    path
        ``.xlsx``: one workbook, one sheet a group, every cell text. ``.csv``: UTF-8 with a byte order mark and commas;
        several groups become ``NAME-<title>.csv`` each.
    groups
        The rows; plain tuples of the same shape do as well. A cell that a row lacks stays empty.

    Returns
    -------
    list of Path
        The files that were written, readable by their owner only.

    Raises
    ------
    InputError
        Another kind of file, no group, a column with the name of one of ours, or more rows than a sheet holds.
    NotWritableError
        A file that is there already, or a place that cannot be written; nothing is left behind.
    """
    if not groups:
        raise InputError("no row is held; there is nothing to write.")
    _check_columns(groups)
    kind = path.suffix.lower()
    if kind == ".xlsx":
        return _write_files({path: _workbook(groups)})
    if kind != ".csv":
        raise InputError(f"{path.name}: the sheet is written as .csv or .xlsx; end the name in one of them.")
    if len(groups) == 1:
        return _write_files({path: _csv(*groups[0][1:])})
    names = _unique([re.sub(r"[^\w-]+", "_", title).strip("_") or "rows" for title, _, _ in groups], longest=80)
    return _write_files(
        {path.with_name(f"{path.stem}-{name}.csv"): _csv(*group[1:]) for name, group in zip(names, groups, strict=True)}
    )


def read_back(cells: pa.Table) -> pa.Table:
    """Undo what ``write_held_sheet`` did to text: take exactly one apostrophe from the beginning of each cell.

    Parameters
    ----------
    cells
        n rows; string columns are changed, others (``line``) pass through.

    Examples
    --------
    >>> import pyarrow as pa
    >>> read_back(pa.table({"case": ["'0012", "''a", "b"], "line": [2, 3, 4]})).to_pydict()
    {'case': ['0012', "'a", 'b'], 'line': [2, 3, 4]}
    """
    import pyarrow as arrow

    for place, field in enumerate(cells.schema):
        if arrow.types.is_string(field.type) or arrow.types.is_large_string(field.type):
            texts = [None if text is None else read_text(text) for text in cells.column(place).to_pylist()]
            cells = cells.set_column(place, field, arrow.array(texts, field.type))
    return cells


def _check_columns(groups: Sequence[Group]) -> None:
    for title, columns, _ in groups:
        taken = [column for column in columns if column.strip().casefold() in LEAD_COLUMNS]
        if taken:
            raise InputError(
                f"{title}: the column '{taken[0]}' has the name of one that the sheet of held rows adds; rename it in "
                "the site's file and in its map."
            )


def _texts(row: HeldRow, columns: Sequence[str]) -> list[str]:
    held_id, file, line, reasons, cells = row
    return [str(held_id), file, str(line), reasons, *(cells.get(column) or "" for column in columns)]


def _csv(columns: Sequence[str], rows: Iterable[HeldRow]) -> bytes:
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\r\n")
    writer.writerow([kept_text(name) for name in (*LEAD_COLUMNS, *columns)])
    writer.writerows([kept_text(text) for text in _texts(row, columns)] for row in rows)
    return page.getvalue().encode("utf-8-sig")


def _workbook(groups: Sequence[Group]) -> bytes:
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    titles = _unique([re.sub(r"[\[\]:*?/\\']", "_", group[0]) or "rows" for group in groups], longest=LONGEST_TITLE)
    for title, (_, columns, rows) in zip(titles, groups, strict=True):
        if len(rows) >= MOST_SHEET_ROWS:
            raise InputError(f"{len(rows)} held rows are more than a sheet of a workbook holds; write a .csv instead.")
        _fill_sheet(book, title, columns, rows)
    page = io.BytesIO()
    book.save(page)
    return page.getvalue()


def _fill_sheet(book: Any, title: str, columns: Sequence[str], rows: Iterable[HeldRow]) -> None:
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(title)
    sheet.freeze_panes = "E2"
    sheet.page_setup.orientation, sheet.page_setup.fitToHeight = "landscape", 0  # who mends on paper sees whole rows
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    widths = (9, 22, 7, REASONS_WIDTH, *(max(12, min(len(name) + 2, 30)) for name in columns))
    for place, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(place)].width = width
        sheet.column_dimensions[get_column_letter(place)].number_format = "@"
    cell = _cell_maker(sheet)
    sheet.append([cell(name, "header") for name in (*LEAD_COLUMNS, *columns)])
    for number, row in enumerate(rows, start=2):
        texts = _texts(row, columns)
        sheet.row_dimensions[number].height = LINE_HEIGHT * (1 + len(row.reasons) // REASONS_WIDTH)
        looks = ["ours", "ours", "ours", "reasons", *("theirs" for _ in columns)]
        sheet.append([cell(text, look) for text, look in zip(texts, looks, strict=True)])


def _cell_maker(sheet: Any) -> Callable[[str, str], Any]:
    """Return what makes a text cell of a given look; styles are made once."""
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Alignment, Font, PatternFill

    grey, dark = PatternFill("solid", fgColor="E7E6E6"), PatternFill("solid", fgColor="BFBFBF")
    top = Alignment(vertical="top")
    looks: dict[str, tuple[Any, Any, Any]] = {
        "header": (Font(bold=True), dark, Alignment(vertical="top", wrap_text=True)),
        "ours": (Font(color="595959"), grey, top),
        "reasons": (Font(color="9C0006"), grey, Alignment(vertical="top", wrap_text=True)),
        "theirs": (Font(), PatternFill(), top),
    }

    def make(text: str, look: str) -> Any:
        made = WriteOnlyCell(sheet, _sheet_text(text))
        made.data_type = "s"  # text that starts with = is no formula
        made.number_format = "@"
        made.font, made.fill, made.alignment = looks[look]
        return made

    return make


def _sheet_text(text: str) -> str:
    """Return what a workbook can hold of a text; reading back takes the apostrophe away again."""
    shown = CONTROL.sub("\ufffd", text)[: MOST_CELL_TEXT - 1]
    return APOSTROPHE + shown if shown.startswith(APOSTROPHE) else shown


def _unique(names: list[str], *, longest: int) -> list[str]:
    """Cut names to a length and number those that come twice, without regard to case."""
    found: list[str] = []
    for name in names:
        this, number = name[:longest], 2
        while this.casefold() in {other.casefold() for other in found}:
            this, number = f"{name[: longest - 1 - len(str(number))]}_{number}", number + 1
        found.append(this)
    return found


def _write_files(files: Mapping[Path, bytes]) -> list[Path]:
    """Write new files that only their owner can read; all of them or none."""
    done: list[Path] = []
    try:
        for path, data in files.items():
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
            done.append(path)
            with open(descriptor, "wb") as file:
                file.write(data)
    except OSError as error:
        for path in done:
            with suppress(OSError):
                path.unlink()
        if isinstance(error, FileExistsError):
            raise NotWritableError(f"{path} is there already; nothing is overwritten. Give another name.") from None
        raise NotWritableError(f"{path} cannot be written ({error.strerror}); name another place.") from None
    return done
