"""How many matched sets there are of each make-up, and how many of them tell something about a level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.matching.conditional_logistic import MatchedSets
from analysis.matching.matched_sets import MatchedRows
from analysis.matching.matched_terms import Coded
from analysis.modelling.patterns import Parameter
from analysis.results import SET_COLUMNS

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Behind:
    """The rows that stand behind a ratio."""

    exposed_events: int
    exposed_others: int
    reference_events: int
    reference_others: int
    fewest: int
    """Of the cases at the level and at others, in sets whose members differ in it, the smaller number; of a
    measurement the sets whose members differ in it."""


def behind(rows: MatchedRows, coded: Coded, place: int) -> Behind:
    """Count the rows at a level and at its reference; of a measurement all rows count as exposed.

    Parameters
    ----------
    rows, coded
        The rows of usable sets and their terms as numbers.
    place
        Which parameter.
    """
    parameter, values = coded.parameters[place], coded.matrix[:, place]
    low, high = np.full(rows.sets, np.inf), np.full(rows.sets, -np.inf)
    np.minimum.at(low, rows.set_of, values)
    np.maximum.at(high, rows.set_of, values)
    differing = high > low
    if parameter.reference == "":
        cases = int(rows.case.sum())
        return Behind(
            exposed_events=cases,
            exposed_others=len(values) - cases,
            reference_events=0,
            reference_others=0,
            fewest=int(differing.sum()),
        )
    at = values == 1
    beside = coded.words[parameter.term] == parameter.reference
    telling = rows.case & differing[rows.set_of]
    return Behind(
        exposed_events=int((at & rows.case).sum()),
        exposed_others=int((at & ~rows.case).sum()),
        reference_events=int((beside & rows.case).sum()),
        reference_others=int((beside & ~rows.case).sum()),
        fewest=int(min((telling & at).sum(), (telling & ~at).sum())),
    )


def set_makeups(rows: MatchedRows, coded: Coded) -> pd.DataFrame:
    """Count the sets of each make-up, for each level against its reference.

    Parameters
    ----------
    rows, coded
        The rows of usable sets and their terms as numbers.

    Returns
    -------
    DataFrame with ``SET_COLUMNS``: cases and referents at the level or the reference, how many of them at the level,
    how many sets are made up like that, and whether such a set compares the two. Sets without a member at either are
    not listed; nor are measurements.
    """
    lines = []
    for place, parameter in enumerate(coded.parameters):
        if parameter.reference == "":
            continue
        at = coded.matrix[:, place] == 1
        either = at | (coded.words[parameter.term] == parameter.reference)
        counted = [
            np.bincount(rows.set_of[flags], minlength=rows.sets)
            for flags in (either & rows.case, either & ~rows.case, at & rows.case, at & ~rows.case)
        ]
        makeups, times = np.unique(np.stack(counted, axis=1), axis=0, return_counts=True)
        for (cases, referents, exposed_cases, exposed_referents), sets in zip(makeups.tolist(), times, strict=True):
            if cases + referents:
                exposed = exposed_cases + exposed_referents
                lines.append(
                    {
                        "exposure": parameter.term,
                        "level": parameter.level,
                        "reference": parameter.reference,
                        "cases": cases,
                        "referents": referents,
                        "cases_exposed": exposed_cases,
                        "referents_exposed": exposed_referents,
                        "sets": int(sets),
                        "informative": min(cases, referents) > 0 and 0 < exposed < cases + referents,
                    }
                )
    return pd.DataFrame(lines, columns=list(SET_COLUMNS))


def discordant_pairs(sets: MatchedSets, parameters: tuple[Parameter, ...]) -> tuple[int, int] | None:
    """Count the pairs in which only the case, and only the referent, was exposed.

    Parameters
    ----------
    sets
        The sets whose members differ.
    parameters
        The columns of their patterns.

    Returns
    -------
    The two counts; None unless all sets are pairs and there is one term with two levels, or two numbers one apart.
    """
    values = sets.patterns
    if len(parameters) != 1 or any(group.size != 2 for group in sets.groups):
        return None
    if len(values) != 2 or abs(values[0, 0] - values[1, 0]) != 1:
        return None
    higher = sum(
        int(group.times[values[group.members[:, 0], 0] > values[group.members[:, 1], 0]].sum()) for group in sets.groups
    )
    return higher, sum(int(group.times.sum()) for group in sets.groups) - higher
