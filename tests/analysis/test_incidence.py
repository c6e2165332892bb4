"""Incidence: what counts, over which time, with which limits."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from analysis import event_rates, incidence_rates
from analysis.clustered_rates import robust_limits
from analysis.poisson import exact_limits
from registry.errors import ColumnError, DataError, InputError, OptionError

LIMITS = ["estimate", "conf_low", "conf_high"]


def registry(n=80, seed=4, squads=False):
    """Return invented climbing time (two settings a climber) and occurrences."""
    rng = np.random.default_rng(seed)
    climbers = [f"c{i}" for i in range(n)]
    time = pd.DataFrame(
        {
            "site": np.repeat(rng.choice(["north", "south"], n), 2),
            "climber": np.repeat(climbers, 2),
            "squad": None,
            "unit": "climber",
            "season": "2024",
            "setting": ["indoor", "outdoor"] * n,
            "sex": np.repeat(rng.choice(["female", "male"], n), 2),
            "minor": np.repeat(rng.random(n) < 0.25, 2),
            "minutes": rng.integers(600, 20_000, 2 * n),
            "sessions": rng.integers(5, 120, 2 * n),
            "climbers": 1,
        }
    )
    hurt = time.sample(70, replace=True, random_state=seed)
    hurt = hurt[["site", "climber", "squad", "season", "setting", "sex", "minor"]].reset_index(drop=True)
    hurt["standing"] = np.where(np.arange(70) % 7 == 0, "prevalent", "counted")
    return {"risk_time": time, "occurrences": hurt}


def notes(result):
    return {note.code: note.sentence for note in result.notes}


def row(table, denominator="hours", **where):
    for name, value in {"denominator": denominator, **where}.items():
        table = table[table[name] == value]
    assert len(table) == 1
    return table.iloc[0]


def test_occurrences_over_hours_and_over_sessions():
    source = registry()
    result = incidence_rates(source)
    hours, sessions = source["risk_time"]["minutes"].sum() / 60, source["risk_time"]["sessions"].sum()
    assert result.table["events"].tolist() == [60, 60]
    assert result.table["exposure"].tolist() == pytest.approx([hours, sessions])
    for denominator, amount in (("hours", hours), ("sessions", sessions)):
        plain = event_rates({"n": [60], "t": [amount]}, events="n", exposure="t").table.iloc[0]
        assert row(result.table, denominator)[LIMITS].tolist() == pytest.approx(plain[LIMITS].tolist())
    assert result.table["climbers"].tolist() == [80, 80]


def test_every_occurrence_has_its_place():
    result = incidence_rates(registry())
    assert result.counted.set_index("standing")["n"].to_dict() == {
        "counted": 60,
        "prevalent": 10,
        "uncovered": 0,
        "outside_observation": 0,
        "not_observed": 0,
        "site_without_observation": 0,
    }
    assert (result.n_rows_in, result.n_rows_used) == (70, 60)
    assert result.left_out["n"].tolist() == [10]


def registry_with_repeaters():
    """Return a registry in which few climbers have most occurrences, so that errors by climber are the larger."""
    source = registry()
    often = source["occurrences"].query("climber in ['c3', 'c11', 'c40'] or index < 8")
    source["occurrences"] = pd.concat([source["occurrences"], *[often] * 4], ignore_index=True)
    return source


def poisson_model(part, design):
    model = sm.GLM(part["events"], design, family=sm.families.Poisson(), offset=np.log(part["exposure"]))
    codes = pd.factorize(part["climber"])[0]
    return model.fit(cov_type="cluster", cov_kwds={"groups": codes, "use_correction": False, "df_correction": False})


def rows_of_a_model(source):
    """Return one row a climber and setting, the uninjured too."""
    counted = source["occurrences"].query("standing == 'counted'")
    events = counted.groupby(["climber", "setting"]).size().rename("events")
    part = source["risk_time"].set_index(["climber", "setting"]).join(events).fillna({"events": 0}).reset_index()
    return part.assign(exposure=part["minutes"] / 60)


def test_robust_limits_equal_a_poisson_model_with_errors_by_climber():
    # statsmodels 0.15, GLM with cluster-robust errors; ours has the factor n / (n - 1) and Student's t.
    source = registry_with_repeaters()
    part = rows_of_a_model(source)
    fit = poisson_model(part, np.ones(len(part)))
    ours = row(incidence_rates(source).table)
    reach = (np.log(ours["robust_high"]) - np.log(ours["robust_low"])) / 2
    t_quantile = 1.990450  # 79 degrees of freedom, from a table of Student's t (from memory; scipy agrees)
    assert reach / t_quantile == pytest.approx(float(fit.bse.iloc[0]) * np.sqrt(80 / 79), rel=1e-5)
    assert np.exp(float(fit.params.iloc[0])) * 1000 == pytest.approx(ours["estimate"], rel=1e-8)


def test_robust_ratio_equals_a_poisson_model_with_errors_by_climber():
    source = registry_with_repeaters()
    part = rows_of_a_model(source)
    fit = poisson_model(part, sm.add_constant((part["setting"] == "outdoor").astype(float)))
    ratios = incidence_rates(source, by="setting").ratios
    ours = row(ratios, method="robust_log")
    reach = (np.log(ours["conf_high"]) - np.log(ours["conf_low"])) / 2
    assert np.log(ours["estimate"]) == pytest.approx(float(fit.params["setting"]), rel=1e-8)
    assert reach / 1.990450 == pytest.approx(float(fit.bse["setting"]) * np.sqrt(80 / 79), rel=1e-5)
    exact = event_rates(
        {"setting": part["setting"], "n": part["events"].astype(int), "h": part["exposure"]},
        events="n",
        exposure="h",
        by="setting",
    ).ratios
    for method in exact["method"]:
        theirs = exact.query("method == @method").iloc[0]
        assert row(ratios, method=method)[LIMITS].tolist() == pytest.approx(theirs[LIMITS].tolist(), rel=1e-9)


def test_robust_limits_are_no_narrower_than_poissons():
    # Each climber is hurt in exact proportion to the time: between climbers nothing varies, by chance.
    names = list("abcdefghij")
    time = {"site": "x", "squad": None, "unit": "climber", "climber": names, "minutes": [60, 120] * 5}
    time = pd.DataFrame(time).assign(sessions=1, climbers=1)
    hurt = pd.DataFrame({"site": "x", "squad": None, "standing": "counted", "climber": [*names, *names[1::2]]})
    ours = row(incidence_rates({"risk_time": time, "occurrences": hurt}).table)
    # Student's t with 9 degrees of freedom: 2.262157 (from a table of Student's t, from memory)
    assert np.log(ours["robust_high"] / ours["estimate"]) == pytest.approx(2.262157 / np.sqrt(15), rel=1e-6)


def test_few_climbers_or_few_events_have_no_robust_limits():
    # Counted by hand: nine climbers with time; four events of twelve climbers. Thresholds are our own choice.
    def source(climbers, hurt):
        names = [f"c{i}" for i in range(climbers)]
        time = pd.DataFrame({"site": "x", "squad": None, "unit": "climber", "climber": names}).assign(
            minutes=600, sessions=1, climbers=1, setting="indoor"
        )
        events = pd.DataFrame({"site": "x", "squad": None, "standing": "counted", "climber": names[:hurt]})
        return {"risk_time": time, "occurrences": events.assign(setting="indoor")}

    for climbers, hurt in ((9, 9), (12, 4), (2, 1)):
        result = incidence_rates(source(climbers, hurt), by="setting")
        ours = row(result.table)
        assert np.isnan([ours["robust_low"], ours["robust_high"]]).all()
        assert ours["conf_high"] > ours["estimate"]
        assert notes(result)["few_clusters"].endswith("no limits respect repeaters: indoor.")
    enough = incidence_rates(source(10, 5))
    assert row(enough.table)["robust_high"] > row(enough.table)["estimate"]
    assert "few_clusters" not in notes(enough)


def test_robust_ratios_of_few_climbers_have_no_limits():
    # Both settings have the same nine climbers, two of them hurt three times each: the ratio is 1, by hand.
    names = [f"c{i}" for i in range(9)]
    time = pd.DataFrame({"site": "x", "squad": None, "unit": "climber", "climber": names * 2})
    time = time.assign(setting=["indoor"] * 9 + ["outdoor"] * 9, minutes=600, sessions=1, climbers=1)
    hurt = pd.DataFrame({"site": "x", "squad": None, "standing": "counted", "climber": ["c0", "c1"] * 6})
    hurt["setting"] = ["indoor"] * 6 + ["outdoor"] * 6
    ours = row(incidence_rates({"risk_time": time, "occurrences": hurt}, by="setting").ratios, method="robust_log")
    assert ours["estimate"] == 1
    assert np.isnan(ours[["conf_low", "conf_high", "p_value"]].astype(float)).all()


def test_groups_add_up_and_their_rates_stand_round_the_whole():
    source = registry()
    whole, apart = incidence_rates(source).table, incidence_rates(source, by=["sex", "setting"]).table
    for denominator in ("hours", "sessions"):
        parts, all_ = apart[apart["denominator"] == denominator], row(whole, denominator)
        assert parts["events"].sum() == all_["events"]
        assert parts["exposure"].sum() == pytest.approx(all_["exposure"])
        assert parts["estimate"].min() <= all_["estimate"] <= parts["estimate"].max()


def test_the_order_of_the_rows_does_not_matter():
    source = registry()
    shuffled = {name: table.sample(frac=1, random_state=9) for name, table in source.items()}
    one, other = incidence_rates(source, by="sex"), incidence_rates(shuffled, by="sex")
    pd.testing.assert_frame_equal(one.table, other.table)
    pd.testing.assert_frame_equal(one.ratios, other.ratios)


def test_zero_occurrences_have_exact_limits():
    source = registry()
    source["occurrences"] = source["occurrences"].iloc[:0]
    result = incidence_rates(source)
    assert result.table["estimate"].tolist() == [0, 0]
    assert result.table["robust_high"].tolist() == result.table["conf_high"].tolist()
    assert "robust_as_exact" in notes(result)


def test_a_squads_hours_are_one_cluster_and_its_heads_are_counted():
    source = registry()
    south = source["risk_time"]["site"] == "south"
    time = source["risk_time"][~south]
    squad = {"site": "south", "squad": "s1", "unit": "squad", "setting": "indoor", "season": "2024", "sex": None}
    squad |= {"climber": None, "minor": None, "minutes": 600_000, "sessions": 4000, "climbers": 25}
    source["risk_time"] = pd.DataFrame([*time.to_dict("records"), squad])
    source["occurrences"].loc[source["occurrences"]["site"] == "south", "squad"] = "s1"
    result = incidence_rates(source, by="site")
    south = row(result.table, site="south")
    assert south["climbers"] == 25
    assert south["exposure"] == 10_000
    # One squad tells nothing about the variance between squads.
    assert np.isnan(south["robust_low"])
    assert row(result.table, site="north")["robust_low"] != row(result.table, site="north")["conf_low"]
    assert notes(result)["few_clusters"].endswith(": south.")


def test_occurrences_of_a_mixed_squad_stand_over_its_own_hours():
    squad = {"site": "x", "squad": "s", "unit": "squad", "climber": None, "sex": None, "minutes": 60_000}
    own = {"site": "x", "squad": None, "unit": "climber", "climber": "x:1", "sex": "female", "minutes": 6_000}
    time = pd.DataFrame([squad, own]).assign(sessions=100, climbers=[12, 1])
    hurt = pd.DataFrame(
        {"site": "x", "squad": ["s", "s", None], "climber": ["x:7", "x:8", "x:1"], "standing": "counted"}
    )
    hurt["sex"] = ["female", "male", "female"]
    result = incidence_rates({"risk_time": time, "occurrences": hurt}, by="sex")
    hours = result.table.query("denominator == 'hours'")
    assert hours[["sex", "events", "exposure"]].values.tolist() == [["female", 1, 100], ["not recorded", 2, 1000]]
    assert notes(result)["as_the_hours_say"].startswith("2 of 3 occurrences stand under 'not recorded'")
    assert "level_unknown" not in notes(result)


def test_a_site_that_does_not_note_every_session_has_no_rate_per_session():
    source = registry()
    time, hurt = source["risk_time"], source["occurrences"]
    time["sessions"] = time["sessions"].astype("Int64")
    time.loc[time.index[time["site"] == "south"][0], "sessions"] = pd.NA
    result = incidence_rates(source)
    north = hurt[(hurt["site"] == "north") & (hurt["standing"] == "counted")]
    assert row(result.table, "sessions")["events"] == len(north)
    assert row(result.table, "sessions")["exposure"] == time.loc[time["site"] == "north", "sessions"].sum()
    assert row(result.table)["events"] == 60
    assert "south" in notes(result)["sessions_incomplete"]
    time["sessions"] = pd.NA
    bare = incidence_rates(source)
    assert bare.table["denominator"].tolist() == ["hours"]
    assert "no_sessions" in notes(bare)


def test_occurrences_without_a_setting_have_no_rate_and_are_shown():
    source = registry()
    source["occurrences"].loc[1, "setting"] = None
    result = incidence_rates(source, by="setting")
    lost = row(result.table, setting="not recorded")
    assert lost["events"] == 1
    assert np.isnan(lost[LIMITS].tolist()).all()
    assert "not recorded (events: 1)" in notes(result)["no_exposure"]
    assert notes(result)["level_unknown"].startswith("1 of 60 events do not tell their setting; the rates of the")
    assert result.table.query("denominator == 'hours'")["events"].sum() == 60


def test_a_rate_of_all_ages_says_so():
    source = registry()
    sentence = notes(incidence_rates(source))["minors_pooled"]
    young = source["risk_time"].query("minor")["minutes"].sum() / 60
    assert f"and {young:.0f} hours are of climbers under 18." in sentence
    apart = incidence_rates(source, by="minor")
    assert "minors_pooled" not in notes(apart)
    assert f"; {row(apart.table, minor=True)['events']} occurrences" in sentence


def test_minors_are_counted_as_their_hours_are():
    # By hand: the squad's hours tell no age, so that its injured minor is not one of the minors' rate.
    squad = {"site": "x", "squad": "s", "unit": "squad", "climber": None, "minor": None, "minutes": 60_000}
    own = {"site": "x", "squad": None, "unit": "climber", "climber": "x:1", "minor": True, "minutes": 6_000}
    time = pd.DataFrame([squad, own]).assign(sessions=100, climbers=[12, 1])
    hurt = pd.DataFrame({"site": "x", "squad": ["s", "s", None], "climber": ["x:7", "x:8", "x:1"], "minor": True})
    sentence = notes(incidence_rates({"risk_time": time, "occurrences": hurt.assign(standing="counted")}))
    assert "1 occurrences and 100 hours are of climbers under 18 (2 occurrences and 1000" in sentence["minors_pooled"]


def test_an_occurrence_where_its_climber_has_no_time_is_named():
    source = registry()
    time, hurt = source["risk_time"], source["occurrences"]
    hurt.loc[1, ["climber", "setting"]] = ["c3", "outdoor"]
    source["risk_time"] = time[~((time["climber"] == "c3") & (time["setting"] == "outdoor"))]
    theirs = hurt.query("standing == 'counted' and climber == 'c3' and setting == 'outdoor'")
    result = incidence_rates(source, by="setting")
    assert notes(result)["elsewhere"].startswith(f"{len(theirs)} of 60 occurrences")
    assert result.table.query("denominator == 'hours'")["events"].sum() == 60
    assert "elsewhere" not in notes(incidence_rates(registry(), by="setting"))


def test_the_sites_definitions_come_with_the_rate():
    source = registry()
    sites = {"site": ["south", "north"], "case_definition": ["time_loss", "any_complaint"]}
    source["sites"] = pd.DataFrame({**sites, "consecutive": ["yes", None], "exposure_method": ["logged", "estimated"]})
    result = incidence_rates(source)
    assert result.sites["site"].tolist() == ["north", "south"]
    assert result.sites["case_definition"].tolist() == ["any_complaint", "time_loss"]


def test_without_climbing_time_the_message_says_what_to_deliver():
    source = registry()
    source["risk_time"] = source["risk_time"].iloc[:0]
    source["occurrences"]["standing"] = "site_without_observation"
    with pytest.raises(DataError, match=r"70 occurrences have no rate.*observation\.csv.*exposure\.csv"):
        incidence_rates(source)


def test_sites_without_observation_are_named():
    source = registry()
    source["occurrences"].loc[0, "standing"] = "site_without_observation"
    assert "1 occurrence" in notes(incidence_rates(source))["site_without_observation"]


def test_misuse_is_refused():
    source = registry()
    with pytest.raises(OptionError, match=r"by 'seting' is not possible.*Did you mean 'setting'"):
        incidence_rates(source, by="seting")
    with pytest.raises(OptionError, match="by 'grip' is not possible"):
        incidence_rates(source, by="grip")
    with pytest.raises(OptionError, match="Did you mean 'indoor'"):
        incidence_rates(source, by="setting", reference="indor")
    with pytest.raises(InputError, match="an opened registry or freeze is needed"):
        incidence_rates(source["risk_time"])
    with pytest.raises(ColumnError, match="no column 'standing'"):
        incidence_rates({**source, "occurrences": source["occurrences"].drop(columns="standing")})


@pytest.mark.slow
def test_robust_limits_cover_where_climbers_differ_and_exact_ones_do_not():
    # Known truth: 20 per 1000 h on average; climbers differ by a gamma factor of variance 2.
    rng = np.random.default_rng(77)
    n, runs = 150, 2000
    covered = {"robust": 0, "exact": 0}
    for _ in range(runs):
        hours = rng.gamma(2, 150, n)
        events = rng.poisson(0.02 * hours * rng.gamma(0.5, 2, n))
        part = pd.DataFrame({"cluster": [str(i) for i in range(n)], "events": events, "exposure": hours})
        limits = robust_limits(part, [], (), 0.95)
        covered["robust"] += limits.low <= 0.02 <= limits.high
        low, high = exact_limits(int(events.sum()), conf_level=0.95)
        covered["exact"] += low / hours.sum() <= 0.02 <= high / hours.sum()
    # Binomial margin of three standard errors (1.5 points), one more point for the skew of 150 clusters.
    assert covered["robust"] / runs > 0.925
    assert covered["exact"] / runs < 0.85
