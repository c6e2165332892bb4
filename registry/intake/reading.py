"""Reading a CSV honestly: every cell is text, every row keeps the number that it has in the file.

No fast reader tells the truth about a broken file: some shift columns, some lose cells. So the bytes are examined
first. A file without quotes whose lines all hold the same number of separators has one meaning, and is split fast;
anything else goes through Python's ``csv`` in strict mode, record by record.
"""

from __future__ import annotations

import csv
import hashlib
import io
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv

from registry.errors import DeliveryError

SEPARATOR = ","
CELL_LIMIT = 10_000
"""Characters in one cell; a longer one is a file gone wrong, not a code or a date."""


MOST_BYTES = 2**31 - 1


@dataclass(frozen=True)
class UnreadableRow:
    """A row that cannot be laid under the header: its number and the reason code; its text is not kept."""

    line: int
    code: str


@dataclass(frozen=True)
class TextTable:
    """A file as text: n rows of cells under a header.

    cells
        pyarrow table, one string column a header name, and ``line`` (int64): the row in the file, header = 1.
    """

    name: str
    sha256: str
    header: tuple[str, ...]
    cells: pa.Table
    unreadable: list[UnreadableRow] = field(default_factory=list)

    @property
    def n_rows(self) -> int:
        """Rows below the header, blank lines not counted."""
        return int(self.cells.num_rows) + len(self.unreadable)


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


def read_table(data: bytes, *, name: str) -> TextTable:
    """Read the bytes of a UTF-8 CSV with commas.

    Parameters
    ----------
    data
        The whole file.
    name
        The file's name, for messages.

    Raises
    ------
    DeliveryError
        Empty file, no header, two columns of one name, a quotation mark that is never closed.
    """
    csv.field_size_limit(MOST_BYTES)  # a longer cell is judged by us, row by row, not by the csv module
    sha256 = hashlib.sha256(data).hexdigest()
    body = data.removeprefix(b"\xef\xbb\xbf")
    if not body.strip():
        raise DeliveryError(f"{name} is empty; deliver a file with a header row and at least the key columns.")
    if body.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in body:
        raise DeliveryError(
            f"{name} is not a UTF-8 text file (it may be a spreadsheet or 'Unicode text'); save it as "
            "'CSV UTF-8' and deliver that."
        )
    if body.startswith(b"PK\x03\x04"):
        raise DeliveryError(f"{name} is a spreadsheet, not a CSV; save it as 'CSV UTF-8' and deliver that.")
    if b"\r" in body and b"\n" not in body:
        raise DeliveryError(f"{name}: the lines end in the way of old Macintosh files; save it as 'CSV UTF-8'.")
    lines = _plain_lines(body)
    first = body.split(b"\n", 1)[0]
    header = _header(first, name=name)
    if lines is not None and lines.count(SEPARATOR.encode()) and _is_regular(lines, len(header)):
        return TextTable(name, sha256, header, _split_fast(lines, header))
    cells, unreadable = _split_strict(body, header, name=name)
    return TextTable(name, sha256, header, cells, unreadable)


def _header(first: bytes, *, name: str) -> tuple[str, ...]:
    try:
        text = first.decode("utf-8").rstrip("\r")
    except UnicodeDecodeError:
        raise DeliveryError(f"{name}, row 1: the header is not UTF-8; save the file as 'CSV UTF-8'.") from None
    try:
        row = next(csv.reader([text], strict=True), [])
    except csv.Error:
        raise DeliveryError(
            f"{name}, row 1: a quotation mark in the header is opened and not closed; mend the header."
        ) from None
    header = tuple(cell.strip().lower() for cell in row)
    if len(header) == 1 and any(mark in text for mark in ";\t|"):
        raise DeliveryError(
            f"{name}, row 1: the columns are not separated by commas (another separator was seen); save the "
            "file as comma-separated 'CSV UTF-8'."
        )
    for position, column in enumerate(header, start=1):
        if not column:
            raise DeliveryError(f"{name}, row 1: column {position} has no name; name it or remove it.")
        if column in header[: position - 1]:
            raise DeliveryError(f"{name}, row 1: column {position} has the name of an earlier one; keep one of them.")
    return header


def _plain_lines(body: bytes) -> bytes | None:
    """Return the body with plain line ends, or None when only the strict reader can tell what it means."""
    if b'"' in body:
        return None
    if b"\r" in body:
        if body.count(b"\r") != body.count(b"\r\n") or body.count(b"\n") != body.count(b"\r\n"):
            return None
        body = body.replace(b"\r\n", b"\n")
    try:
        body.decode("utf-8")
    except UnicodeDecodeError:
        return None
    return body if body.endswith(b"\n") else body + b"\n"


def _is_regular(lines: bytes, n_columns: int) -> bool:
    """Say whether every line holds exactly the header's number of separators and no cell is overlong."""
    octets = np.frombuffer(lines, dtype=np.uint8)
    ends = np.flatnonzero(octets == ord("\n"))
    separators = np.flatnonzero(octets == ord(SEPARATOR))
    per_line = np.diff(np.searchsorted(separators, ends), prepend=0)
    longest = int(np.diff(ends, prepend=-1).max())
    return bool((per_line == n_columns - 1).all()) and longest <= CELL_LIMIT


def _split_fast(lines: bytes, header: tuple[str, ...]) -> pa.Table:
    table = pyarrow.csv.read_csv(
        pa.BufferReader(lines),
        # One thread: a process that ends early must not end while a reader's thread still runs.
        read_options=pyarrow.csv.ReadOptions(use_threads=False, skip_rows=1, column_names=list(header)),
        parse_options=pyarrow.csv.ParseOptions(
            delimiter=SEPARATOR,
            quote_char=False,
            escape_char=False,
            newlines_in_values=False,
            ignore_empty_lines=False,
        ),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types={column: pa.string() for column in header}, strings_can_be_null=False
        ),
    )
    return table.append_column("line", pa.array(np.arange(2, table.num_rows + 2), type=pa.int64()))


def _split_strict(body: bytes, header: tuple[str, ...], *, name: str) -> tuple[pa.Table, list[UnreadableRow]]:
    # Bytes that are not UTF-8 survive as lone surrogates, so that the row can be held instead of lost.
    text = body.decode("utf-8", errors="surrogateescape")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=SEPARATOR, strict=True)
    rows: list[list[str]] = []
    numbers: list[int] = []
    unreadable: list[UnreadableRow] = []
    line = 1
    try:
        for record in reader:
            this, line = line, reader.line_num + 1
            if this == 1 or not record:
                continue
            code = _row_fault(record, len(header))
            if code:
                unreadable.append(UnreadableRow(this, code))
            else:
                rows.append(record)
                numbers.append(this)
    except csv.Error:
        raise DeliveryError(
            f"{name}, row {line}: a quotation mark is opened and not closed, or text stands behind a closing "
            "one. Mend that row (a quotation mark inside a cell is written twice)."
        ) from None
    columns = {column: pa.array([row[i] for row in rows], pa.string()) for i, column in enumerate(header)}
    return pa.table({**columns, "line": pa.array(numbers, pa.int64())}), unreadable


def _row_fault(record: list[str], n_columns: int) -> str | None:
    if len(record) != n_columns:
        return "cell_count"
    for cell in record:
        if "\n" in cell or "\r" in cell:
            return "line_break"
        if len(cell) > CELL_LIMIT:
            return "cell_too_long"
        if not cell.isascii() and any("\udc80" <= character <= "\udcff" for character in cell):
            return "not_utf8"
    return None
