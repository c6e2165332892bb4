"""The climbers: who they are, how they climb, and how long they are watched."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from synthetic_data.calendar import Calendar
from synthetic_data.chance import happens, pick
from synthetic_data.truth import Site, Truth

SQUAD_SIZE = 15


@dataclass(frozen=True, kw_only=True)
class Climber:
    """One invented climber of one site."""

    athlete: str
    squad: str
    sex: str
    birth_year: int
    birthday: int
    """Day of the year, never delivered: it only decides the age on a day."""
    dominant_hand: str
    climbing_since: int
    level: str
    height_cm: int
    body_mass_kg: int
    style: str
    sessions_a_day: float
    minutes_factor: float
    frailty: float
    """Multiplies the hazard; mean 1 over climbers."""
    observed: bool
    joins: int
    leaves: int
    """First and last watched day."""
    leaves_because: str

    def age_on(self, day: int, calendar: Calendar) -> int:
        """Return the age in whole years on a day."""
        on = calendar.date(day)
        return on.year - self.birth_year - (on.timetuple().tm_yday < self.birthday)


def pseudonym(prefix: str, index: int, people: int) -> str:
    """Return two letters and digits that scatter: neighbours in the simulation are no neighbours on paper.

    The multiplier is prime to the modulus, hence no two indices below it meet.
    """
    modulus, width = (99_991, 5) if people < 99_991 else (999_999_937, 9)
    return f"{prefix}{(index + 1) * 48_271 % modulus:0{width}d}"


def pseudonym_pattern(people: int) -> str:
    """Return the regular expression that a site with so many people declares."""
    return "[A-Z]{2}[0-9]{5}" if people < 99_991 else "[A-Z]{2}[0-9]{9}"


def draw_climber(index: int, people: int, *, site: Site, truth: Truth, calendar: Calendar, chance: Random) -> Climber:
    """Draw the climber with this index among the people of a site."""
    minor = happens(site.minors, chance)
    age = chance.randint(9, 17) if minor else min(70, 18 + int(chance.gammavariate(2.2, 6.5)))
    level = _level(age, site, chance)
    sex = "female" if happens(0.42, chance) else ("other" if happens(0.01, chance) else "male")
    shape = truth.hazard.frailty_shape
    height = 120 + 6 * (age - 9) if minor else (167 if sex == "female" else 179)
    height_cm = round(chance.gauss(min(height, 172), 6))
    observed = site.watches != "nobody" and not happens(truth.records.not_observed, chance)
    joins, leaves, because = _watching(site, truth, calendar, chance)
    return Climber(
        athlete=pseudonym(site.prefix, index, people),
        squad=_squad(index, people) if observed and site.watches == "squads" else "",
        sex=sex,
        birth_year=calendar.first_season - age,
        birthday=chance.randint(1, 365),
        dominant_hand=pick({"right": 0.87, "left": 0.10, "both": 0.03}, chance),
        climbing_since=calendar.first_season - chance.randint(0, max(1, min(age - 6, 20))),
        level=level,
        height_cm=height_cm,
        body_mass_kg=round((height_cm / 100) ** 2 * chance.gauss(18.5 if minor else 21.8, 1.5)),
        style=pick(truth.style_shares, chance) if level == "recreational" else "competitor",
        sessions_a_day=min(0.85, truth.climbing.sessions_per_week[level] / 7 * chance.uniform(0.6, 1.4)),
        minutes_factor=chance.uniform(0.75, 1.25),
        frailty=1.0 if shape == float("inf") else chance.gammavariate(shape, 1 / shape),
        observed=observed,
        joins=joins,
        leaves=leaves,
        leaves_because=because,
    )


def _squad(index: int, people: int) -> str:
    width = len(pseudonym("", index, people))
    return f"SQ{index // SQUAD_SIZE + 1:0{width}d}"


def _level(age: int, site: Site, chance: Random) -> str:
    if not happens(site.competitive * (0.4 if age > 35 else 1.0), chance):
        return "recreational"
    return pick(
        {"competitive_regional": 0.64, "competitive_national": 0.26, "competitive_international": 0.10},
        chance,
    )


def _watching(site: Site, truth: Truth, calendar: Calendar, chance: Random) -> tuple[int, int, str]:
    start, end = calendar.burn_in_days, calendar.season_ends
    if site.watches == "squads":
        return start, end, "season_end"
    joins = chance.randint(start, end - 60) if happens(truth.records.joins_late, chance) else start
    seasons = (end - joins) / 365.25
    if happens(1 - (1 - truth.records.leaves_per_season) ** seasons, chance):
        because = pick({"left": 0.7, "withdrawn": 0.15, "unknown": 0.15}, chance)
        return joins, chance.randint(joins + 30, end), because
    return joins, end, "season_end"
