"""What the reader of matched odds ratios has to know."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from analysis.matching.matched_makeups import Behind
from analysis.matching.matched_model import MatchedModel
from analysis.matching.matched_sets import Informative, MatchedRows
from analysis.results import Note
from analysis.thresholds import MIN_CLUSTERS, MIN_EVENTS


def matched_notes(
    rows: MatchedRows, informative: Informative, model: MatchedModel, counts: Sequence[Behind], *, cluster: str
) -> tuple[Note, ...]:
    """Write the notes of a matched analysis.

    Parameters
    ----------
    rows, informative
        The usable sets, and those whose members differ.
    model
        The fit.
    counts
        What stands behind each parameter.
    cluster
        Name of the column that says who belongs together.
    """
    return (*_on_sets(rows, informative), *_on_ratios(model, counts), *_on_clusters(rows, informative, model, cluster))


def _on_sets(rows: MatchedRows, informative: Informative) -> Iterator[Note]:
    whole = rows.sets + rows.without_case + rows.without_referent
    if rows.without_case or rows.without_referent:
        yield Note(
            "incomplete_sets",
            f"Of {whole} matched sets {rows.without_case} have no case and {rows.without_referent} no referent once "
            f"rows with gaps are left out; they are left out.",
        )
    alike = rows.sets - len(informative.which)
    if alike:
        yield Note(
            "uninformative_sets",
            f"In {alike} of {rows.sets} matched sets all members are alike; they change no ratio.",
        )


def _on_ratios(model: MatchedModel, counts: Sequence[Behind]) -> Iterator[Note]:
    unlinked = [each.words for each, held in zip(model.parameters, model.held, strict=True) if not held]
    if unlinked:
        yield Note(
            "level_not_compared",
            f"No matched set compares {', '.join(unlinked)} with the reference, directly or through other levels: "
            f"no ratio.",
        )
    for each, coefficient, held in zip(model.parameters, model.coefficients, model.held, strict=True):
        if held and not np.isfinite(coefficient):
            yield Note("separation", _separation(each.words, float(coefficient)))
    few = [each.words for each, count in zip(model.parameters, counts, strict=True) if count.fewest < MIN_EVENTS]
    if few:
        yield Note(
            "few_events",
            f"Fewer than {MIN_EVENTS} cases at the level, or at others, in matched sets whose members differ stand "
            f"behind {', '.join(few)}.",
        )


def _separation(name: str, coefficient: float) -> str:
    if np.isnan(coefficient):
        return (
            f"The matched sets leave the ratio of {name} open: together with other columns it tells cases from "
            f"referents without a miss. No estimate; leave out terms or join levels."
        )
    end = "infinite" if coefficient > 0 else "0"
    return (
        f"{name} tells cases from referents without a miss in the matched sets that compare it (separation): its ratio "
        f"is {end} and has no Wald limits and no Wald p-value. The other ratios are those of the limit."
    )


def _on_clusters(rows: MatchedRows, informative: Informative, model: MatchedModel, cluster: str) -> Iterator[Note]:
    spread = model.spread
    if spread is None:
        return
    if spread.repeaters:
        verb = "allow" if model.robust_covariance is not None else "do not allow"
        yield Note(
            "climbers_repeat",
            f"{spread.repeaters} values of '{cluster}' are in more than one matched set ({spread.their_sets} of "
            f"{len(informative.which)} whose members differ). Likelihood-ratio, score and exact results take sets as "
            f"independent; the limits and p-values of conditional_logistic {verb} for it.",
        )
    if spread.clusters < MIN_CLUSTERS:
        values = "value" if spread.clusters == 1 else "values"
        yield Note(
            "few_clusters",
            f"Only {spread.clusters} independent {values} of '{cluster}' or sets: too few (of {MIN_CLUSTERS}) for "
            f"limits that allow for repeaters; the limits take sets as independent and may be too narrow.",
        )
    elif model.robust_covariance is None:
        yield Note(
            "no_robust_limits",
            f"Matched sets share so many values of '{cluster}' that no variance could be estimated that allows for it; "
            f"the limits take sets as independent and may be too narrow.",
        )
