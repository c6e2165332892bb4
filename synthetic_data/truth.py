"""The true parameters of the invented federation, read from ``truth.toml`` and given types.

Every number is invented for the demo. Nothing of this is shared with ``analysis``, which has to find it out.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

Shares = Mapping[str, float]
"""Word -> relative share, read relative to their sum."""


@dataclass(frozen=True, kw_only=True)
class Hazard:
    """Occurrences per 1000 hours of climbing, and what multiplies them."""

    per_1000_h: Shares
    """By ``setting/context``."""
    discipline: Shares
    level: Shares
    season: Shares
    previous_injury: float
    frailty_shape: float
    """Shape of the gamma distribution (mean 1) over climbers; infinite makes all climbers alike."""


@dataclass(frozen=True, kw_only=True)
class Climbing:
    """How often and how long people climb."""

    sessions_per_week: Shares
    minutes_median: Shares
    outdoor_minutes_factor: float
    minutes_sigma: float
    rehabilitation_sessions: float


@dataclass(frozen=True, kw_only=True)
class Chances:
    """How often something is done, and by how much it multiplies the hazard of a sudden injury."""

    share: Shares
    multiplier: Shares

    @property
    def at_injury(self) -> Shares:
        """The shares among injuries that follow from both."""
        return {word: share * self.multiplier[word] for word, share in self.share.items()}


@dataclass(frozen=True, kw_only=True)
class Course:
    """What all injuries have in common on the way back."""

    full_sigma: float
    over_35_factor: float
    previous_level_factor: float
    previous_level_sigma: float
    setback: float
    setback_days: float
    gives_up_for_other_reasons: float
    several_fingers: float
    same_place_again: float
    later_first_day_off: float
    later_first_day_off_days: float


@dataclass(frozen=True, kw_only=True)
class Recovery:
    """The way back at one severity: median days, shares and probabilities."""

    full: float
    """Median days until unrestricted climbing."""
    modified: float
    """Share of that time until restricted climbing."""
    never_stopped: float
    gives_up: float
    never_level: float
    surgery: float
    pop: float


@dataclass(frozen=True, kw_only=True)
class Records:
    """How imperfectly things are written down."""

    lost_per_contact: float
    declined_per_contact: float
    withdrawn_per_contact: float
    contact_noise: float
    leaves_per_season: float
    joins_late: float
    not_observed: float
    misses_a_period: float
    misjudged_by_hand: float
    reader_off_by_one: float
    empty: float
    unknown: float
    sessions_sampled: float
    moves_per_case: float


@dataclass(frozen=True, kw_only=True)
class Site:
    """A place that delivers data, and how it sees injuries."""

    code: str
    name: str
    kind: Literal["clinic", "squad", "self_report"]
    prefix: str
    """The two letters with which its pseudonyms begin."""
    delivers: Literal["tables", "sheet"]
    watches: Literal["nobody", "climbers", "squads"]
    period: Literal["week", "month"]
    """What an exposure row covers."""
    case_definition: Literal["any_complaint", "medical_attention", "time_loss"]
    consecutive: str
    exposure_method: Literal["logged", "estimated", "none"]
    contact_cadence_days: int
    people: float
    """Simulated climbers per climber of the size asked for."""
    minors: float
    competitive: float
    reports: float
    """Probability that an injury which meets the case definition is delivered."""
    delay_sudden_days: float
    delay_gradual_days: float
    recorded_afterwards: float
    exact_dates: float
    imaging: float


@dataclass(frozen=True, kw_only=True)
class Truth:
    """All true parameters; ``dataclasses.replace`` makes another truth from them."""

    name: str
    last_season: int
    burn_in_days: int
    hazard: Hazard
    climbing: Climbing
    styles: Mapping[str, Shares]
    style_shares: Shares
    grips: Chances
    moves: Chances
    activities: Chances
    blows: Shares
    onset_mode: Shares
    diagnosis: Mapping[str, Shares]
    grip_odds: Mapping[str, Shares]
    digits: Mapping[str, Shares]
    severity: Mapping[str, Shares]
    structures: Mapping[str, Shares]
    thumb: Mapping[str, Shares]
    course: Course
    recovery: Mapping[str, Recovery]
    seeks_care: Shares
    records: Records
    onset_precision: Shares
    sites: tuple[Site, ...]


@cache
def true_parameters() -> Truth:
    """Return the true parameters of the invented federation.

    Returns
    -------
    Truth
        Rates per 1000 hours, times in days, shares relative to their sum.

    Examples
    --------
    >>> truth = true_parameters()
    >>> truth.recovery["pulley_III"].full > truth.recovery["pulley_I"].full
    True
    """
    told: dict[str, Any] = tomllib.loads(files("synthetic_data").joinpath("truth.toml").read_text("utf-8"))
    federation = told.pop("federation")
    typed: dict[str, Any] = {
        "hazard": Hazard(**told.pop("hazard")),
        "climbing": Climbing(**told.pop("climbing")),
        "grips": Chances(**told.pop("grips")),
        "moves": Chances(**told.pop("moves")),
        "activities": Chances(**told.pop("activities")),
        "course": Course(**told.pop("course")),
        "records": Records(**told.pop("records")),
        "recovery": {word: Recovery(**values) for word, values in told.pop("recovery").items()},
        "sites": tuple(Site(**values) for values in told.pop("sites")),
    }
    return Truth(**federation, **typed, **told)
