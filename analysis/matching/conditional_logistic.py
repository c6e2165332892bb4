"""Conditional logistic regression of matched sets by its exact likelihood, with any number of cases in a set.

Given how many of a set are cases, which of them are follows from the ratios alone: whatever the members of a set
share drops out. The sum over all ways in which the cases could have fallen is made member by member.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import inf, nan
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, cho_factor, cho_solve
from scipy.special import expit, gammaln, log_expit

from analysis.matching.set_separation import Endless, endless_directions
from registry.errors import DataError

Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

LARGEST_SET: Final = 20_000_000
"""Members of a set times its cases (or referents, if fewer): beyond it the exact sum takes minutes (our own choice)."""
CHUNK: Final = 4_000_000
"""Numbers held at once while sets are summed: about 32 MB."""
MOST_STEPS: Final = 60
NEAR: Final = 1e-10
"""Newton's decrement, as a part of the log-likelihood, below which the likelihood cannot tell better from worse.
Whole steps still square the distance then, until they no longer shrink."""
LONGEST_STEP: Final = 30.0
"""Log odds between members of one set by which a step may change them: longer ones overflow."""
WIDE: Final = 20.0
"""Log odds between members of one set. A maximum at infinity is reached only through wider gaps than this: steps go on
until they no longer shrink, and towards infinity each widens the gap by about 1. Narrower gaps prove a finite one."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SetGroup:
    """Sets of one size with one number of cases; sets of the same make-up are one row."""

    members: Counts
    """(s, n) rows of ``MatchedSets.patterns``; the first ``cases`` of each row are the cases."""
    cases: int
    times: Counts
    """(s,) how many sets have this make-up."""

    @property
    def size(self) -> int:
        """Members of a set."""
        return int(self.members.shape[1])


@dataclass(frozen=True, kw_only=True, eq=False)
class MatchedSets:
    """Sets of cases and referents, by the covariates of their members."""

    patterns: Array
    """(g, p) the distinct rows of covariates, without intercept."""
    groups: tuple[SetGroup, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class SetLikelihood:
    """The log-likelihood at some coefficients."""

    log_likelihood: float
    score: Array
    """(p,)"""
    information: Array
    """(p, p)"""
    scores: tuple[Array, ...]
    """For each group (s, p): the score of one set of each make-up."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ConditionalFit:
    """The maximum of the conditional likelihood."""

    coefficients: Array
    """(p,) logarithms of odds ratios; infinite under separation, NaN where the data leave them open."""
    covariance: Array
    """(p, p) inverse information; NaN in rows and columns of coefficients that are not finite."""
    log_likelihood: float
    null_log_likelihood: float
    score_statistic: float
    """Of the score test that all coefficients are 0."""
    bread: Array = field(repr=False)
    """(p, p) inverse of the information that the limiting likelihood holds, 0 elsewhere."""
    scores: tuple[Array, ...] = field(repr=False)
    """For each group (s, p): the score of one set at the estimate; 0 in columns that the limit does not hold."""

    @property
    def finite(self) -> npt.NDArray[np.bool_]:
        """(p,) which coefficients have a finite estimate."""
        return np.isfinite(self.coefficients)


def conditional_fit(sets: MatchedSets) -> ConditionalFit:
    """Maximise the exact conditional likelihood of matched sets.

    Parameters
    ----------
    sets
        Sets, each with at least one case and one referent. The differences between members of a set must span all
        p columns.

    Returns
    -------
    ConditionalFit. Where a combination of covariates tells cases from referents in every set, the coefficients
    that it moves are infinite and the others are those of the limiting likelihood.

    Raises
    ------
    DataError
        When a set is too large for the exact sum.

    References
    ----------
    Breslow NE & Day NE 1980, Statistical Methods in Cancer Research I, chapter 7. Gail MH, Lubin JH & Rubinstein
    LV 1981, Biometrika 68:703-707 (the recursion; both from memory).

    Examples
    --------
    Seven pairs in which only the case, and three in which only the referent was exposed:

    >>> pairs = SetGroup(members=np.array([[1, 0], [0, 1]]), cases=1, times=np.array([7, 3]))
    >>> fit = conditional_fit(MatchedSets(patterns=np.array([[0.0], [1.0]]), groups=(pairs,)))
    >>> round(float(np.exp(fit.coefficients[0])), 6)
    2.333333
    """
    for group in sets.groups:
        if group.size * min(group.cases, group.size - group.cases) > LARGEST_SET:
            raise DataError(
                f"a matched set has {group.size} members with {group.cases} cases; the exact conditional likelihood "
                f"is not made for sets of that size. Match more closely, or use the key as strata of odds_ratios."
            )
    scale = _scale(sets)
    scaled = MatchedSets(patterns=(sets.patterns - sets.patterns.mean(axis=0)) / scale, groups=sets.groups)
    start = set_likelihood(scaled, np.zeros(scaled.patterns.shape[1]))
    found = _climb(scaled, start)
    if found is None or _widest(scaled, found[0]) > WIDE:
        endless = endless_directions(scaled.patterns, [(group.members, group.cases) for group in scaled.groups])
        found = found if endless is None else _at_the_limit(scaled, endless)
    if found is None:
        raise DataError(
            "the conditional likelihood has no maximum that can be found. Leave out terms, or join rare levels."
        )
    beta, at = found
    bread = _inverse(at.information) / np.outer(scale, scale)
    finite = np.isfinite(beta)
    return ConditionalFit(
        coefficients=beta / scale,
        covariance=np.where(np.outer(finite, finite), bread, nan),
        log_likelihood=at.log_likelihood,
        null_log_likelihood=start.log_likelihood,
        score_statistic=float(start.score @ np.linalg.solve(start.information, start.score)),
        bread=bread,
        scores=tuple(scores * scale for scores in at.scores),
    )


def set_likelihood(sets: MatchedSets, beta: Array) -> SetLikelihood:
    """Compute the conditional log-likelihood, its score and its information.

    Parameters
    ----------
    sets
        The sets.
    beta
        (p,) coefficients.
    """
    p = len(beta)
    total, information, scores = 0.0, np.zeros((p, p)), []
    for group in sets.groups:
        parts = [_of_chunk(sets.patterns, group, rows, beta) for rows in _chunks(group, p)]
        total += sum(float(times @ logs) for logs, _, _, times in parts)
        information += sum((times @ variances.reshape(-1, p * p)).reshape(p, p) for _, _, variances, times in parts)
        scores.append(np.concatenate([part[1] for part in parts]))
    score = sum((group.times @ each for group, each in zip(sets.groups, scores, strict=True)), np.zeros(p))
    return SetLikelihood(log_likelihood=total, score=score, information=information, scores=tuple(scores))


def _chunks(group: SetGroup, p: int) -> Iterator[slice]:
    chosen = min(group.cases, group.size - group.cases)
    step = max(1, CHUNK // ((chosen + 1) * p * p + group.size * p))
    for first in range(0, len(group.members), step):
        yield slice(first, first + step)


def _of_chunk(
    patterns: Array, group: SetGroup, rows: slice, beta: Array
) -> tuple[Array, Array, Array, npt.NDArray[np.float64]]:
    """Return log-likelihood (s,), score (s, p), information (s, p, p) and times (s,) of some sets of a group."""
    members, chosen, sign = group.members[rows], group.cases, 1.0
    if 2 * chosen > group.size:
        # Choosing the referents with turned covariates is the same sum over fewer.
        members, chosen, sign = members[:, ::-1], group.size - chosen, -1.0
    x = sign * patterns[members]
    log_weights = x @ beta
    tilt = _tilt(log_weights, chosen)
    shares = expit(log_weights + tilt[:, None])
    centre = np.einsum("sn,snp->sp", shares, x) / shares.sum(axis=1)[:, None]
    x = x - centre[:, None, :]
    mass, first, second = _chosen_moments(shares, x, chosen)
    mean = first / mass[:, None]
    variance = second / mass[:, None, None] - mean[:, :, None] * mean[:, None, :]
    # -log(1 - share) is log(1 + tilted weight).
    ways = np.log(mass) - log_expit(-(log_weights + tilt[:, None])).sum(axis=1) - chosen * tilt
    return (
        log_weights[:, :chosen].sum(axis=1) - ways,
        x[:, :chosen].sum(axis=1) - mean,
        variance,
        group.times[rows].astype(float),
    )


def _tilt(log_weights: Array, chosen: int) -> Array:
    """Find for each set the shift at which independent draws would on average choose as many as were chosen.

    The sum over all choices is then the chance of exactly that number: near 1, however large the set.
    """
    typical = np.log(chosen / (log_weights.shape[1] - chosen))
    low, high = typical - log_weights.max(axis=1), typical - log_weights.min(axis=1)
    for _ in range(40):
        middle = (low + high) / 2
        many = expit(log_weights + middle[:, None]).sum(axis=1) > chosen
        low, high = np.where(many, low, middle), np.where(many, middle, high)
    return np.asarray((low + high) / 2)


def _chosen_moments(shares: Array, x: Array, chosen: int) -> tuple[Array, Array, Array]:
    """Sum over all choices of ``chosen`` members: probability, probability times sum of x, and times its square."""
    s, n, p = x.shape
    mass, first = np.zeros((s, chosen + 1)), np.zeros((s, chosen + 1, p))
    second = np.zeros((s, chosen + 1, p, p))
    mass[:, 0] = 1.0
    for j in range(n):
        # Fewer than so many chosen by now can no longer reach the number, more than so many cannot be.
        k = slice(max(0, chosen - n + j), min(j, chosen - 1) + 1)
        take, leave = shares[:, j, None], 1 - shares[:, j, None]
        row = x[:, j, None, :]
        gained = take * mass[:, k]
        moved = take[..., None] * first[:, k]
        first_gain = moved + row * gained[..., None]
        cross = moved[..., :, None] * row[..., None, :]
        square = row[..., :, None] * row[..., None, :] * gained[..., None, None]
        second_gain = take[..., None, None] * second[:, k] + cross + np.swapaxes(cross, -1, -2) + square
        mass, first, second = (
            mass * leave,
            first * leave[..., None],
            second * leave[..., None, None],
        )
        up = slice(k.start + 1, k.stop + 1)
        mass[:, up] += gained
        first[:, up] += first_gain
        second[:, up] += second_gain
    return mass[:, chosen], first[:, chosen], second[:, chosen]


def _scale(sets: MatchedSets) -> Array:
    """Return the spread of each column within sets."""
    squares = np.zeros(sets.patterns.shape[1])
    for group in sets.groups:
        x = sets.patterns[group.members]
        squares += group.times @ ((x - x.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    n = sum(int(group.times.sum()) * group.size for group in sets.groups)
    spread = np.sqrt(squares / max(n, 1))
    return np.where(spread > 0, spread, 1.0)


def _climb(sets: MatchedSets, start: SetLikelihood) -> tuple[Array, SetLikelihood] | None:
    """Climb to the maximum by Newton's steps, halved while they overshoot; None when it does not settle."""
    beta, at, before = np.zeros(len(start.score)), start, inf
    for _ in range(MOST_STEPS):
        try:
            step = cho_solve(cho_factor(at.information), at.score)
        except (LinAlgError, ValueError):
            return None
        decrement = float(step @ at.score)
        near = decrement <= NEAR * max(1.0, abs(at.log_likelihood))
        if decrement == 0 or (near and decrement >= before):
            return beta, at
        higher = _higher(sets, beta, step, at, unseen=near)
        if higher is None:
            return None
        beta, at = higher
        before = decrement if near else inf
    return None


def _higher(
    sets: MatchedSets, beta: Array, step: Array, at: SetLikelihood, *, unseen: bool
) -> tuple[Array, SetLikelihood] | None:
    """Go a step, or the half, the quarter of it until the likelihood is higher; ``unseen``: the whole step, unseen."""
    length = min(1.0, LONGEST_STEP / max(_widest(sets, step), LONGEST_STEP))
    for _ in range(30):
        tried = beta + length * step
        there = set_likelihood(sets, tried)
        if unseen or there.log_likelihood > at.log_likelihood:
            return tried, there
        length /= 2
    return None


def _widest(sets: MatchedSets, beta: Array) -> float:
    widest = 0.0
    for group in sets.groups:
        values = (sets.patterns @ beta)[group.members]
        widest = max(widest, float(np.ptp(values, axis=1).max()))
    return widest


def _at_the_limit(sets: MatchedSets, endless: Endless) -> tuple[Array, SetLikelihood]:
    """Maximise what remains of the likelihood when some coefficients go to infinity."""
    p = sets.patterns.shape[1]
    groups = tuple(
        SetGroup(members=members, cases=cases, times=sets.groups[place].times[rows])
        for place, rows, members, cases in endless.remaining
    )
    beta = np.where(endless.sign > 0, inf, np.where(endless.sign < 0, -inf, nan))
    beta[endless.finite] = 0.0
    whole = np.zeros((p, p))
    scores = [np.zeros((len(group.members), p)) for group in sets.groups]
    kept = endless.kept
    if not len(kept):
        ties = -sum(_log_choices(group) * int(group.times.sum()) for group in groups)
        return beta, SetLikelihood(log_likelihood=ties, score=np.zeros(p), information=whole, scores=tuple(scores))
    reduced = MatchedSets(patterns=sets.patterns[:, kept], groups=groups)
    found = _climb(reduced, set_likelihood(reduced, np.zeros(len(kept))))
    if found is None:
        raise DataError("the limiting conditional likelihood has no maximum. Leave out terms, or join rare levels.")
    inner, at = found
    for place, column in enumerate(kept):
        if endless.finite[column]:
            beta[column] = inner[place]
    whole[np.ix_(kept, kept)] = at.information
    for (place, rows, _, _), each in zip(endless.remaining, at.scores, strict=True):
        scores[place][np.ix_(rows, kept)] = each
    return beta, SetLikelihood(
        log_likelihood=at.log_likelihood, score=np.zeros(p), information=whole, scores=tuple(scores)
    )


def _log_choices(group: SetGroup) -> float:
    """Return the logarithm of the ways in which the cases of a set of equals could have fallen."""
    n, cases = group.size, group.cases
    return float(gammaln(n + 1) - gammaln(cases + 1) - gammaln(n - cases + 1))


def _inverse(information: Array) -> Array:
    """Invert the part of the information that is not empty."""
    inverse = np.zeros(information.shape)
    held = np.flatnonzero(np.diag(information) > 0)
    if len(held):
        inverse[np.ix_(held, held)] = np.linalg.inv(information[np.ix_(held, held)])
    return inverse
