"""Gaps of a table filled several times by chained models that know of repeating climbers.

Each column with gaps has a model of its own given all the others, the outcome included; each round draws the model's
parameters from their distribution given the data, then the gaps given the parameters. A category is split off step by
step, the most frequent first, each step a probit model with one effect a group; a measurement is one linear model.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.special import ndtr, ndtri

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

GAP: Final = -1
"""The code of a cell that is to be filled."""
BURN_IN: Final = 100
"""Rounds before the first table is kept (our own choice; the chains forget their start within some dozens)."""
ROUNDS_BETWEEN: Final = 10
"""Rounds from one kept table to the next (our own choice)."""
PRIOR_SD: Final = 1.5
"""Of a probit coefficient: an odds ratio of 10 either way is no surprise. It keeps the draws finite where a level goes
with the outcome without a miss (after Gelman et al. 2008, Ann Appl Stat 2:1360-1383; from memory)."""
INTERCEPT_SD: Final = 3.0
"""Of a probit intercept: any share from 1 in 1000 is likely."""
EFFECT_SHAPE: Final = 2.0
EFFECT_SCALE: Final = 0.5
"""Inverse-gamma prior of the variance of group effects, of mean 0.5: what few repeating climbers leave open."""


@dataclass(frozen=True, kw_only=True, eq=False)
class GapColumn:
    """A column that may have gaps.

    Attributes
    ----------
    codes
        n codes: the place of the level in a list; of a measurement its place among the sorted distinct values. -1 is a
        gap.
    values
        The sorted distinct values of a measurement; None for categories.
    """

    codes: Codes
    values: Floats | None = None

    @property
    def gaps(self) -> Flags:
        """Which cells are to be filled."""
        found: Flags = self.codes == GAP
        return found


def completed_tables(
    columns: Sequence[GapColumn],
    *,
    outcome: Floats,
    groups: Codes | None = None,
    times: int,
    seed: int,
) -> Iterator[list[Codes]]:
    """Fill the gaps of a table several times.

    Parameters
    ----------
    columns
        c columns of n cells; each has at least one known cell.
    outcome
        n numbers without gaps, or n by any number of columns: what the gaps may depend on, never filled.
    groups
        n group numbers from 0 (climbers, or matched sets), whose rows are alike; None without groups.
    times
        How many completed tables.
    seed
        Of the draws.

    Returns
    -------
    Iterator over ``times`` tables: c arrays of n codes without gaps. A known cell is never changed; a measurement is
    filled with the known value that lies nearest to what was drawn.

    Notes
    -----
    Rows are taken to miss a cell by what is known of them (missing at random). Columns enter each other's models
    without products, so that an interaction in the analysis is drawn towards none.

    References
    ----------
    van Buuren S 2007, Stat Methods Med Res 16:219-242 (chained models). Albert JH & Chib S 1993, J Am Stat Assoc
    88:669-679 (draws of probit models). Carpenter J & Kenward M 2013, Multiple Imputation and its Application, chapter
    9 (effects of groups; all from memory).

    Examples
    --------
    >>> grip = GapColumn(codes=np.array([0, 1, -1, 0, 1, 0]))
    >>> tables = completed_tables([grip], outcome=np.array([0.0, 1, 1, 0, 1, 0]), times=2, seed=1)
    >>> [len(table[0]) for table in tables]
    [6, 6]
    """
    rng = np.random.default_rng(seed)
    fixed = outcome.reshape(len(outcome), -1)
    table = [_first_guess(column, rng) for column in columns]
    chains = {
        place: _Chain.of(column, groups, rng)
        for place, column in enumerate(columns)
        if bool(column.gaps.any()) and len(np.unique(column.codes[~column.gaps])) > 1
    }
    if not chains:
        for _ in range(times):
            yield [codes.copy() for codes in table]
        return
    blocks = [_predictors(column, codes) for column, codes in zip(columns, table, strict=True)]
    for turn in range(BURN_IN + times * ROUNDS_BETWEEN):
        for place, chain in chains.items():
            others = [block for at, block in enumerate(blocks) if at != place]
            matrix = np.column_stack([np.ones(len(fixed)), _scaled(fixed), *others])
            table[place] = chain.step(matrix)
            blocks[place] = _predictors(columns[place], table[place])
        if turn >= BURN_IN and (turn - BURN_IN) % ROUNDS_BETWEEN == ROUNDS_BETWEEN - 1:
            yield [codes.copy() for codes in table]


def _first_guess(column: GapColumn, rng: np.random.Generator) -> Codes:
    known = column.codes[~column.gaps]
    filled = column.codes.copy()
    filled[column.gaps] = rng.choice(known, size=int(column.gaps.sum()))
    return filled


def _predictors(column: GapColumn, codes: Codes) -> Floats:
    """Make the columns by which a column enters the models of others."""
    if column.values is not None:
        return _scaled(column.values[codes][:, None])
    order = _by_frequency(column.codes[~column.gaps])
    flags: Floats = (codes[:, None] == order[None, 1:]).astype(float)
    return flags


def _scaled(numbers: Floats) -> Floats:
    spread = numbers.std(axis=0)
    scaled: Floats = (numbers - numbers.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    return scaled


def _by_frequency(known: Codes) -> Codes:
    levels, counts = np.unique(known, return_counts=True)
    return levels[np.argsort(-counts, kind="stable")]


@dataclass(kw_only=True, eq=False)
class _Chain:
    """The models of one column, and where their draws stand."""

    column: GapColumn
    order: Codes
    """Levels as they are split off; of a measurement nothing."""
    links: list[_Link]
    rng: np.random.Generator

    @classmethod
    def of(cls, column: GapColumn, groups: Codes | None, rng: np.random.Generator) -> _Chain:
        known = ~column.gaps
        if column.values is not None:
            numbers = column.values[np.where(known, column.codes, 0)]
            middle, spread = numbers[known].mean(), numbers[known].std()
            link = _Link(rows=np.flatnonzero(known), latent=(numbers[known] - middle) / spread, groups=groups)
            return cls(column=column, order=np.array([], dtype=np.int64), links=[link], rng=rng)
        order = _by_frequency(column.codes[known])
        links = []
        for at in range(len(order) - 1):
            rows = np.flatnonzero(known & np.isin(column.codes, order[at:]))
            links.append(_Link(rows=rows, happened=column.codes[rows] == order[at], groups=groups))
        return cls(column=column, order=order, links=links, rng=rng)

    def step(self, matrix: Floats) -> Codes:
        for link in self.links:
            link.draw(matrix, self.rng)
        filled = self.column.codes.copy()
        gaps = np.flatnonzero(self.column.gaps)
        filled[gaps] = self._measured(matrix, gaps) if self.column.values is not None else self._levels(matrix, gaps)
        return filled

    def _levels(self, matrix: Floats, gaps: Codes) -> Codes:
        drawn = np.full(len(gaps), self.order[-1])
        still_open = np.ones(len(gaps), dtype=bool)
        for level, link in zip(self.order, self.links, strict=False):
            taken = still_open & (self.rng.random(len(gaps)) < ndtr(link.middle(matrix, gaps)))
            drawn[taken] = level
            still_open &= ~taken
        return drawn

    def _measured(self, matrix: Floats, gaps: Codes) -> Codes:
        values, link = self.column.values, self.links[0]
        assert values is not None
        known = values[self.column.codes[~self.column.gaps]]
        noise = np.sqrt(link.noise) * self.rng.standard_normal(len(gaps))
        drawn = known.mean() + known.std() * (link.middle(matrix, gaps) + noise)
        present = np.unique(self.column.codes[~self.column.gaps])
        edges = (values[present][1:] + values[present][:-1]) / 2
        nearest: Codes = present[np.searchsorted(edges, drawn)]
        return nearest


@dataclass(kw_only=True, eq=False)
class _Link:
    """One probit model (or, where ``latent`` is given, one linear model) with an effect a group."""

    rows: Codes
    groups: Codes | None
    happened: Flags | None = None
    latent: Floats | None = None
    coefficients: Floats | None = None
    effects: Floats = field(default_factory=lambda: np.zeros(0))
    spread: float = EFFECT_SCALE
    noise: float = 1.0

    def middle(self, matrix: Floats, rows: Codes) -> Floats:
        """Return the linear predictor of some rows."""
        assert self.coefficients is not None
        fixed: Floats = matrix[rows] @ self.coefficients
        return fixed if self.groups is None else fixed + self.effects[self.groups[rows]]

    def draw(self, matrix: Floats, rng: np.random.Generator) -> None:
        """Draw latent values, coefficients, group effects and their variance, each given the others."""
        if self.coefficients is None:
            self.coefficients = np.zeros(matrix.shape[1])
            self.effects = np.zeros(0 if self.groups is None else int(self.groups.max()) + 1)
        part = matrix[self.rows]
        latent = self._latent(matrix, rng) if self.latent is None else self.latent
        of_group = None if self.groups is None else self.groups[self.rows]
        lifted = latent if of_group is None else latent - self.effects[of_group]
        self.coefficients = self._coefficients(part, lifted, rng)
        rest = latent - part @ self.coefficients
        if of_group is not None:
            self._draw_effects(of_group, rest, rng)
            rest = rest - self.effects[of_group]
        if self.latent is not None:
            self.noise = float((rest @ rest + 1) / rng.chisquare(len(rest) + 1))

    def _latent(self, matrix: Floats, rng: np.random.Generator) -> Floats:
        """Draw the normal variate behind each yes (above 0) and no (below)."""
        assert self.happened is not None
        middle = np.clip(self.middle(matrix, self.rows), -8.0, 8.0)
        sign = np.where(self.happened, 1.0, -1.0)
        share = np.clip(rng.random(len(middle)), 1e-12, 1.0) * ndtr(sign * middle)
        drawn: Floats = middle - sign * ndtri(share)
        return drawn

    def _coefficients(self, part: Floats, lifted: Floats, rng: np.random.Generator) -> Floats:
        prior = np.full(part.shape[1], PRIOR_SD**-2)
        prior[0] = INTERCEPT_SD**-2
        root = np.linalg.cholesky(part.T @ part / self.noise + np.diag(prior))
        half = solve_triangular(root, part.T @ lifted / self.noise, lower=True)
        drawn: Floats = solve_triangular(root.T, half + rng.standard_normal(len(half)), lower=False)
        return drawn

    def _draw_effects(self, of_group: Codes, rest: Floats, rng: np.random.Generator) -> None:
        size = len(self.effects)
        variance = 1 / (1 / self.spread + np.bincount(of_group, minlength=size) / self.noise)
        middle = variance * np.bincount(of_group, weights=rest, minlength=size) / self.noise
        self.effects = middle + np.sqrt(variance) * rng.standard_normal(size)
        shape, scale = EFFECT_SHAPE + size / 2, EFFECT_SCALE + float(self.effects @ self.effects) / 2
        self.spread = float(scale / rng.gamma(shape))
