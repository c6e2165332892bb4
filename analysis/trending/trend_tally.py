"""Counts of an outcome at each step of an ordered column, and how far climbers repeat in them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.clusters import CLIMBER, climber_products, repeats
from analysis.levels import MISSING_LEVELS, level_word
from analysis.ordered import Scale
from analysis.results import no_rows_left_out
from analysis.tallies import counts_by_cell

Floats = npt.NDArray[np.float64]
HAPPENED: Final = Scale(scores={"yes": 1.0, "no": 0.0}, outside=(), origin="true/false")
"""The scale of a true/false outcome."""


@dataclass(frozen=True, kw_only=True, eq=False)
class OrderedTally:
    """Rows by step and outcome.

    Attributes
    ----------
    ordered, outcome
        Names of the two columns.
    steps, outcomes
        Their scales; of ``steps`` only those with rows that are used.
    cells
        Levels of ``steps`` by levels of ``outcomes``: rows that are used.
    values
        Of each of the two columns the values that are used, as the database holds them.
    left_out
        reason, n.
    """

    ordered: str
    outcome: str
    steps: Scale
    outcomes: Scale
    cells: Floats
    values: dict[str, list[Any]]
    left_out: pd.DataFrame

    @property
    def binary(self) -> bool:
        """Whether the outcome is true or false."""
        return self.outcomes is HAPPENED

    @property
    def scores(self) -> tuple[Floats, Floats]:
        """The scores of the steps and of the outcomes."""
        return np.array(list(self.steps.scores.values())), np.array(list(self.outcomes.scores.values()))


@dataclass(frozen=True, kw_only=True, eq=False)
class Spread:
    """How far climbers repeat in a tally; a row without a climber is a climber of its own.

    Attributes
    ----------
    products
        Cells by cells (the rows of ``OrderedTally.cells`` one after another): sum over climbers of the product of
        their rows in both.
    climbers_at
        Climbers with a row at each step.
    climbers, repeaters, their_rows
        Climbers in all, those with several rows, and how many rows these have.
    """

    products: Floats
    climbers_at: tuple[int, ...]
    climbers: int
    repeaters: int
    their_rows: int

    def within(self, step: int) -> Floats:
        """Return the part of ``products`` that belongs to one step."""
        width = len(self.products) // len(self.climbers_at)
        here = slice(step * width, (step + 1) * width)
        return self.products[here, here]


def tally_of(counts: pd.DataFrame, *, steps: Scale, outcomes: Scale, names: tuple[str, str]) -> OrderedTally:
    """Sort counts of rows into the steps of two scales.

    Parameters
    ----------
    counts
        The two columns and n, one row a combination of values.
    steps, outcomes
        Scales of the ordered column and of the outcome.
    names
        The ordered column and the outcome.
    """
    ordered, outcome = names
    scales = {outcome: outcomes, ordered: steps}
    # Of no rows a map would lose that these are words.
    words = {name: counts[name].map(level_word, na_action=None).astype(object) for name in names}
    reason = pd.Series("", index=counts.index)
    for name in (ordered, outcome):
        missing, used = words[name].isin(MISSING_LEVELS), words[name].isin(list(scales[name].scores))
        said = words[name].str.replace("_", " ")
        if name == outcome and outcomes is HAPPENED:
            # An outcome read from several values is empty for several reasons.
            said = said.mask(missing, "not known")
        named = name + ": " + said
        named = named.where(missing, named + ", which is no step of the scale")
        reason = reason.mask(~used, named)
    kept = reason == ""
    cells = (
        pd.crosstab(words[ordered][kept], words[outcome][kept], values=counts["n"][kept], aggfunc="sum")
        .reindex(index=list(steps.scores), columns=list(outcomes.scores))
        .fillna(0)
        .to_numpy(dtype=float)
    )
    # A step all of whose rows lack the outcome cannot be compared.
    some = cells.sum(axis=1) > 0
    with_rows = {word: steps.scores[word] for word, any_rows in zip(steps.scores, some, strict=True) if any_rows}
    left_out = counts.assign(reason=reason)[~kept].groupby("reason", sort=False)["n"].sum().reset_index()
    return OrderedTally(
        ordered=ordered,
        outcome=outcome,
        steps=replace(steps, scores=with_rows),
        outcomes=outcomes,
        cells=cells[some],
        values={name: counts.loc[kept, name].drop_duplicates().tolist() for name in names},
        left_out=left_out if len(left_out) else no_rows_left_out(),
    )


def spread_of(rows: nw.LazyFrame[Any], tally: OrderedTally) -> Spread | None:
    """Count how far climbers repeat in the rows that a tally uses; None where they do not, or have no column."""
    if CLIMBER not in rows.collect_schema().names():
        return None
    names = [tally.ordered, tally.outcome]
    used = rows.filter(*[nw.col(name).is_in(tally.values[name]) for name in names])
    again = repeats(used)
    if not again.repeaters:
        return None
    return Spread(
        products=_products(used, tally),
        climbers_at=_climbers_at(used, tally),
        climbers=again.climbers,
        repeaters=again.repeaters,
        their_rows=again.their_units,
    )


def _products(used: nw.LazyFrame[Any], tally: OrderedTally) -> Floats:
    # Names of our own: a column may be called as the products are.
    names = ["step", "outcome"]
    used = used.select(CLIMBER, step=nw.col(tally.ordered), outcome=nw.col(tally.outcome))
    cells = [(step, level) for step in tally.steps.scores for level in tally.outcomes.scores]
    places = {cell: place for place, cell in enumerate(cells)}
    pairs = climber_products(used, names)
    first, second = (
        [places[step, level] for step, level in zip(*(map(level_word, pairs[name]) for name in columns), strict=True)]
        for columns in (names, [f"{name}_2" for name in names])
    )
    products = np.zeros((len(cells), len(cells)))
    products[first, second] = pairs["products"]
    return products


def _climbers_at(used: nw.LazyFrame[Any], tally: OrderedTally) -> tuple[int, ...]:
    named = ~nw.col(CLIMBER).is_null()
    each = used.filter(named).select(tally.ordered, CLIMBER).unique()
    found = dict.fromkeys(tally.steps.scores, 0)
    for part in (each, used.filter(~named)):
        counts = counts_by_cell(part, tally.ordered)
        for value, n in zip(counts[tally.ordered], counts["n"], strict=True):
            found[level_word(value)] += int(n)
    return tuple(found.values())
