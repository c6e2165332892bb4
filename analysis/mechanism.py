"""Which mechanism, grip or training goes with an injury: one entry for the three designs that a registry allows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any, Final, Literal

import pandas as pd

from analysis.clusters import CLIMBER
from analysis.levels import MISSING_LEVELS, level_word
from analysis.mechanisms.mechanism_models import (
    TEST_COLUMNS,
    Asked,
    Piece,
    piece_of,
    product_of,
    sensitivity_of,
    trend_of,
)
from analysis.mechanisms.mechanism_notes import method_of, notes_of
from analysis.mechanisms.mechanism_rows import MATCHED, OWN, WITHIN, design_rows
from analysis.mechanisms.several_exposures import with_e_values, with_family
from analysis.odds_columns import of_people
from analysis.ordered import declared_order
from analysis.proportions import normal_quantile
from analysis.referents import SET_KEY
from analysis.results import (
    COEFFICIENT_COLUMNS,
    FIT_COLUMNS,
    SENSITIVITY_COLUMNS,
    SET_COLUMNS,
    Note,
    OddsRatios,
    no_rows_left_out,
    odds_frame,
)
from analysis.sources import refuse_persons
from analysis.tallies import counts_by_cell
from analysis.thresholds import CONF_LEVEL
from registry.door import require
from registry.errors import InputError, OptionError, suggestion

if TYPE_CHECKING:
    from analysis.missing.sensitivity import Sensitivity

FIRTH: Final = ("when_sparse", "always", "never")
WHOLE: Final = "(model)"
"""What tests of a whole model have for an exposure."""
Rows = pd.DataFrame


def mechanism_odds(  # noqa: PLR0913 - each is a decision that a reader of the result has to know
    source: Any,
    *,
    design: Literal["within_cases", "case_control", "matched"] = "within_cases",
    outcome: str | None = None,
    exposures: str | Sequence[str],
    adjust: str | Sequence[str] = (),
    references: Mapping[str, str | bool | int] | None = None,
    strata: str | None = None,
    among: str | None = None,
    unit: Literal["climber", "session", "move"] | None = None,
    sampling: Literal["unmatched", "density", "matched", "own_earlier"] | None = None,
    matched_on: str | Sequence[str] = SET_KEY,
    interactions: str | Sequence[str | tuple[str, str]] = (),
    trend: str | Sequence[str] = (),
    missing: bool = False,
    people: Literal["adults", "minors"] | None = None,
    firth: Literal["when_sparse", "always", "never"] = "when_sparse",
    conf_level: float = CONF_LEVEL,
    seed: int = 1,
) -> OddsRatios:
    """Compare the odds of an outcome between the levels of exposures: crude, adjusted and, on request, more.

    Parameters
    ----------
    source
        n rows; or an opened registry or freeze (or a mapping with the tables 'cases' and 'referents').
    design
        within_cases: injuries compared among themselves. case_control: cases beside unmatched referents. matched: cases
        beside the referents of their own set.
    outcome
        True/false column, or ``COLUMN=VALUE[,VALUE]`` (unknown and not gradable values are not known), several joined
        with '+' which must hold together. Beside the referents of a registry: which cases are compared; None for all.
    exposures
        Columns whose levels are compared, each in a model of its own.
    adjust
        Covariates of every model. An exposure may be named here too; then the others are adjusted for it.
    references
        Reference level by column. Without one as in ``odds_ratios``.
    strata
        Column over which a common ratio is pooled (not in matched sets).
    among
        ``COLUMN=VALUE[,VALUE]``, several joined with '+': within cases only those are compared, for example
        main_structure=a2.
    unit, sampling
        What a registry's referents are and how they were drawn, where it holds several kinds.
    matched_on
        Column or columns that name the matched set of a frame.
    interactions
        Pairs of exposures or covariates, 'a:b', each in a further model with their product.
    trend
        Those of the exposures whose levels are ordered.
    missing
        Also estimate with missing values as a level, and imputed.
    people
        adults or minors: the others are left out and counted, by the column ``minor``. None takes all rows.
    firth
        When Firth's penalised estimates stand beside the logistic ones; always gives a model without covariates too.
    conf_level
        Level of the limits.
    seed
        Of the bootstrap behind Firth's limits, and of the imputations.

    Returns
    -------
    OddsRatios. ``table``: for each exposure the rows of ``odds_ratios`` (in matched sets: none), then those of
    ``adjusted_odds_ratios`` or ``matched_odds_ratios`` for the exposure (its covariates stand in ``coefficients``),
    last the products. Of several exposures p_holm and p_benjamini_hochberg; outside within_cases e_value and
    e_value_limit. ``tests``, ``sets`` and ``sensitivity`` as in ``OddsRatios``; ``coefficients`` and ``fit`` have a
    further column model, the exposure or product whose model it is.

    Raises
    ------
    ColumnError, InputError
        When columns are missing, of the wrong kind or given twice.
    OptionError
        When an option does not exist or does not belong to the design, or levels would list persons.
    DataError
        When the data do not allow a ratio.

    Notes
    -----
    Each exposure has its own model, since a covariate's coefficient answers no question of its own (Westreich &
    Greenland 2013). The family of the adjusted p-values is all rows of one method, over exposures and levels. A gradual
    onset has no grip and no mechanism: not applicable, left out and counted. E-values are not given for a climber's own
    earlier sessions: what stays with a climber is held equal there, and their bound speaks of confounders between
    climbers.

    References
    ----------
    Westreich D & Greenland S 2013, Am J Epidemiol 177:292-298. VanderWeele TJ & Ding P 2017, Ann Intern Med
    167:268-274. Sterne JAC et al. 2009, BMJ 338:b2393 (multiple imputation; all from memory).

    Examples
    --------
    >>> frame = {"a2": [True, False, True] * 8, "grip": ["jam", "jam", "pinch", "pinch"] * 6, "sex": list("fmm") * 8}
    >>> result = mechanism_odds(frame, outcome="a2", exposures=["grip", "sex"], references={"grip": "pinch"})
    >>> result.table.query("method == 'woolf'")[["exposure", "level", "estimate"]].to_numpy().tolist()
    [['grip', 'jam', 1.0], ['sex', 'm', 0.0]]
    """
    normal_quantile(conf_level)
    if firth not in FIRTH:
        raise OptionError(f"firth is '{firth}'; it is one of {', '.join(FIRTH)}.{suggestion(firth, FIRTH)}")
    chosen = _names(exposures, "exposures")
    covariates = _names(adjust, "adjust", needed=False)
    products = _products(interactions, (*chosen, *covariates))
    ordered = _names(trend, "trend", needed=False)
    _check(chosen, covariates, references or {}, ordered, design=design, strata=strata, products=products)
    for name in (*chosen, *covariates):
        refuse_persons(source, [name], role="exposure" if name in chosen else "adjust")
    refuse_persons(source, [strata], role="strata")
    data = design_rows(
        source,
        design=design,
        outcome=outcome,
        columns=[*chosen, *covariates, *([strata] if strata else [])],
        among=among,
        unit=unit,
        sampling=sampling,
        matched_on=matched_on,
    )
    roles = [*((name, "exposure") for name in chosen), *((name, "adjust") for name in covariates)]
    require(data.rows, [(data.outcome, "outcome"), *roles, *([(strata, "strata")] if strata else [])])
    asked = Asked(
        data=data,
        design=design,
        exposures=chosen,
        adjust=covariates,
        references=references or {},
        strata=strata,
        people=people,
        firth=firth,
        conf_level=conf_level,
        seed=seed,
        declared={name: declared_order(source, name) for name in ordered},
    )
    pieces = [piece_of(asked, name) for name in chosen]
    extras = _Extras(
        products={f"{one}:{two}": product_of(asked, one, two) for one, two in products},
        trends=[trend_of(asked, name) for name in ordered],
        sensitivities=[sensitivity_of(asked, piece) for piece in pieces] if missing else [],
    )
    return _result(asked, pieces, extras)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Extras:
    products: dict[str, tuple[Rows, Rows, OddsRatios]]
    trends: list[tuple[Rows, str]]
    sensitivities: list[Sensitivity]

    @property
    def notes(self) -> tuple[Note, ...]:
        """What trends and sensitivities say."""
        trends = [Note("trend", sentence) for _, sentence in self.trends]
        return (*trends, *dict.fromkeys(note for each in self.sensitivities for note in each.notes))


def _names(given: str | Sequence[str], role: str, *, needed: bool = True) -> tuple[str, ...]:
    names = (given,) if isinstance(given, str) else tuple(given)
    if needed and not names:
        raise InputError(f"{role} is empty; name at least one column whose levels are to be compared.")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(f"column '{twice[0]}' is given twice in {role}.")
    return names


def _products(given: str | Sequence[str | tuple[str, str]], columns: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    known = {
        f"{a}:{b}": (a, b) for one, two in combinations(dict.fromkeys(columns), 2) for a, b in ((one, two), (two, one))
    }
    pairs: list[tuple[str, str]] = []
    for each in [given] if isinstance(given, str) else given:
        word = each if isinstance(each, str) else ":".join(str(part) for part in each)
        if word not in known:
            raise OptionError(
                f"interaction '{word}' is not one of two different columns, written 'a:b'; exposures and covariates "
                f"are {', '.join(dict.fromkeys(columns))}.{suggestion(word, known)}"
            )
        if known[word] not in pairs and known[word][::-1] not in pairs:
            pairs.append(known[word])
    return tuple(pairs)


def _check(
    exposures: tuple[str, ...],
    adjust: tuple[str, ...],
    references: Mapping[str, Any],
    ordered: tuple[str, ...],
    *,
    design: str,
    strata: str | None,
    products: tuple[tuple[str, str], ...],
) -> None:
    columns = list(dict.fromkeys((*exposures, *adjust)))
    if CLIMBER in (*columns, strata):
        raise InputError(
            f"column '{CLIMBER}' says whose rows belong together; it cannot be compared or adjusted for. Leave it out."
        )
    for name in references:
        if name not in columns:
            raise OptionError(
                f"references names '{name}', which is no exposure or covariate; there are {', '.join(columns)}."
                f"{suggestion(str(name), columns)}"
            )
    for name in ordered:
        if name not in exposures:
            raise OptionError(
                f"trend names '{name}', which is no exposure; there are {', '.join(exposures)}."
                f"{suggestion(name, exposures)}"
            )
    if design == MATCHED and strata:
        raise OptionError(f"strata '{strata}' cannot be pooled over in matched sets; a set is a stratum of its own.")
    if design == MATCHED and products:
        raise OptionError(
            f"interaction '{':'.join(products[0])}' is not estimated in matched sets; join the two columns to one, and "
            f"compare its levels."
        )


def _result(asked: Asked, pieces: Sequence[Piece], extras: _Extras) -> OddsRatios:
    data, first = asked.data, pieces[0]
    table, notes = _table(asked, pieces, extras)
    models = {piece.exposure: piece.model for piece in pieces if piece.model is not None}
    products = {name: model for name, (_, _, model) in extras.products.items()}
    models |= products
    n_rows_in, n_rows_used, left_out = _rows(asked, pieces)
    apart = int(data.left_out["n"].sum())
    plain = len(pieces) == 1 and first.crude is not None and asked.design == WITHIN and not models
    drawn = bool(extras.sensitivities) or any(model.seed is not None for model in models.values())
    return OddsRatios(
        table=table,
        method=method_of(asked, pieces, products, imputed=bool(extras.sensitivities))
        + (f" Only rows with {data.among} are compared." if data.among else ""),
        unit=data.counted or first.first.unit,
        conf_level=asked.conf_level,
        n_rows_in=n_rows_in + apart,
        n_rows_used=n_rows_used,
        left_out=_stacked([data.left_out, left_out], no_rows_left_out()),
        notes=(*data.notes, *notes_of(pieces, products, strata=asked.strata), *extras.notes, *notes),
        seed=asked.seed if drawn else None,
        people=asked.people or "",
        outcome=data.outcome,
        among=data.among,
        exposure=first.exposure,
        reference=first.first.reference,
        strata=asked.strata,
        design=asked.design,
        meaning=first.first.meaning if plain else data.meaning,
        cannot_mean=data.cannot_mean,
        exposures=asked.exposures,
        covariates=tuple(name for name in asked.adjust if name not in asked.exposures),
        tests=_tests(pieces, extras),
        coefficients=_by_model({name: model.coefficients for name, model in models.items()}, COEFFICIENT_COLUMNS),
        fit=_by_model({name: model.fit for name, model in models.items()}, FIT_COLUMNS),
        sensitivity=_stacked([each.rows for each in extras.sensitivities], Rows(columns=list(SENSITIVITY_COLUMNS))),
        sets=_stacked(
            [_own(piece.model.sets, piece) for piece in pieces if piece.model is not None],
            Rows(columns=list(SET_COLUMNS)),
        ),
    )


def _table(asked: Asked, pieces: Sequence[Piece], extras: _Extras) -> tuple[Rows, list[Note]]:
    parts = []
    for piece in pieces:
        parts += [_own(result.table, piece) for result in (piece.crude, piece.model) if result is not None]
    parts += [rows for rows, _, _ in extras.products.values()]
    table = with_family(odds_frame(pd.concat(parts, ignore_index=True).to_dict("records")))  # type: ignore[arg-type]
    if asked.design == WITHIN:
        return table, []
    if asked.data.sampling == OWN:
        sentence = "No E-values: a climber's own earlier sessions hold equal whatever stays with the climber."
        return table, [Note("no_e_value", sentence)]
    table, sentence = with_e_values(table, unit=asked.data.unit)
    return table, [Note("e_value", sentence)]


def _own(rows: Rows, piece: Piece) -> Rows:
    """Return the rows of the exposure itself; its covariates' answer no question that was asked."""
    own: Rows = rows[rows["exposure"] == piece.exposure]
    return own


def _tests(pieces: Sequence[Piece], extras: _Extras) -> Rows:
    parts = []
    for piece in pieces:
        if piece.crude is not None:
            parts.append(piece.crude.tests.assign(exposure=piece.exposure))
        if piece.model is not None:
            parts.append(_of_model(piece, several=len(pieces) > 1))
    parts += [tests for _, tests, _ in extras.products.values()]
    parts += [tests for tests, _ in extras.trends]
    return _stacked([part[list(TEST_COLUMNS)] for part in parts], Rows(columns=list(TEST_COLUMNS)))


def _of_model(piece: Piece, *, several: bool) -> Rows:
    """Return the tests of the exposure, and of its whole model, which take its name where there are several models."""
    tests = piece.first.tests if piece.model is None else piece.model.tests
    whole = tests["exposure"] == WHOLE
    found: Rows = tests[whole | (tests["exposure"] == piece.exposure)]
    if several and whole.any():
        named = found["exposure"] == WHOLE
        found = found.assign(exposure=piece.exposure, level=found["level"].where(~named, WHOLE))
    return found


def _stacked(parts: Sequence[Rows], empty: Rows) -> Rows:
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else empty


def _by_model(frames: Mapping[str, Rows], columns: Sequence[str]) -> Rows:
    parts = [frame.assign(model=name) for name, frame in frames.items()]
    return _stacked(parts, Rows(columns=[*columns, "model"]))


def _rows(asked: Asked, pieces: Sequence[Piece]) -> tuple[int, int, Rows]:
    """Count rows; of several exposures those in which at least one of them can be compared."""
    if len(pieces) == 1 or asked.matched:
        most = max((piece.first for piece in pieces), key=lambda result: result.n_rows_used)
        return most.n_rows_in, most.n_rows_used, most.left_out
    rows, apart = of_people(asked.data.rows, asked.people)
    counts = counts_by_cell(rows, [asked.data.outcome, *asked.exposures])
    known = ~Rows({name: counts[name].map(level_word, na_action=None) for name in asked.exposures}).isin(MISSING_LEVELS)
    gone = {
        f"{asked.data.outcome}: not known": counts[asked.data.outcome].isna(),
        "no exposure known": counts[asked.data.outcome].notna() & ~known.any(axis=1),
    }
    told = [{"reason": reason, "n": int(counts.loc[flags, "n"].sum())} for reason, flags in gone.items() if flags.any()]
    n_rows = int(counts["n"].sum())
    left_out = _stacked([apart, Rows(told)], no_rows_left_out())
    return (
        n_rows + int(apart["n"].sum()),
        int(counts.loc[~pd.concat(list(gone.values()), axis=1).any(axis=1), "n"].sum()),
        left_out,
    )
