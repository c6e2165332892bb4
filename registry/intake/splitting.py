"""Splitting text into cells honestly: a line is read fast only where it is proven to have one meaning.

No fast reader tells the truth about a broken file: some shift columns, some lose cells. So the bytes are examined
block by block. A line has one meaning when it holds the header's number of separators outside quotation marks, and each
of its quotation marks opens a cell, closes one, or is doubled. Such lines are split fast. Any other line goes through
Python's ``csv`` in strict mode, alone, together with the lines that its open quotation mark runs on into.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv

CELL_LIMIT = 10_000
"""Characters in one cell; a longer one is a file gone wrong, not a code or a date."""
LINE_LIMIT = 100
"""Lines of one record; a quotation mark that is open for longer was never closed. Common practice, no source."""
BLOCK = 1 << 23
"""Octets examined at a time: the working arrays stay small whatever the file's size."""
MOST_OCTETS = 2**31 - 1
NEWLINE, QUOTE = ord("\n"), ord('"')
FIRST_OF_SURROGATE, SECOND_OF_SURROGATE = 0xED, 0xA0
SURROGATE = re.compile(rb"\xed[\xa0-\xbf]")

Octets = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.int64]


class UnreadableRow(NamedTuple):
    """A row that cannot be laid under the header: its number and the reason code; its text is not kept."""

    line: int
    code: str


class QuotationError(Exception):
    """A quotation mark is opened and not closed, or text stands behind a closing one.

    Attributes
    ----------
    line
        The row in the file where the record begins.
    """

    def __init__(self, line: int) -> None:
        super().__init__()
        self.line = line


@dataclass
class Split:
    """What became of the lines below the header.

    cells
        One string column a header name, and ``line`` (int64), in the order of the file.
    n_blank, n_total_rows, n_continued
        Lines that are empty; rows that are totals; further lines of a record with line breaks in its cells.
    """

    tables: list[pa.Table] = field(default_factory=list)
    unreadable: list[UnreadableRow] = field(default_factory=list)
    n_blank: int = 0
    n_total_rows: int = 0
    n_continued: int = 0

    @property
    def cells(self) -> pa.Table:
        """The readable rows; a table without rows comes first and gives the columns."""
        return pa.concat_tables(self.tables)


def split_rows(
    body: bytes, header: tuple[str, ...], *, separator: str, first_line: int, total_rows: frozenset[str] = frozenset()
) -> Split:
    r"""Split the lines below a header into cells.

    Parameters
    ----------
    body
        UTF-8 with plain line ends and one at the end. What could not be decoded stands in it as lone surrogates, so
        that the row can be held instead of lost.
    first_line
        The number of the body's first line in the file.
    total_rows
        Case-folded first cells of rows that are no records.

    Raises
    ------
    QuotationError

    Examples
    --------
    >>> split = split_rows(b"1,2\n3\n", ("a", "b"), separator=",", first_line=2)
    >>> split.cells.to_pylist(), split.unreadable
    ([{'a': '1', 'b': '2', 'line': 2}], [UnreadableRow(line=3, code='cell_count')])
    """
    csv.field_size_limit(MOST_OCTETS)  # a longer cell is judged by us, row by row, not by the csv module
    return _Splitter(body, header, separator=separator, total_rows=total_rows).run(first_line)


@dataclass
class _Block:
    """Some whole lines: where they lie, and what the octets say of each."""

    octets: Octets
    starts: Numbers
    ends: Numbers
    alone: Flags
    """Lines that only the strict reader may read."""
    count_differs: Flags
    undecoded: Flags

    @property
    def blank(self) -> Flags:
        return np.asarray(self.starts == self.ends)


class _Splitter:
    def __init__(self, body: bytes, header: tuple[str, ...], *, separator: str, total_rows: frozenset[str]) -> None:
        self.body = body
        self.header = header
        self.separator = separator
        self.total_rows = total_rows
        self.has_quotes = b'"' in body
        self.has_undecoded = SURROGATE.search(body) is not None
        self.split = Split([self._table([], [])])

    def run(self, first_line: int) -> Split:
        at, line = 0, first_line
        while at < len(self.body):
            at, line = self._take_block(at, line)
        self.split.unreadable.sort()
        return self.split

    def _take_block(self, at: int, line: int) -> tuple[int, int]:
        """Read the block of lines that begins at an octet; return where the next begins, and its line number."""
        end = self.body.rfind(b"\n", at, at + BLOCK) + 1 or self.body.find(b"\n", at) + 1
        block = self._examine(at, end)
        n_lines = len(block.ends)
        swallowed = np.zeros(n_lines, dtype=np.bool_)
        rows: list[list[str]] = []
        numbers: list[int] = []
        after = 0
        for k in np.flatnonzero(block.alone).tolist():
            if k < after:
                continue  # it lies inside a record that began further up
            record, n_taken, end_of_record = self._record(at + int(block.starts[k]), line + k)
            self.split.n_continued += n_taken - 1
            after = k + n_taken
            swallowed[k:after] = True
            end = max(end, end_of_record)
            if self._is_record(record, line + k):
                rows.append(record)
                numbers.append(line + k)
        table = self._read_proven(block, ~swallowed, line)
        if rows:
            table = pa.concat_tables([table, self._table(rows, numbers)]).sort_by("line")
        self.split.tables.append(table)
        return end, line + max(n_lines, after)

    def _examine(self, at: int, end: int) -> _Block:
        octets = np.frombuffer(self.body, dtype=np.uint8, count=end - at, offset=at)
        ends = np.flatnonzero(octets == NEWLINE)
        starts = np.concatenate([np.zeros(1, dtype=np.int64), ends[:-1] + 1])
        alone = ends - starts > CELL_LIMIT
        undecoded = np.zeros(len(ends), dtype=np.bool_)
        if self.has_undecoded:
            marks = np.flatnonzero((octets[:-1] == FIRST_OF_SURROGATE) & (octets[1:] >= SECOND_OF_SURROGATE))
            undecoded[np.searchsorted(ends, marks)] = True
        if not self.separator.isascii():
            alone |= starts != ends
            return _Block(octets, starts, ends, alone, np.zeros(len(ends), dtype=np.bool_), undecoded)
        separators = np.flatnonzero(octets == ord(self.separator))
        if self.has_quotes:
            irregular, outside = _quotes(octets, starts, ends, separators)
            alone |= irregular
            separators = separators[outside]
        count_differs = np.diff(np.searchsorted(separators, ends), prepend=0) != len(self.header) - 1
        if self.total_rows:
            alone |= (count_differs | undecoded) & (starts != ends)  # their first cell is looked at
        return _Block(octets, starts, ends, alone, count_differs, undecoded)

    def _read_proven(self, block: _Block, left: Flags, line: int) -> pa.Table:
        """Read the lines that have one meaning; note the others among those that are left."""
        blank = left & block.blank
        self.split.n_blank += int(blank.sum())
        left = left & ~blank
        for code, faulty in (
            ("cell_count", left & block.count_differs),
            ("not_utf8", left & ~block.count_differs & block.undecoded),
        ):
            numbers = np.flatnonzero(faulty) + line
            self.split.unreadable.extend(UnreadableRow(number, code) for number in numbers.tolist())
            left = left & ~faulty
        if left.all():
            table = self._read_fast(block.octets)
        else:
            table = self._read_fast(block.octets[np.repeat(left, block.ends - block.starts + 1)])
        table = table.append_column("line", pa.array(np.flatnonzero(left) + line, type=pa.int64()))
        return self._without_totals(table) if self.total_rows else table

    def _read_fast(self, octets: Octets) -> pa.Table:
        if not len(octets):
            return self._table([], []).drop_columns(["line"])
        # A first line of ours: the reader would take a mark of byte order away from the head of a block.
        text = b"-\n" + octets.tobytes()
        return pyarrow.csv.read_csv(
            pa.BufferReader(text),
            # One thread: a process that ends early must not end while a reader's thread still runs.
            read_options=pyarrow.csv.ReadOptions(
                use_threads=False, skip_rows=1, column_names=list(self.header), block_size=len(text) + 1
            ),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=self.separator,
                quote_char='"' if self.has_quotes else False,
                escape_char=False,
                newlines_in_values=False,
                ignore_empty_lines=False,
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types={column: pa.string() for column in self.header}, strings_can_be_null=False
            ),
        )

    def _without_totals(self, table: pa.Table) -> pa.Table:
        first = table.column(0).combine_chunks().dictionary_encode()
        is_total = np.array([self._is_total(cell) for cell in first.dictionary.to_pylist()], dtype=np.bool_)
        if not is_total.any():
            return table
        records = ~is_total[first.indices.to_numpy()]
        self.split.n_total_rows += int((~records).sum())
        return table.filter(pa.array(records))

    def _record(self, at: int, line: int) -> tuple[list[str], int, int]:
        """Read one record strictly; return it, the lines it takes, and the octet where the next begins."""
        reader = csv.reader(self._lines_from(at, line), delimiter=self.separator, strict=True)
        try:
            record = next(reader)
        except csv.Error:
            raise QuotationError(line) from None
        for _ in range(reader.line_num):
            at = self.body.find(b"\n", at) + 1
        return record, reader.line_num, at

    def _lines_from(self, at: int, line: int) -> Iterator[str]:
        for _ in range(LINE_LIMIT):
            end = self.body.find(b"\n", at) + 1
            if not end:
                return
            yield self.body[at:end].decode("utf-8", errors="surrogatepass")
            at = end
        raise QuotationError(line)

    def _is_record(self, record: list[str], line: int) -> bool:
        """Count a total and note an unreadable row; what is left is a record."""
        if self._is_total(record[0]):
            self.split.n_total_rows += 1
            return False
        code = _row_fault(record, len(self.header))
        if code:
            self.split.unreadable.append(UnreadableRow(line, code))
        return code is None

    def _is_total(self, cell: str) -> bool:
        return cell.strip().casefold() in self.total_rows

    def _table(self, rows: list[list[str]], numbers: list[int]) -> pa.Table:
        columns = {name: pa.array([row[i] for row in rows], pa.string()) for i, name in enumerate(self.header)}
        return pa.table({**columns, "line": pa.array(numbers, pa.int64())})


def _quotes(octets: Octets, starts: Numbers, ends: Numbers, separators: Numbers) -> tuple[Flags, Flags]:
    """Say which lines have quotation marks in odd places, and which separators stand outside of cells.

    In a line, the 1st, 3rd, ... quotation mark must open a cell or be the second of two; the 2nd, 4th, ... must close a
    cell or be the first of two. Then the number of marks before a separator says whether it stands inside a cell,
    exactly as the strict reader counts.
    """
    is_quote = octets == QUOTE
    quotes = np.flatnonzero(is_quote)
    so_far = np.cumsum(is_quote, dtype=np.int32)
    before_line = so_far[starts] - is_quote[starts]
    line_of_quote = np.searchsorted(ends, quotes)
    odd = (so_far[quotes] - before_line[line_of_quote]) % 2 == 1
    edge = np.zeros(256, dtype=np.bool_)
    edge[[NEWLINE, QUOTE]] = True
    if len(separators):
        edge[octets[separators[0]]] = True
    before = edge[octets[quotes - 1]] | (quotes == 0)
    behind = edge[octets[np.minimum(quotes + 1, len(octets) - 1)]]
    irregular = (so_far[ends] - before_line) % 2 == 1
    irregular[line_of_quote[np.where(odd, ~before, ~behind)]] = True
    outside = (so_far[separators] - before_line[np.searchsorted(ends, separators)]) % 2 == 0
    return irregular, outside


def _row_fault(record: list[str], n_columns: int) -> str | None:
    if len(record) != n_columns:
        return "cell_count"
    for cell in record:
        if "\n" in cell:
            return "line_break"
        if len(cell) > CELL_LIMIT:
            return "cell_too_long"
        if not cell.isascii() and any("\ud800" <= character <= "\udfff" for character in cell):
            return "not_utf8"
    return None
