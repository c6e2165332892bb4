"""The pieces of a comparison of several exposures: crude, adjusted and matched ratios, products, trends."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

import narwhals.stable.v2 as nw
import pandas as pd

from analysis.clusters import CLIMBER
from analysis.levels import MISSING_LEVELS, code_list, level_word, ordered_levels
from analysis.mechanisms.mechanism_rows import MATCHED, DesignRows
from analysis.odds import odds_ratios
from analysis.odds_columns import of_people
from analysis.ordered import scale_of
from analysis.results import OddsRatios, TrendTest
from analysis.tallies import counts_by_cell
from analysis.thresholds import IMPUTATIONS
from registry.errors import OptionError

if TYPE_CHECKING:
    from analysis.missing.sensitivity import Sensitivity

# Models, trends and imputation are loaded where they are asked for: a crude ratio answers in half the time without.

TEST_COLUMNS: Final = ("exposure", "level", "test", "statistic", "df", "p_value")
SCALES: Final = ("age_band", "level", "pulley_grade", "grade_recorded", "tier")
"""Columns whose code list runs from less to more, or has a sentence of its own on why it does not."""
References = Mapping[str, str | bool | int]


@dataclass(frozen=True, kw_only=True, eq=False)
class Asked:
    """What every piece is asked with."""

    data: DesignRows
    design: Literal["within_cases", "case_control", "matched"]
    exposures: tuple[str, ...]
    adjust: tuple[str, ...]
    references: References
    strata: str | None
    people: Literal["adults", "minors"] | None
    firth: Literal["when_sparse", "always", "never"]
    conf_level: float
    seed: int
    declared: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """The order of levels that the source itself declares, by column."""

    @property
    def matched(self) -> bool:
        """Whether rows stand in sets."""
        return self.design == MATCHED

    def terms(self, exposure: str) -> tuple[str, ...]:
        """Return the columns of an exposure's model."""
        return (exposure, *(name for name in self.adjust if name != exposure))

    def chosen(self, terms: Sequence[str], own: References) -> References:
        """Return the references of a model's terms; ``own`` are those that are settled already."""
        return {name: word for name, word in {**self.references, **own}.items() if name in terms and word != ""}


@dataclass(frozen=True, kw_only=True, eq=False)
class Piece:
    """The answers to one exposure."""

    exposure: str
    crude: OddsRatios | None
    """None in matched sets, where the crude ratio would ignore them."""
    model: OddsRatios | None
    unadjusted: OddsRatios | None = None
    """Of matched sets, where the model holds covariates."""

    @property
    def first(self) -> OddsRatios:
        """The result whose rows and reference are told."""
        found = self.model if self.crude is None else self.crude
        if found is None:
            raise ValueError("a piece has crude ratios or a model")
        return found


def piece_of(asked: Asked, exposure: str) -> Piece:
    """Compute the crude and adjusted ratios of one exposure.

    Parameters
    ----------
    asked
        The whole comparison.
    exposure
        One of its exposures.
    """
    terms = asked.terms(exposure)
    if asked.matched:
        model = matched_model(asked, asked.data.rows, terms)
        alone = matched_model(asked, asked.data.rows, (exposure,)) if len(terms) > 1 else None
        return Piece(exposure=exposure, crude=None, model=model, unadjusted=alone)
    crude = odds_ratios(
        asked.data.rows,
        outcome=asked.data.outcome,
        exposure=exposure,
        reference=asked.references.get(exposure),
        strata=asked.strata,
        design="within_cases" if asked.design == "within_cases" else "case_control",
        people=asked.people,
        conf_level=asked.conf_level,
    )
    needed = len(terms) > 1 or asked.firth == "always"
    adjusted = adjusted_model(asked, asked.data.rows, terms, {exposure: crude.reference}) if needed else None
    return Piece(exposure=exposure, crude=crude, model=adjusted)


def adjusted_model(
    asked: Asked,
    rows: Any,
    terms: Sequence[str],
    own: References,
    *,
    product: tuple[str, str] | None = None,
    plain: bool = False,
) -> OddsRatios:
    """Fit the logistic model of some terms.

    Parameters
    ----------
    asked
        The whole comparison.
    rows
        Its rows, or a completed table of them, already of the people asked for where ``plain``.
    terms, own
        Columns, and the references that are settled.
    product
        Two terms whose product enters.
    plain
        Without Firth's estimates beside, and without choosing people.
    """
    from analysis.adjusted import adjusted_odds_ratios

    return adjusted_odds_ratios(
        rows,
        outcome=asked.data.outcome,
        terms=list(terms),
        references=asked.chosen(terms, own),
        interactions=[product] if product else (),
        firth="never" if plain else asked.firth,
        people=None if plain else asked.people,
        design="within_cases" if asked.design == "within_cases" else "case_control",
        conf_level=asked.conf_level,
        seed=asked.seed,
    )


def matched_model(
    asked: Asked, rows: Any, terms: Sequence[str], own: References | None = None, *, plain: bool = False
) -> OddsRatios:
    """Fit the conditional logistic model of some terms; see ``adjusted_model``."""
    from analysis.matched import matched_odds_ratios

    return matched_odds_ratios(
        rows,
        outcome=asked.data.outcome,
        terms=list(terms),
        matched_on=list(asked.data.sets),
        references=asked.chosen(terms, own or {}),
        people=None if plain else asked.people,
        conf_level=asked.conf_level,
    )


def product_of(asked: Asked, one: str, two: str) -> tuple[pd.DataFrame, pd.DataFrame, OddsRatios]:
    """Ask whether the ratio of one column differs by another: rows and tests of their product, and the model."""
    terms = tuple(dict.fromkeys((one, two, *asked.adjust)))
    model = adjusted_model(asked, asked.data.rows, terms, {}, product=(one, two))
    name = f"{one}:{two}"
    table: pd.DataFrame = model.table[model.table["exposure"] == name]
    tests: pd.DataFrame = model.tests[model.tests["exposure"] == name]
    return table, tests, model


def trend_of(asked: Asked, column: str) -> tuple[pd.DataFrame, str]:
    """Test the trend over an ordered exposure; return test rows and a sentence on its direction."""
    from analysis.trend import trend_test

    _refuse_unordered(asked, column)
    if asked.matched:
        return _matched_trend(asked, column)
    present = counts_by_cell(asked.data.rows, column)[column]
    declared = asked.declared.get(column, ())
    found: TrendTest = trend_test(
        asked.data.rows,
        outcome=asked.data.outcome,
        ordered=column,
        scores=scale_of(column, present, declared=declared).scores if declared else None,
        people=asked.people,
        conf_level=asked.conf_level,
    )
    levels = found.table
    first, last = levels.iloc[0], levels.iloc[-1]
    sentence = (
        f"Over '{column}' the share with the outcome is {first['estimate'] * 100:.0f} % at {first['level']} and "
        f"{last['estimate'] * 100:.0f} % at {last['level']} (trend: scores "
        f"{', '.join(f'{score:g}' for score in levels['score'])})."
    )
    return found.tests.assign(exposure=column, level="")[list(TEST_COLUMNS)], sentence


def _refuse_unordered(asked: Asked, column: str) -> None:
    """Refuse a trend over codes whose list is no scale, such as grips."""
    codes = set(code_list(column))
    if column in SCALES or asked.declared.get(column):
        return
    present = {level_word(value) for value in counts_by_cell(asked.data.rows, column)[column]} - set(MISSING_LEVELS)
    if len(present) > 2 and present <= codes:
        listed = ", ".join(ordered_levels(column, present))
        raise OptionError(
            f"trend '{column}': its levels ({listed}) have no order of their own; a trend needs steps, such as "
            f"those of age_band or level."
        )


def _matched_trend(asked: Asked, column: str) -> tuple[pd.DataFrame, str]:
    """Compare within sets by the step of the level: one ratio per step, and its Wald test."""
    rows = asked.data.rows
    present = counts_by_cell(rows, column)[column]
    words = {level_word(value): value for value in present}
    scale = scale_of(column, present, declared=asked.declared.get(column, ()))
    score = nw.lit(None)
    for word, number in scale.scores.items():
        score = nw.when(nw.col(column) == nw.lit(words[word])).then(nw.lit(number)).otherwise(score)
    scored = rows.with_columns(score.cast(nw.Float64).alias(column))
    model = matched_model(asked, scored, asked.terms(column), {column: ""})
    line = model.table[model.table["exposure"] == column].iloc[0]
    test = {"exposure": column, "level": "", "test": "trend", "statistic": line["statistic"] ** 2, "df": 1.0}
    frame = pd.DataFrame([{**test, "p_value": line["p_value"]}], columns=list(TEST_COLUMNS))
    steps = ", ".join(f"{word} {number:g}" for word, number in scale.scores.items())
    sentence = f"Over '{column}' (scores: {steps}) the odds change {line['estimate']:.2f}-fold from score to score."
    return frame, sentence


def sensitivity_of(asked: Asked, piece: Piece) -> Sensitivity:
    """Compute the ratios of one exposure under other handlings of what is missing."""
    from analysis.missing.sensitivity import Question, sensitivity
    from analysis.modelling.model_terms import is_measured

    terms = asked.terms(piece.exposure)
    rows, _ = of_people(asked.data.rows, asked.people)
    own = {piece.exposure: piece.first.reference}
    references = asked.chosen(terms, own)
    question = Question(
        outcome=asked.data.outcome,
        terms=terms,
        exposure=piece.exposure,
        measured=tuple(name for name in terms if is_measured(rows, name, references)),
        sets=asked.data.sets,
        climber=CLIMBER if CLIMBER in rows.collect_schema().names() else None,
        conf_level=asked.conf_level,
    )

    def estimate(table: pd.DataFrame) -> OddsRatios:
        fit = matched_model if asked.matched else adjusted_model
        return fit(asked, table, terms, own, plain=True)

    return sensitivity(rows, question, estimate=estimate, seed=asked.seed, times=IMPUTATIONS)
