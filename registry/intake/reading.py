"""Reading a delimited file honestly: every cell is text, every row keeps the number that it has in the file."""

from __future__ import annotations

import codecs
import csv
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from registry.errors import DeliveryError
from registry.intake.splitting import CELL_LIMIT, QuotationError, UnreadableRow, split_rows

__all__ = ["CELL_LIMIT", "FileForm", "TextTable", "UnreadableRow", "column_name", "read_bytes", "read_table"]

COLUMN_LIMIT = 1_000
"""Columns of a file; more are a file gone wrong."""
LINE = "line"
"""The column of the row's number in the file; no delivered column may have this name."""
BLANKS = " \t\u00a0\u202f"
HEADER_LINES = 10
"""Lines of a header whose names hold line breaks; a quotation mark that is open for longer was never closed."""
NOT_FOR_FILES = frozenset({"idna", "punycode", "undefined", "unicode-escape", "raw-unicode-escape", "utf-7"})
PROPOSE = "let a column map declare it (annulary map propose FILE)"
UNDECODED = "\udcff"


def _mark_undecoded(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeDecodeError):
        raise error
    return UNDECODED, error.end


codecs.register_error("annulary.undecoded", _mark_undecoded)


@dataclass(frozen=True)
class FileForm:
    """How a delimited file is written.

    encoding
        Name of a character encoding; a mark of byte order before UTF-8 is accepted.
    separator
        One character between the cells.
    skip_lines
        Lines before the header, which are no records.
    total_rows
        First cells (without regard to case and blanks around) of rows that are totals and no records.
    lower_header
        Write the header's names in lower case.
    """

    encoding: str = "utf-8"
    separator: str = ","
    skip_lines: int = 0
    total_rows: tuple[str, ...] = ()
    lower_header: bool = True

    @property
    def is_utf8(self) -> bool:
        """Whether the encoding is UTF-8 under one of its names."""
        return _codec(self.encoding) in ("utf-8", "utf-8-sig")


@dataclass(frozen=True)
class TextTable:
    """A file as text: n rows of cells under a header.

    cells
        pyarrow table, one string column a header name, and ``line`` (int64): the row in the file, first line = 1.
    unreadable
        Rows that cannot be laid under the header, in the order of the file.
    n_total_rows
        Rows that are totals and no records.
    n_before, n_blank, n_continued
        Lines up to and with the header; lines that are empty or hold empty cells only; further lines of rows with line
        breaks inside a cell.
    n_lines
        Lines of the file; 0 where it has none (a sheet of a workbook).
    """

    name: str
    sha256: str
    header: tuple[str, ...]
    cells: pa.Table
    unreadable: list[UnreadableRow] = field(default_factory=list)
    n_total_rows: int = 0
    n_before: int = 1
    n_blank: int = 0
    n_continued: int = 0
    n_lines: int = 0

    @property
    def n_rows(self) -> int:
        """Rows below the header, blank lines and totals not counted."""
        return int(self.cells.num_rows) + len(self.unreadable)

    @property
    def n_accounted(self) -> int:
        """Lines of which it is known what became of them: equal to ``n_lines``, or the reading is wrong."""
        return self.n_before + self.n_rows + self.n_blank + self.n_total_rows + self.n_continued


def read_bytes(path: Path) -> bytes:
    """Return the file's bytes, or say why they cannot be had."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise DeliveryError(f"there is no file {path}; check the path.") from None
    except IsADirectoryError:
        raise DeliveryError(f"{path} is a folder where a file was expected.") from None
    except OSError as error:
        raise DeliveryError(f"{path} cannot be read ({error.strerror}); check who may read it.") from None


def read_table(data: bytes, *, name: str, form: FileForm = FileForm()) -> TextTable:
    r"""Read the bytes of a delimited file; without a form, UTF-8 with commas.

    Parameters
    ----------
    data
        The whole file.
    name
        The file's name, for messages.

    Raises
    ------
    DeliveryError
        Empty file, no header, two columns of one name, a quotation mark that is never closed, another encoding or
        separator than the form's, a form that no file can have.

    Examples
    --------
    >>> form = FileForm(encoding="cp1252", separator=";", skip_lines=1, total_rows=("summe",))
    >>> table = read_table("Stand Mai\nKürzel;Tage\nä;12\nSumme;12\n".encode("cp1252"), name="x.csv", form=form)
    >>> table.cells.to_pylist(), table.n_total_rows
    ([{'kürzel': 'ä', 'tage': '12', 'line': 3}], 1)
    """
    _check_form(form, name=name)
    sha256 = hashlib.sha256(data).hexdigest()
    body = _as_utf8(data, name=name, form=form)
    body = _plain_lines(body, name=name)
    start = 0
    for _ in range(form.skip_lines):
        start = body.find(b"\n", start) + 1
        if not start or start >= len(body):
            raise DeliveryError(f"{name} has no row behind the {form.skip_lines} lines that its column map skips.")
    header, taken = _header(body, start, name=name, row=form.skip_lines + 1, form=form)
    n_before, n_lines = form.skip_lines + taken, body.count(b"\n")
    for _ in range(taken):
        start = body.index(b"\n", start) + 1
    body = body[start:]
    try:
        split = split_rows(
            body,
            header,
            separator=form.separator,
            first_line=n_before + 1,
            total_rows=frozenset(word.strip().casefold() for word in form.total_rows),
        )
    except QuotationError as error:
        raise DeliveryError(
            f"{name}, row {error.line}: a quotation mark is opened and not closed, or text stands behind a closing "
            "one. Mend that row (a quotation mark inside a cell is written twice)."
        ) from None
    cells = _without_blank(split.cells)
    return TextTable(
        name,
        sha256,
        header,
        cells,
        split.unreadable,
        n_total_rows=split.n_total_rows,
        n_before=n_before,
        n_blank=split.n_blank + split.cells.num_rows - cells.num_rows,
        n_continued=split.n_continued,
        n_lines=n_lines,
    )


def _codec(encoding: str) -> str | None:
    try:
        name = codecs.lookup(encoding).name.replace("_", "-")
        "".encode(encoding)  # a codec of bytes to bytes is no encoding of text
    except (LookupError, ValueError, TypeError, UnicodeError):
        return None
    return None if name in NOT_FOR_FILES else name


def _check_form(form: FileForm, *, name: str) -> None:
    if _codec(form.encoding) is None:
        raise DeliveryError(f"{name}: its column map names no encoding that is known here; write for example cp1252.")
    mark = form.separator
    if len(mark) != 1 or mark in '"\n\r\x00\ufeff' or "\ud800" <= mark <= "\udfff":
        raise DeliveryError(f"{name}: the separator that its column map declares is not one character between cells.")
    if form.skip_lines < 0:
        raise DeliveryError(f"{name}: its column map skips fewer than no lines.")


def _as_utf8(data: bytes, *, name: str, form: FileForm) -> bytes:
    """Return the file in UTF-8 without a mark of byte order; what cannot be decoded becomes a lone surrogate."""
    if not data or data.isspace() or data == codecs.BOM_UTF8:
        raise DeliveryError(f"{name} is empty; deliver a file with a header row and at least the key columns.")
    if data.startswith(b"PK\x03\x04"):
        raise DeliveryError(f"{name} is a spreadsheet, not a CSV; give it the ending .xlsx, or save it as 'CSV UTF-8'.")
    if data.startswith(codecs.BOM_UTF8) and not form.is_utf8:
        raise DeliveryError(
            f"{name} is marked as UTF-8, but its column map declares {form.encoding}; correct the map's encoding."
        )
    if form.is_utf8:
        body = data.removeprefix(codecs.BOM_UTF8)
        if not _decodes(body):
            body = body.decode("utf-8", errors="annulary.undecoded").encode("utf-8", errors="surrogatepass")
    else:
        text = data.decode(form.encoding, errors="annulary.undecoded").removeprefix("\ufeff")
        body = text.encode("utf-8", errors="surrogatepass")
    if b"\x00" in body or (form.is_utf8 and data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))):
        kind, rather = ("a UTF-8 text file", f", or {PROPOSE}") if form.is_utf8 else (f"text in {form.encoding}", "")
        raise DeliveryError(
            f"{name} is not {kind} (it may be a spreadsheet or 'Unicode text'); save it as 'CSV UTF-8' and deliver "
            f"that{rather}."
        )
    if not body or body.isspace():
        raise DeliveryError(f"{name} is empty; deliver a file with a header row and at least the key columns.")
    return body


def _decodes(body: bytes) -> bool:
    if body.isascii():
        return True
    try:
        body.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _plain_lines(body: bytes, *, name: str) -> bytes:
    if b"\r" in body:
        if b"\n" not in body:
            raise DeliveryError(f"{name}: the lines end in the way of old Macintosh files; save it as 'CSV UTF-8'.")
        body = body.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return body if body.endswith(b"\n") else body + b"\n"


def _without_blank(cells: pa.Table) -> pa.Table:
    """Leave out rows whose cells are all empty: a spreadsheet writes its empty lines so."""
    blank = None
    for name in cells.column_names[:-1]:
        empty = pc.equal(pc.utf8_trim(cells.column(name), characters=BLANKS), "")
        blank = empty if blank is None else pc.and_(blank, empty)
        if not pc.any(blank).as_py():
            return cells
    return cells if blank is None else cells.filter(pc.invert(blank))


def column_name(cell: str) -> str:
    r"""Return a header's cell as a name: on one line, its words one blank apart.

    Examples
    --------
    >>> column_name(" Abstand\n(mm) ")
    'Abstand (mm)'
    """
    return " ".join(cell.split())


def _header(body: bytes, start: int, *, name: str, row: int, form: FileForm) -> tuple[tuple[str, ...], int]:
    """Return the header's names and the lines that it takes: a quoted name may hold line breaks."""
    place = f"{name}, row {row}"
    reader = csv.reader(_lines(body, start), delimiter=form.separator, strict=True)
    try:
        cells = next(reader, [])
    except UnicodeDecodeError:
        mend = f"save the file as 'CSV UTF-8', or {PROPOSE}" if form.is_utf8 else "correct the map's encoding"
        encoding = "UTF-8" if form.is_utf8 else form.encoding
        raise DeliveryError(f"{place}: the header is not {encoding}; {mend}.") from None
    except csv.Error:
        raise DeliveryError(
            f"{place}: a quotation mark in the header is opened and not closed; mend the header."
        ) from None
    if not cells:
        raise DeliveryError(
            f"{place} is empty, but the header is expected there; remove the empty lines above the header."
        )
    if len(cells) > COLUMN_LIMIT:
        raise DeliveryError(f"{place}: {len(cells)} columns; more than {COLUMN_LIMIT} are not read.")
    if len(cells) == 1:
        _check_separator(cells[0], place=place, form=form)
    return _names(cells, place=place, form=form), reader.line_num


def _lines(body: bytes, start: int) -> Iterator[str]:
    for _ in range(HEADER_LINES):
        end = body.find(b"\n", start) + 1
        if not end:
            return
        yield body[start:end].decode("utf-8")
        start = end


def _check_separator(text: str, *, place: str, form: FileForm) -> None:
    if not any(mark in text for mark in ",;\t|" if mark != form.separator):
        return
    if form.separator == ",":
        raise DeliveryError(
            f"{place}: the columns are not separated by commas (another separator was seen); save the file as "
            f"comma-separated 'CSV UTF-8', or {PROPOSE}."
        )
    raise DeliveryError(
        f"{place}: the columns are not separated by the mark that the column map declares (another separator was "
        "seen); correct the map's separator."
    )


def _names(cells: list[str], *, place: str, form: FileForm) -> tuple[str, ...]:
    header = tuple(column_name(cell).lower() if form.lower_header else column_name(cell) for cell in cells)
    seen = set()
    for position, column in enumerate(header, start=1):
        if not column:
            raise DeliveryError(f"{place}: column {position} has no name; name it or remove it.")
        if column.casefold() in seen:
            raise DeliveryError(f"{place}: column {position} has the name of an earlier one; keep one of them.")
        if column.casefold() == LINE:
            raise DeliveryError(f"{place}: column {position} is called '{LINE}', which means the row here; rename it.")
        seen.add(column.casefold())
    return header
