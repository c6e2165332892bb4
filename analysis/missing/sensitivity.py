"""The same ratios under other handlings of what is missing: as a level of its own, left out, imputed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import exp, log, nan
from typing import Any, Final

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.levels import MISSING_LEVELS, level_word
from analysis.missing.imputation import GAP, GapColumn, completed_tables
from analysis.missing.rubin import rubin_rules
from analysis.results import SENSITIVITY_COLUMNS, Note, OddsRatios
from analysis.thresholds import CONF_LEVEL, IMPUTATIONS, MAX_IMPUTED
from registry.dictionary import NOT_APPLICABLE
from registry.door import require
from registry.errors import DataError

NOT_KNOWN: Final = "not known"
"""The level that rows with an unknown or unrecorded value get when missing is a level of its own."""
HANDLINGS: Final = ("complete_case", "missing_as_level", "multiple_imputation")
MODELS: Final = ("logistic", "conditional_logistic")
"""The methods whose ratios are compared."""

Estimate = Callable[[pd.DataFrame], OddsRatios]


@dataclass(frozen=True, kw_only=True)
class Question:
    """What is estimated under each handling.

    Attributes
    ----------
    outcome
        True/false column.
    terms
        Columns of the model.
    measured
        Those of the terms that are measurements.
    exposure
        The term whose ratios are shown.
    sets
        Columns that together name the matched set; () where rows are not matched.
    climber
        Column that names the climber; None where there is none.
    conf_level
        Level of the limits.
    """

    outcome: str
    terms: tuple[str, ...]
    exposure: str
    measured: tuple[str, ...] = ()
    sets: tuple[str, ...] = ()
    climber: str | None = None
    conf_level: float = CONF_LEVEL

    @property
    def groups(self) -> tuple[str, ...]:
        """Columns that together name rows that are alike: those of a matched set, else of a climber."""
        return self.sets or ((self.climber,) if self.climber else ())


@dataclass(frozen=True, kw_only=True, eq=False)
class Sensitivity:
    """The rows, in the columns of ``OddsRatios.sensitivity``, and what their reader has to know."""

    rows: pd.DataFrame
    notes: tuple[Note, ...] = field(default=())


def sensitivity(
    rows: nw.LazyFrame[Any], question: Question, *, estimate: Estimate, seed: int, times: int = IMPUTATIONS
) -> Sensitivity:
    """Estimate the same ratios under three handlings of missing values.

    Parameters
    ----------
    rows
        A frame inside DuckDB.
    question
        What is estimated.
    estimate
        Makes the model of a table: text columns of levels (None where missing), numbers for measurements.
    seed
        Of the imputations.
    times
        Completed tables.

    Returns
    -------
    Sensitivity. Rows that miss the outcome, or of which a term is not applicable, stay out of all three.
    missing_as_level gives unknown and unrecorded values of a category the level 'not known'. multiple_imputation pools
    the logarithms of the ratios by Rubin's rules; its ``df`` are those of Barnard and Rubin, in which climbers, where
    they repeat, stand for rows.

    Raises
    ------
    ColumnError
        When a column is missing.
    DataError
        When the complete cases give no estimate.

    Examples
    --------
    >>> from registry.door import enter
    >>> from analysis.adjusted import adjusted_odds_ratios
    >>> table = {"hurt": [True, False, False, True] * 6, "grip": ["jam", "pinch", None, "pinch", "jam", "jam"] * 4}
    >>> found = sensitivity(
    ...     enter(table),
    ...     Question(outcome="hurt", terms=("grip",), exposure="grip"),
    ...     estimate=lambda frame: adjusted_odds_ratios(frame, outcome="hurt", terms="grip", firth="never"),
    ...     seed=1,
    ... )
    >>> found.rows.groupby("handling", sort=False)["n"].max().to_dict()
    {'complete_case': 20, 'missing_as_level': 24, 'multiple_imputation': 24}
    """
    table = _collected(rows, question)
    complete = estimate(table)
    parts = [_lines(complete, "complete_case", question)]
    notes: list[Note] = []
    try:
        parts.append(_lines(estimate(_with_level(table, question)), "missing_as_level", question))
        notes += _without_limits(parts[-1], question)
    except DataError as error:
        notes.append(Note("no_missing_level", f"Missing as a level of its own gives no estimate: {error}"))
    if len(table) > MAX_IMPUTED:
        sentence = f"{len(table)} rows are more than {MAX_IMPUTED}; gaps were not imputed. Draw a sample of climbers."
        notes.append(Note("not_imputed", sentence))
    else:
        pooled, said = _imputed(table, question, estimate=estimate, seed=seed, times=times)
        parts.append(pooled)
        notes += said
    gaps = [name for name in question.measured if table[name].isna().any()]
    if gaps:
        sentence = f"Rows without {', '.join(gaps)} stay out where missing is a level: a measurement has no levels."
        notes.append(Note("measured_left_out", sentence))
    lines = [line for part in parts for line in part]
    return Sensitivity(rows=pd.DataFrame(lines, columns=list(SENSITIVITY_COLUMNS)), notes=tuple(notes))


def _collected(rows: nw.LazyFrame[Any], question: Question) -> pd.DataFrame:
    climber = (question.climber,) if question.climber else ()
    columns = list(dict.fromkeys((question.outcome, *question.terms, *question.sets, *climber)))
    require(rows, [(name, "column of the model") for name in columns])
    kept = rows.filter(~nw.col(question.outcome).is_null()).select(columns)
    table: pd.DataFrame = kept.collect().to_pandas()
    if len(table) <= MAX_IMPUTED:
        # The database hands rows out in no fixed order, and draws go by it.
        table = table.sort_values(columns, ignore_index=True, kind="stable", key=_as_words)
    table[question.outcome] = table[question.outcome].astype(bool)
    applicable = pd.Series(True, index=table.index)
    for name in question.terms:
        if name in question.measured:
            table[name] = table[name].astype(float)
            continue
        words = _as_words(table[name])
        applicable &= words != NOT_APPLICABLE
        table[name] = words.where(~words.isin(MISSING_LEVELS), None)
    for name in question.sets:
        applicable &= table[name].notna()
    return table[applicable].reset_index(drop=True)


def _as_words(cells: pd.Series) -> pd.Series:
    places, values = pd.factorize(cells, use_na_sentinel=False)
    words = np.array([level_word(value) for value in values], dtype=object)
    return pd.Series(words[places], index=cells.index, dtype=object)


def _with_level(table: pd.DataFrame, question: Question) -> pd.DataFrame:
    filled = {
        name: table[name].where(table[name].notna(), NOT_KNOWN)
        for name in question.terms
        if name not in question.measured
    }
    return table.assign(**filled)


def _model_rows(result: OddsRatios, question: Question) -> pd.DataFrame:
    table = result.table
    found: pd.DataFrame = table[table["method"].isin(MODELS) & (table["exposure"] == question.exposure)]
    return found


def _fit(result: OddsRatios) -> Mapping[Any, Any]:
    return result.fit[result.fit["method"].isin(MODELS)].to_dict("records")[0]


def _lines(result: OddsRatios, handling: str, question: Question) -> list[dict[str, Any]]:
    fit = _fit(result)
    rows = _model_rows(result, question)
    rows = rows.iloc[np.argsort(rows["level"].to_numpy() == NOT_KNOWN, kind="stable")]
    names = ("exposure", "level", "reference", "method", "estimate", "std_error", "conf_low", "conf_high", "p_value")
    return [
        {"handling": handling, **{name: row[name] for name in names}, "n": int(fit["n"]), "events": int(fit["events"])}
        for row in rows.to_dict("records")
    ]


def _without_limits(lines: Sequence[Mapping[str, Any]], question: Question) -> Iterator[Note]:
    levels = [str(line["level"]) for line in lines if np.isnan(line["conf_low"])]
    if levels:
        yield Note(
            "no_limits_with_level",
            f"With missing values as a level the ratio of '{question.exposure}' at {', '.join(levels)} has no limits: "
            f"it is 0 or infinite, or cannot be told.",
        )


def _imputed(
    table: pd.DataFrame, question: Question, *, estimate: Estimate, seed: int, times: int
) -> tuple[list[dict[str, Any]], list[Note]]:
    results = []
    try:
        for frame in _completed(table, question, seed=seed, times=times):
            results.append(estimate(frame))
    except DataError as error:
        return [], [Note("not_imputed", f"Completed tables give no estimate: {error}")]
    if len(results) == 1:  # nothing was missing: each further table would be the same
        results = results * times
    keyed = [_model_rows(result, question).set_index("level") for result in results]
    first = keyed[0]
    fit = _fit(results[0])
    # The sets that say something differ from one completed table to the next.
    n, events = (round(float(np.mean([_fit(result)[name] for result in results]))) for name in ("n", "events"))
    units = int(fit["clusters"]) or n
    df_complete = float(max(1, units - int(fit["parameters"]) - 1))
    lines, without = [], []
    for level in first.index:
        pooled = _pooled([each.loc[level] if level in each.index else None for each in keyed], df_complete, question)
        if np.isnan(pooled["std_error"]):
            without.append(str(level))
        named = {"exposure": question.exposure, "level": level, "reference": first.loc[level, "reference"]}
        counts = {"method": first.loc[level, "method"], "n": n, "events": events}
        lines.append({"handling": "multiple_imputation", **named, **counts, **pooled})
    return lines, list(_on_pooling(without, question, times))


def _on_pooling(without: Sequence[str], question: Question, times: int) -> Iterator[Note]:
    if without:
        yield Note(
            "not_pooled",
            f"In some of {times} completed tables the ratio of '{question.exposure}' at {', '.join(without)} is 0, "
            f"infinite or without limits; there is nothing to pool.",
        )


def _pooled(rows: Sequence[Any], df_complete: float, question: Question) -> dict[str, float]:
    usable = [row for row in rows if row is not None and row["estimate"] > 0 and np.isfinite(row["std_error"])]
    usable = [row for row in usable if np.isfinite(row["estimate"])]
    if len(usable) < len(rows):
        gone = ("estimate", "std_error", "conf_low", "conf_high", "p_value", "df", "fraction_missing")
        return dict.fromkeys(gone, nan)
    values = np.array([[log(row["estimate"])] for row in usable])
    variances = np.array([[float(row["std_error"]) ** 2] for row in usable])
    pooled = rubin_rules(values, variances, df_complete=df_complete)
    low, high = pooled.limits(question.conf_level)
    return {
        "estimate": exp(pooled.estimate[0]),
        "std_error": float(pooled.std_error[0]),
        "conf_low": exp(low[0]),
        "conf_high": exp(high[0]),
        "p_value": float(pooled.p_value[0]),
        "df": float(pooled.df[0]),
        "fraction_missing": float(pooled.fraction_missing[0]),
    }


def _completed(table: pd.DataFrame, question: Question, *, seed: int, times: int) -> Iterator[pd.DataFrame]:
    columns, words = [], []
    for name in question.terms:
        codes, levels = pd.factorize(table[name], sort=True)
        numbers = np.asarray(levels, dtype=float) if name in question.measured else None
        columns.append(GapColumn(codes=codes.astype(np.int64), values=numbers))
        words.append(np.asarray(levels))
    if not any(bool((column.codes == GAP).any()) for column in columns):
        yield table
        return
    empty = [name for name, levels in zip(question.terms, words, strict=True) if not len(levels)]
    if empty:
        raise DataError(f"'{empty[0]}' is known in no row, so that its gaps cannot be filled; leave it out.")
    outcome = table[question.outcome].to_numpy(dtype=float)
    groups = _groups(table, question.groups)
    for filled in completed_tables(columns, outcome=outcome, groups=groups, times=times, seed=seed):
        cells = {name: levels[codes] for name, levels, codes in zip(question.terms, words, filled, strict=True)}
        yield table.assign(**cells)


def _groups(table: pd.DataFrame, names: Sequence[str]) -> npt.NDArray[np.int64] | None:
    """Number the groups; a row without one is its own. Without repeaters there is nothing to learn of groups."""
    if not names:
        return None
    known = table[list(names)].notna().all(axis=1).to_numpy()
    codes = np.full(len(table), -1, dtype=np.int64)
    codes[known] = table.loc[known].groupby(list(names), sort=True).ngroup().to_numpy()
    alone = np.flatnonzero(~known)
    codes[alone] = codes.max(initial=-1) + 1 + np.arange(len(alone))
    return codes if len(np.unique(codes)) < len(codes) else None
