"""Are the injuries of two seasons, or of two sites, of the same kind? Shares side by side, and how far they differ."""

from __future__ import annotations

from typing import Any, Final, Literal

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.clusters import CLIMBER
from analysis.crossing.association import noncentral_limits
from analysis.crossing.crossed import CROSS_COLUMNS, crossed
from analysis.given_counts import as_seed
from analysis.levels import MISSING_LEVELS, level_word, ordered_levels
from analysis.proportions import normal_quantile, wilson_limits
from analysis.results import ASSOCIATION_COLUMNS, DistributionComparison, Note
from analysis.share_counts import Counted, count, named_levels, notes_on, refuse_taken, rows_of, with_every_cell
from analysis.share_limits import effective_sizes
from analysis.sources import refuse_persons
from analysis.tallies import counts_by_cell
from analysis.thresholds import CONF_LEVEL
from registry.door import require
from registry.errors import InputError, OptionError, suggestion

Floats = npt.NDArray[np.float64]

RESULT_COLUMNS: Final = (
    *(f"{group}_{what}" for group in ("first", "second") for what in ("n", "of", "share")),
    "estimate",
    "conf_low",
    "conf_high",
    "standardised",
)
MOST_NAMED: Final = 12
"""A message names no more levels than this."""


def compare_distributions(
    cases_or_findings: Any,
    *,
    by: str,
    between: str = "season",
    first: Any,
    second: Any,
    of: Literal["cases", "findings"] | None = None,
    conf_level: float = CONF_LEVEL,
    seed: int = 1,
) -> DistributionComparison:
    """Compare how two groups are distributed over the levels of a column.

    Parameters
    ----------
    cases_or_findings, of
        As in ``distribution``.
    by
        The column whose shares are compared.
    between
        The column that makes the groups: season, site, or any other.
    first, second
        Its two levels.
    conf_level
        Level of the limits.
    seed
        Of bootstraps, exchanged climbers and drawn tables.

    Returns
    -------
    DistributionComparison. Differences are second less first, in shares of all in the group (missing levels
    included), with Newcombe's limits; where climbers repeat these are built on effective sizes and on the correlation
    of the two shares through climbers who are in both groups. ``standardised`` is the difference over the root of the
    mean of p(1 - p). ``association`` has the standardised difference of all recorded levels at once. ``tests``: those
    of ``distribution`` for the group and the column.

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError, OptionError
        When a group does not occur, both are the same, or the two columns are one.

    Notes
    -----
    A standardised difference does not shrink with the number of cases, but chance alone makes one: limits and a note
    say how large. Where a case counts in several levels there is none of all levels at once.

    References
    ----------
    Newcombe RG 1998, Stat Med 17:873-890 (method 10). Zou GY & Donner A 2008, Stat Med 27:1693-1702 (correlated
    estimates). Yang D & Dalton JE 2012, SAS Global Forum, paper 335 (several levels at once). Austin PC 2009, Stat Med
    28:3083-3107 (all from memory).

    Examples
    --------
    >>> hurt = {"digit": ["ring"] * 6 + ["middle"] * 4 + ["ring"] * 5 + ["middle"] * 5, "season": [1] * 10 + [2] * 10}
    >>> table = compare_distributions(hurt, by="digit", first=1, second=2).table.set_index("digit")
    >>> table.loc["ring", ["first_n", "second_n", "estimate", "standardised"]].astype(float).round(3).tolist()
    [6.0, 5.0, -0.1, -0.202]
    """
    normal_quantile(conf_level)
    seed = as_seed(seed)
    for name, role in ((by, "by"), (between, "between")):
        if not isinstance(name, str):
            raise InputError(f"{role} is {name!r}; give the name of one column, in quotes.")
    if by == between:
        raise InputError(f"column '{by}' is given as by and as between; the groups and what is compared must differ.")
    refuse_taken([by, between], (*RESULT_COLUMNS, *CROSS_COLUMNS))
    refuse_persons(cases_or_findings, [by])
    refuse_persons(cases_or_findings, [between], role="between")
    frame, unit = rows_of(cases_or_findings, of)
    require(frame, [(by, "by"), (between, "between")])
    words = _two_groups(frame, between, first, second)
    groups = [count(_of_level(frame, between, word), [by]) for word in words]
    counted = count(_of_level(frame, between, *words), [between, by])
    cells = with_every_cell(counted.cells, [between, by])
    cross = crossed(cells, [between, by], counted, conf_level=conf_level, seed=seed)
    levels = ordered_levels(by, [value for group in groups for value in group.cells[by]], with_empty=True)
    table = pd.DataFrame({by: pd.Series(levels, dtype=object)})
    limits = []
    for name, group in zip(("first", "second"), groups, strict=True):
        table, ends = _with_group(table, by, name, group, conf_level=conf_level)
        limits.append(ends)
    table = _with_differences(table, _correlations(groups, levels, by), limits)
    association, notes = _overall(table, by, words, counted, effect=cross.mean_effect, conf_level=conf_level)
    return DistributionComparison(
        table=table,
        method=_method(by, between, words, counted, unit, conf_level=conf_level),
        unit=unit,
        conf_level=conf_level,
        n_rows_in=counted.n_rows,
        n_rows_used=counted.n_rows - counted.without_case,
        left_out=counted.left_out,
        notes=(*notes_on(counted, unit, beside=False), *cross.notes, *notes),
        seed=seed if cross.by_drawing else None,
        by=(by,),
        tests=cross.tests,
        association=association,
        between=between,
        first=words[0],
        second=words[1],
    )


def _two_groups(frame: nw.LazyFrame[Any], between: str, first: Any, second: Any) -> tuple[str, str]:
    counts = counts_by_cell(frame, [between])
    sizes: dict[str, int] = {}
    for value, n in zip(counts[between], counts["n"], strict=True):
        sizes[level_word(value)] = sizes.get(level_word(value), 0) + int(n)
    words = (level_word(first), level_word(second))
    there = ordered_levels(between, counts[between])
    for word in words:
        if word not in sizes:
            listed = ", ".join(f"{level} ({sizes[level]})" for level in there[:MOST_NAMED]) or "none at all"
            more = f" and {len(there) - MOST_NAMED} more" if len(there) > MOST_NAMED else ""
            near = "" if word.isdigit() else suggestion(word, there)
            raise OptionError(f"{between} '{word}' does not occur; there are {listed}{more}.{near}")
    if words[0] == words[1]:
        raise OptionError(f"first and second are both {between} '{words[0]}'; name two different ones.")
    return words


def _of_level(frame: nw.LazyFrame[Any], column: str, *words: str) -> nw.LazyFrame[Any]:
    """Keep the rows of some levels, whatever type the column has."""
    values = [value for value in counts_by_cell(frame, [column])[column] if level_word(value) in words]
    known = [value.item() if isinstance(value, np.generic) else value for value in values if not pd.isna(value)]
    kept = nw.col(column).is_in(known) if known else nw.lit(False)
    if len(known) < len(values):
        kept = kept | nw.col(column).is_null()
    return frame.filter(kept)


def _with_group(
    table: pd.DataFrame, by: str, name: str, group: Counted, *, conf_level: float
) -> tuple[pd.DataFrame, Floats]:
    """Add the counts and shares of a group; return the limits of the shares beside the table."""
    cells = named_levels(group.cells, [by]).groupby(by).sum().reindex(table[by], fill_value=0).reset_index()
    n = cells["n"].to_numpy(dtype="int64")
    limits = wilson_limits(n, group.of, conf_level=conf_level, effective=effective_sizes(cells, group))
    shares = n / group.of if group.of else np.full(len(n), np.nan)
    table[f"{name}_n"], table[f"{name}_of"], table[f"{name}_share"] = n, group.of, shares
    return table, limits


def _correlations(groups: list[Counted], levels: list[str], by: str) -> Floats:
    """Correlate the shares of the two groups through climbers who are in both."""
    nothing = np.zeros(len(levels))
    if any(group.repeats is None for group in groups):
        return nothing
    tallies = [_by_climber(group, levels, by) for group in groups]
    shared = tallies[0][0].index.intersection(tallies[1][0].index)
    if not len(shared):
        return nothing
    together = np.prod([off.loc[shared].to_numpy() for off, _ in tallies], axis=0).sum(axis=0)
    spread = np.sqrt(tallies[0][1] * tallies[1][1])
    correlation: Floats = np.divide(together, spread, out=nothing, where=spread > 0).clip(-1, 1)
    return correlation


def _by_climber(group: Counted, levels: list[str], by: str) -> tuple[pd.DataFrame, Floats]:
    """Return each named climber's units in each level less share times units, and the sums of their squares."""
    named = ~nw.col(CLIMBER).is_null()
    counts = named_levels(counts_by_cell(group.items.filter(named), [CLIMBER, by]), [by])
    cells = counts.pivot_table(index=CLIMBER, columns=by, values="n", aggfunc="sum", fill_value=0)
    cells = cells.reindex(columns=levels, fill_value=0)
    units = counts_by_cell(group.units.filter(named), CLIMBER).set_index(CLIMBER)["n"].reindex(cells.index)
    shares = cells.sum().to_numpy() / max(1, int(units.sum()))
    off = cells.astype(float) - np.outer(units, shares)
    return off, (off**2).sum(axis=0).to_numpy()


def _with_differences(table: pd.DataFrame, correlation: Floats, limits: list[Floats]) -> pd.DataFrame:
    first, second = table["first_share"].to_numpy(), table["second_share"].to_numpy()
    (low1, high1), (low2, high2) = limits[0].T, limits[1].T
    apart = second - first
    below = _reach(second - low2, high1 - first, correlation)
    above = _reach(high2 - second, first - low1, correlation)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.sqrt((first * (1 - first) + second * (1 - second)) / 2)
        standardised = np.where(apart == 0, 0.0, apart / scale)
    return table.assign(
        estimate=apart,
        conf_low=np.maximum(-1.0, apart - below),
        conf_high=np.minimum(1.0, apart + above),
        standardised=standardised,
    )


def _reach(one: Floats, other: Floats, correlation: Floats) -> Floats:
    return np.sqrt(np.maximum(0.0, one**2 - 2 * correlation * one * other + other**2))


def _overall(
    table: pd.DataFrame, by: str, words: tuple[str, str], counted: Counted, *, effect: float, conf_level: float
) -> tuple[pd.DataFrame, tuple[Note, ...]]:
    """Compare all recorded levels at once."""
    columns = list(ASSOCIATION_COLUMNS)
    notes = _infinite(table, by)
    recorded = table[~table[by].isin(MISSING_LEVELS) & (table["first_n"] + table["second_n"] > 0)]
    n1, n2 = int(recorded["first_n"].sum()), int(recorded["second_n"].sum())
    if counted.cases_repeat:
        sentence = "A case counts in several rows, so that there is no standardised difference of all rows at once."
        return pd.DataFrame(columns=columns), (*notes, Note("no_overall_difference", sentence))
    if len(recorded) < 2 or not n1 or not n2:
        sentence = f"Fewer than two recorded levels of {by} can be compared between {words[0]} and {words[1]}."
        return pd.DataFrame(columns=columns), (*notes, Note("no_overall_difference", sentence))
    estimate, df = standardised_difference(recorded["first_n"], recorded["second_n"]), len(recorded) - 1
    unit = effect * (1 / n1 + 1 / n2)
    low, high = np.nan, np.nan
    if np.isfinite(estimate):
        limits = noncentral_limits(estimate**2 / unit, df, conf_level=conf_level)
        low, high = (float(np.sqrt(value * unit)) for value in limits)
    else:
        sentence = f"The recorded levels of {words[0]} and {words[1]} have none in common: no limits can be given."
        notes = (*notes, Note("nothing_in_common", sentence))
    sentence = (
        f"Two groups of {n1} and {n2} that differ by chance alone have a standardised difference of about "
        f"{np.sqrt(df * unit):.2f} over the {len(recorded)} recorded levels; read it beside its limits."
    )
    rows = [("standardised_difference", estimate, low, high)]
    return pd.DataFrame(rows, columns=columns), (*notes, Note("difference_by_chance", sentence))


def _infinite(table: pd.DataFrame, by: str) -> tuple[Note, ...]:
    far = table.loc[np.isinf(table["standardised"]), by]
    if far.empty:
        return ()
    sentence = f"All of one group and none of the other: {', '.join(far)}. The standardised difference is infinite."
    return (Note("nothing_in_common", sentence),)


def standardised_difference(first: Any, second: Any) -> float:
    """Compute the standardised difference of two distributions over the same levels.

    Parameters
    ----------
    first, second
        k counts each.

    Returns
    -------
    sqrt((p2 - p1)' S^-1 (p2 - p1)) over k - 1 levels, S being the mean of the two multinomial covariances of one unit
    each; for two levels the absolute difference over its pooled standard deviation. inf where no level is in both.

    References
    ----------
    Yang D & Dalton JE 2012, SAS Global Forum, paper 335 (from memory).

    Examples
    --------
    >>> round(standardised_difference([6, 4], [5, 5]), 3)
    0.202
    """
    counts = [np.asarray(values, dtype=float) for values in (first, second)]
    there = (counts[0] + counts[1]) > 0
    shares = [values[there] / values.sum() for values in counts]
    if len(shares[0]) < 2:
        return 0.0
    if not ((shares[0] > 0) & (shares[1] > 0)).any():
        return float("inf")
    apart = (shares[1] - shares[0])[1:]
    one, other = (np.diag(share) - np.outer(share, share) for share in shares)
    covariance = ((one + other) / 2)[1:, 1:]
    return float(np.sqrt(max(0.0, apart @ np.linalg.solve(covariance, apart))))


def _method(by: str, between: str, words: tuple[str, str], counted: Counted, unit: str, *, conf_level: float) -> str:
    what = "cases with a finding" if counted.cases_repeat else unit
    text = (
        f"Shares of {what} by {by} in {between} {words[1]} less those in {between} {words[0]} (missing levels "
        f"included), with {conf_level * 100:g} % Newcombe limits"
    )
    if counted.climbers_repeat:
        text += " on effective sample sizes (variance linearised by climber, climbers of both groups correlated)"
    return f"{text}; standardised differences after Yang and Dalton."
