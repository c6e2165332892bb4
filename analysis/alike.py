"""How many climbers share the same look: k-anonymity and l-diversity over the columns that a neighbour might know.

A group is all cases that agree in every chosen column. It is as large as the number of *climbers* in it, not of cases:
a climber with three injuries is not three people to hide among. A cell that is not recorded is a level of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import narwhals.stable.v2 as nw
import pandas as pd

from analysis.levels import NOT_RECORDED
from analysis.results import Note, Result
from analysis.sources import cases_of, refuse_persons
from analysis.thresholds import CONF_LEVEL
from registry.door import require
from registry.errors import OptionError

QUASI_IDENTIFIERS: Final = (
    "site", "sex", "age_band", "level", "season", "onset_month", "digit", "side", "discipline",
)  # fmt: skip
"""What somebody who knows a climber may know of an injury. Our own choice."""

SMALL: Final = (2, 3, 5, 10)
"""Group sizes below which climbers are counted. Common practice, no source; 5 and 10 are the limits for print."""

COARSER: Final[Mapping[str, tuple[str, Mapping[Any, str]]]] = {
    "onset_month": ("quarter", {f"{month:02d}": f"quarter {(month + 2) // 3}" for month in range(1, 13)}),
    "age_band": (
        "under 18, 18-34, 35+",
        {"5-13": "under 18", "14-17": "under 18", "18-24": "18-34", "25-34": "18-34", "35-44": "35+", "45+": "35+"},
    ),
    "level": (
        "competitive or not",
        {f"competitive_{reach}": "competitive" for reach in ("regional", "national", "international")},
    ),
}
"""Columns that can be told less exactly: how, and the level that takes each level's place."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Likeness(Result):
    """How many climbers share the same look.

    table
        below (group size), groups, climbers (who stand in a group with fewer climbers than that), share_of_climbers,
        cases.
    helps
        change ('none', 'without X', 'X as ...'), column, k, climbers_alone, climbers_below_5, l: what each single
        change would do; the most helpful first, after 'none'.
    sizes
        climbers_in_group, groups, cases: the smallest cells, up to 9 climbers.
    cells
        The combinations of groups with fewer than 5 climbers: the columns of ``by``, climbers, cases, distinct; empty
        unless asked for.
    """

    by: tuple[str, ...]
    sensitive: str
    k: int
    """Climbers in the smallest group; 0 without any case."""
    l_diversity: int
    """Fewest distinct recorded values of ``sensitive`` in a group; 0 where a group has none recorded or none exists."""
    climbers: int
    told_by_look: int
    """Climbers in groups in which everyone has the same recorded value of ``sensitive``."""
    helps: pd.DataFrame
    sizes: pd.DataFrame
    cells: pd.DataFrame = field(default_factory=pd.DataFrame)


def alike(
    source: Any,
    *,
    by: Sequence[str] = QUASI_IDENTIFIERS,
    sensitive: str = "tier",
    show_cells: bool = False,
) -> Likeness:
    """Count how many climbers share each combination of columns, and how varied a sensitive column is among them.

    Parameters
    ----------
    source
        An opened registry or freeze, or a frame of n cases with ``climber``, the columns of ``by`` and ``sensitive``.
        ``onset_month`` is made from the date ``onset`` where it is not there.
    by
        Columns that somebody might know.
    sensitive
        Column that nobody should learn from them.
    show_cells
        Also return the small combinations themselves. They point at people.

    Returns
    -------
    Likeness

    Raises
    ------
    ColumnError
        A column that the cases lack.
    OptionError
        No column, a column named twice, the sensitive one among them, or one that names persons.

    References
    ----------
    Sweeney L (2002) k-anonymity: a model for protecting privacy. Int J Uncertain Fuzziness Knowl-Based Syst
    10(5):557-570. Machanavajjhala A, Kifer D, Gehrke J, Venkitasubramaniam M (2007) l-diversity: privacy beyond
    k-anonymity. ACM Trans Knowl Discov Data 1(1):3 (distinct l-diversity). Both definitions from memory.

    Examples
    --------
    >>> cases = {"climber": ["a", "b", "b", "c"], "sex": ["f", "f", "f", "m"], "tier": ["I", "I", "II", "I"]}
    >>> result = alike(cases, by=["sex"])
    >>> result.k, result.l_diversity, result.climbers, result.told_by_look
    (1, 1, 3, 1)
    """
    columns = _checked(source, by, sensitive)
    cases = _cases(source, columns, sensitive)
    groups = _groups(cases, columns, sensitive)
    recorded = groups["distinct"] > 0
    told = groups[recorded & (groups["distinct"] == 1) & (groups["unrecorded"] == 0)]
    return Likeness(
        table=_below(cases, columns, groups),
        method=(
            "Groups of cases that agree in "
            + ", ".join(columns)
            + f"; size in climbers (k-anonymity), distinct recorded values of {sensitive} (l-diversity)."
        ),
        unit="cases",
        conf_level=CONF_LEVEL,
        n_rows_in=len(cases),
        n_rows_used=len(cases),
        notes=_notes(cases, columns),
        by=columns,
        sensitive=sensitive,
        k=_least(groups["climbers"]),
        l_diversity=_least(groups["distinct"]),
        climbers=int(cases["climber"].nunique()),
        told_by_look=_people(cases, columns, told),
        helps=_helps(cases, columns, sensitive),
        sizes=_sizes(groups),
        cells=groups[groups["climbers"] < 5].drop(columns="unrecorded") if show_cells else pd.DataFrame(),
    )


def _checked(source: Any, by: Sequence[str], sensitive: str) -> tuple[str, ...]:
    columns = tuple(by)
    if not columns:
        raise OptionError("name at least one column in by.")
    if len(set(columns)) != len(columns):
        raise OptionError("a column is named twice in by.")
    if sensitive in columns:
        raise OptionError(f"'{sensitive}' is the sensitive column and stands in by as well; leave it out of one.")
    refuse_persons(source, [*columns, sensitive])
    return columns


def _cases(source: Any, columns: tuple[str, ...], sensitive: str) -> pd.DataFrame:
    """Return climber, the columns and the sensitive one as text; None only in the sensitive one."""
    data = cases_of(source)
    if "onset_month" in columns and "onset_month" not in data.collect_schema().names():
        require(data, [("onset", "the month of onset")])
        data = data.with_columns(onset_month=nw.col("onset").dt.to_string("%m"))
    require(data, [("climber", "the climber"), *((name, "by") for name in columns), (sensitive, "sensitive")])
    wanted = dict.fromkeys(["climber", *columns, sensitive])
    cases: pd.DataFrame = data.select(*wanted).collect().to_pandas()
    for name in columns:
        cases[name] = [NOT_RECORDED if pd.isna(value) else str(value) for value in cases[name]]
    cases[sensitive] = [None if pd.isna(value) else str(value) for value in cases[sensitive]]
    return cases


def _groups(cases: pd.DataFrame, columns: Sequence[str], sensitive: str) -> pd.DataFrame:
    """Return one row a group: the columns, climbers, cases, distinct, unrecorded; the smallest first."""
    listed = list(columns)
    if cases.empty:
        return pd.DataFrame(columns=[*listed, "climbers", "cases", "distinct", "unrecorded"])
    marked = cases.assign(_unrecorded=cases[sensitive].isna())
    groups = (
        marked.groupby(listed, sort=True, observed=True)
        .agg(
            climbers=("climber", "nunique"),
            cases=("climber", "size"),
            distinct=(sensitive, "nunique"),
            unrecorded=("_unrecorded", "sum"),
        )
        .reset_index()
    )
    return groups.sort_values(["climbers", "cases", *listed], ignore_index=True)


def _least(column: pd.Series) -> int:
    return int(column.min()) if len(column) else 0


def _people(cases: pd.DataFrame, columns: Sequence[str], groups: pd.DataFrame) -> int:
    """Count the climbers who stand in any of the groups."""
    if groups.empty:
        return 0
    inside = cases.merge(groups[list(columns)], on=list(columns))
    return int(inside["climber"].nunique())


def _below(cases: pd.DataFrame, columns: Sequence[str], groups: pd.DataFrame) -> pd.DataFrame:
    climbers = cases["climber"].nunique()
    rows = []
    for size in SMALL:
        small = groups[groups["climbers"] < size]
        people = _people(cases, columns, small)
        rows.append(
            {
                "below": size,
                "groups": len(small),
                "climbers": people,
                "share_of_climbers": people / climbers if climbers else float("nan"),
                "cases": int(small["cases"].sum()),
            }
        )
    return pd.DataFrame(rows)


def _sizes(groups: pd.DataFrame) -> pd.DataFrame:
    small = groups[groups["climbers"] < max(SMALL)]
    sizes = small.groupby("climbers").agg(groups=("cases", "size"), cases=("cases", "sum")).reset_index()
    return sizes.rename(columns={"climbers": "climbers_in_group"}).astype("int64")


def _helps(cases: pd.DataFrame, columns: tuple[str, ...], sensitive: str) -> pd.DataFrame:
    """Return what leaving out or coarsening each single column would do."""
    rows = [_effect(cases, columns, sensitive, change="none", column="")]
    for name in columns:
        rest = tuple(other for other in columns if other != name)
        rows.append(_effect(cases, rest, sensitive, change=f"without {name}", column=name))
        if name in COARSER:
            how, levels = COARSER[name]
            coarse = cases.assign(**{name: cases[name].map(lambda level, levels=levels: levels.get(level, level))})
            rows.append(_effect(coarse, columns, sensitive, change=f"{name} as {how}", column=name))
    table = pd.DataFrame(rows)
    order = table.iloc[1:].sort_values(["climbers_below_5", "climbers_alone", "change"])
    return pd.concat([table.iloc[:1], order], ignore_index=True)


def _effect(
    cases: pd.DataFrame, columns: tuple[str, ...], sensitive: str, *, change: str, column: str
) -> dict[str, str | int]:
    if not columns:  # everyone looks the same
        cases, columns = cases.assign(_everyone=""), ("_everyone",)
    groups = _groups(cases, columns, sensitive)
    return {
        "change": change,
        "column": column,
        "k": _least(groups["climbers"]),
        "climbers_alone": _people(cases, columns, groups[groups["climbers"] < 2]),
        "climbers_below_5": _people(cases, columns, groups[groups["climbers"] < 5]),
        "l": _least(groups["distinct"]),
    }


def _notes(cases: pd.DataFrame, columns: tuple[str, ...]) -> tuple[Note, ...]:
    notes = [
        Note(
            "known_columns_only",
            "A group counts those whom these columns cannot tell apart. Whoever knows more (the day, the grip, the "
            "squad) can tell more apart; no number here makes the data anonymous.",
        )
    ]
    blank = [name for name in columns if len(cases) and (cases[name] == NOT_RECORDED).all()]
    if blank:
        notes.append(Note("never_recorded", f"Never recorded, and so telling nobody apart: {', '.join(blank)}."))
    return tuple(notes)
