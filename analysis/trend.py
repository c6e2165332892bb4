"""Whether the share with an outcome rises or falls over ordered levels, such as grades or age bands."""

from __future__ import annotations

from typing import Any, Final, Literal

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import chi2 as chi_square
from scipy.stats import t as student

from analysis.levels import MISSING_LEVELS, level_word
from analysis.odds_columns import of_people
from analysis.ordered import Scale, Scores, declared_order, scale_of
from analysis.outcomes import read_outcome, with_outcome
from analysis.proportions import effective_size, normal_quantile, wilson_limits
from analysis.results import Note, TrendTest
from analysis.sources import cases_of, refuse_persons
from analysis.tallies import counts_by_cell, kind_of
from analysis.thresholds import CONF_LEVEL, MIN_CLUSTERS, MIN_EVENTS, SPARSE_EXPECTED
from analysis.trending.linear_trend import (
    Trend,
    centred,
    cochran_armitage,
    expected_counts,
    heterogeneity,
    linear_by_linear,
)
from analysis.trending.trend_tally import HAPPENED, OrderedTally, Spread, spread_of, tally_of
from registry.door import require
from registry.errors import DataError, InputError

Floats = npt.NDArray[np.float64]
MOST_LEVELS: Final = 100
"""A table of more levels is not read; numbers with more values are measurements (our own choice)."""


def trend_test(
    frame: Any,
    *,
    outcome: str,
    ordered: str,
    scores: Scores = None,
    outcome_scores: Scores = None,
    people: Literal["adults", "minors"] | None = None,
    conf_level: float = CONF_LEVEL,
) -> TrendTest:
    """Test whether the share with an outcome rises or falls over ordered levels.

    Parameters
    ----------
    frame
        n rows (or an opened registry or freeze: its cases). A column ``climber`` is used where there is one.
    outcome
        True/false column, or ``COLUMN=VALUE[,VALUE]``; or an ordered column of three levels and more, whose mean score
        is then compared.
    ordered
        Column of numbers, of codes in the dictionary's order, or of levels with a known order (an ordered category,
        or a number in each name, such as '25-34').
    scores, outcome_scores
        Scores of the levels: a mapping, or numbers in the order of the levels. A level without a score is left out and
        counted. None: numbers are their own scores, other levels are 1, 2, ... in their order.
    people
        adults or minors: the others are left out and counted, by the column ``minor``. None takes all rows.
    conf_level
        Level of the limits.

    Returns
    -------
    TrendTest. ``table``: level, score, n, events, estimate (share), conf_low, conf_high (Wilson; on an effective
    sample size where climbers repeat); of an ordered outcome: level, score, n, estimate (mean score), conf_low,
    conf_high (Student's t, linearised by climber). ``tests``: test, statistic (chi-square), df, p_value, z (signed
    root of the statistic: positive when the outcome rises with the levels); cochran_armitage (variance with N),
    departure_from_trend, heterogeneity, linear_by_linear (variance with N - 1), and trend_by_climber where climbers
    repeat.

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError
        When the outcome is neither true/false nor ordered, or the levels have no order that is known.
    OptionError
        When scores do not fit the levels, or groups of a registry would list persons.
    DataError
        When the outcome always or never happens, or fewer than two levels can be compared.

    Notes
    -----
    trend_by_climber is the generalised score test: the sum over climbers of (score - mean)(outcome - mean), its
    variance G/(G-1) times the sum of their squares. The other tests take rows as independent.

    References
    ----------
    See ``cochran_armitage`` and ``linear_by_linear``. Fleiss JL 1981, Statistical Methods for Rates and Proportions,
    2nd ed., section 9.3 (departure from trend; from memory). Boos DD 1992, Am Stat 46:327-333 (generalised score
    tests; from memory).

    Examples
    --------
    >>> hurt = {"ruptured": [True, False, False, True, True, False], "grade": [3, 1, 1, 3, 2, 2]}
    >>> trend_test(hurt, outcome="ruptured", ordered="grade").tests[["test", "df"]].to_numpy().tolist()[0]
    ['cochran_armitage', 1.0]
    """
    normal_quantile(conf_level)
    for name, role in ((outcome, "outcome"), (ordered, "ordered")):
        if not isinstance(name, str):
            raise InputError(f"{role} is given as {type(name).__name__}; give the name of one column, in quotes.")
    refuse_persons(frame, [outcome], role="outcome")
    refuse_persons(frame, [ordered], role="ordered")
    rows = cases_of(frame)
    if "=" in outcome and outcome not in rows.collect_schema().names():
        asked = read_outcome(outcome)
        refuse_persons(frame, [asked.column], role="outcome")
        rows, outcome = with_outcome(rows, asked), asked.name
    _check(rows, outcome, ordered)
    rows, apart = of_people(rows, people)
    counts = counts_by_cell(rows, [ordered, outcome])
    tally = tally_of(
        counts,
        steps=_steps(frame, counts, ordered, scores),
        outcomes=_outcomes(frame, rows, counts, outcome, outcome_scores),
        names=(ordered, outcome),
    )
    _refuse(tally)
    spread = spread_of(rows, tally)
    table = _table(tally, spread, conf_level=conf_level)
    return TrendTest(
        table=table,
        method=_method(tally, spread, people),
        unit="cases" if "case" in rows.collect_schema().names() else "rows",
        conf_level=conf_level,
        n_rows_in=int(counts["n"].sum()) + int(apart["n"].sum()),
        n_rows_used=int(tally.cells.sum()),
        left_out=pd.concat([apart, tally.left_out], ignore_index=True) if len(apart) else tally.left_out,
        notes=_notes(tally, spread, table),
        outcome=outcome,
        ordered=ordered,
        tests=_tests(tally, spread),
    )


def _check(rows: nw.LazyFrame[Any], outcome: str, ordered: str) -> None:
    require(rows, [(outcome, "outcome"), (ordered, "ordered")])
    if outcome == ordered:
        raise InputError(
            f"column '{outcome}' is given twice; the outcome and the ordered levels are different columns."
        )
    schema = rows.collect_schema()
    for name, role in ((outcome, "outcome"), (ordered, "ordered")):
        if not (schema[name] in (nw.Boolean, nw.String) or schema[name].is_numeric()):
            raise InputError(
                f"{role} '{name}' holds {kind_of(schema[name])}; numbers or named levels are needed. Cut it into bands "
                f"first."
            )
        n_levels = len(counts_by_cell(rows, name))
        if n_levels > MOST_LEVELS:
            raise InputError(
                f"{role} '{name}' has {n_levels} different values; more than {MOST_LEVELS} are a measurement. Cut it "
                f"into bands first."
            )


def _steps(frame: Any, counts: pd.DataFrame, ordered: str, scores: Scores) -> Scale:
    return scale_of(ordered, counts[ordered], scores=scores, declared=declared_order(frame, ordered))


def _outcomes(frame: Any, rows: nw.LazyFrame[Any], counts: pd.DataFrame, outcome: str, outcome_scores: Scores) -> Scale:
    if rows.collect_schema()[outcome] == nw.Boolean:
        return HAPPENED
    words = sorted({level_word(value) for value in counts[outcome]} - set(MISSING_LEVELS))
    mend = (
        f"outcome '{outcome}' must be true/false, or ordered with three levels or more; it holds "
        f"{', '.join(words[:6]) or 'no value'}"
    )
    if len(words) < 3:
        raise InputError(
            f"{mend}. Say which value means that it happened, and keep empty cells empty, for example "
            f"frame['{outcome}'].map({{'yes': True, 'no': False}}), or write outcome='{outcome}=yes'."
        )
    return scale_of(outcome, counts[outcome], scores=outcome_scores, declared=declared_order(frame, outcome))


def _refuse(tally: OrderedTally) -> None:
    n, levels = int(tally.cells.sum()), list(tally.steps.scores)
    if not n:
        raise DataError(
            f"no row has both outcome '{tally.outcome}' and a step of '{tally.ordered}'; there is nothing to compare."
        )
    if len(set(tally.steps.scores.values())) < 2:
        raise DataError(
            f"'{tally.ordered}' has the single step {', '.join(levels)} in the {n} rows that can be compared; a trend "
            f"needs two."
        )
    happened = tally.cells.sum(axis=0) > 0
    if happened.sum() < 2:
        word = next(level for level, some in zip(tally.outcomes.scores, happened, strict=True) if some)
        said = ("always" if word == "yes" else "never") + " happened" if tally.binary else f"is always {word}"
        raise DataError(
            f"outcome '{tally.outcome}' {said} in the {n} rows that can be compared (levels of '{tally.ordered}': "
            f"{', '.join(levels)}); a trend needs rows with and without it."
        )


def _table(tally: OrderedTally, spread: Spread | None, *, conf_level: float) -> pd.DataFrame:
    n = tally.cells.sum(axis=1)
    table = pd.DataFrame(
        {
            "level": pd.Series(list(tally.steps.scores), dtype=object),
            "score": list(tally.steps.scores.values()),
            "n": n.astype("int64"),
        }
    )
    if tally.binary:
        events = tally.cells[:, 0]
        sizes = [_effective(tally, spread, place) for place in range(len(n))]
        limits = wilson_limits(events, n, conf_level=conf_level, effective=np.array(sizes))
        table["events"] = events.astype("int64")
        table["estimate"] = events / n
    else:
        means = tally.cells @ tally.scores[1] / n
        limits = np.array([_mean_limits(tally, spread, place, conf_level=conf_level) for place in range(len(n))])
        table["estimate"] = means
    return table.assign(conf_low=limits[:, 0], conf_high=limits[:, 1])


def _effective(tally: OrderedTally, spread: Spread | None, place: int) -> float:
    events, others = tally.cells[place]
    if spread is None:
        return float(events + others)
    block = spread.within(place)
    size = effective_size(
        [events],
        int(events + others),
        clusters=spread.climbers_at[place],
        squares=[block[0, 0]],
        products=[block[0].sum()],
        sizes=int(block.sum()),
    )
    return float(size[0])


def _mean_limits(tally: OrderedTally, spread: Spread | None, place: int, *, conf_level: float) -> tuple[float, float]:
    counts, scores = tally.cells[place], tally.scores[1]
    n = counts.sum()
    off = scores - counts @ scores / n
    if spread is None:
        clusters, squares = n, counts @ off**2
    else:
        clusters, squares = spread.climbers_at[place], off @ spread.within(place) @ off
    if clusters < 2:
        return float("nan"), float("nan")
    error = np.sqrt(clusters / (clusters - 1) * squares) / n
    half = float(student.ppf((1 + conf_level) / 2, clusters - 1) * error)
    mean = float(counts @ scores / n)
    return mean - half, mean + half


def _tests(tally: OrderedTally, spread: Spread | None) -> pd.DataFrame:
    steps, outcomes = tally.scores
    lines: list[tuple[str, float, float, float, float]] = []

    def add(name: str, trend: Trend) -> None:
        lines.append((name, trend.chi_square, 1.0, trend.p_value, trend.z))

    if tally.binary:
        trend = cochran_armitage(tally.cells, steps)
        overall, df = heterogeneity(tally.cells)
        add("cochran_armitage", trend)
        if df > 1:
            rest = max(0.0, overall - trend.chi_square)
            for name, value, free in (("departure_from_trend", rest, df - 1), ("heterogeneity", overall, df)):
                lines.append((name, value, float(free), float(chi_square.sf(value, free)), float("nan")))
    add("linear_by_linear", linear_by_linear(tally.cells, steps, outcomes))
    if spread is not None and spread.climbers >= MIN_CLUSTERS:
        add("trend_by_climber", _by_climber(tally, spread))
    return pd.DataFrame(lines, columns=["test", "statistic", "df", "p_value", "z"])


def _by_climber(tally: OrderedTally, spread: Spread) -> Trend:
    each = centred(tally.cells, *tally.scores).ravel()
    variance = spread.climbers / (spread.climbers - 1) * float(each @ spread.products @ each)
    # Without any variance every climber's sum is 0, and so is the total.
    return Trend(z=float(tally.cells.ravel() @ each / np.sqrt(variance)) if variance > 0 else 0.0)


def _method(tally: OrderedTally, spread: Spread | None, people: str | None) -> str:
    whose = f" ({people})" if people else ""
    steps = _spelled(tally.steps)
    if tally.binary:
        what = f"Trend of the share with {tally.outcome}"
        tests = "Cochran-Armitage (binomial variance), departure from the trend, linear-by-linear association (N - 1)"
        limits = "Wilson limits"
    else:
        values = _spelled(tally.outcomes)
        what = f"Trend of the mean score of {tally.outcome} ({values})"
        tests = "linear-by-linear association (N - 1)"
        limits = "Student's t limits"
    robust = ""
    if spread is not None:
        limits += " from variances by climber (G/(G-1))"
        robust = "; generalised score test with climbers as clusters (G/(G-1), normal quantile)"
    return f"{what} over {tally.ordered}{whose}, scores: {tally.steps.origin} ({steps}): {tests}{robust}; {limits}."


def _spelled(scale: Scale) -> str:
    """List the levels, with their scores where these differ from their names."""
    return ", ".join(word if word == f"{score:g}" else f"{word} = {score:g}" for word, score in scale.scores.items())


def _notes(tally: OrderedTally, spread: Spread | None, table: pd.DataFrame) -> tuple[Note, ...]:
    notes = []
    bare = table.loc[table["conf_low"].isna(), "level"].tolist()
    if bare:
        whose = "a single row" if spread is None else "rows of a single climber"
        sentence = f"'{tally.ordered}' {', '.join(bare)} has {whose}, so that its mean has no limits."
        notes.append(Note("no_spread", sentence))
    if tally.binary and tally.cells.sum(axis=0).min() < MIN_EVENTS:
        notes.append(
            Note("few_events", f"Fewer than {MIN_EVENTS} events, or rows without the event, stand behind the trend.")
        )
    if expected_counts(tally.cells[:, tally.cells.any(axis=0)]).min() < SPARSE_EXPECTED:
        sentence = f"Some expected counts are below {SPARSE_EXPECTED}; the p-values are approximate."
        if tally.binary:
            sentence += " That of the trend holds longer than those of heterogeneity and departure."
        notes.append(Note("sparse", sentence))
    if spread is not None:
        notes.append(_repeaters(tally, spread))
    return tuple(notes)


def _repeaters(tally: OrderedTally, spread: Spread) -> Note:
    sentence = (
        f"{spread.repeaters} of {spread.climbers} climbers appear more than once, with {spread.their_rows} of "
        f"{int(tally.cells.sum())} rows. "
    )
    if spread.climbers < MIN_CLUSTERS:
        sentence += f"With fewer than {MIN_CLUSTERS} climbers no test can allow for it."
    else:
        sentence += "The trend by climber allows for it; the other tests take rows as independent."
    return Note("climbers_repeat", sentence)
