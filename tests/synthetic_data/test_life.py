"""Does what was written follow the truth? Fixed seed; a margin of four standard errors is stated in each test."""

import csv
import math
from collections import Counter, defaultdict
from dataclasses import replace
from datetime import date
from pathlib import Path
from random import Random

import numpy as np
import pytest

from synthetic_data import Federation, true_parameters, write_federation
from synthetic_data.calendar import Calendar
from synthetic_data.chance import pick
from synthetic_data.climbing import Climbs
from synthetic_data.course import FULL, LEVEL, Course, draw_course, postpone
from synthetic_data.injuries import draw_injury
from synthetic_data.life import live
from synthetic_data.people import draw_climber, pseudonym

TRUTH = true_parameters()


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def poisson_z(observed: float, expected: float) -> float:
    return (observed - expected) / math.sqrt(expected)


def test_as_many_injuries_happen_as_the_hazards_on_the_way_make_expected(clean: Federation) -> None:
    """Occurrences minus integrated hazard is a martingale with variance = integrated hazard: |z| < 4."""
    ledger = read(clean.truth_folder / "ledger.csv")
    happened = sum(int(row["happened"]) for row in ledger)
    expected = sum(float(row["expected"]) for row in ledger)
    assert happened > 200
    assert abs(poisson_z(happened, expected)) < 4


def test_the_delivered_rates_are_the_true_ones_when_all_climbers_are_alike(tmp_path: Path) -> None:
    """Occurrences per logged hour in the diary's own CSVs against ``per_1000_h``: Poisson, |z| < 4 in each stratum."""
    alike = replace(
        TRUTH,
        hazard=replace(
            TRUTH.hazard,
            previous_injury=1.0,
            frailty_shape=math.inf,
            discipline=dict.fromkeys(TRUTH.hazard.discipline, 1.0),
            level=dict.fromkeys(TRUTH.hazard.level, 1.0),
            season={},
        ),
        onset_precision={"day": 1.0},
        sites=TRUTH.sites[:1],
    )
    alike = replace(alike, records=replace(alike.records, empty=0.0, unknown=0.0))
    diary = write_federation(tmp_path / "alike", climbers=2400, truth=alike).sites[0].folder
    minutes: Counter[tuple[str, str]] = Counter()
    covered = defaultdict(list)
    for row in read(diary / "exposure.csv"):
        minutes[row["setting"], row["context"]] += int(row["minutes_total"])
        covered[row["athlete"]].append((row["starts_on"], row["ends_on"]))
    onsets = {(row["occurrence"]): row for row in read(diary / "cases.csv")}
    events = Counter(
        (row["setting"], row["context"])
        for row in onsets.values()
        if any(first <= row["onset"] <= last for first, last in covered[row["athlete"]])
    )
    assert sum(events.values()) > 150
    tested = 0
    for stratum, total in minutes.items():
        expected = total / 60_000 * alike.hazard.per_1000_h["/".join(stratum)]
        if expected >= 5:
            tested += 1
            assert abs(poisson_z(events[stratum], expected)) < 4, stratum
    assert tested >= 4


def test_days_to_return_lie_around_their_true_median(tmp_path: Path) -> None:
    """Half of the courses drawn at a severity end before the true median: binomial, |z| < 4."""
    chance = Random(11)
    alike = replace(TRUTH, course=replace(TRUTH.course, gives_up_for_other_reasons=0.0))
    days = []
    while len(days) < 2000:
        injury = draw_injury(alike, age=25, dominant_hand="right", chance=chance)
        if injury.severity == "pulley_III":
            course = draw_course(alike, injury, onset=100, age=25, chance=chance)
            if course.full is not None:
                days.append(course.full - course.off_from)
    early = sum(day < alike.recovery["pulley_III"].full for day in days)
    ties = sum(day == alike.recovery["pulley_III"].full for day in days)
    assert abs(early + ties / 2 - 1000) / math.sqrt(2000 * 0.25) < 4


def test_grips_at_injury_follow_use_and_risk() -> None:
    """Among sudden injuries the odds of a grip are use times multiplier: binomial, |z| < 4."""
    chance = Random(3)
    n = 4000
    drawn = Counter(pick(TRUTH.grips.at_injury, chance) for _ in range(n))
    weights = {grip: share * TRUTH.grips.multiplier[grip] for grip, share in TRUTH.grips.share.items()}
    for grip, weight in weights.items():
        true_share = weight / sum(weights.values())
        z = (drawn[grip] - n * true_share) / math.sqrt(n * true_share * (1 - true_share))
        assert abs(z) < 4, grip


def test_nobody_climbs_while_off_and_courses_run_forward() -> None:
    calendar = Calendar(2024, 2025, 60)
    climbs = Climbs(replace(TRUTH, hazard=replace(TRUTH.hazard, previous_injury=4.0)), calendar)
    events = 0
    for index in range(150):
        chance = Random(f"life/{index}")
        climber = draw_climber(index, 150, site=TRUTH.sites[0], truth=TRUTH, calendar=calendar, chance=chance)
        life = live(climber, climbs, chance=chance, numbers=np.random.default_rng(index))
        for event in life.events:
            events += 1
            assert life.days.minutes[event.day] > 0
            for _, course in event.fingers:
                days = [day for day, _ in course.changes]
                assert days == sorted(days)
                assert days[0] == course.off_from >= event.day
                for begins, end, status in course.spans(calendar.days - 1):
                    if status in ("off_climbing", "stopped_climbing"):
                        assert not life.days.minutes[max(begins, event.day + 1) : end].any()
    assert events > 60


def test_an_injury_that_still_heals_waits_for_the_next_one() -> None:
    course = Course(10, 10, [(10, "off_climbing"), (30, "modified_climbing"), (50, FULL), (70, LEVEL)])
    postpone(course, day=40, full=90)
    assert (course.modified, course.full, course.level) == (30, 90, 110)
    postpone(course, day=95, full=300)
    assert course.full == 90


def test_no_two_climbers_share_a_pseudonym() -> None:
    assert len({pseudonym("OR", index, 90_000) for index in range(90_000)}) == 90_000
    assert len({pseudonym("OR", index, 200_000) for index in range(200_000)}) == 200_000


@pytest.mark.parametrize("season", [2024, 2025])
def test_months_and_weeks_tile_the_year(season: int) -> None:
    calendar = Calendar(season, season, 60)
    for period in ("week", "month"):
        starts = calendar.period_starts(period)
        for number in range(calendar.days):
            start = int(starts[number])
            assert start <= number <= calendar.period_end(start, period)
    january = calendar.number(date(season, 1, 1))
    assert calendar.date(calendar.period_end(january, "month")) == date(season, 1, 31)
