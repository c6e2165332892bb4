"""Small worlds of cases whose true shares and odds ratios are known exactly: many registries to count hits in.

The federation simulates climbers day by day, which is too slow for hundreds of registries. Here only cases are drawn,
but climbers repeat and resemble themselves: a climber has a favourite finger and a favourite grip, and tears more or
less easily than others. Nothing of this is shared with ``analysis``, which has to find it out.

A climber's own tendency to the outcome follows the bridge distribution of Wang & Louis (2003, Biometrika 90:765-775):
averaged over climbers a logistic model then stays logistic, with all coefficients shrunk by one known factor. So the
truth is a formula and no second simulation. Only uniform numbers are drawn; they are the same on every platform.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import exp, log, pi
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

ALONE: Final[Mapping[int, float]] = {1: 1.0}
REPEATING: Final[Mapping[int, float]] = {1: 0.60, 2: 0.20, 3: 0.10, 5: 0.07, 8: 0.03}
"""Cases a climber has, and the share of climbers with so many (invented)."""
DIGITS: Final[Mapping[str, float]] = {"thumb": 0.05, "index": 0.12, "middle": 0.33, "ring": 0.42, "little": 0.08}
GRIPS: Final[Mapping[str, Mapping[str, float]]] = {
    "female": {"full_crimp": 0.30, "half_crimp": 0.45, "open_hand": 0.25},
    "male": {"full_crimp": 0.45, "half_crimp": 0.30, "open_hand": 0.25},
}
TAPED: Final[Mapping[str, float]] = {"yes": 0.35, "no": 0.65}
"""A habit that goes with nothing else."""
FEMALE: Final = 0.4


@dataclass(frozen=True, kw_only=True)
class CaseWorld:
    """A world from which registries of ``cases`` cases are drawn.

    Examples
    --------
    >>> world = CaseWorld(cases=80, crimp_ratio=2.5, per_climber=REPEATING, alike=0.5, faithful=0.8)
    >>> registry = world.registry(number=1)
    >>> len(registry["climber"]), len(set(registry["climber"])) < 80
    (80, True)
    >>> round(world.adjusted_ratio("full_crimp", "open_hand"), 6)
    2.5
    """

    cases: int
    crimp_ratio: float
    """True odds ratio of a torn pulley, full crimp against open hand, among climbers of one sex."""
    per_climber: Mapping[int, float] = field(default_factory=lambda: dict(ALONE))
    alike: float = 1.0
    """How alike climbers are in tearing: 1 = all alike; smaller = more different (the bridge's shrinking factor)."""
    faithful: float = 0.0
    """Probability that a case has the climber's favourite finger; likewise the favourite grip and taping habit."""
    intercept: float = 0.0
    female_ratio: float = 0.5

    @property
    def _log_ratios(self) -> dict[str, float]:
        return {"full_crimp": log(self.crimp_ratio), "half_crimp": log(self.crimp_ratio) / 2, "open_hand": 0.0}

    def _logit(self, grip: str, sex: str) -> float:
        """Return the logit of a tear averaged over climbers."""
        return self.intercept + self._log_ratios[grip] + (log(self.female_ratio) if sex == "female" else 0.0)

    def registry(self, *, number: int) -> dict[str, Array]:
        """Draw one registry: climber, case, sex, grip, digit, taped, torn (true/false)."""
        chance = np.random.Generator(np.random.PCG64([self.cases, number]))
        climber = self._climbers(chance)
        climbers = int(climber[-1]) + 1
        female = chance.random(climbers) < FEMALE
        tendency = _bridge(chance.random(climbers), self.alike)
        sex = np.where(female, "female", "male")[climber]
        grip = self._words(chance, climber, [GRIPS["female"] if one else GRIPS["male"] for one in female])
        digit = self._words(chance, climber, [DIGITS] * climbers)
        average = np.array([self._logit(str(g), str(s)) for g, s in zip(grip, sex, strict=True)])
        torn = chance.random(self.cases) < 1 / (1 + np.exp(-(average / self.alike + tendency[climber])))
        taped = self._words(chance, climber, [TAPED] * climbers)
        return {
            "climber": np.array([f"c{i:04d}" for i in climber]),
            "case": np.array([f"k{i:05d}" for i in range(self.cases)]),
            "sex": sex,
            "grip": grip,
            "digit": digit,
            "taped": taped,
            "torn": torn,
        }

    def _climbers(self, chance: np.random.Generator) -> Array:
        """Number the climber of each case; the last climber may lose cases to the end of the season."""
        sizes, shares = np.array(list(self.per_climber)), np.array(list(self.per_climber.values()))
        counts = sizes[_place(chance.random(self.cases), np.cumsum(shares))]
        climber: Array = np.repeat(np.arange(self.cases), counts)[: self.cases]
        return climber

    def _words(self, chance: np.random.Generator, climber: Array, shares: list[Mapping[str, float]]) -> Array:
        """Draw each case's word: the climber's favourite, or afresh from the same shares."""
        words = np.array(list(shares[0]))
        ends = np.cumsum([list(each.values()) for each in shares], axis=1)
        favourite = _place(chance.random(len(shares)), ends)
        fresh = _place(chance.random(self.cases), ends[climber])
        keeps = chance.random(self.cases) < self.faithful
        drawn: Array = words[np.where(keeps, favourite[climber], fresh)]
        return drawn

    def share(self, digit: str) -> float:
        """Return the true share of a finger among cases."""
        return DIGITS[digit]

    def adjusted_ratio(self, grip: str, reference: str) -> float:
        """Return the true odds ratio of a tear between two grips among climbers of one sex."""
        return exp(self._log_ratios[grip] - self._log_ratios[reference])

    def crude_ratio(self, grip: str, reference: str) -> float:
        """Return the true odds ratio of a tear between two grips when nobody looks at the sex."""
        odds = []
        for word in (grip, reference):
            weights = {"female": FEMALE * GRIPS["female"][word], "male": (1 - FEMALE) * GRIPS["male"][word]}
            torn = sum(weight / (1 + exp(-self._logit(word, sex))) for sex, weight in weights.items())
            odds.append(torn / (sum(weights.values()) - torn))
        return odds[0] / odds[1]

    def cramers_v(self) -> float:
        """Return the true Cramér's V of sex and grip."""
        joint = np.array(
            [[FEMALE * p for p in GRIPS["female"].values()], [(1 - FEMALE) * p for p in GRIPS["male"].values()]]
        )
        expected = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0)
        return float(np.sqrt(((joint - expected) ** 2 / expected).sum()))


@dataclass(frozen=True, kw_only=True)
class MatchedWorld:
    """A world of matched sets: one injured session among ``referents`` uninjured ones of its set.

    Examples
    --------
    >>> sets = MatchedWorld(sets=40, referents=1, crimp_ratio=2.0).registry(number=1)
    >>> len(sets["match_set"]), int(sets["hurt"].sum())
    (80, 40)
    """

    sets: int
    referents: int
    crimp_ratio: float
    """True odds ratio of being the injured session, averaged over climbers."""
    per_climber: Mapping[int, float] = field(default_factory=lambda: dict(ALONE))
    """Sets a climber has."""
    alike: float = 1.0
    """How alike climbers are in what crimping does to them; below 1 the average is exact in pairs only."""

    def registry(self, *, number: int) -> dict[str, Array]:
        """Draw one registry: climber, match_set, and true/false: crimp, taped (goes with nothing), hurt."""
        chance = np.random.Generator(np.random.PCG64([self.sets, self.referents, number]))
        sizes, shares = np.array(list(self.per_climber)), np.array(list(self.per_climber.values()))
        climber = np.repeat(np.arange(self.sets), sizes[_place(chance.random(self.sets), np.cumsum(shares))])
        climber = climber[: self.sets]
        effect = log(self.crimp_ratio) / self.alike + _bridge(chance.random(self.sets), self.alike)[climber]
        members = self.referents + 1
        habit = 0.25 + 0.5 * chance.random(self.sets)  # sets differ in how usual crimping is: hence the matching
        crimp = chance.random((self.sets, members)) < habit[:, None]
        weight = np.where(crimp, np.exp(effect)[:, None], 1.0)
        chosen = _place(chance.random(self.sets), np.cumsum(weight, axis=1) / weight.sum(axis=1, keepdims=True))
        hurt = np.arange(members) == chosen[:, None]
        taped = chance.random((self.sets, members)) < TAPED["yes"]
        return {
            "climber": np.repeat(np.array([f"c{i:04d}" for i in climber]), members),
            "match_set": np.repeat(np.array([f"s{i:05d}" for i in range(self.sets)]), members),
            "crimp": crimp.ravel(),
            "taped": taped.ravel(),
            "hurt": hurt.ravel(),
        }


def _place(uniform: Array, ends: Array) -> Array:
    """Find in which piece of a divided unit length each number falls."""
    rows = ends if ends.ndim == 2 else ends[None, :]
    place: Array = np.minimum((uniform[:, None] >= rows).sum(axis=1), rows.shape[1] - 1)
    return place


def _bridge(uniform: Array, alike: float) -> Array:
    """Turn uniform numbers into tendencies that bridge a logistic model and its average."""
    if alike == 1:
        return np.zeros(len(uniform))
    tendency: Array = np.log(np.sin(alike * pi * uniform) / np.sin(alike * pi * (1 - uniform))) / alike
    return tendency
