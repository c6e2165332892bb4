"""Age, the minor flag, the age band and the season: the same rules for the injured and for the time at risk."""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

ADULT_FROM = 18
"""Years. The published pulley grades and return tables are for adults; a minor is younger than this."""

AGE_BANDS: tuple[tuple[str, int, int], ...] = (
    ("5-13", 5, 13),
    ("14-17", 14, 17),
    ("18-24", 18, 24),
    ("25-34", 25, 34),
    ("35-44", 35, 44),
    ("45+", 45, 120),
)
"""Band, first and last whole year of age. Common practice, no source."""


def no_text() -> nw.Expr:
    """Return NULL as text."""
    return nw.lit(None, dtype=nw.String)


def no_number() -> nw.Expr:
    """Return NULL as a whole number."""
    return nw.lit(None, dtype=nw.Int64)


def not_known() -> nw.Expr:
    """Return NULL as a yes-or-no."""
    return nw.lit(None, dtype=nw.Boolean)


def age_band(age: nw.Expr) -> nw.Expr:
    """Return the band of a whole-year age; NULL when the age is not known or outside every band."""
    band = no_text()
    for word, first, last in reversed(AGE_BANDS):
        band = nw.when((age >= first) & (age <= last)).then(nw.lit(word)).otherwise(band)
    return band


def age_band_by_years(year: nw.Expr, birth_year: nw.Expr) -> nw.Expr:
    """Return the band in a year, when only the year of birth is known; NULL when it is not.

    As in :func:`minor_by_years`, a difference of 18 counts as 17, so that no minor stands in an adult band. At the
    other edges the difference itself decides; below the first band there is none.
    """
    age = year - birth_year
    return age_band(nw.when(age == ADULT_FROM).then(age - 1).otherwise(age))


def minor_by_years(year: nw.Expr, birth_year: nw.Expr) -> nw.Expr:
    """Say whether someone may be under 18 in a year, when only the year of birth is known.

    A difference of 18 means 17 before the birthday: such a climber counts as a minor. NULL when the year of birth
    is not known.
    """
    return (
        nw.when(birth_year.is_null())
        .then(not_known())
        .when((year - birth_year) <= ADULT_FROM)
        .then(nw.lit(True))
        .otherwise(nw.lit(False))
    )


def with_person(cases: nw.LazyFrame[Any], athletes: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Join to each case what is known of its climber, and derive age, band, season and dominance.

    Parameters
    ----------
    cases
        Rows of the dictionary's ``cases`` with ``site``.
    athletes
        Rows of the dictionary's ``athletes`` with ``site``.

    Returns
    -------
    The cases with climber, squad, sex, level, dominant_hand, season (text, calendar year of onset), age_at_onset
    (as given, else the difference of years), age_band, minor, rate_age_band, rate_minor, hand_is_dominant.
    A difference of 18 is kept as 18 in age_at_onset, but is a minor in the band 14-17 (:func:`age_band_by_years`).
    ``rate_*`` follow the year of birth first, as the time at risk does, so that the numerator and the denominator
    of a rate agree.
    """
    people = athletes.select(
        "site", "athlete", "squad", "sex", "level", "dominant_hand", nw.col("birth_year").cast(nw.Int64)
    )
    onset_year = nw.col("onset").dt.year().cast(nw.Int64)
    joined = cases.join(people, on=["site", "athlete"], how="left").with_columns(
        climber=nw.concat_str([nw.col("site"), nw.col("athlete")], separator=":"),
        season=onset_year.cast(nw.String),
        age_given=nw.col("age_at_onset").cast(nw.Int64),
        age_by_years=onset_year - nw.col("birth_year"),
        minor_by_years=minor_by_years(onset_year, nw.col("birth_year")),
        band_by_years=age_band_by_years(onset_year, nw.col("birth_year")),
        hand_is_dominant=_hand_is_dominant(),
    )
    aged = joined.with_columns(
        band_as_given=age_band(nw.col("age_given")),
        age_at_onset=nw.coalesce("age_given", "age_by_years"),
        minor_as_given=nw.when(nw.col("age_given").is_null())
        .then(not_known())
        .when(nw.col("age_given") < ADULT_FROM)
        .then(nw.lit(True))
        .otherwise(nw.lit(False)),
    )
    return aged.with_columns(
        minor=nw.coalesce("minor_as_given", "minor_by_years"),
        rate_minor=nw.coalesce("minor_by_years", "minor_as_given"),
        age_band=_first_known("age_given", "band_as_given", "band_by_years"),
        rate_age_band=_first_known("age_by_years", "band_by_years", "band_as_given"),
    )


def _first_known(age: str, band: str, otherwise: str) -> nw.Expr:
    # Not coalesce: a known age outside every band has no band, and must not borrow that of the other source.
    return nw.when(nw.col(age).is_null()).then(nw.col(otherwise)).otherwise(nw.col(band))


def _hand_is_dominant() -> nw.Expr:
    # 'both' says nothing about which hand carries more, and must not enter a sign test.
    one_handed = nw.col("dominant_hand").is_in(["left", "right"])
    return (
        nw.when(one_handed.fill_null(False) & ~nw.col("side").is_null())
        .then(nw.col("side") == nw.col("dominant_hand"))
        .otherwise(not_known())
    )
