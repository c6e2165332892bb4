"""How the odds of being a case differ between exposures when cases and referents were matched in sets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtr

from analysis.clusters import CLIMBER
from analysis.designs import MATCHED_CANNOT_MEAN, MATCHED_MEANING
from analysis.matching.matched_makeups import Behind, behind, discordant_pairs, set_makeups
from analysis.matching.matched_model import (
    METHOD,
    MatchedModel,
    matched_model,
    model_coefficients,
    model_fit,
    model_tests,
)
from analysis.matching.matched_notes import matched_notes
from analysis.matching.matched_sets import MatchedRows, informative_sets, listed, matched_rows
from analysis.matching.matched_terms import code_terms
from analysis.matching.mcnemar import mcnemar_tests, paired_odds_ratio
from analysis.modelling.model_terms import checked_terms
from analysis.odds_columns import of_people
from analysis.proportions import normal_quantile
from analysis.results import OddsRatios, odds_frame
from analysis.sources import is_view
from analysis.thresholds import CONF_LEVEL
from registry.door import enter, require
from registry.errors import DataError, InputError

Array = npt.NDArray[np.float64]


def matched_odds_ratios(
    frame: Any,
    *,
    outcome: str,
    terms: str | Sequence[str],
    matched_on: str | Sequence[str],
    references: Mapping[str, str | bool | int] | None = None,
    cluster: str | None = None,
    people: Literal["adults", "minors"] | None = None,
    conf_level: float = CONF_LEVEL,
) -> OddsRatios:
    """Compare cases with the referents of their own matched sets by conditional logistic regression.

    Parameters
    ----------
    frame
        n rows, one a case or a referent.
    outcome
        True/false column: is the row a case?
    terms
        Exposures and covariates, each adjusted for the others. Text, categories and true/false (which become yes
        and no) are compared level by level with a reference; numbers are measurements, one ratio per unit.
    matched_on
        Column, or columns together, that name the set. Any number of cases and of referents may be in a set.
    references
        Level to compare with, by term; without it as in ``odds_ratios``.
    cluster
        Column that names who belongs together; limits then always allow for it. None takes the column ``climber``,
        if there is one and a climber is in several sets.
    people
        adults or minors: the others are left out and counted, by the column ``minor``. None takes all rows.
    conf_level
        Level of the limits.

    Returns
    -------
    OddsRatios. ``table``: one row for each level with method conditional_logistic, and, where all sets that tell
    something are pairs and the one term has two levels, one with method mcnemar_exact. ``tests``:
    likelihood_ratio, score and wald of the whole model (exposure '(model)'), wald of terms with several levels, and
    for pairs mcnemar, mcnemar_corrected, mcnemar_exact, mcnemar_mid_p. ``sets``: how many sets of each make-up
    there are, among members at the level or the reference. ``fit`` counts the rows and cases of sets whose
    members differ; its log-likelihood is that of all sets.

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError
        When the outcome is not true/false, a term is a date or has more than 200 levels, a column is given twice, or a
        registry is given.
    OptionError
        When a reference or the level does not exist.
    DataError
        When no set has a case and a referent, all sets are alike inside, a term has one level, or terms are collinear.

    Notes
    -----
    Rows in which the set, the outcome or a term is missing, unknown or not applicable are left out first, then sets
    without a case or without a referent; both are counted. Robust limits take sets that share a climber as one
    whole: G / (G - 1) times the sum over pairs of such sets of the products of their scores, between the inverse
    informations, with the normal quantile; G is the number of climbers or of sets, whichever is smaller.

    References
    ----------
    Breslow NE & Day NE 1980, Statistical Methods in Cancer Research I, chapters 5 and 7 (from memory).

    Examples
    --------
    >>> pairs = {
    ...     "pair": [1, 1, 2, 2, 3, 3],
    ...     "hurt": [True, False] * 3,
    ...     "grip": ["half_crimp", "open_hand", "open_hand", "half_crimp", "half_crimp", "open_hand"],
    ... }
    >>> result = matched_odds_ratios(
    ...     pairs, outcome="hurt", terms=["grip"], matched_on="pair", references={"grip": "open_hand"}
    ... )
    >>> result.table[["method", "estimate"]].round(6).to_numpy().tolist()
    [['conditional_logistic', 2.0], ['mcnemar_exact', 2.0]]
    """
    normal_quantile(conf_level)
    keys = [matched_on] if isinstance(matched_on, str) else list(matched_on)
    if is_view(frame):
        raise InputError(
            "matched_odds_ratios takes a table of cases and referents; make one of the registry with "
            "analysis.referents.compared(registry, design='matched', ...)."
        )
    data = enter(frame)
    chosen = checked_terms(data, outcome, terms, references)
    _check(data, [outcome, *chosen], keys, cluster)
    data, apart = of_people(data, people)
    named = cluster or (CLIMBER if CLIMBER in data.collect_schema().names() else None)
    rows = matched_rows(data, outcome=outcome, terms=chosen, keys=keys, cluster=named)
    return _estimated(rows, _Asked(outcome, chosen, tuple(keys), cluster, people, conf_level), apart, references)


@dataclass(frozen=True)
class _Asked:
    outcome: str
    terms: tuple[str, ...]
    keys: tuple[str, ...]
    cluster: str | None
    people: str | None
    conf_level: float


def _check(data: nw.LazyFrame[Any], names: Sequence[str], keys: Sequence[str], cluster: str | None) -> None:
    if not keys:
        raise InputError("matched_on is empty; name the column, or the columns, that say which rows are one set.")
    require(data, [(key, "matched_on") for key in keys])
    if cluster is not None:
        require(data, [(cluster, "cluster")])
    both = [*names, *keys]
    twice = sorted({name for name in both if both.count(name) > 1})
    if twice:
        raise InputError(
            f"column '{twice[0]}' is given twice; outcome, terms and the key of the sets are different columns."
        )
    if list(keys) != ["match_set"] or "site" not in data.collect_schema().names():
        return
    sites = data.filter(~nw.col("match_set").is_null()).select("site", "match_set").unique()
    shared = len(sites.group_by("match_set").agg(n=nw.len()).filter(nw.col("n") > 1).collect())
    if shared:
        raise DataError(
            f"{shared} keys in 'match_set' are used by several sites, each for a set of its own; give "
            f"matched_on=['site', 'match_set']."
        )


def _estimated(
    rows: MatchedRows, asked: _Asked, apart: pd.DataFrame, references: Mapping[str, str | bool | int] | None
) -> OddsRatios:
    coded = code_terms(rows.terms, references)
    informative = informative_sets(rows, coded.matrix)
    if not len(informative.which):
        raise DataError(
            f"in each of the {rows.sets} sets with a case and a referent all members are alike in "
            f"{listed(asked.terms)}; only sets whose members differ say something about a ratio."
        )
    model = matched_model(rows, coded, informative, clustered=asked.cluster is not None)
    counts = [behind(rows, coded, place) for place in range(len(coded.parameters))]
    pairs = discordant_pairs(informative.sets, coded.parameters)
    lines = [
        line
        for place, each in enumerate(counts)
        for line in _lines(model, place, each, pairs, conf_level=asked.conf_level)
    ]
    left_out = [part for part in (apart, rows.left_out) if len(part)]
    first = coded.parameters[0]
    return OddsRatios(
        table=odds_frame(lines),
        method=_method(asked, model, paired=pairs is not None),
        unit="rows",
        conf_level=asked.conf_level,
        n_rows_in=rows.n_in + int(apart["n"].sum()),
        n_rows_used=len(rows.case),
        left_out=pd.concat(left_out, ignore_index=True) if left_out else rows.left_out,
        notes=(*coded.notes, *matched_notes(rows, informative, model, counts, cluster=asked.cluster or CLIMBER)),
        outcome=asked.outcome,
        exposure=first.term,
        reference=first.reference,
        strata=None,
        design="matched",
        meaning=MATCHED_MEANING.format(outcome=asked.outcome),
        cannot_mean=MATCHED_CANNOT_MEAN.format(outcome=asked.outcome),
        exposures=asked.terms,
        tests=_tests(model, pairs),
        coefficients=model_coefficients(model),
        fit=model_fit(model, rows, informative),
        sets=set_makeups(rows, coded),
    )


def _lines(
    model: MatchedModel, place: int, count: Behind, pairs: tuple[int, int] | None, *, conf_level: float
) -> list[dict[str, Any]]:
    parameter = model.parameters[place]
    cells = {
        "exposed_events": count.exposed_events,
        "exposed_others": count.exposed_others,
        "reference_events": count.reference_events,
        "reference_others": count.reference_others,
    }
    named = {"exposure": parameter.term, "level": parameter.level, "reference": parameter.reference, **cells}
    coefficient, error = float(model.coefficients[place]), float(model.errors[place])
    reach = normal_quantile(conf_level) * error
    # Rows of a measurement have no reference, which is no empty cell.
    empty = parameter.reference != "" and 0 in cells.values()
    with np.errstate(over="ignore"):  # a ratio too large for a number is infinite
        estimate, low, high = (
            float(np.exp(value)) for value in (coefficient, coefficient - reach, coefficient + reach)
        )
    line = {
        **named,
        "method": METHOD,
        "estimate": estimate,
        "conf_low": low,
        "conf_high": high,
        "p_value": float(2 * ndtr(-abs(coefficient) / error)),
        "zero_cell": empty or bool(np.isinf(coefficient)),
        "std_error": error,
        "statistic": coefficient / error,
    }
    if model.robust_covariance is not None:
        line |= {"robust_low": low, "robust_high": high}
    if pairs is None:
        return [line]
    exact = asdict(paired_odds_ratio(*pairs, conf_level=conf_level))
    return [line, {**named, "method": "mcnemar_exact", **exact, "zero_cell": 0 in pairs}]


def _tests(model: MatchedModel, pairs: tuple[int, int] | None) -> pd.DataFrame:
    tests = model_tests(model)
    if pairs is None:
        return tests
    only = model.parameters[0]
    return pd.concat([tests, mcnemar_tests(*pairs).assign(exposure=only.term, level=only.level)], ignore_index=True)


def _method(asked: _Asked, model: MatchedModel, *, paired: bool) -> str:
    references = {each.term: each.reference for each in model.parameters}
    against = [f"{term} (against {word})" if word else f"{term} (per unit)" for term, word in references.items()]
    adjusted = ", each adjusted for the others" if len(references) > 1 else ""
    text = (
        f"Odds ratios of {asked.outcome}{f' ({asked.people})' if asked.people else ''} by {', '.join(against)}"
        f"{adjusted}, within sets matched on {' and '.join(asked.keys)}: conditional logistic regression by its exact "
        f"likelihood, Wald limits"
    )
    if model.robust_covariance is not None:
        text += (
            f" from the variance by {asked.cluster or CLIMBER} (sets that share one taken together, factor G/(G-1), "
            f"normal quantile)"
        )
    return text + ("; exact limits of the discordant pairs (McNemar)." if paired else ".")
