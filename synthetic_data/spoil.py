"""Bad cells on purpose, so that the report's page on data quality has something to show."""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

from synthetic_data.shelf import open_to_write

NOBODY = "ZZ00000"
"""A pseudonym of the right shape that no climber has."""

Cells = dict[str, str]
Choose = Callable[["Delivered", Cells], str | None]


@dataclass(frozen=True)
class SpoiledCell:
    """One cell that was made bad: row as in the file (the header is row 1)."""

    site: str
    file: str
    row: int
    column: str
    what: str


@dataclass(frozen=True)
class Damage:
    """A kind of damage: the bad cell for a row, or None where the row does not lend itself to it."""

    table: str
    column: str
    what: str
    bad_cell: Choose


@dataclass
class Delivered:
    """The CSV files of one site, read back to be spoiled; no case is spoiled twice."""

    folder: Path
    used: set[str] = field(default_factory=set)
    tables: dict[str, tuple[list[str], list[list[str]]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for path in sorted(self.folder.glob("*.csv")):
            with path.open(encoding="utf-8", newline="") as file:
                header, *rows = csv.reader(file)
            self.tables[path.stem] = (header, rows)

    def cells(self, table: str, row: list[str]) -> Cells:
        """Return a row by column."""
        return dict(zip(self.tables[table][0], row, strict=True))

    def case(self, key: str) -> Cells:
        """Return the row of a case."""
        header, rows = self.tables["cases"]
        place = header.index("case")
        return self.cells("cases", next(row for row in rows if row[place] == key))


def _always(cell: str) -> Choose:
    return lambda _delivered, _row: cell


def _before_onset(delivered: Delivered, row: Cells) -> str | None:
    if row["since"]:
        return None
    onset = date.fromisoformat(delivered.case(row["case"])["onset"])
    return (onset - timedelta(days=12)).isoformat()


def _joint_of_a_thumb(delivered: Delivered, row: Cells) -> str | None:
    return "ip" if row["joint"] and delivered.case(row["case"])["digit"] != "thumb" else None


CLINIC_DAMAGES = (
    Damage("cases", "digit", "a word that is not a finger", _always("pointer")),
    Damage("cases", "onset", "a day that the calendar does not have", _always("2025-02-30")),
    Damage("cases", "athlete", "a climber whom nobody delivered", _always(NOBODY)),
    Damage("follow_ups", "seen", "a contact before the onset", _before_onset),
    Damage("follow_ups", "status", "a word that is not a status", _always("better")),
    Damage("findings", "joint", "a joint that this finger does not have", _joint_of_a_thumb),
    Damage("management", "starts_on", "a date in another notation", _always("03.04.2025")),
)
TIMESHEET_DAMAGES = (Damage("exposure", "minutes_total", "less than no time", _always("-90")),)


def spoil(folder: Path, site: str, *, damages: Sequence[Damage], every: int = 3) -> list[SpoiledCell]:
    """Make one cell a kind of damage bad in a site's CSV files, each on another case.

    Parameters
    ----------
    every
        How many suitable rows to pass over before the next damage, so that the damage is scattered.

    Returns
    -------
    list of SpoiledCell
        What was done; kinds of damage for which the site has no suitable row are missing.
    """
    delivered = Delivered(folder)
    done = []
    for number, damage in enumerate(damages):
        if damage.table not in delivered.tables:
            continue
        cell = _spoil_one(delivered, damage, site, skip=every * number)
        if cell is not None:
            done.append(cell)
    for table in {Path(cell.file).stem for cell in done}:
        header, rows = delivered.tables[table]
        with open_to_write(folder / f"{table}.csv") as file:
            csv.writer(file, lineterminator="\n").writerows([header, *rows])
    return done


def _spoil_one(delivered: Delivered, damage: Damage, site: str, *, skip: int) -> SpoiledCell | None:
    header, rows = delivered.tables[damage.table]
    place = header.index(damage.column)
    suitable = []
    for index, row in enumerate(rows):
        cells = delivered.cells(damage.table, row)
        if cells.get("case") in delivered.used:
            continue
        bad = damage.bad_cell(delivered, cells)
        if bad is not None:
            suitable.append((index, bad, cells.get("case")))
        if len(suitable) > skip:
            break
    if not suitable:
        return None
    index, bad, case = suitable[-1]
    rows[index][place] = bad
    if case is not None:
        delivered.used.add(case)
    return SpoiledCell(site, f"{damage.table}.csv", index + 2, damage.column, damage.what)
