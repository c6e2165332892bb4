"""Rows of a frame as matched sets: which sets can be used, what their members are, which of them tell something."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.levels import MISSING_LEVELS
from analysis.matching.conditional_logistic import MatchedSets, SetGroup
from analysis.survival import sort_out
from registry.errors import DataError

Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

WITHOUT_CASE: Final = "in a matched set without a case"
WITHOUT_REFERENT: Final = "in a matched set without a referent"


@dataclass(frozen=True, kw_only=True, eq=False)
class MatchedRows:
    """The rows of all sets that have a case and a referent, sorted by set, cases first."""

    case: npt.NDArray[np.bool_]
    """(n,)"""
    set_of: Counts
    """(n,) number of the row's set, from 0 without gaps."""
    cluster: Counts | None
    """(n,) number of the row's cluster, -1 for a row that is one of its own; None when no column was given."""
    terms: pd.DataFrame
    """(n rows) the terms under their names."""
    n_in: int
    left_out: pd.DataFrame
    """reason, n (rows)."""
    sets: int
    without_case: int
    without_referent: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Informative:
    """The sets whose members differ, and where each of them went."""

    sets: MatchedSets
    which: Counts
    """Numbers of the informative sets."""
    place: Counts
    """For each of them the group of ``sets``."""
    row: Counts
    """For each of them the row in that group."""


def matched_rows(
    rows: nw.LazyFrame[Any], *, outcome: str, terms: Sequence[str], keys: Sequence[str], cluster: str | None
) -> MatchedRows:
    """Collect the rows of the sets that have a case and a referent.

    Parameters
    ----------
    rows
        A frame inside DuckDB that has the columns.
    outcome
        True/false column: is the row a case?
    terms
        Columns by which cases and referents are compared. Rows in which one is missing, unknown or not
        applicable are left out first.
    keys
        Columns that together name a set.
    cluster
        Column that names which rows belong together; None for none.

    Raises
    ------
    DataError
        When no set has both a case and a referent.
    """
    parted = sort_out(rows, _reasons(rows, outcome, terms, keys))
    wanted = {"case": outcome, **({"cluster": cluster} if cluster else {})}
    wanted |= {f"key {i}": name for i, name in enumerate(keys)} | {f"term {i}": name for i, name in enumerate(terms)}
    told: pd.DataFrame = parted.used.select(**{new: nw.col(old) for new, old in wanted.items()}).collect().to_pandas()
    case = told["case"].to_numpy(dtype=bool)
    _refuse_one_sided(case, outcome, terms, parted.left_out)
    set_of = told.groupby([f"key {i}" for i in range(len(keys))]).ngroup().to_numpy(dtype=np.int64)
    cases, sizes = np.bincount(set_of[case], minlength=int(set_of.max()) + 1), np.bincount(set_of)
    bare, full = cases == 0, cases == sizes
    if (bare | full).all():
        raise DataError(
            f"none of the {len(sizes)} sets of {listed(keys)} has both a case ('{outcome}' true) and a referent "
            f"('{outcome}' false) with {listed(terms)} recorded: {int(bare.sum())} are without a case, "
            f"{int(full.sum())} without a referent. Give each referent the key of its case's set."
        )
    used = np.flatnonzero(~(bare | full)[set_of])
    order = used[np.lexsort((~case[used], set_of[used]))]
    reasons = [(WITHOUT_CASE, int(sizes[bare].sum())), (WITHOUT_REFERENT, int(sizes[full].sum()))]
    more = pd.DataFrame([pair for pair in reasons if pair[1]], columns=["reason", "n"])
    left_out = [part for part in (parted.left_out, more) if len(part)]
    values = told[[f"term {i}" for i in range(len(terms))]].iloc[order].reset_index(drop=True)
    return MatchedRows(
        case=case[order],
        set_of=np.unique(set_of[order], return_inverse=True)[1].astype(np.int64),
        cluster=pd.factorize(told["cluster"])[0].astype(np.int64)[order] if cluster else None,
        terms=values.set_axis(list(terms), axis=1),
        n_in=parted.n_in,
        left_out=pd.concat(left_out, ignore_index=True) if left_out else parted.left_out,
        sets=int((~bare & ~full).sum()),
        without_case=int(bare.sum()),
        without_referent=int(full.sum()),
    )


def informative_sets(rows: MatchedRows, matrix: Array) -> Informative:
    """Group the sets whose members differ by their make-up.

    Parameters
    ----------
    rows
        As ``matched_rows`` returns them.
    matrix
        (n, p) the terms of these rows as numbers.

    Returns
    -------
    Informative; no set, and no group, when all members of every set are alike.
    """
    patterns, pattern = np.unique(matrix, axis=0, return_inverse=True)
    # Within a set the cases stay first, and members of one pattern stand together: make-ups can be compared.
    order = np.lexsort((pattern.ravel(), ~rows.case, rows.set_of))
    pattern = pattern.ravel()[order].astype(np.int64)
    starts = np.flatnonzero(np.diff(rows.set_of, prepend=-1))
    sizes = np.diff(np.append(starts, len(pattern)))
    cases = np.bincount(rows.set_of[rows.case], minlength=len(starts))
    differs = np.minimum.reduceat(pattern, starts) != np.maximum.reduceat(pattern, starts)
    which = np.flatnonzero(differs)
    place, row = np.zeros(len(which), dtype=np.int64), np.zeros(len(which), dtype=np.int64)
    groups = []
    shapes, shape_of = np.unique(np.stack([sizes, cases], axis=1)[which], axis=0, return_inverse=True)
    for number, (size, many) in enumerate(shapes.tolist()):
        chosen = np.flatnonzero(shape_of.ravel() == number)
        members = pattern[starts[which[chosen], None] + np.arange(size)]
        makeups, makeup_of, times = np.unique(members, axis=0, return_inverse=True, return_counts=True)
        groups.append(SetGroup(members=makeups, cases=many, times=times.astype(np.int64)))
        place[chosen], row[chosen] = number, makeup_of.ravel()
    return Informative(sets=MatchedSets(patterns=patterns, groups=tuple(groups)), which=which, place=place, row=row)


def listed(names: Sequence[str]) -> str:
    """Quote names and join them in a sentence.

    Examples
    --------
    >>> listed(["grip", "mechanism", "setting"])
    "'grip', 'mechanism' and 'setting'"
    """
    quoted = [f"'{name}'" for name in names]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} and {quoted[-1]}"


def _reasons(rows: nw.LazyFrame[Any], outcome: str, terms: Sequence[str], keys: Sequence[str]) -> dict[str, nw.Expr]:
    schema = rows.collect_schema()
    reasons = {f"{key}: not recorded": nw.col(key).is_null() for key in keys}
    reasons[f"{outcome}: not known"] = nw.col(outcome).is_null()
    for name in terms:
        empty = nw.col(name).is_null()
        for word in MISSING_LEVELS if schema[name] == nw.String else ():
            told = nw.col(name) == word
            sentence = f"{name}: {word.replace('_', ' ')}"
            reasons[sentence] = told | empty if word == MISSING_LEVELS[-1] else told
        if schema[name] != nw.String:
            reasons[f"{name}: {MISSING_LEVELS[-1]}"] = empty
    return reasons


def _refuse_one_sided(case: npt.NDArray[np.bool_], outcome: str, terms: Sequence[str], left_out: pd.DataFrame) -> None:
    if case.any() and not case.all():
        return
    if not len(case):
        reasons = "; ".join(f"{row.n}: {row.reason}" for row in left_out.itertuples())
        raise DataError(f"no row can be compared ({reasons or 'the table is empty'}).")
    always = "always" if case.any() else "never"
    missing = "without it (referents)" if case.any() else "with it (cases)"
    raise DataError(
        f"outcome '{outcome}' {always} happened in the {len(case)} rows that can be compared (terms {listed(terms)}); "
        f"matched sets need rows {missing} too."
    )
