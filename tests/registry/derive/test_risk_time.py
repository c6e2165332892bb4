"""Time at risk: observation intersected with exposure, minutes exact, season edges; and the standing of events."""

from datetime import date, timedelta

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.derive import base_from_frames, derived_tables
from registry.derive.intervals import islands, seasons, share, split_by_season
from registry.derive.risk_time import observed_climbers, risk_time
from registry.door import enter

CASE = {"side": "left", "digit": "ring", "onset_mode": "sudden"}


def cases(**onsets):
    return pl.DataFrame([{"case": name, "athlete": who, "onset": day, **CASE} for name, (who, day) in onsets.items()])


def risk(observation, exposure, athletes=None):
    frames = {
        "cases": cases(c=("p1", "2024-05-05")),
        "observation": pl.DataFrame(observation),
        "exposure": pl.DataFrame(exposure),
        "athletes": pl.DataFrame(athletes or [{"athlete": "p1", "sex": "female", "birth_year": 2006}]),
    }
    return derived_tables(frames)["risk_time"].sort("unit", "starts_day").collect(backend="polars").to_native()


def test_split_at_the_turn_of_the_year():
    out = risk(
        [{"athlete": "p1", "starts_on": "2023-01-01", "ends_on": "2025-12-31"}],
        [{"athlete": "p1", "starts_on": "2023-12-30", "ends_on": "2024-01-05", "minutes_total": 100, "starts": 3}],
    )
    assert out.select("season", "days", "minutes", "starts", "minor", "age_band").rows() == [
        ("2023", 2, 28, 0, True, "14-17"),
        ("2024", 5, 72, 3, True, "14-17"),
    ]


def test_only_observed_days_and_no_day_twice():
    out = risk(
        [
            {"athlete": "p1", "starts_on": "2024-01-04", "ends_on": "2024-01-06"},
            {"athlete": "p1", "starts_on": "2024-01-05", "ends_on": "2024-01-08"},
        ],
        [{"athlete": "p1", "starts_on": "2024-01-01", "ends_on": "2024-01-10", "minutes_total": 1000}],
    )
    assert out.select("days", "minutes", "climber", "unit").rows() == [(5, 500, "one:p1", "climber")]


def test_squad_rows():
    squad = {"squad": "q", "starts_on": "2024-01-01", "ends_on": "2024-12-31", "climbers": 8}
    hours = {"squad": "q", "starts_on": "2024-02-01", "ends_on": "2024-02-29", "minutes_total": 5000}
    own = {"athlete": "p1", "starts_on": "2024-03-01", "ends_on": "2024-03-10", "minutes_total": 70}
    member = [{"athlete": "p1", "sex": "female", "squad": "q"}]
    out = risk([{**squad, "women": 8, "minors": 0}], [{**hours, "athlete": None}, {**own, "squad": None}], member)
    shown = out.select("unit", "climber", "squad", "sex", "minor", "climbers", "minutes").rows()
    assert shown == [
        ("climber", "one:p1", "q", "female", None, 1, 70),
        ("squad", None, "q", "female", False, 8, 5000),
    ]
    mixed = risk([{**squad, "women": 3, "minors": 8}], [hours], member)
    assert mixed.select("sex", "minor").rows() == [(None, True)]


def test_standing():
    frames = {
        "cases": cases(
            counted=("p1", "2024-02-29"),
            prevalent=("p1", "2023-12-31"),
            uncovered=("p1", "2024-05-05"),
            outside=("p1", "2025-01-01"),
            never=("p2", "2024-02-01"),
            by_squad=("p3", "2024-02-01"),
        ),
        "athletes": {"athlete": ["p1", "p2", "p3"], "sex": ["male"] * 3, "squad": [None, None, "q"]},
        "observation": pl.DataFrame(
            [
                {"athlete": "p1", "squad": None, "starts_on": "2024-01-01", "ends_on": "2024-12-31"},
                {"athlete": None, "squad": "q", "starts_on": "2024-01-01", "ends_on": "2024-12-31"},
            ]
        ),
        "exposure": pl.DataFrame(
            [
                {"athlete": "p1", "squad": None, "starts_on": "2024-02-01", "ends_on": "2024-02-29"},
                {"athlete": None, "squad": "q", "starts_on": "2024-02-01", "ends_on": "2024-02-29"},
            ]
        ).with_columns(minutes_total=600),
    }
    out = derived_tables(frames)["occurrences"].select("occurrence", "standing").collect()
    assert dict(out.rows()) == {
        "counted": "counted",
        "prevalent": "prevalent",
        "uncovered": "uncovered",
        "outside": "outside_observation",
        "never": "not_observed",
        "by_squad": "counted",
    }
    without = derived_tables({"cases": frames["cases"]})["occurrences"].select("standing").collect()
    assert {row[0] for row in without.rows()} == {"site_without_observation"}


def test_fingers_hurt_at_once_are_one_occurrence():
    two = cases(a=("p1", "2024-02-01"), b=("p1", "2024-02-01")).with_columns(
        occurrence=pl.lit("o"), digit=pl.Series(["ring", "middle"])
    )
    frames = {
        "cases": two,
        "findings": {"case": ["a", "b"], "structure": ["a2", "a4"], "extent": ["strain", "complete"]},
        "follow_ups": {
            "case": ["a", "b"],
            "seen": ["2024-03-01", "2024-03-01"],
            "status": ["full_climbing", "full_climbing"],
            "since": ["2024-02-11", "2024-02-21"],
        },
    }
    out = derived_tables(frames)["occurrences"].select("occurrence", "fingers", "tier", "time_loss_days").collect()
    assert out.rows() == [("o", 2, "pulley_2", 19)]
    frames["follow_ups"]["status"] = ["off_climbing", "full_climbing"]
    out = derived_tables(frames)["occurrences"].select("time_loss_days", "time_loss_complete").collect()
    assert out.rows() == [(None, False)]


def test_new_year_is_the_calendar():
    years = seasons(enter({"x": [1]})).sort("year").collect().to_native().to_pylist()
    epoch = date(1970, 1, 1)
    for row in years:
        assert epoch + timedelta(days=row["year_from"]) == date(row["year"], 1, 1)
        assert epoch + timedelta(days=row["year_to"]) == date(row["year"], 12, 31)
    assert len(years) == 256


def test_islands():
    spans = enter({"g": ["a"] * 4 + ["b"], "starts_day": [1, 3, 11, 20, 1], "ends_day": [9, 5, 12, 21, 2]})
    assert sorted(islands(spans, by=["g"]).collect().rows()) == [("a", 1, 9), ("a", 11, 12), ("a", 20, 21), ("b", 1, 2)]
    touching = enter({"g": ["a", "a"], "starts_day": [1, 6], "ends_day": [5, 9]})
    assert islands(touching, by=["g"]).collect().rows() == [("a", 1, 9)]


@settings(max_examples=50, deadline=None)
@given(st.integers(-800, 30_000), st.integers(1, 2000), st.integers(0, 10**7))
def test_minutes_add_up_exactly(start, days, minutes):
    span = {"starts_day": [start], "ends_day": [start + days - 1], "minutes": [minutes]}
    span |= {"part_from": span["starts_day"], "part_to": span["ends_day"]}
    frame = enter(span)
    parts = split_by_season(frame, seasons(frame)).with_columns(got=share("minutes")).collect().to_native()
    got = parts.to_pylist()
    assert sum(row["got"] for row in got) == minutes
    assert all(row["got"] >= 0 for row in got)
    assert sum(row["part_to"] - row["part_from"] + 1 for row in got) == days


def minutes_at_risk(observation, exposure):
    frames = {"cases": cases(c=("p1", "2024-05-05"))}
    base = base_from_frames({**frames, "observation": pl.DataFrame(observation), "exposure": pl.DataFrame(exposure)})
    observed = observed_climbers(base["observation"], base["athletes"])
    years = seasons(enter({"x": [1]}))
    out = risk_time(base["exposure"], base["observation"], base["athletes"], observed, years)
    return sum(row[0] for row in out.select("minutes").collect().rows())


@settings(max_examples=10, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 400), st.integers(0, 200)), min_size=1, max_size=4, unique_by=lambda s: s[0]),
    st.integers(0, 5000),
)
def test_never_more_than_was_climbed(watched, minutes):
    start = date(2023, 6, 1)
    day = lambda number: (start + timedelta(days=number)).isoformat()  # noqa: E731
    observation = [{"athlete": "p1", "starts_on": day(a), "ends_on": day(a + n)} for a, n in watched]
    exposure = [{"athlete": "p1", "starts_on": day(100), "ends_on": day(500), "minutes_total": minutes}]
    assert minutes_at_risk(observation, exposure) <= minutes
    everything = [{"athlete": "p1", "starts_on": day(-1), "ends_on": day(600)}]
    assert minutes_at_risk(observation + everything, exposure) == minutes
