"""How the odds of an outcome differ between levels of several columns at once, each adjusted for the others."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, Literal

import narwhals.stable.v2 as nw
import numpy as np
import pandas as pd

from analysis.clusters import CLIMBER
from analysis.designs import ADJUSTED
from analysis.modelling.adjusted_model import Estimates, LogisticModel
from analysis.modelling.adjusted_notes import is_sparse, model_notes
from analysis.modelling.adjusted_rows import coefficient_lines, crude_counts, fit_line, ratio_lines, wald_lines
from analysis.modelling.collinearity import refuse_collinear
from analysis.modelling.model_terms import checked_interactions, checked_terms
from analysis.modelling.patterns import Membership, Patterns, tally_patterns
from analysis.odds_columns import of_people
from analysis.proportions import normal_quantile
from analysis.results import COEFFICIENT_COLUMNS, FIT_COLUMNS, OddsRatios, odds_frame
from analysis.sources import cases_of, refuse_persons
from analysis.thresholds import CONF_LEVEL, FIRTH_REPLICATES
from registry.door import require
from registry.errors import OptionError, suggestion

"""For each design what the ratio means, and what it cannot mean."""
WHEN: Final = ("when_sparse", "always", "never")
"""When Firth's estimate stands beside the other."""
TEST_COLUMNS: Final = ("exposure", "level", "test", "statistic", "df", "p_value")


def adjusted_odds_ratios(  # noqa: PLR0913 - each is a decision that a reader of the result has to know
    frame: Any,
    *,
    outcome: str,
    terms: Sequence[str] | str,
    references: Mapping[str, str | bool | int] | None = None,
    cluster: str | None = None,
    interactions: Iterable[str | tuple[str, str]] = (),
    firth: Literal["when_sparse", "always", "never"] = "when_sparse",
    people: Literal["adults", "minors"] | None = None,
    design: Literal["within_cases", "case_control"] = "within_cases",
    conf_level: float = CONF_LEVEL,
    seed: int = 1,
) -> OddsRatios:
    """Compare the odds of an outcome between levels of several columns at once by logistic regression.

    Parameters
    ----------
    frame
        n rows (or an opened registry or freeze: its cases).
    outcome
        True/false column: did it happen?
    terms
        Columns of the model: text, categories and true/false (yes, no) are compared level by level with a reference;
        numbers enter as they are, and their ratio is that of one unit more.
    references
        Reference level by term. A term without one takes the first of its code list; without a list 'no' or 'none',
        else the first in order. A reference for a column of a few whole numbers makes levels of them.
    cluster
        Column whose rows belong together. None takes ``climber`` where the frame has one and climbers repeat. A row
        without a value is a cluster of its own.
    interactions
        Pairs of terms, each 'a:b' or (a, b), whose product enters too; their rows are ratios of ratios.
    firth
        Whether Firth's penalised estimates stand beside: when_sparse, wherever fewer than 5 rows with or without the
        outcome stand behind a level (of an interaction: in a combination), the rarer of both is fewer than 5 a
        coefficient, or covariates foretell the outcome; always; never.
    people
        adults or minors: the others are left out and counted, by the column ``minor``. None takes all rows as they are.
    design
        What the rows are: injuries compared among themselves (within_cases), or cases and unmatched referents
        (case_control).
    conf_level
        Level of the limits.
    seed
        Of the bootstrap behind Firth's limits where climbers repeat.

    Returns
    -------
    OddsRatios. ``table``: one row for each level (or measurement, level 'per unit'; or combination of an interaction,
    exposure 'a:b', level 'x:y') and method, logistic and firth. Limits and p-value of logistic rows are Wald's;
    where rows belong together the variance is linearised by cluster (factor G / (G - 1) of G clusters, normal
    quantile). Those of firth rows come from the penalised profile likelihood, or from a bootstrap over clusters,
    whose p-values are never below 0.002.
    ``tests``: each term as a whole (wald). ``coefficients``: the model. ``fit``: parameters without the intercept;
    events_per_parameter counts the rarer of rows with and without the outcome. The counts of an interaction's row are
    those of the combination, and of both references.

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError
        When the outcome is not true/false, a term holds dates or more than 200 levels, or a column is given twice.
    OptionError
        When a reference, an interaction, the design or another option does not exist, or levels of a registry would
        list persons.
    DataError
        When the outcome always or never happens, a term has one level, terms say the same thing, or there are fewer
        rows than coefficients.

    Notes
    -----
    Rows that miss the outcome or a term (empty, unknown, not applicable) are left out and counted. Rows are summed to
    covariate patterns first, which gives the same numbers. Where covariates foretell the outcome, the ratio is 0 or
    infinite and has no limits; the others are those of the limit. A product of levels for which no row stands is left
    out of its interaction. Notes say so.

    References
    ----------
    Hosmer DW, Lemeshow S & Sturdivant RX 2013, Applied Logistic Regression, 3rd ed. Liang KY & Zeger SL 1986,
    Biometrika 73:13-22. Konis K 2007, thesis, Oxford. Heinze G & Schemper M 2002, Stat Med 21:2409-2419 (all from
    memory).

    Examples
    --------
    >>> frame = {"a2": [True, False, True] * 8, "grip": ["jam", "jam", "pinch", "pinch"] * 6, "age": list(range(24))}
    >>> result = adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "age"], firth="never")
    >>> result.table[["exposure", "level", "method"]].to_numpy().tolist()
    [['grip', 'jam', 'logistic'], ['age', 'per unit', 'logistic']]
    """
    normal_quantile(conf_level)
    _check_word("design", design, ADJUSTED)
    _check_word("firth", firth, WHEN)
    _check_seed(seed)
    refuse_persons(frame, [terms] if isinstance(terms, str) else terms, role="term")
    rows = cases_of(frame)
    names = checked_terms(rows, outcome, terms, references)
    pairs = checked_interactions(names, interactions)
    rows, apart = of_people(rows, people)
    patterns = tally_patterns(rows, outcome=outcome, terms=names, references=references)
    layout = patterns.design(pairs)
    refuse_collinear(layout)
    model = LogisticModel.of(layout, _membership(rows, patterns, cluster))
    counts = crude_counts(patterns, layout.parameters)
    estimates = [model.estimates(conf_level=conf_level)]
    if firth == "always" or (firth == "when_sparse" and is_sparse(model, counts)):
        estimates.append(model.firth(conf_level=conf_level, seed=seed))
    whole = [*names, *(":".join(pair) for pair in pairs)]
    tests = pd.DataFrame(wald_lines(model, whole), columns=list(TEST_COLUMNS))
    named = cluster or CLIMBER
    drawn = len(estimates) > 1 and model.membership is not None
    return OddsRatios(
        table=odds_frame(ratio_lines(layout.parameters, counts, estimates)),
        method=_method(outcome, whole, model, named, people) + _beside(estimates, model, named, seed),
        unit="cases" if "case" in rows.collect_schema().names() else "rows",
        conf_level=conf_level,
        n_rows_in=patterns.n_rows + int(apart["n"].sum()),
        n_rows_used=patterns.n_used,
        left_out=pd.concat([apart, patterns.left_out], ignore_index=True) if len(apart) else patterns.left_out,
        notes=(*patterns.notes, *model_notes(model, estimates, counts, tests, outcome=outcome, cluster=named)),
        seed=seed if drawn else None,
        outcome=outcome,
        exposure=names[0],
        reference=patterns.terms[0].reference,
        strata=None,
        design=design,
        meaning=ADJUSTED[design][0].format(outcome=outcome),
        cannot_mean=ADJUSTED[design][1],
        exposures=names,
        tests=tests,
        coefficients=pd.DataFrame(coefficient_lines(layout.parameters, estimates), columns=list(COEFFICIENT_COLUMNS)),
        fit=pd.DataFrame([fit_line(model, each) for each in estimates], columns=list(FIT_COLUMNS)),
    )


def _check_word(option: str, word: str, words: Iterable[str]) -> None:
    listed = list(words)
    if word not in listed:
        raise OptionError(f"{option} is '{word}'; it is one of {', '.join(listed)}.{suggestion(str(word), listed)}")


def _check_seed(seed: Any) -> None:
    if not isinstance(seed, int | np.integer) or seed < 0:
        raise OptionError(f"seed is '{seed}'; it is a whole number of 0 or more, such as 1.")


def _membership(rows: nw.LazyFrame[Any], patterns: Patterns, cluster: str | None) -> Membership | None:
    if cluster is not None:
        require(rows, [(cluster, "cluster")])
        return patterns.membership(rows, cluster)
    if CLIMBER not in rows.collect_schema().names():
        return None
    found = patterns.membership(rows, CLIMBER)
    return found if found.repeaters else None


def _method(outcome: str, whole: Sequence[str], model: LogisticModel, cluster: str, people: str | None) -> str:
    whose = f" ({people})" if people else ""
    if model.membership is None:
        errors = "rows taken as independent"
    else:
        clusters = model.membership.clusters
        errors = f"variance linearised by {cluster} (G = {clusters}, factor G / (G - 1), normal quantile)"
    return (
        f"Odds ratios of {outcome} by {', '.join(whole)}{', each adjusted for the others' if len(whole) > 1 else ''}"
        f"{whose}: logistic regression by maximum likelihood, Wald limits, {errors}"
    )


def _beside(estimates: Sequence[Estimates], model: LogisticModel, cluster: str, seed: int) -> str:
    if len(estimates) < 2:
        return "."
    if model.membership is None:
        return "; beside it Firth's penalised likelihood with profile limits."
    return (
        f"; beside it Firth's penalised likelihood with percentile limits of {FIRTH_REPLICATES} bootstrap samples of "
        f"{cluster} (seed {seed})."
    )
