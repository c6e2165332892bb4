"""Adjusted odds ratios at the edge: measurements far from 0, combinations that no row has, odd options."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.adjusted import adjusted_odds_ratios
from analysis.results import OddsRatios
from registry.errors import DataError, InputError, OptionError


def rows(n: int = 240) -> pd.DataFrame:
    """Invented cases: nothing about them is true."""
    draws = np.random.default_rng(9)
    frame = pd.DataFrame(
        {
            "grip": draws.choice(["full_crimp", "half_crimp", "open_hand"], n),
            "sex": draws.choice(["female", "male"], n),
            "load": np.round(draws.normal(size=n), 3),
            "who": draws.integers(0, n // 3, n),
        }
    )
    return frame.assign(a2=draws.random(n) < 1 / (1 + np.exp(-0.7 * frame["load"])))


def codes(result: OddsRatios) -> list[str]:
    return [note.code for note in result.notes]


def sentence(result: OddsRatios, code: str) -> str:
    return next(note.sentence for note in result.notes if note.code == code)


def assert_same(one: OddsRatios, other: OddsRatios) -> None:
    columns = ["estimate", "conf_low", "conf_high", "std_error", "statistic", "p_value"]
    assert one.table[columns].to_numpy(float) == pytest.approx(
        other.table[columns].to_numpy(float), rel=1e-5, nan_ok=True
    )


@pytest.mark.parametrize("cluster", [None, "who"])
def test_a_measurement_far_from_0_costs_no_digits(cluster: str | None) -> None:
    frame = rows()
    far = frame.assign(load=frame["load"] + 2.0**26)
    near, there = (
        adjusted_odds_ratios(each, outcome="a2", terms=["grip", "load"], cluster=cluster, firth="never")
        for each in (frame, far)
    )
    assert_same(near, there)


def test_a_measurement_far_from_0_does_not_hide_what_separates() -> None:
    frame = rows()
    frame.loc[frame["grip"] == "open_hand", "a2"] = True
    far = frame.assign(load=frame["load"] + 2.0**26)
    near, there = (
        adjusted_odds_ratios(each, outcome="a2", terms=["grip", "load"], firth="never") for each in (frame, far)
    )
    assert codes(near) == codes(there)
    assert_same(near, there)
    parted = far.assign(a2=far["load"] > 2.0**26)
    both = adjusted_odds_ratios(parted, outcome="a2", terms=["load", "sex"], firth="never")
    assert both.table["estimate"].iloc[0] == np.inf
    assert both.coefficients["coefficient"].iloc[0] == -np.inf


def test_the_product_with_a_measurement_far_from_0_is_the_same_and_the_rest_is_called_extrapolated() -> None:
    frame = rows()
    near, there = (
        adjusted_odds_ratios(each, outcome="a2", terms=["grip", "load"], interactions=["grip:load"], firth="never")
        for each in (frame, frame.assign(load=frame["load"] + 2.0**20))
    )
    products = [each.table[each.table["exposure"] == "grip:load"] for each in (near, there)]
    for column in ("estimate", "std_error", "p_value"):
        assert products[0][column].to_numpy() == pytest.approx(products[1][column].to_numpy(), rel=1e-5)
    assert "extrapolated" not in codes(near)
    assert sentence(there, "extrapolated").startswith("No row of 'load' is near 0")


def test_a_measurement_that_hardly_varies_is_named() -> None:
    frame = rows()
    with pytest.raises(DataError, match=r"'load' varies by less than .* subtract a value near its middle"):
        adjusted_odds_ratios(frame.assign(load=frame["load"] + 2.0**36), outcome="a2", terms=["load"])


def test_a_combination_without_a_row_is_left_out_and_named() -> None:
    # By hand: a saturated table of five combinations; each ratio is that of its own cells.
    counts = {
        ("full_crimp", "female"): (14, 20),
        ("full_crimp", "male"): (9, 11),
        ("half_crimp", "female"): (12, 17),
        ("open_hand", "female"): (10, 23),
        ("open_hand", "male"): (16, 8),
    }
    cells = [(*at, flag, n) for at, pair in counts.items() for flag, n in zip((True, False), pair, strict=True)]
    table = pd.DataFrame([cell[:3] for cell in cells for _ in range(cell[3])], columns=["grip", "sex", "a2"])
    result = adjusted_odds_ratios(
        table,
        outcome="a2",
        terms=["grip", "sex"],
        references={"grip": "full_crimp"},
        interactions=["grip:sex"],
        firth="never",
    )
    ratio = result.table.set_index(["exposure", "level"])["estimate"]
    assert ratio["grip:sex"].index.tolist() == ["open_hand:male"]
    assert ratio["grip:sex"].iloc[0] == pytest.approx((16 / 8) / (10 / 23) / ((9 / 11) / (14 / 20)), rel=1e-9)
    assert ratio["grip", "half_crimp"] == pytest.approx((12 / 17) / (14 / 20), rel=1e-9)
    assert "No row stands for 'grip:sex' at 'half_crimp:male': left out" in sentence(result, "empty_combination")
    assert result.tests.set_index("exposure").loc["grip:sex", "df"] == 1


@pytest.mark.parametrize("seed", [-1, 1.5, "a", None])
def test_a_seed_is_a_whole_number(seed: object) -> None:
    with pytest.raises(OptionError, match=r"seed is '.*'; it is a whole number of 0 or more"):
        adjusted_odds_ratios(rows(), outcome="a2", terms="grip", seed=seed)  # type: ignore[arg-type]


@pytest.mark.parametrize("terms", [[["grip"]], [None]])
def test_terms_are_names(terms: object) -> None:
    with pytest.raises(InputError, match="outcome and terms are names of columns"):
        adjusted_odds_ratios(rows(), outcome="a2", terms=terms)  # type: ignore[arg-type]


def test_no_terms_at_all() -> None:
    with pytest.raises(InputError, match="terms is empty"):
        adjusted_odds_ratios(rows(), outcome="a2", terms=None)  # type: ignore[arg-type]


def test_a_sparse_combination_is_named_although_each_level_is_full() -> None:
    counts = {("no", "no"): (30, 40), ("no", "yes"): (25, 30), ("yes", "no"): (2, 30), ("yes", "yes"): (40, 35)}
    cells = [(*at, flag, n) for at, pair in counts.items() for flag, n in zip((True, False), pair, strict=True)]
    table = pd.DataFrame([cell[:3] for cell in cells for _ in range(cell[3])], columns=["crimp", "cold", "a2"])
    alone = adjusted_odds_ratios(table, outcome="a2", terms=["crimp", "cold"])
    assert "sparse_cells" not in codes(alone)
    result = adjusted_odds_ratios(table, outcome="a2", terms=["crimp", "cold"], interactions=["crimp:cold"])
    assert sentence(result, "sparse_cells").endswith("'crimp' at 'yes' (2); 'crimp:cold' at 'yes:yes' (2).")
    assert set(result.table["method"]) == {"logistic", "firth"}


def test_levels_by_the_hundred_are_names_and_a_sentence_lists_the_first_of_many() -> None:
    frame = rows().assign(key=[f"k{place}" for place in range(240)])
    with pytest.raises(InputError, match="term 'key' has 240 levels; more than 200 are names"):
        adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "key"])
    with pytest.raises(DataError, match=r"'key' at 'k1', 'k10', .*, \.\.\. \(99 levels\)\); leave out terms"):
        adjusted_odds_ratios(frame.head(100), outcome="a2", terms=["key"])
