"""CSV files, one a table, that take rows one after another."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any

from registry.dictionary import SHEET, TABLES
from registry.errors import NotWritableError, OptionError
from synthetic_data.records import Row

NAMES = {name: table.names for name, table in TABLES.items()} | {SHEET.name: SHEET.names}


class Shelf:
    """One folder of CSV files under the dictionary's own column names; a table without rows gets no file.

    The columns of a file are those of its first row, in the dictionary's order.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.counts: Counter[str] = Counter()
        self._open = ExitStack()
        self._files: dict[str, tuple[Any, tuple[str, ...]]] = {}

    def __enter__(self) -> Shelf:
        make_folder(self.folder)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.close()

    def add(self, table: str, rows: Iterable[Row]) -> None:
        """Write rows at the end of a table's file."""
        for row in rows:
            if table not in self._files:
                self._files[table] = self._begin(table, row)
            writer, columns = self._files[table]
            if len(row) != len(columns):
                raise KeyError(f"{table}: a row with other columns than the first one")
            writer.writerow([row[column] for column in columns])
            self.counts[table] += 1

    def _begin(self, table: str, row: Row) -> tuple[Any, tuple[str, ...]]:
        strange = set(row) - set(NAMES[table])
        if strange:
            raise KeyError(f"{table} has no field {sorted(strange)}")
        columns = tuple(name for name in NAMES[table] if name in row)
        file = self._open.enter_context(open_to_write(self.folder / f"{table}.csv"))
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        return writer, columns


def open_to_write(path: Path) -> Any:
    """Open a text file for writing: UTF-8, line ends as they are written."""
    return path.open("w", encoding="utf-8", newline="")


def make_folder(folder: Path) -> None:
    """Make a folder with its parents, or say why not."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NotWritableError(
            f"the folder {folder} cannot be made ({type(error).__name__}); name a folder that you may write to."
        ) from None


def require_empty(folder: Path) -> None:
    """Refuse a folder that holds something already, so that nothing of the user's is overwritten."""
    if folder.is_dir() and any(folder.iterdir()):
        raise OptionError(f"the folder {folder} is not empty; name a new one, so that nothing is overwritten.")
