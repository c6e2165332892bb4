"""How far readers who grade the same cases agree beyond chance."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final, Literal

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtr

from analysis.clusters import Repeats
from analysis.odds_columns import of_people
from analysis.proportions import normal_quantile
from analysis.reading.kappa import Kappa, clustered_error, cohen, fleiss
from analysis.reading.reading_levels import Weights, grades_of, said_of_weights, weight_matrices
from analysis.reading.reading_patterns import Patterns, PatternSpread, patterns_of, spread_of
from analysis.reading.readings import readings_of, readings_of_votes
from analysis.results import Agreement, Note
from analysis.sources import is_view
from analysis.tallies import counts_by_cell, kind_of
from analysis.thresholds import CONF_LEVEL, MIN_CLUSTERS
from registry.door import enter, require
from registry.errors import InputError, OptionError

Floats = npt.NDArray[np.float64]
NO_SPREAD: Final = 1e-12
"""A standard error below this is rounding: no case could have changed the estimate."""
COLUMNS: Final = (
    "method",
    "readers",
    "weights",
    "n",
    "observed",
    "expected",
    "estimate",
    "std_error",
    "conf_low",
    "conf_high",
    "std_error_null",
    "statistic",
    "p_value",
    "beside_low",
    "beside_high",
)
FEW_FOR_WEIGHTS: Final = 200
"""Below this many cases the plain limits of weighted kappa cover less than they promise: 0.91 of 0.95 at 40 cases, 0.93
at 100, 0.94 at 200 (four grades, quadratic weights, kappa 0.6; our own simulation)."""


def agreement(
    frame: Any,
    *,
    readers: Sequence[str] | None = None,
    votes: Sequence[str] | None = None,
    weights: Weights = "none",
    levels: Sequence[Any] | None = None,
    site: str | None = None,
    people: Literal["adults", "minors"] | None = None,
    conf_level: float = CONF_LEVEL,
) -> Agreement:
    """Measure how far two readers, or more, agree beyond chance on the grades of the same cases.

    Parameters
    ----------
    frame
        n rows, a case each, with one column a reader; or an opened registry or freeze: its readings. A column
        ``climber`` is used where there is one.
    readers
        Columns, or codes of readers. Of a registry None takes all.
    votes
        Instead of readers: columns, one a grade, with the number of readers who gave it. For Fleiss' kappa, where it
        is not known who said what.
    weights
        none, linear, quadratic, several of these words, or a k by k matrix of weights of agreement (1 on the diagonal)
        in the order of the grades.
    levels
        The k grades from the lowest to the highest; a reading that is none of them is left out and counted. None: of a
        registry its grades 0 to 4 and not_gradable, of a frame the grades that occur, in the order of their numbers,
        of an ordered category, or of the dictionary's grades.
    site
        Of a registry: one site's readings.
    people
        adults or minors: the others are left out and counted, by the column ``minor``. None takes all rows.
    conf_level
        Level of the limits.

    Returns
    -------
    Agreement. ``table``: method, readers, weights, n, observed, expected (shares of agreement), estimate, std_error,
    conf_low, conf_high, std_error_null, statistic (z), p_value, beside_low, beside_high (limits on Fisher's z scale);
    one row a kind of weights for two readers (cohen_kappa, weighted_kappa). For three and more: fleiss_kappa, then
    each pair. ``cells`` (two readers): first, second, n. ``categories``: category, estimate (against all others),
    share (of readings).

    Raises
    ------
    ColumnError, InputError
        When a column is missing, given twice, or no grade; when the grades have no order and weights are asked for.
    OptionError
        When weights, levels, people or a reader do not exist.
    DataError
        When no case has a reading of every reader.

    Notes
    -----
    not_gradable is a grade of its own in Cohen's and Fleiss' kappa. It is no step of the scale: with linear and
    quadratic weights it agrees with itself alone. Where climbers repeat, standard errors are linearised by climber
    (G/(G-1)); the standard errors without agreement take cases as independent. Limits use the normal quantile and
    end at 1; those on Fisher's z scale (of a correlation) cover better with weights and few cases.

    References
    ----------
    See ``cohen`` and ``fleiss``.

    Examples
    --------
    >>> read = {"first": [1, 2, 3, 3], "second": [1, 2, 3, 2]}
    >>> agreement(read, readers=["first", "second"], weights="linear").table["observed"].tolist()
    [0.875]
    """
    normal_quantile(conf_level)
    asked = _source(frame, readers, votes, site)
    rows, columns = asked.rows, asked.readers
    _check(rows, columns)
    rows, apart = of_people(rows, people)
    counts = counts_by_cell(rows, columns)
    values = [value for column in columns for value in counts[column]]
    grades = grades_of(frame, columns, values, levels=asked.levels or levels, registry=is_view(frame))
    kinds = weight_matrices(weights, grades)
    if votes is not None and set(kinds) != {"none"}:
        raise OptionError(
            f"weights are {', '.join(kinds)}; votes have Fleiss' kappa, which takes none. Leave them out."
        )
    patterns = patterns_of(counts, columns, grades, interchangeable=votes is not None)
    spread = spread_of(rows, patterns)
    lines = _lines(patterns, kinds, spread)
    table = pd.DataFrame([_row(line, spread, conf_level) for line in lines], columns=list(COLUMNS))
    return Agreement(
        table=table,
        people=people or "",
        method=_method(patterns, kinds, spread, people),
        unit="cases" if is_view(frame) or "case" in rows.collect_schema().names() else "rows",
        conf_level=conf_level,
        n_rows_in=int(counts["n"].sum()) + int(apart["n"].sum()),
        n_rows_used=patterns.n,
        left_out=pd.concat([apart, patterns.left_out], ignore_index=True) if len(apart) else patterns.left_out,
        notes=(*asked.notes, *_notes(patterns, lines, table, kinds, spread=spread, conf_level=conf_level)),
        readers=tuple(columns),
        weights=", ".join(kinds),
        cells=_cells(patterns),
        categories=_categories(patterns),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Line:
    method: str
    readers: str
    weights: str
    kappa: Kappa
    influence: Floats
    """Of each pattern."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Asked:
    rows: nw.LazyFrame[Any]
    readers: list[str]
    notes: tuple[Note, ...] = ()
    levels: tuple[str, ...] = ()


def _source(frame: Any, readers: Sequence[str] | None, votes: Sequence[str] | None, site: str | None) -> _Asked:
    for name, given in (("readers", readers), ("votes", votes)):
        if isinstance(given, str):
            raise InputError(f"{name} is a single word; give a list of two columns or more.")
        if given is not None and not (isinstance(given, Iterable) and all(isinstance(each, str) for each in given)):
            raise InputError(f"{name} is {given!r}; give a list of the names of two columns or more.")
    if is_view(frame):
        if votes is not None:
            raise InputError("votes are columns of a frame; a registry has readers, for example readers=['a', 'b'].")
        found = readings_of(frame, readers=None if readers is None else tuple(readers), site=site)
        return _Asked(rows=enter(found.table), readers=list(found.readers), notes=found.notes)
    if site is not None:
        raise InputError("site chooses readings of a registry; of a frame, keep the site's rows beforehand.")
    if (readers is None) == (votes is None):
        raise InputError(
            "name either the columns that hold the readers' grades, for example readers=['a', 'b'], or votes."
        )
    if votes is not None:
        expanded = readings_of_votes(enter(frame), tuple(votes))
        return _Asked(rows=enter(expanded.table), readers=list(expanded.readers), levels=tuple(votes))
    return _Asked(rows=enter(frame), readers=list(readers or ()))


def _check(rows: nw.LazyFrame[Any], readers: list[str]) -> None:
    if len(set(readers)) < len(readers):
        twice = next(name for name in readers if readers.count(name) > 1)
        raise InputError(f"reader '{twice}' is given twice; agreement is between different readers.")
    if len(readers) < 2:
        raise InputError(f"there is one reader ({', '.join(readers) or 'none'}); agreement needs two or more.")
    require(rows, [(name, "a reader") for name in readers])
    schema = rows.collect_schema()
    for name in readers:
        if not (schema[name] in (nw.Boolean, nw.String) or schema[name].is_numeric()):
            raise InputError(f"reader '{name}' holds {kind_of(schema[name])}; grades are needed.")


def _lines(patterns: Patterns, kinds: dict[str, Floats], spread: PatternSpread | None) -> list[_Line]:
    lines = []
    if not patterns.two_readers:
        kappa = fleiss(patterns.votes, patterns.cases)
        everyone = ", ".join(patterns.readers)
        lines.append(
            _Line(method="fleiss_kappa", readers=everyone, weights="none", kappa=kappa, influence=kappa.influence)
        )
    pairs = () if patterns.interchangeable else combinations(range(len(patterns.readers)), 2)
    for first, second in pairs:
        for kind, weights in kinds.items():
            kappa = cohen(patterns.table(first, second), weights)
            lines.append(
                _Line(
                    method="cohen_kappa" if kind == "none" else "weighted_kappa",
                    readers=f"{patterns.readers[first]}, {patterns.readers[second]}",
                    weights=kind,
                    kappa=kappa,
                    influence=kappa.influence[patterns.places[:, first], patterns.places[:, second]],
                )
            )
    return lines


def _row(line: _Line, spread: PatternSpread | None, conf_level: float) -> dict[str, Any]:
    kappa, nan = line.kappa, float("nan")
    error = kappa.std_error
    if spread is not None:
        enough = spread.again.climbers >= MIN_CLUSTERS
        error = (
            clustered_error(line.influence, spread.products, clusters=spread.again.climbers, n=kappa.n)
            if enough
            else nan
        )
    error = error if error > NO_SPREAD else nan
    half = normal_quantile(conf_level) * error
    z = kappa.estimate / kappa.std_error_null if kappa.std_error_null > NO_SPREAD else nan
    return {
        "method": line.method,
        "readers": line.readers,
        "weights": line.weights,
        "n": kappa.n,
        "observed": kappa.observed,
        "expected": kappa.expected,
        "estimate": kappa.estimate,
        "std_error": error,
        "conf_low": kappa.estimate - half,
        "conf_high": float(np.minimum(1.0, kappa.estimate + half)),
        "std_error_null": kappa.std_error_null,
        "statistic": z,
        "p_value": float(2 * ndtr(-abs(z))),
        **_on_fishers_scale(kappa.estimate, half),
    }


def _on_fishers_scale(estimate: float, half: float) -> dict[str, float]:
    """Move limits to the scale on which a correlation is near normal: they never pass 1."""
    if not abs(estimate) < 1:
        return {"beside_low": float("nan"), "beside_high": float("nan")}
    centre, reach = np.arctanh(estimate), half / (1 - estimate**2)
    return {"beside_low": float(np.tanh(centre - reach)), "beside_high": float(np.tanh(centre + reach))}


def _cells(patterns: Patterns) -> pd.DataFrame:
    words = patterns.grades.words
    if not patterns.two_readers:
        return pd.DataFrame({"first": pd.Series(dtype=str), "second": pd.Series(dtype=str), "n": pd.Series(dtype=int)})
    table = patterns.table(0, 1).astype("int64")
    return pd.DataFrame(
        [(first, second, table[i, j]) for i, first in enumerate(words) for j, second in enumerate(words)],
        columns=["first", "second", "n"],
    )


def _categories(patterns: Patterns) -> pd.DataFrame:
    """Kappa of each grade that occurs against all others together, with its share of the readings."""
    votes, sizes = patterns.votes, patterns.cases
    shares = sizes @ votes / (patterns.n * len(patterns.readers))
    lines = []
    for place, word in enumerate(patterns.grades.words):
        if not shares[place]:
            continue
        if not patterns.two_readers:
            has = votes[:, [place]]
            kappa = fleiss(np.hstack([has, len(patterns.readers) - has]), sizes)
        else:
            table = patterns.table(0, 1)
            both, first, second = table[place, place], table[place].sum(), table[:, place].sum()
            kappa = cohen([[both, first - both], [second - both, patterns.n - first - second + both]], np.eye(2))
        lines.append((word, kappa.estimate, shares[place]))
    return pd.DataFrame(lines, columns=["category", "estimate", "share"])


def _method(patterns: Patterns, kinds: dict[str, Floats], spread: PatternSpread | None, people: str | None) -> str:
    whose = f" ({people})" if people else ""
    pair = "Cohen's kappa" if set(kinds) == {"none"} else f"kappa (weights: {', '.join(kinds)})"
    what = pair[:1].upper() + pair[1:]
    errors = "Fleiss, Cohen and Everitt's large-sample standard errors"
    if not patterns.two_readers:
        what = "Fleiss' kappa (unweighted)" + ("" if patterns.interchangeable else f", and {pair} of each pair,")
        errors = "standard errors linearised over cases" + ("" if patterns.interchangeable else f" (pairs: {errors})")
    if spread is not None:
        errors = "standard errors linearised by climber (G/(G-1))"
    weighting = "" if patterns.interchangeable else said_of_weights(kinds, patterns.grades)
    limits = "normal quantile; beside it limits on Fisher's z scale"
    return f"{what} of {', '.join(patterns.readers)}{whose}: {errors}, {limits}.{weighting}"


def _notes(
    patterns: Patterns,
    lines: list[_Line],
    table: pd.DataFrame,
    kinds: dict[str, Floats],
    *,
    spread: PatternSpread | None,
    conf_level: float,
) -> tuple[Note, ...]:
    shares = patterns.cases @ patterns.votes / (patterns.n * len(patterns.readers))
    used, common = int((shares > 0).sum()), int(shares.argmax())
    notes = [
        Note(
            "prevalence",
            f"Kappa depends on how common the grades are: here {patterns.grades.words[common]} makes up "
            f"{shares[common]:.0%} of the readings. Compare it only where the grades are as common.",
        )
    ]
    if used == 1:
        sentence = f"Every reading is {patterns.grades.words[common]}: agreement beyond chance is not defined."
        return (Note("one_grade", sentence), *notes)
    rough = 2 * used**2
    if patterns.n < rough:
        sentence = (
            f"{patterns.n} cases and {used} grades: standard errors of kappa are rough below {rough} cases (twice the "
            f"square of the grades; Cicchetti 1981, Appl Psychol Meas 5:101-104, from memory)."
        )
        notes.append(Note("few_cases", sentence))
    if patterns.n < FEW_FOR_WEIGHTS and any(line.method == "weighted_kappa" for line in lines):
        sentence = (
            f"With weights and fewer than {FEW_FOR_WEIGHTS} cases the plain limits cover a little less than they "
            f"promise; those on Fisher's z scale, beside them, hold better."
        )
        notes.append(Note("weighted_limits", sentence))
    if "given" in kinds and not patterns.grades.ordered:
        sentence = (
            f"The rows and columns of the weights were taken to be {', '.join(patterns.grades.words)}, in this order; "
            f"if they are not, name the grades with levels=."
        )
        notes.append(Note("order_of_weights", sentence))
    bare = table[["std_error", "statistic"]].isna().any(axis=1).tolist()
    few = spread is not None and spread.again.climbers < MIN_CLUSTERS
    without = [
        line
        for line, some in zip(lines, bare, strict=True)
        if some and not (few and min(line.kappa.std_error, line.kappa.std_error_null) > NO_SPREAD)
    ]
    alike = [line for line in without if line.kappa.observed == 1]
    if alike:
        least = ((1 - conf_level) / 2) ** (1 / patterns.n)
        sentence = (
            f"Where every reading is the same kappa has no standard error and no limits; of {patterns.n} cases all "
            f"alike, the share that would be read alike is at least {least:.0%} (exact limit, {conf_level * 100:g} %)."
        )
        notes.append(Note("perfect_agreement", sentence))
    if len(alike) < len(without):
        sentence = (
            "Where no case could have changed kappa, as when a reader gives a single grade, it has no limits or test."
        )
        notes.append(Note("no_spread", sentence))
    if spread is not None:
        notes.append(_repeaters(spread.again))
    return tuple(notes)


def _repeaters(again: Repeats) -> Note:
    sentence = (
        f"{again.repeaters} of {again.climbers} climbers appear more than once, with {again.their_units} of "
        f"{again.units} cases. "
    )
    if again.climbers < MIN_CLUSTERS:
        return Note("climbers_repeat", sentence + f"With fewer than {MIN_CLUSTERS} climbers there are no limits.")
    return Note("climbers_repeat", sentence + "The limits allow for it; the p-value takes cases as independent.")
