"""Two seasons or sites side by side: differences with limits, standardised differences, groups that do not exist."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest

from analysis.differences import difference
from analysis.results import DistributionComparison
from analysis.standardised import compare_distributions, standardised_difference
from registry.errors import ColumnError, InputError, OptionError

TESTS = Path(__file__).resolve().parent.parent
R = json.loads((TESTS / "reference" / "distribution" / "expected.json").read_text(encoding="utf-8"))
DIGITS = ["thumb", "index", "middle", "ring", "little"]


def two_seasons(first: list[int], second: list[int]) -> pd.DataFrame:
    digits = [digit for counts in (first, second) for digit, n in zip(DIGITS, counts, strict=True) for _ in range(n)]
    return pd.DataFrame({"digit": digits, "season": ["2024"] * sum(first) + ["2025"] * sum(second)})


def codes(result: DistributionComparison) -> list[str]:
    return [note.code for note in result.notes]


def test_the_distance_of_several_levels_equals_r() -> None:
    # computed with R 4.2.2 (reference/distribution/make.R: mahalanobis on the mean multinomial covariance)
    counts = [5, 25, 101, 121, 19], [3, 27, 96, 130, 20]
    assert standardised_difference(*counts) == pytest.approx(R["standardised_difference"][0], abs=1e-9)
    result = compare_distributions(two_seasons(*counts), by="digit", first="2024", second="2025")
    assert result.association["estimate"].tolist() == pytest.approx(R["standardised_difference"], abs=1e-9)


def test_two_levels_are_the_usual_standardised_difference() -> None:
    # Austin 2009 (from memory): (p2 - p1) / sqrt((p1 q1 + p2 q2) / 2) = 0.2 / sqrt(0.205) by hand
    assert standardised_difference([30, 70], [50, 50]) == pytest.approx(0.2 / np.sqrt((0.21 + 0.25) / 2))
    assert standardised_difference([3, 4], [6, 8]) == 0
    assert standardised_difference([5, 0], [0, 5]) == np.inf


def test_limits_are_newcombes_where_nobody_repeats() -> None:
    result = compare_distributions(
        two_seasons([1, 6, 20, 30, 4], [3, 9, 22, 21, 0]), by="digit", first=2024, second=2025
    )
    for row in result.table.itertuples():
        # difference() takes the first share less the second
        wanted = difference(row.second_n, row.second_of, row.first_n, row.first_of, method="newcombe")
        assert (row.estimate, row.conf_low, row.conf_high) == pytest.approx(
            (wanted.estimate, wanted.conf_low, wanted.conf_high), abs=1e-12
        )
    assert result.table["digit"].tolist() == DIGITS
    assert result.table["estimate"].sum() == pytest.approx(0)
    assert result.tests["test"].tolist()[0].startswith("pearson")


def test_swapping_the_groups_turns_the_signs() -> None:
    frame = two_seasons([1, 6, 20, 30, 4], [3, 9, 22, 21, 5]).assign(climber=lambda rows: np.arange(len(rows)) % 70)
    one = compare_distributions(frame, by="digit", first="2024", second="2025")
    other = compare_distributions(pl.from_pandas(frame), by="digit", first="2025", second="2024")
    assert other.table["estimate"].to_numpy() == pytest.approx(-one.table["estimate"].to_numpy())
    assert other.table["conf_low"].to_numpy() == pytest.approx(-one.table["conf_high"].to_numpy())
    assert other.association["estimate"].tolist() == pytest.approx(one.association["estimate"].tolist())


def test_climbers_in_both_groups_make_the_difference_surer() -> None:
    """Every climber has one finger in each season, most often the same: the difference varies less than the shares."""
    random = np.random.default_rng(4)
    first = random.random(100) < 0.5
    second = np.where(random.random(100) < 0.9, first, ~first)
    frame = pd.DataFrame(
        {
            "climber": np.tile(np.arange(100), 2),
            "season": np.repeat([2024, 2025], 100),
            "digit": np.where(np.concatenate([first, second]), "ring", "middle"),
        }
    )
    paired = compare_distributions(frame, by="digit", first=2024, second=2025).table.set_index("digit").loc["ring"]
    unpaired = compare_distributions(frame.drop(columns="climber"), by="digit", first=2024, second=2025)
    plain = unpaired.table.set_index("digit").loc["ring"]
    assert paired["estimate"] == plain["estimate"]
    assert paired["conf_high"] - paired["conf_low"] < 0.7 * (plain["conf_high"] - plain["conf_low"])


def test_findings_have_no_distance_of_all_rows() -> None:
    rows = pd.DataFrame(
        {
            "site": "x",
            "case": np.repeat(np.arange(40), 2),
            "season": np.repeat([2024, 2025], 40),
            "structure": np.tile(["a2", "a3"], 40),
        }
    )
    same = compare_distributions(rows, by="structure", first=2024, second=2025)
    assert same.tests.empty
    assert "no_test" in codes(same), "every case has both structures: nothing varies"
    rows = rows.drop(index=[1, 5, 9, 41])
    result = compare_distributions(rows, by="structure", first=2024, second=2025)
    assert result.association.empty
    assert "no_overall_difference" in codes(result)
    assert result.table["first_of"].iloc[0] == 20
    assert result.tests["test"].tolist() == ["rao_scott", "permutation_by_case"]


def test_missing_levels_are_rows_and_stay_out_of_the_distance() -> None:
    frame = two_seasons([0, 5, 10, 10, 5], [0, 5, 10, 10, 5])
    frame.loc[:9, "digit"] = None
    result = compare_distributions(frame, by="digit", first="2024", second="2025")
    assert result.table["digit"].tolist()[-1] == "not recorded"
    assert (result.table["first_of"] == 30).all()
    recorded = standardised_difference([0, 5, 10, 5], [5, 10, 10, 5])
    assert result.association["estimate"].iloc[0] == pytest.approx(recorded)


@pytest.mark.parametrize("n", [1, 3, 12, 80, 400])
def test_every_size_gives_a_table(n: int) -> None:
    random = np.random.default_rng(n)
    frame = pd.DataFrame(
        {
            "digit": random.choice(DIGITS, 2 * n),
            "season": np.repeat([2024, 2025], n),
            "climber": random.integers(0, max(1, n), 2 * n),
        }
    )
    result = compare_distributions(frame, by="digit", first=2024, second=2025)
    assert result.n_rows_used == 2 * n
    table = result.table
    assert ((table["conf_low"] <= table["estimate"]) & (table["estimate"] <= table["conf_high"])).all()
    explained = {"nothing_in_common", "no_overall_difference", "difference_by_chance"}
    assert explained & set(codes(result))
    assert isinstance(result.summary(), str)


def test_one_level_only_and_a_column_all_missing() -> None:
    one = compare_distributions(two_seasons([0, 0, 0, 5, 0], [0, 0, 0, 7, 0]), by="digit", first=2024, second=2025)
    assert "no_overall_difference" in codes(one)
    assert one.tests.empty
    frame = two_seasons([0, 0, 0, 5, 0], [0, 0, 0, 7, 0]).assign(grip=None)
    empty = compare_distributions(frame, by="grip", first=2024, second=2025)
    assert empty.table["grip"].tolist()[-1] == "not recorded"
    assert "no_overall_difference" in codes(empty)


def test_all_of_one_and_none_of_the_other_is_said() -> None:
    result = compare_distributions(two_seasons([0, 0, 9, 0, 0], [0, 0, 0, 8, 0]), by="digit", first=2024, second=2025)
    assert np.isinf(result.association["estimate"].iloc[0])
    assert codes(result).count("nothing_in_common") == 2


@pytest.mark.parametrize(
    ("options", "error", "sentence"),
    [
        (
            {"first": 2031, "second": 2025},
            OptionError,
            r"season '2031' does not occur; there are 2024 \(3\), 2025 \(3\)",
        ),
        ({"first": 2025, "second": 2025}, OptionError, "first and second are both season '2025'"),
        ({"between": "digit", "first": 1, "second": 2}, InputError, "given as by and as between"),
        ({"between": "sight", "first": 1, "second": 2}, ColumnError, r"'sight' \(given as between\).*'site'"),
        ({"between": "site", "first": "nort", "second": "south"}, OptionError, "Did you mean 'north'"),
        (
            {"between": "estimate", "first": 1, "second": 2},
            InputError,
            "'estimate' has the name of a column of the res",
        ),
        ({"between": ["site"], "first": "north", "second": "south"}, InputError, "give the name of one column"),
        ({"first": 2024, "second": 2025, "seed": -1}, OptionError, "seed is -1; it is a whole number of 0 or more"),
    ],
)
def test_what_cannot_be_compared(options: dict[str, Any], error: type[Exception], sentence: str) -> None:
    frame = two_seasons([0, 0, 3, 0, 0], [0, 0, 0, 3, 0]).assign(site=["north", "south"] * 3)
    with pytest.raises(error, match=sentence):
        compare_distributions(frame, by="digit", **options)


def test_no_row_at_all_is_said() -> None:
    with pytest.raises(OptionError, match="season '2024' does not occur; there are none at all"):
        compare_distributions(two_seasons([0] * 5, [0] * 5), by="digit", first=2024, second=2025)


@pytest.mark.slow
def test_limits_of_the_difference_cover_where_climbers_repeat() -> None:
    """400 registries, 60 climbers hurt in two seasons, one liking a climber; band set before: 92.5 to 97.5 %."""
    random = np.random.default_rng(12)
    covered = 0
    for _ in range(400):
        times = random.integers(1, 5, 60)
        climber = np.repeat(np.arange(60), times)
        season = random.integers(2024, 2026, len(climber))
        liking = random.beta(0.6, 1.4, 60)
        ring = random.random(len(climber)) < liking[climber]
        frame = pd.DataFrame({"climber": climber, "season": season, "digit": np.where(ring, "ring", "middle")})
        row = compare_distributions(frame, by="digit", first=2024, second=2025).table.set_index("digit").loc["ring"]
        covered += row["conf_low"] <= 0 <= row["conf_high"]
    assert 0.925 <= covered / 400 <= 0.975
