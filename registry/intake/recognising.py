"""Tell which dictionary table a file is, and whether its columns are ours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from registry.dictionary import SHEET, TABLES, Table
from registry.errors import DeliveryError, suggestion
from registry.intake.reading import TextTable

if TYPE_CHECKING:
    from registry.maps.model import ColumnMap

ALL_TABLES: dict[str, Table] = {**TABLES, SHEET.name: SHEET}


HELD_ID = "held_id"
MAPPED, MENDED = "mapped", "held sheet"
"""What stands for a table's name where a file is in a site's own columns, or is a mended sheet of held rows."""
READ_AS_OURS = (".csv", ".xlsx")
READ_WITH_A_MAP = (".csv", ".xlsx", ".tsv", ".txt")


@dataclass(frozen=True)
class RecognisedFile:
    """A file that was read and whose table is known.

    table
        The dictionary's table; None for a file in a site's own columns and for a mended sheet.
    column_map
        How a site's own columns are read.
    """

    text: TextTable
    table: Table | None = None
    column_map: ColumnMap | None = None

    @property
    def table_name(self) -> str:
        """The table's name, or what stands for it."""
        if self.table is not None:
            return self.table.name
        return MAPPED if self.column_map is not None else MENDED

    @property
    def map_hash(self) -> str:
        """The SHA-256 of the column map; empty when the file needs none."""
        return self.column_map.sha256 if self.column_map is not None else ""


def delivered_files(deliveries: Sequence[Path], *, endings: Sequence[str] = READ_AS_OURS) -> list[Path]:
    """List the files of a delivery: folders are searched one level deep, single files taken as they are.

    Raises
    ------
    DeliveryError
        Nothing there, or a folder without CSV files.
    """
    files: list[Path] = []
    for place in deliveries:
        try:
            present = place.exists()
        except PermissionError:
            raise DeliveryError(f"the folder of {place} may not be looked into; check who owns it.") from None
        if not present:
            raise DeliveryError(f"there is nothing at {place}; check the path of the delivery.")
        if place.is_dir():
            inside = sorted(path for path in place.iterdir() if path.suffix.lower() in endings and _ours(path))
            if not inside:
                raise DeliveryError(
                    f"the folder {place} holds no {' or '.join(endings[:2])} file; put the delivery's files into it."
                )
            files += inside
        else:
            files.append(place)
    return files


def ignored_files(deliveries: Sequence[Path], *, endings: Sequence[str] = READ_AS_OURS) -> list[str]:
    """Name what lies in the delivery's folders and is not read: other kinds of files, and hidden ones."""
    read = set(delivered_files(deliveries, endings=endings))
    inside = [path for place in deliveries if place.is_dir() for path in sorted(place.iterdir())]
    return [path.name for path in inside if path not in read and not path.name.startswith(".")]


def _ours(path: Path) -> bool:
    return path.is_file() and not path.name.startswith((".", "~$"))


def recognise(text: TextTable) -> RecognisedFile:
    """Find the table by the file's name (cases.csv, cases_spring.csv), else by its columns.

    A sheet of held rows is known by its first column.

    Raises
    ------
    DeliveryError
        No such table, an unknown column, or a required column that is missing.
    """
    if text.header[0] == HELD_ID:
        return RecognisedFile(text)
    table = _by_name(text.name) or _by_columns(text)
    _check_columns(text, table)
    return RecognisedFile(text, table)


def also_read_columns(table: Table) -> dict[str, tuple[str, float]]:
    """Return other column name -> (field name, factor)."""
    return {field.also_read[0]: (field.name, field.also_read[1]) for field in table.fields if field.also_read}


def _by_name(name: str) -> Table | None:
    stem = Path(name).stem.lower()
    for known in sorted(ALL_TABLES, key=len, reverse=True):
        if stem == known or (stem.startswith(known) and stem[len(known)] in "_-. "):
            return ALL_TABLES[known]
    return None


def _by_columns(text: TextTable) -> Table:
    fitting = [
        table
        for table in ALL_TABLES.values()
        if set(text.header) <= set(table.names) | set(also_read_columns(table))
        and all(field.name in text.header for field in table.fields if field.required)
    ]
    if len(fitting) == 1:
        return fitting[0]
    listed = ", ".join(f"{name}.csv" for name in ALL_TABLES)
    stem = Path(text.name).stem.lower()
    raise DeliveryError(
        f"{text.name}: no table of that name, and its columns fit "
        f"{'none' if not fitting else 'more than one'} of our tables. Name the file after its table: {listed}."
        f"{suggestion(stem, ALL_TABLES)}"
    )


def _check_columns(text: TextTable, table: Table) -> None:
    others = also_read_columns(table)
    known = [*table.names, *others]
    # A header that is close to none of ours may be a row of data, and is not repeated.
    faults = [
        f"unknown column '{column}'.{suggestion(column, known)}"
        if suggestion(column, known)
        else f"column {position} has a name that is none of ours."
        for position, column in enumerate(text.header, start=1)
        if column not in known
    ]
    delivered = set(text.header) | {others[column][0] for column in text.header if column in others}
    faults += [
        f"column '{field.name}' is missing (required)."
        for field in table.fields
        if field.required and field.name not in delivered
    ]
    faults += [
        f"columns '{column}' and '{others[column][0]}' say the same; keep one."
        for column in text.header
        if column in others and others[column][0] in text.header
    ]
    if faults:
        raise DeliveryError(
            f"{text.name} (table {table.name}), row 1: " + " ".join(faults) + " The columns of every table: "
            "annulary dictionary; blank files: annulary template."
        )
