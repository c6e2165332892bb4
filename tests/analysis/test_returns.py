"""Return curves: who counts, from when, and what is said about the rest."""

import numpy as np
import pandas as pd
import polars as pl
import pytest

from analysis import return_curves, survival_curves
from registry.errors import ColumnError, DataError, OptionError

TIERS = ["pulley_1", "pulley_2", "pulley_3", "joint"]


def cases(n, seed=5):
    """Return n invented cases, some of minors, some recorded after the return."""
    rng = np.random.default_rng(seed)
    day, end = rng.gamma(4, 20, n).astype(int), rng.integers(20, 400, n)
    returned = day <= end
    between = returned & (rng.random(n) < 0.3)
    return pd.DataFrame(
        {
            "tier": rng.choice(TIERS, n),
            "full_day": np.minimum(day, end),
            "full_returned": returned,
            "full_kind": np.where(returned, np.where(between, "interval", "exact"), "censored"),
            "entry_day": rng.integers(0, 30, n),
            "minor": rng.random(n) < 0.1,
        }
    )


def case(day=50, returned=True, entry=0, minor=False, tier="pulley_1", kind="exact"):
    return {
        "tier": tier,
        "full_day": day,
        "full_returned": returned,
        "full_kind": kind if returned else "censored",
        "entry_day": entry,
        "minor": minor,
    }


def frame(*rows):
    return pl.DataFrame(list(rows), infer_schema_length=None)


def codes(result):
    return {note.code for note in result.notes}


def sentences(result):
    return {note.code: note.sentence for note in result.notes}


class View:
    """What return_curves needs of an opened registry."""

    def __init__(self, table):
        self._cases = table

    def table(self, name):
        return {"cases": self._cases}[name]

    def base(self, name):
        raise KeyError(name)


@pytest.mark.parametrize("n", [3, 12, 80, 400])
def test_registries_of_every_size(n):
    result = return_curves(cases(n))
    assert result.n_rows_in == n
    assert result.n_rows_used + result.left_out["n"].sum() == n
    assert result.n_rows_used == result.groups["n"].sum()
    assert result.groups["group"].tolist() == [tier for tier in TIERS if tier in set(result.groups["group"])]
    assert result.table["estimate"].between(0, 1).all()
    assert len(result.shares_back) == 4 * len(result.groups)
    assert (result.groups["events"] + result.groups["censored"]).tolist() == result.groups["n"].tolist()


def test_no_case_at_all():
    with pytest.raises(DataError, match="no cases to estimate from"):
        return_curves(frame(case()).head(0))
    with pytest.raises(DataError, match="none of the 1 cases can be used"):
        return_curves(frame(case(minor=True)))


def test_a_view_and_its_cases_give_the_same():
    table = cases(60)
    pd.testing.assert_frame_equal(return_curves(View(table)).table, return_curves(table).table)


def test_minors_stay_apart_and_are_counted():
    table = frame(case(), case(20, minor=True), case(70, minor=None), case(90))
    adults, minors = return_curves(table), return_curves(table, people="minors")
    assert adults.table["time"].tolist() == [50, 90]
    assert adults.left_out.values.tolist() == [["under 18 (shown apart)", 1], ["age not recorded (shown apart)", 1]]
    assert minors.table["time"].tolist() == [20]
    assert return_curves(table, people="age_unknown").table["time"].tolist() == [70]


def test_cases_recorded_after_the_return_are_counted_apart():
    table = frame(case(), case(30, entry=30), case(40, returned=False, entry=60), case(20, entry=25), case(60))
    result = return_curves(table)
    assert result.left_out.values.tolist() == [
        ["recorded after return (retrospective)", 2],
        ["first seen on or after the day of last contact", 1],
    ]
    assert result.n_rows_used == 2
    from_onset = return_curves(table, entry="onset")
    assert from_onset.n_rows_used == 5
    assert "entry_at_onset" in codes(from_onset)


def test_a_case_that_never_stopped_returned_on_day_0():
    result = return_curves(frame(case(0), case(10), case(20), case(30)))
    assert result.table[["time", "at_risk", "estimate"]].values.tolist()[0] == [0, 4, 0.75]
    assert "never_stopped" in codes(result)


def test_a_return_between_two_contacts_is_taken_at_the_later_and_counted():
    result = return_curves(frame(case(50, kind="interval"), case(60), case(70, returned=False, kind="interval")))
    assert result.interval_only == 1
    assert "1 of 2 returns" in next(note.sentence for note in result.notes if note.code == "interval_only")


def test_without_a_day_first_seen_onset_is_taken_and_said():
    result = return_curves(frame(case(entry=None), case(60, entry=0)))
    assert result.table["at_risk"].tolist() == [2, 1]
    assert "1 of 2 cases" in next(note.sentence for note in result.notes if note.code == "no_first_seen")


def test_a_group_of_four_gets_a_curve_and_no_median():
    few, enough = [case(day) for day in (10, 20, 30, 40)], [case(day, tier="joint") for day in (10, 20, 30, 40, 50)]
    result = return_curves(frame(*few, *enough))
    medians = result.quantiles.query("probability == 0.5").set_index("group")["estimate"]
    assert np.isnan(medians["pulley_1"])
    assert medians["joint"] == 30
    assert "small_group" in codes(result)
    shares = result.shares_back.set_index(["group", "day"])[["estimate", "conf_low", "conf_high"]]
    assert shares.loc["pulley_1"].isna().all(axis=None)
    assert shares.loc[("joint", 42), "estimate"] == pytest.approx(0.8)
    assert "pulley_1 (4)" in sentences(result)["few_in_test"]


def test_shares_back_end_with_the_follow_up():
    result = return_curves(frame(*[case(day) for day in (10, 10, 20, 20, 50, 50)], *[case(100, returned=False)] * 2))
    shares = result.shares_back.set_index("day")
    assert shares["estimate"].tolist() == pytest.approx([0.5, 0.75, np.nan, np.nan], nan_ok=True)
    assert shares["at_risk"].tolist() == [4, 2, 0, 0]
    assert shares["from_day"].tolist() == [0] * 4
    curve = result.table.set_index("time")
    assert shares.loc[42, ["conf_low", "conf_high"]].tolist() == pytest.approx(
        [1 - curve.loc[20, "conf_high"], 1 - curve.loc[20, "conf_low"]]
    )


def test_all_back_stays_all_back():
    shares = return_curves(frame(*[case(day) for day in (10, 20, 50) * 2])).shares_back
    assert shares["estimate"].tolist() == pytest.approx([2 / 3, 1, 1, 1])


def test_the_curve_begins_when_enough_are_under_observation():
    # One case alone returns on day 4, and would bring the share not yet back to 0 for good.
    late = [case(30 + day, entry=5 + day % 3) for day in range(40)]
    result = return_curves(frame(case(4, entry=1), *late))
    first = result.groups["first_time_shown"].iloc[0]
    assert first == 5
    assert result.table["time"].min() > first
    assert ["ended before the curve of its group begins", 1] in result.left_out.values.tolist()
    assert "pulley_1 day 5" in next(note.sentence for note in result.notes if note.code == "conditional_on_day")
    # The same as an ordinary curve of those still not back on that day.
    rest = pl.DataFrame(late).with_columns(
        entry=pl.max_horizontal("entry_day", pl.lit(5)) - 5, day=pl.col("full_day") - 5
    )
    plain = survival_curves(rest, duration="day", event="full_returned", entry="entry").table
    assert result.table["estimate"].tolist() == plain["estimate"].tolist()
    assert (result.table["time"] - 5).tolist() == plain["time"].tolist()


def test_early_horizons_before_a_curve_begins_are_not_given():
    result = return_curves(frame(*[case(100 + day, entry=60) for day in range(12)]))
    assert result.groups["first_time_shown"].tolist() == [60]
    assert set(result.shares_back["from_day"]) == {60}
    assert np.isnan(result.shares_back.set_index("day").loc[42, "estimate"])
    assert result.shares_back.set_index("day").loc[91, "estimate"] == 0


def test_late_entry_mends_what_a_clinic_cannot_see():
    # Known truth: days to return are exponential with median 60; a clinic sees only who is not yet back.
    rng = np.random.default_rng(20)
    day, entry = np.ceil(rng.exponential(60 / np.log(2), 6000)), rng.integers(1, 90, 6000)
    seen = day > entry
    table = pd.DataFrame({"full_day": day[seen].astype(int), "entry_day": entry[seen]}).assign(
        tier="pulley_1", full_returned=True, full_kind="exact", minor=False
    )
    mended = return_curves(table).quantiles.query("probability == 0.5").iloc[0]
    naive = return_curves(table, entry="onset").quantiles.query("probability == 0.5").iloc[0]
    assert mended["conf_low"] <= 60 <= mended["conf_high"] + 1
    assert naive["conf_low"] > 70


def test_log_rank_over_all_tiers_and_over_the_pulleys():
    table = cases(300)
    tests = return_curves(table, entry="onset").tests.set_index("test")
    adults = table[~table["minor"]]
    pulleys = adults[adults["tier"] != "joint"]
    for name, rows in (("log_rank", adults), ("log_rank_pulley", pulleys)):
        plain = survival_curves(rows, duration="full_day", event="full_returned", by="tier").tests.iloc[0]
        assert tests.loc[name, "statistic"] == pytest.approx(plain["statistic"], abs=1e-9)
        assert tests.loc[name, "df"] == plain["df"]
    assert return_curves(table, by="minor", people="minors").tests.empty


def test_sustained_returns_have_their_own_columns():
    table = cases(50)
    with pytest.raises(ColumnError, match="no column 'full_sustained_day'"):
        return_curves(table, sustained=True)
    later = table.rename(columns=lambda name: name.replace("full_", "full_sustained_"))
    assert "with no step back seen within 28 days" in return_curves(later, sustained=True).method


def test_the_pulley_test_is_not_a_second_name_for_the_first():
    table = cases(200).query("tier != 'joint'")
    result = return_curves(table, entry="onset")
    assert result.tests["test"].tolist() == ["log_rank"]
    assert "tiers_of_different_structures" not in codes(result)
    mixed = return_curves(cases(200).query("tier in ['joint', 'pulley_1']"), entry="onset")
    assert mixed.tests["test"].tolist() == ["log_rank"]
    assert sentences(mixed)["tiers_of_different_structures"].endswith("of different structures.")


def test_climbers_who_repeat_are_counted():
    # Counted by hand: one of three climbers has two of four cases.
    table = frame(*[case(day) for day in (10, 20, 30, 40)]).with_columns(climber=pl.Series(["a", "a", "b", "c"]))
    sentence = sentences(return_curves(table))["climbers_repeat"]
    assert sentence.startswith("1 of 3 climbers appear more than once, with 2 of 4 cases; these limits")
    assert "climbers_repeat" not in codes(return_curves(table.filter(pl.col("climber") != "a")))


def test_sustained_returns_that_were_not_watched_are_counted():
    # Counted by hand: watched 27, 28 and 0 days after the return; 28 days are enough.
    table = frame(case(10), case(20), case(30), case(40, returned=False)).rename(
        lambda name: name.replace("full_", "full_sustained_")
    )
    table = table.with_columns(last_contact_day=pl.Series([37, 48, 30, 40]))
    assert sentences(return_curves(table, sustained=True))["watched_short"].startswith("2 of 3 returns were watched")
    assert "watched_short" not in codes(return_curves(table.drop("last_contact_day"), sustained=True))


def test_groups_that_would_list_persons_are_refused_for_a_registry():
    table = cases(30).assign(athlete=[str(i) for i in range(30)])
    with pytest.raises(OptionError, match="by 'athlete' would list persons"):
        return_curves(View(table), by="athlete")
    assert len(return_curves(table, by="athlete").groups) > 20


def test_misuse_is_refused():
    with pytest.raises(OptionError, match="milestone must be one of 'modified', 'full', 'previous_level'"):
        return_curves(cases(5), milestone="half")
    with pytest.raises(OptionError, match="Did you mean 'adults'"):
        return_curves(cases(5), people="adult")
    with pytest.raises(OptionError, match="entry must be one of"):
        return_curves(cases(5), entry="birth")
    with pytest.raises(ColumnError, match="no column 'tier'"):
        return_curves(cases(5).drop(columns="tier"))
