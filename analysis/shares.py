"""Which finger, which structure, doing what: counts, shares and their limits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final, Literal

from analysis.crossing.crossed import CROSS_COLUMNS, Crossed, crossed
from analysis.given_counts import as_seed
from analysis.proportions import normal_quantile
from analysis.results import Distribution
from analysis.share_counts import Counted, count, notes_on, refuse_taken, rows_of, with_every_cell
from analysis.share_limits import with_shares
from analysis.sources import refuse_persons
from analysis.thresholds import CONF_LEVEL
from registry.door import require
from registry.errors import InputError

RESULT_COLUMNS: Final = (
    "n", "of", "estimate", "conf_low", "conf_high", "sim_low", "sim_high", "beside_low", "beside_high",
)  # fmt: skip


def distribution(
    cases_or_findings: Any,
    *,
    by: str | Sequence[str],
    of: Literal["cases", "findings"] | None = None,
    conf_level: float = CONF_LEVEL,
    seed: int = 1,
) -> Distribution:
    """Count cases or findings by one or more columns, with shares and Wilson limits.

    Parameters
    ----------
    cases_or_findings
        An opened registry or freeze, or a frame of n rows. Where a column ``climber`` repeats, limits and tests
        allow for it. Where a column ``case`` repeats, the shares are shares of cases (see Notes).
    by
        One or more columns.
    of
        What a registry's table counts: 'cases' (fingers; the default) or 'findings' (structures).
    conf_level
        Level of the limits; 1 minus it is the level at which cells are marked.
    seed
        Of bootstrap limits, exchanged climbers and drawn tables.

    Returns
    -------
    Distribution. ``table``: the columns of ``by``, n, of (the denominator), estimate (n / of), conf_low, conf_high
    (one by one), sim_low, sim_high (hold for all rows together), beside_low, beside_high (bootstrap over climbers;
    NaN where no climber repeats, and in rows of none or all); for two columns also row_share and column_share (of
    all in the row or column), expected, residual (adjusted), impossible, marked ('+' more than expected, '-' fewer).
    For one column with a code list, codes that do not occur are rows too.
    ``tests`` for two columns: pearson (or pearson_monte_carlo), g_squared, cramers_v; where climbers repeat or a case
    has several labels rao_scott and permutation_by_climber (permutation_by_case); where columns have an order
    cochran_armitage, linear_by_linear, trend_by_climber. ``association``: cramers_v, cramers_v_corrected.

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError, OptionError
        When ``by`` is empty or names a column twice, or an option is not one of those that exist.

    Notes
    -----
    Where climbers repeat, the first limits are Wilson's on an effective sample size, not the bootstrap's: in a
    simulation (80 or 400 cases, shares 0.02 to 0.5, 1.35 or 2.5 cases a climber) they covered in 92 to 98 % of
    1000 runs, bootstrap percentiles in 73 to 96 %, and BCa limits in 71 to 96 %, because in rows that happen to be
    empty or full nothing can be resampled. Both stand in the table.

    A case with two structures counts in the row of each. The denominator is then the number of distinct cases
    that have a finding, the shares add up to more than 1, and neither simultaneous limits nor a chi-square are
    computed: they need one label a case. Cases are exchanged between climbers instead. Missing values are levels of
    their own, counted in every denominator; expected counts and tests leave them out.

    References
    ----------
    Newcombe RG 1998, Stat Med 17:857-872 (method 3). See ``effective_size``, ``with_shares``, ``cross_table``,
    ``cramers_v``, ``marked_cells``, ``permuted_by_climber`` and ``rao_scott`` for the rest.

    Examples
    --------
    >>> table = distribution({"digit": ["ring", "ring", "middle"]}, by="digit").table
    >>> table[["digit", "n", "of"]].to_numpy().tolist()[2:]
    [['middle', 1, 3], ['ring', 2, 3], ['little', 0, 3]]
    """
    normal_quantile(conf_level)
    seed = as_seed(seed)
    keys = _columns(by)
    refuse_persons(cases_or_findings, keys)
    frame, unit = rows_of(cases_or_findings, of)
    require(frame, [(name, "by") for name in keys])
    counted = count(frame, keys)
    full = with_every_cell(counted.cells, keys)
    full = with_shares(full, keys, counted, conf_level=conf_level, seed=seed)
    cross = Crossed(table=full)
    if len(keys) == 2:
        cross = crossed(full, keys, counted, conf_level=conf_level, seed=seed)
    columns = [*keys, *RESULT_COLUMNS, *(CROSS_COLUMNS if len(keys) == 2 else ())]
    return Distribution(
        table=cross.table[columns],
        method=_method(keys, counted, unit, cross, conf_level=conf_level),
        unit=unit,
        conf_level=conf_level,
        n_rows_in=counted.n_rows,
        n_rows_used=counted.n_rows - counted.without_case,
        left_out=counted.left_out,
        notes=(*notes_on(counted, unit, beside=True), *cross.notes),
        seed=seed if cross.by_drawing or counted.climbers_repeat else None,
        by=tuple(keys),
        tests=cross.tests,
        association=cross.association,
    )


def _columns(by: str | Sequence[str]) -> list[str]:
    keys = [by] if isinstance(by, str) else list(by) if isinstance(by, Iterable) else [by]
    if not all(isinstance(name, str) for name in keys):
        raise InputError(f"by is {by!r}; give the name of a column, or a list of names, for example by='digit'.")
    if not keys:
        raise InputError("by is empty; give one or more columns, for example by='digit'.")
    twice = sorted({name for name in keys if keys.count(name) > 1})
    if twice:
        raise InputError(f"column '{twice[0]}' is given twice in by; give each column once.")
    refuse_taken(keys, (*RESULT_COLUMNS, *CROSS_COLUMNS))
    return keys


def _method(keys: list[str], counted: Counted, unit: str, cross: Crossed, *, conf_level: float) -> str:
    what = "cases with a finding" if counted.cases_repeat else unit
    text = f"Shares of {counted.of} {what} (missing levels included) by {' and '.join(keys)}, "
    text += f"with {conf_level * 100:g} % Wilson score limits"
    if counted.climbers_repeat:
        text += " on an effective sample size (variance linearised by climber); beside them BCa bootstrap limits "
        text += "(climbers resampled)"
    if not counted.cases_repeat:
        text += "; simultaneous limits by Goodman's method"
    if len(keys) == 2:
        text += f"; row shares are of all in the same {keys[0]}, column shares of all in the same {keys[1]}"
    if cross.marks_say:
        text += f"; {cross.marks_say}"
    return text + "."
