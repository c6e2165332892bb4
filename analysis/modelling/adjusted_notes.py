"""What the reader of an adjusted model has to know: empty cells, few events, repeaters, limits that cannot be given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.modelling.adjusted_model import Estimates, LogisticModel
from analysis.modelling.patterns import INTERCEPT, Parameter
from analysis.results import Note
from analysis.thresholds import FIRTH_REPLICATES, MIN_CLUSTERS, MIN_EVENTS
from analysis.two_by_two import TwoByTwo

Cells = Mapping[Parameter, TwoByTwo]


def is_sparse(model: LogisticModel, counts: Cells) -> bool:
    """Tell whether Firth's estimate should stand beside: sparse cells, few events a coefficient, or separation."""
    return model.separation is not None or bool(_sparse(model, counts)) or _rarer(model) < MIN_EVENTS


def model_notes(
    model: LogisticModel,
    estimates: Sequence[Estimates],
    counts: Cells,
    tests: pd.DataFrame,
    *,
    outcome: str,
    cluster: str,
) -> tuple[Note, ...]:
    """Return the notes of a model.

    Parameters
    ----------
    model, estimates, counts, tests
        What was fitted, and the tables that stand in the result.
    outcome, cluster
        Names of the columns.
    """
    return (
        *_interactions(model),
        *_separated(model, counts, outcome),
        *_few(model, counts, outcome),
        *_firth(estimates, model, cluster),
        *_repeaters(model, cluster),
        *_without_limits(model, cluster),
        *_without_test(tests),
    )


def _interactions(model: LogisticModel) -> Iterator[Note]:
    for name, columns in {each.term: each.columns for each in model.design.parameters if len(each.columns) > 1}.items():
        others = [_at_reference(model, column) for column in columns]
        sentence = (
            f"With '{name}' in the model the ratios of '{columns[0]}' are those where {others[1]}, and those of "
            f"'{columns[1]}' where {others[0]}; a row of '{name}' is the ratio of two such ratios."
        )
        yield Note("interaction", sentence)
        outside = [column for column in columns if _without_zero(model, column)]
        if outside:
            sentence = (
                f"No row of {' and '.join(repr(column) for column in outside)} is near 0: the ratios of the other "
                f"column of '{name}' are extrapolated that far. Subtract a typical value first."
            )
            yield Note("extrapolated", sentence)
    if model.design.empty:
        combinations = ", ".join(each.words for each in model.design.empty)
        sentence = (
            f"No row stands for {combinations}: left out of the model, which holds the other combinations of the "
            f"interaction."
        )
        yield Note("empty_combination", sentence)


def _at_reference(model: LogisticModel, column: str) -> str:
    reference = next(each.reference for each in model.design.parameters if each.columns == (column,))
    return f"'{column}' is '{reference}'" if reference else f"'{column}' is 0"


def _without_zero(model: LogisticModel, column: str) -> bool:
    """Whether 0 lies outside the values of a measurement."""
    place = next(at for at, each in enumerate(model.design.parameters) if each.columns == (column,))
    values = model.design.matrix[:, place]
    return bool(model.design.parameters[place].reference == "" and (values.min() > 0 or values.max() < 0))


def _sparse(model: LogisticModel, counts: Cells) -> dict[Parameter, int]:
    """Return the coefficients behind which a cell holds fewer rows than the minimum, with that count."""
    smallest = {}
    for parameter, table in counts.items():
        measured = not table.reference_events + table.reference_others
        cells = [*(table.cells[:2] if measured else table.cells), *_beside_partners(model, parameter)]
        if min(cells) < MIN_EVENTS:
            smallest[parameter] = int(min(cells))
    return smallest


def _beside_partners(model: LogisticModel, parameter: Parameter) -> Iterator[int]:
    """Count rows with and without the outcome in the cells of an interaction that a ratio compares.

    With a product in the model the ratio of a level is that at the reference of its partner, and the product compares
    all four combinations of level and reference.
    """
    terms = model.design.parameters
    if len(parameter.columns) == 2:
        pairs = [tuple(zip(parameter.columns, parameter.levels, strict=True))]
    else:
        products = {each.columns for each in terms if len(each.columns) == 2 and parameter.term in each.columns}
        partners = [one if two == parameter.term else two for one, two in sorted(products)]
        pairs = [((parameter.term, parameter.level), (partner, "")) for partner in partners]
    for (one, level), (two, other) in pairs:
        if any(not each.reference for each in terms if each.columns in ((one,), (two,))):
            continue
        for here in (_rows_at(model, one, level), _rows_at(model, one, "")):
            for there in {other, ""}:
                both = here & _rows_at(model, two, there)
                yield from (int(model.design.events[both].sum()), int(model.design.others[both].sum()))


def _rows_at(model: LogisticModel, term: str, level: str) -> npt.NDArray[np.bool_]:
    """Flag the patterns at a level; '' stands for the reference."""
    own = [at for at, each in enumerate(model.design.parameters) if each.columns == (term,)]
    if not level:
        return np.asarray((model.design.matrix[:, own] == 0).all(axis=1))
    place = next(at for at in own if model.design.parameters[at].level == level)
    return np.asarray(model.design.matrix[:, place] == 1)


def _rarer(model: LogisticModel) -> float:
    fewer = min(int(model.design.events.sum()), int(model.design.others.sum()))
    return fewer / (len(model.design.parameters) - 1)


def _separated(model: LogisticModel, counts: Cells, outcome: str) -> Iterator[Note]:
    if model.separation is None:
        return
    coefficients = model.fit.coefficients
    for at, parameter in enumerate(model.design.parameters):
        if model.finite[at] or parameter.term == INTERCEPT:
            continue
        yield Note("separation", _separated_sentence(parameter, counts[parameter], coefficients[at], outcome))
    if model.finite[1:].any():
        yield Note("limiting_estimates", "The finite ratios are those that remain as the others go to their limit.")
    else:
        yield Note(
            "no_finite_ratio", f"No ratio of this model is finite: too few rows, or terms that tell '{outcome}'."
        )


def _separated_sentence(parameter: Parameter, table: TwoByTwo, coefficient: float, outcome: str) -> str:
    where = parameter.words
    if np.isnan(coefficient):
        return (
            f"The ratio of {where} cannot be told: the rows leave open whether it is 0 or infinite. It has no limits."
        )
    ratio = "infinite" if coefficient > 0 else "0"
    exposed = table.exposed_events + table.exposed_others
    against = table.reference_events + table.reference_others
    if exposed and not (table.exposed_events and table.exposed_others):
        word = "always" if table.exposed_events else "never"
        why = f"'{outcome}' {word} happened there ({table.exposed_events} of {exposed})"
    elif against and not (table.reference_events and table.reference_others):
        word = "always" if table.reference_events else "never"
        why = (
            f"'{outcome}' {word} happened at its reference '{parameter.reference}' ({table.reference_events} of "
            f"{against})"
        )
    else:
        why = f"together with the other terms it foretells '{outcome}'"
    return f"The ratio of {where} is {ratio} and has no limits: {why}."


def _few(model: LogisticModel, counts: Cells, outcome: str) -> Iterator[Note]:
    sparse = _sparse(model, counts)
    if sparse:
        listed = "; ".join(f"{each.words} ({n})" for each, n in sparse.items())
        sentence = (
            f"A cell of level or reference with or without '{outcome}' holds fewer than {MIN_EVENTS} rows (the "
            f"smallest in brackets): {listed}."
        )
        yield Note("sparse_cells", sentence)
    few = [each.words for each, table in counts.items() if _smaller_side(table) < MIN_EVENTS]
    if few:
        sentence = f"Fewer than {MIN_EVENTS} events, or rows without the event, stand behind {'; '.join(few)}."
        yield Note("few_events", sentence)
    if _rarer(model) < MIN_EVENTS:
        sentence = (
            f"There are {_rarer(model):.1f} rows of the rarer outcome for each of {len(model.design.parameters) - 1} "
            f"coefficients: estimates lean away from 1 and limits are too narrow. Compare them with Firth's."
        )
        yield Note("few_events_per_parameter", sentence)


def _smaller_side(table: TwoByTwo) -> int:
    return min(table.exposed_events + table.reference_events, table.exposed_others + table.reference_others)


def _firth(estimates: Sequence[Estimates], model: LogisticModel, cluster: str) -> Iterator[Note]:
    for each in estimates:
        if each.method != "firth" or model.membership is None:
            continue
        if each.failed:
            sentence = (
                f"{each.failed} of {FIRTH_REPLICATES} bootstrap samples of {cluster} had no estimate and are left out."
            )
            yield Note("bootstrap_failed", sentence)
        if np.isnan(each.robust_low).any():
            sentence = (
                f"Too few bootstrap samples of {cluster} had an estimate: Firth's limits and p-values are not given "
                f"where they rest on them."
            )
            yield Note("bootstrap_without_limits", sentence)
        if not model.finite.all():
            sentence = (
                "Where maximum likelihood is infinite, every bootstrap sample repeats the empty cell: Firth's limits "
                "and p-value are there the more careful of bootstrap and penalised profile."
            )
            yield Note("firth_limits_widened", sentence)


def _repeaters(model: LogisticModel, cluster: str) -> Iterator[Note]:
    membership = model.membership
    if membership is None:
        return
    rows = int((model.design.events + model.design.others).sum())
    if membership.repeaters:
        sentence = (
            f"{membership.repeaters} of {membership.clusters} clusters by '{cluster}' hold more than one row, with "
            f"{membership.their_rows} of {rows} rows; the limits allow for it."
        )
        yield Note("climbers_repeat", sentence)
    if 2 <= membership.clusters < max(MIN_CLUSTERS, len(model.design.parameters) + 1):
        sentence = (
            f"The limits rest on {membership.clusters} clusters by '{cluster}' for {len(model.design.parameters)} "
            f"coefficients: they are too narrow."
        )
        yield Note("few_clusters", sentence)


def _without_limits(model: LogisticModel, cluster: str) -> Iterator[Note]:
    if model.membership is None:
        return
    lost = [
        each.words
        for each, finite, variance in zip(model.design.parameters, model.finite, np.diag(model.covariance), strict=True)
        if finite and np.isnan(variance) and each.term != INTERCEPT
    ]
    if lost:
        sentence = (
            f"No limits for {'; '.join(lost)}: there is one cluster by '{cluster}' only, or the clusters do not differ "
            f"in it."
        )
        yield Note("no_spread", sentence)


def _without_test(tests: pd.DataFrame) -> Iterator[Note]:
    lost = tests.loc[tests["statistic"].isna(), "exposure"]
    if len(lost):
        sentence = (
            f"No test of {', '.join(repr(str(name)) for name in lost)} as a whole: a ratio has no limits, or there are "
            f"too few clusters for its coefficients."
        )
        yield Note("no_wald_test", sentence)
