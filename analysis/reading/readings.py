"""The readings of a registry as a table: a case a row, a reader a column."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import narwhals.stable.v2 as nw
import numpy as np
import pandas as pd

from analysis.results import Note
from registry.door import enter, require
from registry.errors import DataError, InputError, OptionError, suggestion

ABOUT_THE_CASE: Final = ("site", "case", "climber", "minor")


@dataclass(frozen=True, kw_only=True, eq=False)
class Readings:
    """Readings side by side.

    Attributes
    ----------
    table
        site, case, climber, minor, and one column a reader with the grade as a word; None where there is no reading.
    readers
        The columns, in the order that was asked for, else sorted.
    notes
        What the reader of a result has to know.
    """

    table: pd.DataFrame
    readers: tuple[str, ...]
    notes: tuple[Note, ...]


def readings_of(view: Any, *, readers: tuple[str, ...] | None = None, site: str | None = None) -> Readings:
    """Put the readings of each case side by side.

    Parameters
    ----------
    view
        An opened registry or freeze.
    readers
        Codes of the readers; None takes all.
    site
        One site's readings; None takes all sites. Codes are a site's own: the same code at two sites is two persons.

    Returns
    -------
    Readings of the cases with a reading of at least one of the readers. Of several readings of a case by one reader
    the first counts: a later one may know the earlier.

    Raises
    ------
    OptionError
        When there is no such site or reader.
    DataError
        When the registry holds no readings.
    """
    every = _collected(enter(view.base("readings")), ["site", "case", "reader", "grade", "read_on_day"])
    if every.empty:
        raise DataError("there are no readings; deliver readings.csv (case, reader, read_on, grade) and ask again.")
    if site is not None and site not in set(every["site"]):
        sites = sorted(set(every["site"]))
        raise OptionError(f"no readings of a site '{site}'; there are some of {', '.join(sites)}.")
    here = every if site is None else every[every["site"] == site]
    chosen = _chosen(here, readers)
    here = here[here["reader"].isin(chosen)]
    order = ["site", "case", "reader", "read_on_day", "grade"]
    first = here.sort_values(order, na_position="last").drop_duplicates(["site", "case", "reader"])
    wide = first.pivot(index=["site", "case"], columns="reader", values="grade").reset_index()
    about = _collected(enter(view.table("cases")), list(ABOUT_THE_CASE))
    table = wide.merge(about, on=["site", "case"], how="left", validate="one_to_one")
    table = table[[*ABOUT_THE_CASE, *chosen]].astype(object).where(lambda cells: cells.notna(), None)
    table.columns.name = None
    return Readings(table=table, readers=chosen, notes=_notes(here, len(here) - len(first)))


def readings_of_votes(rows: nw.LazyFrame[Any], votes: tuple[str, ...]) -> Readings:
    """Turn numbers of readers a grade into one column a reader; which reader is which stays unknown.

    Parameters
    ----------
    rows
        A frame inside DuckDB, one row a case.
    votes
        Columns of whole numbers: how many readers gave this grade.

    Raises
    ------
    ColumnError, InputError
        When a column is missing or no count, or the cases were not all read by the same number of readers.
    """
    require(rows, [(name, "votes") for name in votes])
    if len(set(votes)) < max(2, len(votes)):
        raise InputError(f"votes are {', '.join(votes) or 'no columns'}; two different columns or more are needed.")
    schema = rows.collect_schema()
    about = [name for name in ABOUT_THE_CASE if name in schema.names() and name not in votes]
    table = _collected(rows, [*about, *votes])
    complete = table[list(votes)].notna().all(axis=1).to_numpy()
    for name in votes:
        numbers = table.loc[complete, name]
        if not schema[name].is_numeric() or (numbers < 0).any() or (numbers % 1 != 0).any():
            raise InputError(
                f"votes '{name}' is no column of whole numbers; it holds how many readers gave this grade."
            )
    counts = np.where(complete[:, None], table[list(votes)], 0).astype(np.int64)
    totals = np.unique(counts[complete].sum(axis=1))
    if len(totals) > 1 or (totals < 2).any():
        raise InputError(
            f"the votes of a case add up to {', '.join(str(total) for total in totals[:6])}; every case needs the same "
            f"number of readers, two or more."
        )
    many = int(totals[0]) if len(totals) else 2
    readers = tuple(f"reader_{place}" for place in range(1, many + 1))
    grades = np.full((len(table), many), None, dtype=object)
    said = np.repeat(np.tile(np.array(votes, dtype=object), len(table)), counts.ravel())
    grades[complete] = said.reshape(-1, many)
    wide = pd.concat([table[about], pd.DataFrame(grades, columns=list(readers), index=table.index)], axis=1)
    return Readings(table=wide, readers=readers, notes=())


def _collected(rows: nw.LazyFrame[Any], columns: list[str]) -> pd.DataFrame:
    table: pd.DataFrame = rows.select(columns).collect().to_pandas()
    return table


def _chosen(readings: pd.DataFrame, readers: tuple[str, ...] | None) -> tuple[str, ...]:
    present = sorted(set(readings["reader"]))
    chosen = tuple(present) if readers is None else tuple(dict.fromkeys(readers))
    for reader in chosen:
        if reader not in present:
            raise OptionError(f"no readings of '{reader}'; there are some of {', '.join(present)}."
                              f"{suggestion(reader, present)}")  # fmt: skip
        if reader in ABOUT_THE_CASE:
            raise InputError(
                f"a reader's code is '{reader}', which is a column of every case; give the reader another."
            )
    return chosen


def _notes(readings: pd.DataFrame, again: int) -> tuple[Note, ...]:
    notes = []
    if again:
        sentence = f"{again} readings are a reader's second or later one of the same case; the first counts."
        notes.append(Note("read_again", sentence))
    sites = readings.groupby("reader")["site"].nunique()
    shared = sorted(sites[sites > 1].index)
    if shared:
        sentence = (
            f"The codes {', '.join(shared)} occur at {int(sites.max())} sites. A code is a site's own, so each stands "
            f"for several persons here; choose one site for the agreement of two persons."
        )
        notes.append(Note("readers_of_several_sites", sentence))
    return tuple(notes)
