"""One age rule: whoever counts as a minor stands in a young band, in every derived table."""

import narwhals.stable.v2 as nw
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.derive import derived_tables
from registry.derive.people import AGE_BANDS, age_band, age_band_by_years, minor_by_years
from registry.door import enter

YOUNG = ("5-13", "14-17")
AGES = ("age_band", "minor")


def tables(*, birth_year=None, age=None):
    """One climber hurt, watched and climbing in 2024."""
    span = {"athlete": ["p1"], "starts_on": ["2024-01-01"], "ends_on": ["2024-12-31"]}
    case = {"case": "c", "athlete": "p1", "onset": "2024-05-05", "side": "left", "digit": "ring"}
    frames = {
        "cases": pl.DataFrame([{**case, "onset_mode": "sudden", "age_at_onset": age}]),
        "findings": {"case": ["c"], "structure": ["a2"], "extent": ["strain"]},
        "athletes": pl.DataFrame([{"athlete": "p1", "sex": "female", "birth_year": birth_year}]),
        "observation": span,
        "exposure": span | {"minutes_total": [600]},
    }
    return derived_tables(frames)


def ages(derived, name):
    [row] = derived[name].select(*AGES).collect().rows()
    return row


def test_a_difference_of_18_is_a_minor_in_the_band_below():
    derived = tables(birth_year=2006)
    for name in ("cases", "findings", "occurrences", "risk_time"):
        assert ages(derived, name) == ("14-17", True), name
    assert derived["cases"].select("age_at_onset").collect().rows() == [(18,)]


def test_a_given_age_of_18_is_an_adult_but_rates_follow_the_year_of_birth():
    derived = tables(birth_year=2006, age=18)
    assert ages(derived, "cases") == ages(derived, "findings") == ("18-24", False)
    assert ages(derived, "occurrences") == ages(derived, "risk_time") == ("14-17", True)


def test_without_a_year_of_birth_only_the_given_age_is_known():
    derived = tables(age=17)
    assert ages(derived, "cases") == ages(derived, "occurrences") == ("14-17", True)
    assert ages(derived, "risk_time") == (None, None)
    assert ages(tables(age=18), "occurrences") == ("18-24", False)


def test_an_age_outside_every_band_borrows_none():
    assert ages(tables(birth_year=1990, age=3), "cases") == (None, True)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(1950, 2100), st.integers(-5, 130)), min_size=1, max_size=30))
def test_minor_and_young_band_agree(people):
    frame = enter({"year": [year for year, _ in people], "birth_year": [year - age for year, age in people]})
    year, birth_year = nw.col("year"), nw.col("birth_year")
    rows = (
        frame.with_columns(
            band=age_band_by_years(year, birth_year),
            minor=minor_by_years(year, birth_year),
            plain=age_band(year - birth_year),
        )
        .select("year", "birth_year", "band", "minor", "plain")
        .collect()
        .rows()
    )
    known = {word for word, _, _ in AGE_BANDS}
    for given_year, born, band, minor, plain in rows:
        age = given_year - born
        assert minor == (age <= 18)
        assert (band is None) == (not 5 <= age <= 120)
        assert band is None or (band in known and minor == (band in YOUNG))
        assert band == plain or age == 18
