"""Rows come from a view, a mapping or a frame; levels keep the order of their code lists."""

import numpy as np
import pytest

import analysis
from analysis.kaplan_meier import first_supported_day
from analysis.sources import cases_of, in_order, is_view, sites_of
from analysis.tallies import day_tally


class View:
    def table(self, name):
        return {"case": [name]}

    def base(self, name):
        return {"site": [name], "case_definition": ["time_loss"], "consecutive": ["yes"], "exposure_method": ["none"]}


def test_a_view_a_mapping_and_a_frame_are_told_apart():
    assert is_view(View())
    assert not is_view({"cases": {}})
    for source in (View(), {"cases": {"case": ["cases"]}}, {"case": ["cases"]}):
        assert cases_of(source).collect()["case"].to_list() == ["cases"]
    assert sites_of(View())["site"].tolist() == ["sites"]
    assert len(sites_of({"case": [1]})) == 0


def test_levels_keep_their_kind_and_the_order_of_their_code_list():
    assert in_order("tier", ["joint", None, "pulley_2", "pulley_1"]) == [
        "pulley_1",
        "pulley_2",
        "joint",
        "not recorded",
    ]
    assert in_order("minor", [True, False]) == [False, True]
    assert in_order("arm", [2, 1, np.nan, 10]) == [1, 2, 10, "not recorded"]
    assert in_order(None, ["b", "a"]) == ["a", "b"]


def test_every_public_name_is_found_and_no_other():
    for name in analysis.__all__:
        assert callable(getattr(analysis, name))
    with pytest.raises(AttributeError, match="no attribute 'mean'"):
        _ = analysis.mean


def supported(entries, days):
    spells = {"day": days, "back": [True] * len(days), "entry": entries}
    return first_supported_day(day_tally(spells, "day", "back", entry="entry"))


def test_a_curve_is_supported_from_the_day_with_enough_at_risk():
    assert supported([0, 0, 0], [9, 9, 9]) == 0
    assert supported([0, 0, 5], [9, 9, 9]) == 0  # two of three from the start are enough
    assert supported([1, 4, 5], [9, 9, 9]) == 4
    assert supported([10, 20, 30], [15, 25, 35]) == 10  # never two at once: the largest risk set has to do
    assert supported(list(range(1, 41)), [100] * 40) == 10
