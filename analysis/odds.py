"""How the odds of an outcome differ between the levels of an exposure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import isnan
from typing import Any, Final, Literal

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.clusters import CLIMBER, repeats
from analysis.designs import CRUDE
from analysis.exact_tables import general_association
from analysis.levels import MISSING_LEVELS, level_word, ordered_levels
from analysis.modelling.reference_levels import chosen_reference
from analysis.odds_columns import check_columns, of_people, refuse_names
from analysis.odds_notes import Comparison, comparison_notes, few_climbers
from analysis.odds_spread import Spread
from analysis.proportions import normal_quantile
from analysis.results import Note, OddsRatios, no_rows_left_out, no_tests, odds_frame
from analysis.sources import cases_of, refuse_persons
from analysis.stratified import mantel_haenszel
from analysis.tallies import counts_by_cell
from analysis.thresholds import CONF_LEVEL
from analysis.two_by_two import Ratio, TwoByTwo, conditional_exact, conditional_mid_p, woolf
from registry.errors import DataError, OptionError, suggestion

TEST_COLUMNS: Final = ("exposure", "level", "test", "statistic", "df", "p_value")


def odds_ratios(
    frame: Any,
    *,
    outcome: str,
    exposure: str,
    reference: str | bool | int | None = None,
    strata: str | None = None,
    design: Literal["within_cases", "case_control"] = "within_cases",
    people: Literal["adults", "minors"] | None = None,
    conf_level: float = CONF_LEVEL,
) -> OddsRatios:
    """Compare the odds of an outcome at each level of an exposure with those at a reference level.

    Parameters
    ----------
    frame
        n rows (or an opened registry or freeze: its cases). A column ``climber`` is used where there is one.
    outcome
        True/false column: did it happen?
    exposure
        Column of text, categories, true/false (which become yes and no) or a few whole numbers as codes.
    reference
        Level to compare with. None takes the first of the column's code list; without a list 'no' or 'none',
        else the first in order: words, also those of a categorical column, are sorted alphabetically.
    strata
        Column over which a common ratio is pooled.
    design
        What the rows are: injuries compared among themselves (within_cases), or cases and unmatched referents
        (case_control).
    people
        adults or minors: the others are left out and counted, by the column ``minor``. None takes all rows as they
        are.
    conf_level
        Level of the limits.

    Returns
    -------
    OddsRatios. ``table``: one row for each level and method (conditional_exact, conditional_mid_p, woolf,
    with strata also mantel_haenszel and common_exact) with the columns ``ODDS_COLUMNS``; what a method does not
    give is NaN. robust_low and robust_high stand in the woolf rows where climbers repeat: limits from the variance
    linearised by climber. The p-value of mantel_haenszel is that of the test of Cochran, Mantel and Haenszel.
    ``tests``: exposure, level, test, statistic, df, p_value; with strata for each level cochran_mantel_haenszel,
    breslow_day, tarone and woolf_homogeneity (woolf_homogeneity_haldane with a half in every cell where one is
    empty), and where there are several levels generalised_cochran_mantel_haenszel for all of them (level '').

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError
        When the outcome is not true/false, the exposure is a measurement, a date or has more than 200 levels, or a
        column is given twice.
    OptionError
        When the reference, the design or the level does not exist, or groups of a registry would list persons.
    DataError
        When the outcome always or never happens, or fewer than two levels can be compared.

    Notes
    -----
    Rows whose outcome, exposure or stratum is missing, unknown or not applicable are left out and counted
    (gradual onset has no grip). At an empty cell nothing is added: the estimate is 0 or infinite and Woolf's
    limits are NaN.

    References
    ----------
    See ``conditional_exact``, ``conditional_mid_p``, ``woolf``, ``mantel_haenszel``, ``common_exact`` and
    ``general_association``.

    Examples
    --------
    >>> frame = {"a2": [True, True, False, False, True], "grip": ["half_crimp"] * 3 + ["open_hand"] * 2}
    >>> result = odds_ratios(frame, outcome="a2", exposure="grip", reference="open_hand")
    >>> result.table.query("method == 'woolf'")["estimate"].tolist()
    [2.0]
    """
    normal_quantile(conf_level)
    if design not in CRUDE:
        raise OptionError(f"design is '{design}'; it is one of {', '.join(CRUDE)}.{suggestion(design, CRUDE)}")
    refuse_persons(frame, [exposure], role="exposure")
    refuse_persons(frame, [strata], role="strata")
    rows = cases_of(frame)
    check_columns(rows, outcome, exposure, strata)
    rows, apart = of_people(rows, people)
    tally = _tally(rows, outcome, exposure, strata)
    levels = _levels(tally)
    chosen, notes = chosen_reference(exposure, levels, reference)
    spread, repeat_notes = _spread(rows, tally, chosen)
    comparisons = [_compare(tally, level, chosen, spread, conf_level=conf_level) for level in levels if level != chosen]
    lines = [line for each in comparisons for line in _lines(each, exposure, chosen, conf_level)]
    repeat_notes += few_climbers(spread, comparisons, chosen)
    return OddsRatios(
        table=odds_frame(lines),
        method=_method(outcome, exposure, chosen, strata, people),
        unit="cases" if "case" in rows.collect_schema().names() else "rows",
        conf_level=conf_level,
        n_rows_in=tally.n_rows + int(apart["n"].sum()),
        n_rows_used=int(tally.used["n"].sum()),
        left_out=pd.concat([apart, tally.left_out], ignore_index=True) if len(apart) else tally.left_out,
        notes=(*notes, *comparison_notes(comparisons, strata), *repeat_notes),
        outcome=outcome,
        exposure=exposure,
        exposures=(exposure,),
        reference=chosen,
        strata=strata,
        design=design,
        meaning=CRUDE[design].format(outcome=outcome, exposure=exposure, reference=chosen),
        tests=_tests(tally, comparisons, exposure),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Tally:
    outcome: str
    exposure: str
    strata: str | None
    used: pd.DataFrame
    """happened, level, stratum, n: the rows that can be compared."""
    levels: list[str]
    left_out: pd.DataFrame
    n_rows: int


def _tally(rows: nw.LazyFrame[Any], outcome: str, exposure: str, strata: str | None) -> _Tally:
    names = [outcome, exposure, *([strata] if strata else [])]
    counts = counts_by_cell(rows, names)
    words = {name: counts[name].map(level_word, na_action=None) for name in names}
    reason = pd.Series("", index=counts.index)
    for name in reversed(names):
        missing = words[name].isin(MISSING_LEVELS)
        word = "not known" if name == outcome else words[name].str.replace("_", " ")
        reason = reason.where(~missing, name + ": " + word)
    used = pd.DataFrame(
        {
            "happened": words[outcome] == "yes",
            "level": words[exposure],
            "stratum": words[strata] if strata else "all",
            "n": counts["n"],
        }
    )
    left_out = counts.assign(reason=reason)[reason != ""].groupby("reason", sort=False)["n"].sum().reset_index()
    kept = reason == ""
    return _Tally(
        outcome=outcome,
        exposure=exposure,
        strata=strata,
        used=used[kept],
        levels=ordered_levels(exposure, counts.loc[kept, exposure]),
        left_out=left_out if len(left_out) else no_rows_left_out(),
        n_rows=int(counts["n"].sum()),
    )


def _levels(tally: _Tally) -> list[str]:
    n = int(tally.used["n"].sum())
    if not n:
        raise DataError(
            f"none of {tally.n_rows} rows has both outcome '{tally.outcome}' and exposure '{tally.exposure}'"
            f"{f' and strata {tally.strata!r}' if tally.strata else ''}; there is nothing to compare."
        )
    if len(tally.levels) < 2:
        raise DataError(
            f"exposure '{tally.exposure}' has the single level '{tally.levels[0]}' in the {n} rows that can be "
            f"compared; an odds ratio needs two levels."
        )
    refuse_names(tally.exposure, len(tally.levels), "exposure")
    happened = set(tally.used["happened"])
    if len(happened) < 2:
        always = "always" if happened == {True} else "never"
        raise DataError(
            f"outcome '{tally.outcome}' {always} happened in the {n} rows that can be compared (levels of "
            f"'{tally.exposure}': {', '.join(tally.levels)}); an odds ratio needs rows with and without it."
        )
    return tally.levels


def _compare(tally: _Tally, level: str, reference: str, spread: Spread | None, *, conf_level: float) -> Comparison:
    counts = _by_stratum(tally, (level, reference))
    table = TwoByTwo(*(int(count) for count in counts.sum(axis=0).ravel()))
    return Comparison(
        level=level,
        table=table,
        pooled=mantel_haenszel(counts, conf_level=conf_level) if tally.strata else None,
        variance=None if spread is None else spread.variance(table, level, reference),
    )


def _by_stratum(tally: _Tally, levels: Sequence[str]) -> npt.NDArray[np.int64]:
    """Return counts: strata by levels by events and others."""
    kept = tally.used[tally.used["level"].isin(levels)]
    cube = kept.pivot_table(
        index="stratum", columns=["level", "happened"], values="n", aggfunc="sum", fill_value=0
    ).reindex(columns=[(word, flag) for word in levels for flag in (True, False)], fill_value=0)
    return cube.to_numpy(dtype=np.int64).reshape(-1, len(levels), 2)


def _tests(tally: _Tally, comparisons: Sequence[Comparison], exposure: str) -> pd.DataFrame:
    frames = [each.pooled.tests.assign(level=each.level) for each in comparisons if each.pooled is not None]
    if tally.strata and len(tally.levels) > 2:
        overall = general_association(_by_stratum(tally, tally.levels))
        line = {"level": "", "test": "generalised_cochran_mantel_haenszel", **asdict(overall)}
        frames.append(pd.DataFrame([line]))
    if not frames:
        return no_tests().reindex(columns=list(TEST_COLUMNS))
    return pd.concat(frames, ignore_index=True).assign(exposure=exposure)[list(TEST_COLUMNS)]


def _spread(rows: nw.LazyFrame[Any], tally: _Tally, reference: str) -> tuple[Spread | None, tuple[Note, ...]]:
    if CLIMBER not in rows.collect_schema().names():
        return None, ()
    if tally.exposure == CLIMBER:
        sentence = (
            f"The levels of '{CLIMBER}' are climbers: no limits can allow for repeaters, and all take rows as "
            f"independent."
        )
        return None, (Note("climbers_compared", sentence),)
    names = [tally.outcome, tally.exposure, *([tally.strata] if tally.strata else [])]
    schema = rows.collect_schema()
    recorded = [~nw.col(name).is_null() for name in names]
    known = [~nw.col(name).is_in(list(MISSING_LEVELS)) for name in names if schema[name] == nw.String]
    used = rows.filter(*recorded, *known)
    again = repeats(used)
    if not again.repeaters:
        return None, ()
    sentence = (
        f"{again.repeaters} of {again.climbers} climbers appear more than once, with {again.their_units} of "
        f"{again.units} rows. Exact, mid-P, Woolf and Mantel-Haenszel limits take rows as independent; the "
        f"limits that respect repeaters allow for it."
    )
    return Spread.of(used, tally.outcome, tally.exposure), (Note("climbers_repeat", sentence),)


def _lines(each: Comparison, exposure: str, reference: str, conf_level: float) -> list[dict[str, Any]]:
    table, nan = each.table, float("nan")
    ratios: list[tuple[str, Ratio]] = [
        ("conditional_exact", conditional_exact(table, conf_level=conf_level)),
        ("conditional_mid_p", conditional_mid_p(table, conf_level=conf_level)),
        ("woolf", woolf(table, conf_level=conf_level)),
    ]
    if each.pooled is not None:
        ratios += [("mantel_haenszel", each.pooled.ratio), ("common_exact", each.pooled.common)]
    robust = {"robust_low": nan, "robust_high": nan}
    if each.variance is not None:
        limits = woolf(table, conf_level=conf_level, variance=each.variance)
        robust = {"robust_low": limits.conf_low, "robust_high": limits.conf_high}
    return [
        {
            "exposure": exposure,
            "level": each.level,
            "reference": reference,
            "method": method,
            **asdict(table),
            **asdict(ratio),
            "zero_cell": table.zero_cell or (method == "mantel_haenszel" and isnan(ratio.conf_low)),
            **(robust if method == "woolf" else {}),
        }
        for method, ratio in ratios
    ]


def _method(outcome: str, exposure: str, reference: str, strata: str | None, people: str | None) -> str:
    whose = f" ({people})" if people else ""
    text = (
        f"Odds ratios of {outcome} by {exposure} against {reference}{whose}: conditional maximum likelihood with "
        f"exact and mid-P limits, sample ratio with Woolf limits"
    )
    if strata:
        text += (
            f"; pooled over {strata} by Mantel-Haenszel with Robins-Breslow-Greenland limits and by conditional "
            f"maximum likelihood with exact limits"
        )
    return text + "."
